"""The band-limited matched filter: from raw samples to the complex envelope.

Only the pulse's band matters. One real FFT of the block, the band's bins times
the conjugate of the pulse's spectrum, and one small inverse FFT of those bins
alone give the complex envelope, sampled a little above its bandwidth. Its
magnitude is that of the analytic signal of the full cross-correlation
(``abs(hilbert(correlate(block, pulse)))``), to which the tests hold it.

References
----------
G. L. Turin, "An introduction to matched filters", *IRE Trans. Inf. Theory* 6,
1960, pp. 311–329.
"""

from __future__ import annotations

import copy
import math
from collections.abc import Sequence

import numpy as np
import scipy
from numpy.typing import NDArray

from dsp.ping.pulse.echo_shape import EchoShape, half_amplitude_width_s, rms_bandwidth_rad_s
from dsp.ping.pulse.pulses import Pulse

ENERGY_LEFT_OUT = 1e-7
"""Share of the pulse's energy outside the band that is kept. It bounds the change
of a compressed echo to 1e-7 of its peak, and of compressed white noise to
√1e-7 = 3e-4 of its RMS."""

INTERPOLATION_ROOM = 1.3
"""How much wider than the band the bins' own span is at the least: between bins an
envelope is read by a kernel of finite length, which is wrong near the span's ends."""


