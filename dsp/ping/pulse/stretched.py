"""What an echo that comes back stretched leaves behind once a copy of the pulse is taken away.

What moves stretches its echo. A code is then no longer matched, and its side lobes are others:
the ambiguity function of its pulse.

References
----------
P. M. Woodward, *Probability and Information Theory, with Applications to Radar*, Pergamon, 1953,
ch. 7 (the ambiguity function; from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from dsp.ping.pulse.pulses import Pulse

_LOBES_MARGIN = 1.5
"""What else is at its place may add so much to a side lobe, besides the noise."""


def stretched_lobes(pulse: Pulse, share: float, lag_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return what an echo of amplitude 1 leaves in a matched profile.

    Parameters
    ----------
    pulse : Pulse
    share : float
        By which it is stretched or squeezed: twice a speed over that of sound.
    lag_s : ndarray of float64, shape (lags,)
        From the echo.

    Returns
    -------
    ndarray of float64, shape (lags,)
        The highest within a cell, 1/(2 B), to each side of each lag.

    Notes
    -----
    The stretch turns the carrier by 2π f₀ · share · t over the pulse. What it does to the
    envelope, a share of its length, is left out: of 4 ms and 1 m/s in air it is 23 µs.
    """
    samples, rate_hz = pulse.samples, pulse.sample_rate_hz
    length = 1 << (2 * samples.size - 1).bit_length()
    spectrum = np.fft.fft(samples, length)
    spectrum[length // 2 :] = 0
    at_s = (np.arange(length) - samples.size / 2) / rate_hz
    turned = np.fft.ifft(spectrum) * np.exp(2j * math.pi * pulse.centre_hz * share * at_s)
    lobes = np.fft.ifft(np.fft.fft(turned) * spectrum.conj())
    copy = np.fft.ifft(spectrum * spectrum.conj())
    left = np.abs(lobes - copy * (lobes[0] / copy[0])) / float(copy[0].real)
    cell = max(1, round(rate_hz / (2 * pulse.bandwidth_hz)))
    # Rolled so that lag 0 is in the middle; beyond the pulse's length nothing is left.
    left = np.concatenate([np.roll(left, length // 2), np.zeros(1)])
    highest = np.lib.stride_tricks.sliding_window_view(np.pad(left, cell), 2 * cell + 1).max(axis=1)
    place = np.rint(lag_s * rate_hz).astype(np.intp) + length // 2
    outside = (place < 0) | (place >= length)
    return np.where(outside, 0.0, highest[np.where(outside, length, place)])


def among_stretched_lobes(
    pulses: Sequence[Pulse],
    share: float,
    lag_s: NDArray[np.float64],
    below: NDArray[np.float64],
    *,
    snr: float,
    false_alarm_rate: float,
) -> NDArray[np.bool_]:
    """Say which sounds may be no more than what a stronger, stretched one leaves there.

    Parameters
    ----------
    pulses : sequence of Pulse
        Any of which it may have been.
    share : float
        As of :func:`stretched_lobes`.
    lag_s : ndarray of float64, shape (sounds,)
        From the stronger one.
    below : ndarray of float64, shape (sounds,)
        Their amplitudes over its own.
    snr : float
        The stronger one's 2E/N0.
    false_alarm_rate : float
    """
    hidden = np.zeros(lag_s.size, dtype=bool)
    for pulse in pulses:
        lobes = stretched_lobes(pulse, share, lag_s)
        hidden |= no_higher(below, lobes, snr=snr, false_alarm_rate=false_alarm_rate)
    return hidden


def no_higher(
    below: NDArray[np.float64],
    lobes: NDArray[np.float64],
    *,
    snr: float,
    false_alarm_rate: float,
) -> NDArray[np.bool_]:
    """Say which sounds may be no more than a stronger one's side lobes and noise.

    A lobe and noise add up to no more than both, and noise alone is by so many times its RMS more
    as rarely as a false alarm is.

    Parameters
    ----------
    below : ndarray of float64, shape (sounds,)
        Their amplitudes over its own.
    lobes : ndarray of float64, shape (sounds,)
        What it leaves at their places, over its own amplitude; 0 where it leaves nothing.
    snr : float
        The stronger one's 2E/N0.
    false_alarm_rate : float
    """
    noise = math.sqrt(-2 * math.log(false_alarm_rate) / snr)
    return (lobes > 0) & (below < _LOBES_MARGIN * lobes + noise) & (below < 1)
