"""A sound played to people, through the sound process; nothing is heard or measured."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rig.front_ends.sound_card.devices import pick_output
from rig.front_ends.sound_card.link import ANSWER_LIMIT_S, SoundLink
from rig.front_ends.sound_card.messages import Played, PlaySound


def play(
    samples: NDArray[np.float32], sample_rate_hz: float, *, device: int | str | None = None
) -> None:
    """Play samples once, and wait until they have been heard.

    Parameters
    ----------
    samples : ndarray of float32, shape (samples,)
        Full scale is ±1; sent as they are, on the device's first channel or, where it has
        two or more, its first two.
    sample_rate_hz : float
    device : int, str or None
        Number, or name or part of one; None for the default.

    Raises
    ------
    DeviceError
        Where the sound library is missing, or the device cannot play this or has gone.
    """
    with SoundLink() as link:
        output = pick_output(link.listings, device)
        link.ask(
            PlaySound(
                output_number=output.number,
                outputs=min(2, output.outputs),
                sample_rate_hz=sample_rate_hz,
                samples=samples,
            )
        )
        link.wait_for(Played, 2 * ANSWER_LIMIT_S + samples.size / sample_rate_hz)