class PulseCompressor:
    """A matched filter, planned once for a pulse and a block length.

    Parameters
    ----------
    pulse : Pulse
        The replica.
    block_samples : int
        Length of each block; at least the pulse's.
    weighting : {"none", "hann", "equalised"}
        "hann" weights the pulse's band for lower side lobes (−31.5 dB for a
        chirp in place of −13.3) and a wider peak. "equalised" lifts what the pulse
        is weak in, for a narrower peak in more noise: see :mod:`dsp.ping.pulse.equalising`.
    floor : float
        Only for "equalised": power, over the pulse's strongest, below which its
        spectrum is no longer lifted.
    band_hz : tuple of float, optional
        The band to keep; by default the one that :func:`energy_band_hz` gives.
        Pulses that take turns need the same.
    fft_samples : int, optional
        Length of the forward FFT: another compressor's :attr:`fft_samples`, whose
        :meth:`spectrum` then serves both.
    workers : int
        Threads used when many blocks are compressed at once.

    Attributes
    ----------
    delay_s : ndarray of float64, shape (bins,)
        Delay of each bin from the block's first sample: where a pulse that
        starts there would peak. Every bin falls on a sample; the last is the last
        at which a whole pulse fits into the block.
    bin_s : float
        Spacing of the bins.
    fft_samples : int
        Length of the forward FFT.
    peak : float
        Magnitude to which an echo of amplitude 1 is compressed.
    shape : EchoShape
        A compressed echo of amplitude 1, its peak scaled to 1.

    Raises
    ------
    ValueError
        Where the block is shorter than the pulse, or the weighting unknown.

    Examples
    --------
    >>> from dsp.ping.pulse.pulses import linear_chirp
    >>> chirp = linear_chirp(4000.0, 12000.0, 0.010, 48000.0)
    >>> block = np.zeros(4800, dtype=np.float32)
    >>> block[1000:1480] = 0.5 * chirp.samples
    >>> compress = PulseCompressor(chirp, block_samples=4800)
    >>> strength = abs(compress(block)) / compress.peak
    >>> int(compress.delay_s[strength.argmax()] * 48000), round(float(strength.max()), 4)
    (1000, 0.5)
    """

    def __init__(
        self,
        pulse: Pulse,
        block_samples: int,
        *,
        weighting: str = "none",
        floor: float = 1e-3,
        band_hz: tuple[float, float] | None = None,
        fft_samples: int | None = None,
        workers: int = 2,
    ) -> None:
        if block_samples < pulse.samples.size:
            raise ValueError(
                f"block_samples: found {block_samples}; "
                f"give at least the pulse's {pulse.samples.size} samples"
            )
        if weighting not in ("none", "hann", "equalised"):
            raise ValueError(f'weighting: found {weighting!r}; give "none", "hann" or "equalised"')
        if not 0 < floor < math.inf:
            raise ValueError(f"floor: found {floor:g}; give a finite number above zero")
        self.pulse = pulse
        self.block_samples = block_samples
        self.weighting = weighting
        self._workers = workers
        rate = pulse.sample_rate_hz
        if band_hz is None:
            band_hz = energy_band_hz(pulse)
        self.fft_samples, decimation = _fft_plan(rate, band_hz, block_samples, fft_samples)
        self._cycle_bins = self.fft_samples // decimation
        bin_hz = rate / self.fft_samples
        if weighting == "hann":  # which leaves nothing outside of the pulse's own band
            low_hz, high_hz = pulse.band_hz
            band_hz = max(low_hz, band_hz[0]), min(high_hz, band_hz[1])
        first = max(1, math.ceil(band_hz[0] / bin_hz))
        last = min(first + self._cycle_bins - 1, math.floor(band_hz[1] / bin_hz))
        self._band = slice(first, last + 1)
        frequency_hz = np.arange(first, last + 1, dtype=np.float64) * bin_hz

        whole = self._pulse_spectrum()
        spectrum = whole[self._band]
        if weighting == "equalised":
            energy = np.abs(whole) ** 2
            window = 1 / (energy[self._band] / energy.max() + floor)
        else:
            window = _band_window(frequency_hz, pulse.band_hz, weighting)
        # 2: the analytic signal has no negative frequencies; 1/decimation: the
        # inverse FFT divides by its own length, not by the forward one's.
        replica = np.conj(spectrum) * window * 2 / decimation
        self._replica = replica.astype(np.complex64)
        self._window = window
        self.bin_s = decimation / rate
        bins = (block_samples - pulse.samples.size) // decimation + 1
        self.delay_s = np.arange(bins) * decimation / rate
        self._shape_echo(window)

    def _pulse_spectrum(self) -> NDArray[np.complex128]:
        return np.fft.rfft(self.pulse.samples.astype(np.float64), self.fft_samples)

    def _shape_echo(self, window: NDArray[np.float64]) -> None:
        """Work out what becomes of an echo of 1, and of noise, by such a weighting of the band."""
        bin_hz = self.pulse.sample_rate_hz / self.fft_samples
        energy = np.abs(self._pulse_spectrum()) ** 2
        whole_hz = np.arange(energy.size, dtype=np.float64) * bin_hz
        power = energy[self._band] * window
        self.peak = float(2 / self.fft_samples * power.sum())
        noise_power = power * window
        frequency_hz = np.arange(self._band.start, self._band.stop, dtype=np.float64) * bin_hz
        offset_hz = frequency_hz - frequency_hz[0]
        weights = power / power.sum()
        self.shape = EchoShape(
            weights=weights,
            offset_hz=offset_hz,
            carrier_hz=float(frequency_hz[0]),
            bin_s=self.bin_s,
            reach_s=_reach_s(self.pulse, self.weighting),
            cycle_bins=self._cycle_bins,
            noise_weights=noise_power / noise_power.sum(),
            noise_gain=math.sqrt(4 / self.fft_samples * noise_power.sum()) / self.peak,
            efficiency=float(power.sum() ** 2 / (energy.sum() * noise_power.sum())),
            pulse_rms_bandwidth_rad_s=rms_bandwidth_rad_s(energy / energy.sum(), whole_hz),
            width_s=half_amplitude_width_s(weights, offset_hz),
        )

    def of_filtered(self, kept: NDArray[np.floating]) -> PulseCompressor:
        """Return the compressor of blocks whose spectra were multiplied by `kept` before.

        It makes the same of them as this one; but what an echo looks like, how strong it is, and
        what noise is let in, it knows of the pulse as it is left.

        Parameters
        ----------
        kept : ndarray, shape (frequencies,)
        """
        after = copy.copy(self)
        after._shape_echo(self._window * kept[self._band])
        return after

    def __call__(self, blocks: NDArray[np.floating]) -> NDArray[np.complex64]:
        """Compress blocks.

        Parameters
        ----------
        blocks : ndarray, shape (..., block_samples)
            Computed in single precision.

        Returns
        -------
        ndarray of complex64, shape (..., bins)
            The complex envelope about ``shape.carrier_hz``, on :attr:`delay_s`.
        """
        return self._inverse(self.matched(self.spectrum(blocks)), 1)[..., : self.delay_s.size]

    def spectrum(self, blocks: NDArray[np.floating]) -> NDArray[np.complex64]:
        """Return the blocks' own spectra, shape (..., frequencies).

        The same for all compressors of one block length and band, whatever their pulse and
        weighting: take it once, and match it to each.
        """
        blocks = np.asarray(blocks, dtype=np.float32)
        if blocks.shape[-1] != self.block_samples:
            raise ValueError(
                f"blocks: found {blocks.shape[-1]} samples; give {self.block_samples}, "
                "the block length that this compressor was made for"
            )
        return np.asarray(
            scipy.fft.rfft(
                blocks, self.fft_samples, workers=self._workers if blocks.ndim > 1 else None
            )
        )

    def band_spectrum(self, blocks: NDArray[np.floating]) -> NDArray[np.complex64]:
        """Return the blocks' matched-filtered spectra, shape (..., band)."""
        return self.matched(self.spectrum(blocks))

    def matched(self, spectrum: NDArray[np.complex64]) -> NDArray[np.complex64]:
        """Return what the matched filter makes of a spectrum, shape (..., band)."""
        return np.asarray(spectrum[..., self._band] * self._replica)

    def matched_each(self, spectra: Sequence[NDArray[np.complex64]]) -> NDArray[np.complex64]:
        """Return what the matched filter makes of several spectra, shape (spectra, band)."""
        matched = np.empty((len(spectra), self._replica.size), dtype=np.complex64)
        for row, spectrum in zip(matched, spectra, strict=True):
            np.multiply(spectrum[self._band], self._replica, out=row)
        return matched

    def from_time_zero(
        self, band_spectrum: NDArray[np.complex64], time_zero_s: float
    ) -> NDArray[np.complex64]:
        """Return the envelope of an echo amplitude of 1, its first bin at `time_zero_s`.

        The band is turned by the delay, which moves it exactly, by any part of a
        sample; envelopes of several pings then add up in phase.

        Parameters
        ----------
        band_spectrum : ndarray of complex64, shape (..., band)
            From :meth:`band_spectrum` or :meth:`matched`.
        time_zero_s : float
            Time of the pulse's leaving, from the block's first sample; not negative.

        Returns
        -------
        ndarray of complex64, shape (..., bins)
            Bin ``i`` stands ``i * bin_s`` after time zero.
        """
        if not 0 <= time_zero_s <= self.delay_s[-1]:
            raise ValueError(
                f"time_zero_s: found {time_zero_s:g} s; give 0 to {self.delay_s[-1]:g} s, "
                "within the block"
            )
        bins = int((self.delay_s[-1] - time_zero_s) / self.bin_s) + 1
        turn = self._turn(np.array(time_zero_s)) if time_zero_s else np.complex64(1 / self.peak)
        return self._inverse(band_spectrum, turn)[..., :bins]

    def from_time_zeros(
        self, band_spectra: NDArray[np.complex64], time_zero_s: NDArray[np.float64]
    ) -> list[NDArray[np.complex64]]:
        """Return the envelopes of several pings at once, each from its own time zero.

        Parameters
        ----------
        band_spectra : ndarray of complex64, shape (pings, band)
        time_zero_s : ndarray of float64, shape (pings,)

        Others, errors and result as for :meth:`from_time_zero`, of each ping, to the last bit.
        """
        last_s = float(self.delay_s[-1])
        times_s = time_zero_s.tolist()
        for each_s in times_s:
            if not 0 <= each_s <= last_s:
                raise ValueError(
                    f"time_zero_s: found {each_s:g} s; give 0 to {last_s:g} s, within the block"
                )
        envelopes = self._inverse(band_spectra, self._turn(time_zero_s))
        return [
            envelope[: int((last_s - each_s) / self.bin_s) + 1]
            for envelope, each_s in zip(envelopes, times_s, strict=True)
        ]

    def _turn(self, time_s: NDArray[np.float64]) -> NDArray[np.complex64]:
        """Return what turns the band by some times, and scales an echo of 1 to 1.

        The bins are evenly spaced: a few turns of whole rows of them, times those within a
        row, are all of them. Shape (..., band).
        """
        shape = self.shape
        size = shape.offset_hz.size
        row = math.isqrt(size - 1) + 1
        time_s = time_s[..., np.newaxis]
        bin_turns = time_s / (self.bin_s * self._cycle_bins)
        within = np.exp(2j * np.pi * bin_turns * np.arange(row))
        rows = np.exp(
            2j * np.pi * (time_s * shape.carrier_hz + bin_turns * np.arange(0, size, row))
        )
        turned = (rows / self.peak)[..., np.newaxis] * within[..., np.newaxis, :]
        return np.asarray(turned.astype(np.complex64).reshape(*time_s.shape[:-1], -1)[..., :size])

    def _inverse(
        self, band_spectrum: NDArray[np.complex64], turn: NDArray[np.complex64] | np.complex64 | int
    ) -> NDArray[np.complex64]:
        """Return the envelopes of a band that is turned, or multiplied by a number."""
        *blocks, band = band_spectrum.shape
        turned = np.zeros((*blocks, self._cycle_bins), dtype=np.complex64)
        np.multiply(band_spectrum, turn, out=turned[..., :band])
        workers = self._workers if blocks else None
        return np.asarray(scipy.fft.ifft(turned, overwrite_x=True, workers=workers))


