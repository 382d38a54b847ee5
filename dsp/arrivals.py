"""Which sound arrives first, which need not be the strongest, and which is it again."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from dsp.compression import EchoShape
from dsp.peaks import Peak, refined
from dsp.search import sounds_ahead

FORERUN_S = 0.002
CLOSE_FORERUNNER_DB = -15.0
FORERUNNER_DB = -40.0
"""What comes less than :data:`FORERUN_S` ahead of another sound and is so much weaker
is taken to belong to it; further ahead it has to be weaker still. In measured rooms the
ringing ahead of the direct sound was at most −16 dB and 0.9 ms."""


def first_arrival(
    envelope: NDArray[np.complexfloating],
    shape: EchoShape,
    *,
    false_alarm_rate: float = 1e-9,
    start_s: float = 0.0,
    stop_s: float = math.inf,
    like_amplitude: float | None = None,
    due_s: float | None = None,
) -> Peak | None:
    """Find the first sound to arrive, which need not be the strongest.

    Parameters
    ----------
    envelope, shape
        As for :func:`find_echoes`.
    false_alarm_rate : float
        For each independent bin.
    start_s, stop_s : float
        Only a sound between the two is returned.
    like_amplitude : float, optional
        Of the sound that is looked for: 8 dB weaker or stronger is another.
    due_s : float, optional
        When it is due. What stands there, to half a lobe, is it, however strong it is
        now and whatever follows: a gain that was turned moves nothing.

    Returns
    -------
    Peak or None
        None where nothing stands above the noise.
    """
    peaks = sounds_ahead(envelope, shape, false_alarm_rate=false_alarm_rate)
    peaks = tuple(p for p in peaks if start_s <= p.delay_s <= stop_s)
    sounds = [s for p in peaks if (s := _as_seen(p, envelope, shape)) is not None]
    if due_s is not None:
        punctual = [p for p in sounds if abs(p.delay_s - due_s) < shape.width_s / 2]
        if punctual:
            return min(punctual, key=lambda p: abs(p.delay_s - due_s))
    if like_amplitude is not None:
        sounds = [p for p in sounds if 0.4 < p.amplitude / like_amplitude < 2.5]
    return next((p for p in sounds if not _is_forerunner(p, sounds)), None)


def sounds_like(
    envelope: NDArray[np.complexfloating],
    shape: EchoShape,
    amplitude: float,
    *,
    within_db: float,
    false_alarm_rate: float = 1e-9,
) -> tuple[Peak, ...]:
    """Return what may be a sound again that has moved: all that is as strong as it was.

    Returns
    -------
    tuple of Peak
        Earliest first.
    """
    peaks = sounds_ahead(envelope, shape, false_alarm_rate=false_alarm_rate)
    alike = (p for p in peaks if abs(20 * math.log10(p.amplitude / amplitude)) < within_db)
    return tuple(p for p in alike if _is_seen(p, envelope, shape))


def _is_seen(peak: Peak, envelope: NDArray[np.complexfloating], shape: EchoShape) -> bool:
    """Say whether a peak stands in the envelope itself.

    Where sounds come so close that they cannot be told apart, the search explains
    them by several that cancel each other ahead of the first.
    """
    place = round(peak.delay_s / shape.bin_s)
    around = np.abs(envelope[max(place - 1, 0) : place + 2])
    return float(around.max()) > peak.amplitude / 2


def _as_seen(peak: Peak, envelope: NDArray[np.complexfloating], shape: EchoShape) -> Peak | None:
    """Return a peak if it is seen, or the crest of the envelope that it helps to explain.

    None where the envelope has no crest within a lobe of it.
    """
    if _is_seen(peak, envelope, shape):
        return peak
    lobe_bins = max(1.0, shape.width_s / shape.bin_s)
    place = peak.delay_s / shape.bin_s
    first = max(math.ceil(place - lobe_bins), 1)
    around = np.abs(envelope[first - 1 : math.floor(place + lobe_bins) + 2])
    crests = np.flatnonzero((around[1:-1] >= around[:-2]) & (around[1:-1] > around[2:]))
    if crests.size == 0:
        return None
    highest = crests[around[1:-1][crests].argmax()]
    (at,), (height,) = refined(
        envelope,
        np.array([first + highest]),
        lobe_bins=lobe_bins,
        centre_turns=(shape.centre_hz - shape.carrier_hz) * shape.bin_s,
    )
    return dataclasses.replace(
        peak, delay_s=float(at) * shape.bin_s, amplitude=float(height), phase_rad=0.0
    )


def _is_forerunner(peak: Peak, peaks: Sequence[Peak]) -> bool:
    """Say whether a peak is too weak to be a sound of its own ahead of a stronger one.

    Loudspeakers, converters and the replica itself ring a little ahead of a sound.
    """
    for other in peaks:
        ahead_s = other.delay_s - peak.delay_s
        weakest_db = CLOSE_FORERUNNER_DB if 0 < ahead_s < FORERUN_S else FORERUNNER_DB
        if peak.amplitude < other.amplitude * 10 ** (weakest_db / 20):
            return True
    return False
