"""Sound that is no single echo: ring-down, near-surface clutter, a soft bottom's tail."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from rig.tank.scene import Clutter, RingDown

_FALL = 3
"""Reaches, or decay times times two, after which what is left is cut off: −60 dB."""


def ring_down(
    table: RingDown, pulse: NDArray[np.float64], start: float, sample_rate_hz: float
) -> NDArray[np.float64]:
    """Return the source's ringing, driven by the pulse that leaves at sample `start`."""
    time_s = np.arange(math.ceil(2.5 * _FALL * table.decay_s * sample_rate_hz)) / sample_rate_hz
    ring = np.exp(-time_s / table.decay_s) * np.cos(2 * np.pi * table.frequency_hz * time_s)
    sound = _convolved(ring, pulse)
    sound *= 10 ** (table.level_db / 20) / np.abs(sound).max()
    return _from(round(start), sound)


def clutter(
    table: Clutter,
    reach: float,
    pulse: NDArray[np.float64],
    start: float,
    random: np.random.Generator,
) -> NDArray[np.float64]:
    """Return the sound of countless small things near the transducers.

    Parameters
    ----------
    table : Clutter
    reach : float
        Samples in which it falls by 20 dB.
    pulse : ndarray, shape (samples,)
    start : float
        Where the pulse leaves, in samples.
    random : Generator
    """
    level = 10 ** (table.level_db / 20) / math.sqrt(float(pulse @ pulse))
    specks = level * _fall(reach) * random.standard_normal(_fall(reach).size)
    return _from(round(start), _convolved(specks, pulse))


def tail(
    level: float,
    reach: float,
    pulse: NDArray[np.float64],
    begin: float,
    random: np.random.Generator,
) -> NDArray[np.float64]:
    """Return what a soft bottom sends after its first echo.

    It holds as much energy as an echo of amplitude `level`, from the sample `begin`
    on; it falls by 20 dB over each `reach`, in samples.
    """
    fall = _fall(reach)
    specks = level / math.sqrt(float(fall @ fall)) * fall * random.standard_normal(fall.size)
    return _from(round(begin), _convolved(specks, pulse))


def _fall(reach: float) -> NDArray[np.float64]:
    return np.asarray(10 ** (-np.arange(math.ceil(_FALL * reach) + 1) / max(reach, 1.0)))


def _convolved(a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.float64]:
    import scipy.fft

    samples = a.size + b.size - 1
    length = int(scipy.fft.next_fast_len(samples, real=True))
    product = scipy.fft.rfft(a, length) * scipy.fft.rfft(b, length)
    return np.asarray(scipy.fft.irfft(product, length)[:samples])


def _from(first: int, sound: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the sound moved to start at sample `first`; what comes before 0 is cut."""
    return np.concatenate([np.zeros(max(first, 0)), sound[max(-first, 0) :]])
