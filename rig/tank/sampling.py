"""Pulses put at exact instants into samples.

The sent wave is what an ideal converter makes of the pulse's samples: their
band-limited interpolation. Filtered, stretched in time and delayed by any part of
a sample, it is sampled anew in the frequency domain, so that no delay is rounded.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

GUARD_SAMPLES = 256
"""Room on either side of a pulse for the tails of interpolation and filters."""

MOST_DILATION = 1.25
"""Room for the stretch of a pulse; bodies slower than a tenth of the sound speed stay
below (1 + 0.1) / (1 − 0.1) = 1.222."""

_CELLS_AT_ONCE = 1 << 19


class PulseSampler:
    """Writes copies of some pulses into blocks of samples.

    Parameters
    ----------
    pulses : sequence of ndarray
        All of one length.
    sample_rate_hz : float
        The rate at which the samples really are taken.

    Attributes
    ----------
    frequency_hz : ndarray of float64, shape (bins,)
        Where a filter's response is asked for.
    samples : int
        Length of one copy, guards included.
    """

    def __init__(self, pulses: Sequence[NDArray[np.float32]], sample_rate_hz: float) -> None:
        import scipy.fft

        self._pulses = [np.asarray(p, dtype=np.float64) for p in pulses]
        longest = math.ceil(MOST_DILATION * self._pulses[0].size)
        self.samples = int(scipy.fft.next_fast_len(longest + 2 * GUARD_SAMPLES, real=True))
        bin_hz = sample_rate_hz / self.samples
        self.frequency_hz = np.arange(self.samples // 2 + 1, dtype=np.float64) * bin_hz

    def add(
        self,
        out: NDArray[np.float64],
        *,
        pulse_index: int,
        start: NDArray[np.float64],
        response: NDArray[np.complex128],
        dilation: NDArray[np.float64] | None = None,
    ) -> None:
        """Add one copy of a pulse for each start.

        Parameters
        ----------
        out : ndarray of float64, shape (samples,)
            Added to in place. What lies outside is left out.
        pulse_index : int
        start : ndarray of float64, shape (paths,)
            Where the copy of the pulse's first sample lies, in samples of `out`.
        response : ndarray, shape (paths, bins) or (1, bins)
            Filter over :attr:`frequency_hz`.
        dilation : ndarray of float64, shape (paths,), optional
            How much longer the copy lasts than the pulse.
        """
        import scipy.fft

        if dilation is None:
            dilation = np.ones(start.size)
        first = np.floor(start).astype(int)
        turns = np.outer(start - first + GUARD_SAMPLES, np.arange(self.frequency_hz.size))
        spectra = {d: self._spectrum(pulse_index, d) for d in set(dilation.tolist())}
        spectrum = np.array([spectra[d] for d in dilation.tolist()])
        spectrum = spectrum * response * np.exp(-2j * np.pi / self.samples * turns)
        copies = scipy.fft.irfft(spectrum, self.samples, axis=-1)
        for begin, copy in zip(first - GUARD_SAMPLES, copies, strict=True):
            low, high = max(begin, 0), min(begin + self.samples, out.size)
            if low < high:
                out[low:high] += copy[low - begin : high - begin]

    @property
    def paths_at_once(self) -> int:
        """How many paths to hand to :meth:`add` at once, to keep memory small."""
        return max(1, _CELLS_AT_ONCE // self.frequency_hz.size)

    def _spectrum(self, pulse_index: int, dilation: float) -> NDArray[np.complex128]:
        """Spectrum of p(t/D), which is D P(Df), on the bins up to half the sample rate."""
        pulse = self._pulses[pulse_index]
        if dilation == 1:
            return np.asarray(np.fft.rfft(pulse, self.samples))
        bins = np.arange(self.frequency_hz.size)
        spectrum = dilation * scaled_transform(pulse, dilation / self.samples, bins.size)
        # The sent wave holds nothing above half the sample rate.
        spectrum[bins * dilation > self.samples / 2] = 0
        return spectrum


def scaled_transform(signal: NDArray[np.float64], step: float, bins: int) -> NDArray[np.complex128]:
    """Fourier transform of a signal on any even spacing of frequencies from 0.

    Parameters
    ----------
    signal : ndarray, shape (samples,)
    step : float
        Spacing, in cycles for each sample.
    bins : int

    Returns
    -------
    ndarray of complex128, shape (bins,)

    References
    ----------
    L. I. Bluestein, "A linear filtering approach to the computation of discrete
    Fourier transform", *IEEE Trans. Audio Electroacoust.* 18, 1970, pp. 451–455.
    """
    import scipy.fft

    n = np.arange(signal.size)
    reach = np.arange(-(signal.size - 1), bins)
    sweep = np.exp(1j * np.pi * step * reach.astype(np.float64) ** 2)
    length = int(scipy.fft.next_fast_len(signal.size + reach.size - 1))
    product = scipy.fft.fft(signal * np.conj(sweep[n + signal.size - 1 - 2 * n]), length)
    product *= scipy.fft.fft(sweep, length)
    convolved = scipy.fft.ifft(product)[signal.size - 1 : signal.size - 1 + bins]
    return np.asarray(convolved * np.conj(sweep[signal.size - 1 :]))
