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
    middle_hz : float
        Mean frequency of the pulses' energy.
    """

    def __init__(self, pulses: Sequence[NDArray[np.float32]], sample_rate_hz: float) -> None:
        import scipy.fft

        self._pulses = [np.asarray(p, dtype=np.float64) for p in pulses]
        longest = math.ceil(MOST_DILATION * self._pulses[0].size)
        self.samples = int(scipy.fft.next_fast_len(longest + 2 * GUARD_SAMPLES, real=True))
        bin_hz = sample_rate_hz / self.samples
        self.frequency_hz = np.arange(self.samples // 2 + 1, dtype=np.float64) * bin_hz
        self._plain = [np.fft.rfft(pulse, self.samples)[np.newaxis] for pulse in self._pulses]
        power = np.sum([np.abs(plain[0]) ** 2 for plain in self._plain], axis=0)
        self.middle_hz = float(power @ self.frequency_hz) / float(power.sum())

    def add(
        self,
        out: NDArray[np.float64],
        *,
        pulse_index: int,
        start: NDArray[np.float64],
        response: NDArray[np.float64] | NDArray[np.complex128],
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
        response : ndarray, shape (paths, bins), or either of them 1
            Filter over :attr:`frequency_hz`.
        dilation : ndarray of float64, shape (paths,), optional
            How much longer the copy lasts than the pulse.
        """
        import scipy.fft

        first = np.floor(start).astype(int) - GUARD_SAMPLES
        spectrum = turns(start - first, self.samples)
        spectrum *= response
        spectrum *= self._spectra(pulse_index, dilation)
        copies = scipy.fft.irfft(spectrum, self.samples, axis=-1, overwrite_x=True)
        for begin, copy in zip(first.tolist(), copies, strict=True):
            low, high = max(begin, 0), min(begin + self.samples, out.size)
            if low < high:
                out[low:high] += copy[low - begin : high - begin]

    @property
    def paths_at_once(self) -> int:
        """How many paths to hand to :meth:`add` at once, to keep memory small."""
        return max(1, _CELLS_AT_ONCE // self.frequency_hz.size)

    def _spectra(
        self, pulse_index: int, dilation: NDArray[np.float64] | None
    ) -> NDArray[np.complex128]:
        """Spectra of p(t/D), which are D P(Df), on the bins: one a path, or one for all."""
        if dilation is None or (dilation == 1).all():
            return self._plain[pulse_index]
        of = {d: row for row, d in enumerate(dict.fromkeys(dilation.tolist()))}
        each = np.array(list(of))
        bins = np.arange(self.frequency_hz.size)
        spectra = scaled_transforms(self._pulses[pulse_index], each / self.samples, bins.size)
        spectra *= each[:, np.newaxis]
        # The sent wave holds nothing above half the sample rate.
        spectra[np.outer(each, bins) > self.samples / 2] = 0
        spectra[each == 1] = self._plain[pulse_index]
        return spectra[[of[d] for d in dilation.tolist()]]


def turns(shift: NDArray[np.float64], samples: int) -> NDArray[np.complex128]:
    """Return the turns in phase, bin by bin, that move a block of samples later.

    Parameters
    ----------
    shift : ndarray, shape (paths,)
        Samples, whole or not.
    samples : int
        Of the block.

    Returns
    -------
    ndarray of complex128, shape (paths, samples // 2 + 1)
    """
    bins = samples // 2 + 1
    # Bin k is a coarse step and a fine one: two small tables of sines instead of a large one.
    fine = math.isqrt(bins - 1) + 1
    coarse = -(-bins // fine)
    angle = -2j * np.pi / samples * shift[:, np.newaxis]
    table = (
        np.exp(angle * (fine * np.arange(coarse)))[:, :, np.newaxis]
        * np.exp(angle * np.arange(fine))[:, np.newaxis, :]
    )
    return np.asarray(table.reshape(shift.size, coarse * fine)[:, :bins])


def scaled_transforms(
    signal: NDArray[np.float64], step: NDArray[np.float64], bins: int
) -> NDArray[np.complex128]:
    """Fourier transforms of a signal on even spacings of frequencies from 0.

    ``scipy.signal.ZoomFFT`` is as exact. It takes one spacing at a time, 1.3 to 1.9 times
    as long for each, and its import 0.8 s once, where nothing else here needs it.

    Parameters
    ----------
    signal : ndarray, shape (samples,)
    step : ndarray, shape (spacings,)
        In cycles for each sample.
    bins : int

    Returns
    -------
    ndarray of complex128, shape (spacings, bins)

    References
    ----------
    L. I. Bluestein, "A linear filtering approach to the computation of discrete
    Fourier transform", *IEEE Trans. Audio Electroacoust.* 18, 1970, pp. 451–455.
    """
    import scipy.fft

    before = signal.size - 1
    square = np.arange(max(signal.size, bins), dtype=np.float64) ** 2
    # The sweep is even: what lies before 0 is its mirror image.
    sweep = np.exp(1j * np.pi * step[:, np.newaxis] * square)
    whole = np.concatenate([sweep[:, before:0:-1], sweep[:, :bins]], axis=1)
    # What wraps around falls on places that are not taken.
    length = int(scipy.fft.next_fast_len(whole.shape[1]))
    product = scipy.fft.fft(signal * np.conj(sweep[:, : signal.size]), length)
    product *= scipy.fft.fft(whole, length)
    convolved = scipy.fft.ifft(product, overwrite_x=True)[:, before : before + bins]
    return np.asarray(convolved * np.conj(sweep[:, :bins]))