def energy_band_hz(pulse: Pulse) -> tuple[float, float]:
    """Return the ends of the band that holds all but :data:`ENERGY_LEFT_OUT`."""
    rate = pulse.sample_rate_hz
    length = 1 << (4 * pulse.samples.size - 1).bit_length()
    energy = np.cumsum(np.abs(np.fft.rfft(pulse.samples.astype(np.float64), length)) ** 2)
    share = energy / energy[-1]
    low = int(np.searchsorted(share, ENERGY_LEFT_OUT / 2))
    high = int(np.searchsorted(share, 1 - ENERGY_LEFT_OUT / 2))
    return low * rate / length, min(high + 1, length // 2) * rate / length


def _fft_plan(
    rate: float, band_hz: tuple[float, float], samples: int, fft_samples: int | None
) -> tuple[int, int]:
    """Return forward FFT length and decimation, both made of small primes.

    The length is the decimation times the inverse length, so that bins fall on
    samples. The pulse wraps round only onto delays at which it would run off the
    block, which are not given out, so the block's own length will do.
    """
    most = max(1, math.floor(rate / (INTERPOLATION_ROOM * (band_hz[1] - band_hz[0]))))
    if fft_samples is not None:
        return fft_samples, max(d for d in range(1, most + 1) if fft_samples % d == 0)
    candidates = [d for d in range(max(1, most // 2), most + 1) if _is_smooth(d)]
    lengths = [(scipy.fft.next_fast_len(-(-samples // d), real=False) * d, -d) for d in candidates]
    length, negative = min(lengths)
    return length, -negative


def _is_smooth(n: int) -> bool:
    for prime in (2, 3, 5, 7):
        while n % prime == 0:
            n //= prime
    return n == 1


def _band_window(
    frequency_hz: NDArray[np.float64], band_hz: tuple[float, float], weighting: str
) -> NDArray[np.float64]:
    if weighting == "none":
        return np.ones(frequency_hz.size)
    place = (frequency_hz - band_hz[0]) / (band_hz[1] - band_hz[0])
    window: NDArray[np.float64] = np.sin(np.pi * np.clip(place, 0, 1)) ** 2
    return window


def _reach_s(pulse: Pulse, weighting: str) -> float:
    """Return how far a compressed echo's side lobes reach to each side."""
    if weighting == "equalised":
        # To even out a spectrum's ripples takes a filter longer than the pulse.
        return 2 * pulse.duration_s
    if weighting == "hann":
        # A window over the band rings on for twice two over its width; for a tone burst
        # that is longer than the pulse itself.
        return pulse.duration_s + 4 / (pulse.band_hz[1] - pulse.band_hz[0])
    return pulse.duration_s
