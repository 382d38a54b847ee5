"""What a microphone or a card that bends makes of a loud sound: its square, ahead of it.

A pulse's square has twice its frequencies, of which a matched filter lets through what lies in
the pulse's band: a chirp's has these sooner than the chirp itself, and stands ahead of it as if it
were a sound of its own. How it stands there is known by the pulse; how strong it is, and how the
card turned it, is fitted. A weak sound that comes before a strong one is no part of that.

References
----------
A. Farina, "Simultaneous measurement of impulse response and distortion with a swept-sine
technique", AES 108th Convention, 2000 (from memory): with rising sweeps what is bent stands ahead.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.ping.echo_shape import EchoShape
from dsp.ping.likeness import NO_SOUND
from dsp.ping.peaks import KERNEL_HALF, Peak, interpolated


@dataclass(frozen=True, slots=True, kw_only=True)
class Bent:
    """What was made of the square of a sound, and what is left of what is there.

    Attributes
    ----------
    made, left : ndarray of float64, shape (bins,)
        Magnitudes, the first so many bins ahead of the sound.
    noise : float
        Its mean power a bin.
    ahead_bins : int
    """

    made: NDArray[np.float64]
    left: NDArray[np.float64]
    noise: float
    ahead_bins: int

    @classmethod
    def ahead_of(
        cls, strong: Peak, envelope: NDArray[np.complexfloating], shape: EchoShape
    ) -> Bent | None:
        """Fit the square's strength and phase; None where nothing of it can be read.

        Parameters
        ----------
        strong : Peak
            The sound, as found in the envelope.
        envelope, shape
            As for :func:`dsp.ping.arrivals.first_arrival`.
        """
        if shape.bent_ahead is None:
            return None
        place = strong.delay_s / shape.bin_s
        clear = math.ceil(2 * shape.width_s / shape.bin_s)
        ahead = min(shape.bent_ahead.size, math.floor(place) - KERNEL_HALF)
        if ahead <= clear:
            return None
        model = shape.bent_ahead[-ahead:-clear].astype(np.complex128)
        lag = np.arange(-ahead, -clear, dtype=np.float64)
        centre_turns = (shape.centre_hz - shape.carrier_hz) * shape.bin_s
        own = interpolated(envelope, place + lag, centre_turns=centre_turns)
        turn_rad = strong.phase_rad - 2 * math.pi * shape.carrier_hz * strong.delay_s
        own -= strong.amplitude * np.exp(1j * turn_rad) * shape.at(lag * shape.bin_s)
        energy = max(float(np.vdot(model, model).real), 1e-30)
        made = complex(np.vdot(model, own)) / energy * model
        return cls(
            made=np.abs(made),
            left=np.abs(own - made),
            noise=2 * strong.amplitude**2 / (strong.snr * shape.efficiency),
            ahead_bins=ahead,
        )

    def explains(self, ahead_s: float, shape: EchoShape) -> bool:
        """Say whether it is what stands so far ahead of the sound, but for noise.

        To half a lobe; what it leaves there is less than what any sound leaves.
        """
        half = shape.width_s / shape.bin_s / 2
        middle = self.ahead_bins - ahead_s / shape.bin_s
        about = slice(max(0, math.floor(middle - half)), max(0, math.ceil(middle + half)) + 1)
        made, left = (float(each[about].max(initial=0.0)) for each in (self.made, self.left))
        return left**2 - self.noise < NO_SOUND * made**2
