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
import dataclasses
import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

from dsp.ping.products import product
from dsp.ping.pulses import Pulse

ENERGY_LEFT_OUT = 1e-7
"""Share of the pulse's energy outside the band that is kept. It bounds the change
of a compressed echo to 1e-7 of its peak, and of compressed white noise to
√1e-7 = 3e-4 of its RMS."""

INTERPOLATION_ROOM = 1.3
"""How much wider than the band the bins' own span is at the least: between bins an
envelope is read by a kernel of finite length, which is wrong near the span's ends."""

LEAST_LOBE = 3e-6
"""Of an echo's peak: what is weaker is left out of a copy. It is 10 dB below
:data:`ROUNDING`, so that the ends of copies of a few echoes together stay below that, too."""

LONGEST_REACH = 4
"""A copy reaches over no more than so many times the pulse's own reach, and 64 bins: there
the ringing of a tone burst of a millisecond, whose band is cut off at 0 Hz, is 4e-5."""

ROUNDING = 1e-5
"""Of an envelope's strongest bin: what is weaker is the rounding of single precision and of
interpolation, and no echo."""

POWERS = 8
"""Between two bins a band-limited function is a polynomial of so many terms. Turned about
the band's middle it turns by π / 1.3 = 2.4 rad a bin at the most, and half a bin to each
side the Chebyshev series of exp(1.2 i x) has 2 J₈(1.2) = 8e-7 as its first term left out:
−120 dB (M. Abramowitz and I. A. Stegun, *Handbook of Mathematical Functions*, 1964,
eq. 9.1.21 and 9.1.10; from memory)."""

_EXPONENTS = np.arange(POWERS)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EchoShape:
    """What one echo of amplitude 1 looks like once compressed.

    Attributes
    ----------
    weights : ndarray of float64, shape (band,)
        Spectrum of the compressed echo over the band's bins; sums to 1.
    offset_hz : ndarray of float64, shape (band,)
        Frequency of each bin, from `carrier_hz`.
    carrier_hz : float
        The frequency about which the envelope turns.
    bin_s : float
        Spacing of an envelope's bins.
    reach_s : float
        Side lobes reach no further than this to each side: the pulse's length, or
        twice that once equalised.
    cycle_bins : int
        Length of the inverse FFT; the shape repeats after so many bins.
    noise_weights : ndarray of float64, shape (band,)
        Spectrum of compressed white noise over the band's bins; sums to 1.
    noise_gain : float
        RMS magnitude of compressed white noise of RMS 1, where an echo of
        amplitude 1 has a peak of 1.
    efficiency : float
        Output SNR over that of the plain matched filter: 1, or less with a
        weighting.
    pulse_rms_bandwidth_rad_s : float
        RMS bandwidth of the pulse itself, whatever the weighting: βₑ of the
        envelope's Cramér–Rao bound.
    width_s : float
        Full width of the main lobe at half amplitude.
    bent_ahead : ndarray of complex64, shape (bins,), or None
        What the square of an echo of 1 is compressed to, ahead of the echo; the last bin stands
        one before it. None where nobody knows.
    """

    weights: NDArray[np.float64]
    offset_hz: NDArray[np.float64]
    carrier_hz: float
    bin_s: float
    reach_s: float
    cycle_bins: int
    noise_weights: NDArray[np.float64]
    noise_gain: float
    efficiency: float
    pulse_rms_bandwidth_rad_s: float
    width_s: float
    bent_ahead: NDArray[np.complex64] | None = None

    @property
    def band_index(self) -> NDArray[np.int64]:
        """Place of each of the band's bins in the inverse FFT, shape (band,)."""
        return np.round(self.offset_hz * self.bin_s * self.cycle_bins).astype(np.int64)

    @property
    def centre_hz(self) -> float:
        """The spectrum's centre of gravity."""
        return self.carrier_hz + float(self.weights @ self.offset_hz)

    @property
    def rms_bandwidth_rad_s(self) -> float:
        """RMS bandwidth of the compressed echo about its centre of gravity."""
        return _rms_bandwidth_rad_s(self.weights, self.offset_hz)

    def for_bins(self, bins: int) -> EchoShape:
        """Return the same shape with a cycle that is just long enough for `bins` bins.

        An echo's side lobes reach no further than the pulse is long, so a shorter
        inverse FFT makes the same copy of it, faster.
        """
        reach = math.ceil(self.reach_s / self.bin_s) + 1
        cycle = scipy.fft.next_fast_len(max(bins, reach) + 2 * reach, real=False)
        if cycle >= self.cycle_bins:
            return self
        return dataclasses.replace(
            self,
            cycle_bins=cycle,
            offset_hz=np.arange(cycle) / (cycle * self.bin_s),
            weights=self._on_cycle(self.weights, cycle, reach),
            noise_weights=self._on_cycle(self.noise_weights, cycle, reach),
        )

    def _on_cycle(
        self, weights: NDArray[np.float64], cycle: int, reach: int
    ) -> NDArray[np.float64]:
        spectrum = np.zeros(self.cycle_bins)
        spectrum[self.band_index] = weights
        lobe = np.fft.ifft(spectrum) * self.cycle_bins
        short = np.zeros(cycle, dtype=np.complex128)
        short[: reach + 1] = lobe[: reach + 1]
        short[-reach:] = lobe[-reach:]
        return np.asarray(np.fft.fft(short).real / cycle)

    def at(self, lag_s: ArrayLike) -> NDArray[np.complex128]:
        """Evaluate the shape at any lags from the echo's delay; exact, for few lags.

        Returns
        -------
        ndarray of complex128, the shape of `lag_s`
        """
        return turning_sums(lag_s, self.weights, step_hz=float(self.offset_hz[1]))

    def at_bins(self, delay_s: float, bins: int) -> NDArray[np.complex64]:
        """Evaluate the shape of an echo at `delay_s` on an envelope's own bins.

        Returns
        -------
        ndarray of complex64, shape (bins,)
            Bin ``i`` stands at ``i * bin_s``.
        """
        spectrum = np.zeros(self.cycle_bins, dtype=np.complex64)
        # The band's phase is counted from time zero at the true frequencies, as in
        # an envelope, so the echo's own carrier phase is in it.
        turns = -delay_s * (self.carrier_hz + self.offset_hz)
        spectrum[self.band_index] = self.weights * self.cycle_bins * np.exp(2j * np.pi * turns)
        return np.asarray(scipy.fft.ifft(spectrum, overwrite_x=True)[:bins])


def turning_sums(
    lag_s: ArrayLike, weights: NDArray[Any], *, step_hz: float
) -> NDArray[np.complex128]:
    """Sum evenly spaced frequencies, each turned by lags: Σ wₖ exp(2πj k Δf t).

    A turn by k steps is one by its rows of steps and one by what is left within a row, so that
    few turns are worked out, and the sum is a product of matrices.

    Parameters
    ----------
    lag_s : array_like, any shape
    weights : ndarray, shape (band,) or (band, sums)
        Of the frequencies 0, Δf, 2 Δf and so on.
    step_hz : float
        Δf.

    Returns
    -------
    ndarray of complex128, the shape of `lag_s`, and ``(sums,)`` where there are several
    """
    lag = np.asarray(lag_s, dtype=np.float64)
    turns = lag.reshape(-1, 1) * step_hz
    row = math.isqrt(len(weights) - 1) + 1
    rows = -(-len(weights) // row)
    padded = np.zeros((rows * row, *weights.shape[1:]), dtype=np.complex128)
    padded[: len(weights)] = weights
    within = np.exp(2j * np.pi * (turns * np.arange(row)))
    between = np.exp(2j * np.pi * (turns * (row * np.arange(rows))))
    by_turn = padded.reshape(rows, row, -1).swapaxes(0, 1).reshape(row, -1)
    of_rows = product(within, by_turn).reshape(turns.size, rows, -1)
    sums = np.einsum("lr,lrs->ls", between, of_rows)
    return np.asarray(sums.reshape((*lag.shape, *weights.shape[1:])))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LobeTable:
    """A compressed echo for any lag, as one polynomial in the part of a bin for each bin.

    Turned back by the middle of its band, about which it turns least.

    Attributes
    ----------
    reach_bins : int
        Lags to each side; beyond them the echo is taken for nothing.
    turns : float
        The middle of the band, in turns a bin.
    copies : ndarray of complex64, shape (POWERS, 2 reach + 1)
        Coefficients for each lag in whole bins, from ``-reach_bins``.
    at_lag : ndarray of complex128, shape (2 reach + 3, 3, POWERS)
        The same for the value, its slope and its bend, a bin's own powers last; the first
        and the last row, for all lags beyond, are zero.
    centre_rad : float
        By how much a bin the echo turns at its top still: its spectrum's own centre.
    curvature : float
        The square of the spectrum's RMS width about its centre, in radians a bin.
    """

    reach_bins: int
    turns: float
    copies: NDArray[np.complex64]
    at_lag: NDArray[np.complex128]
    centre_rad: float
    curvature: float

    def lags(self, lag_bins: NDArray[np.float64]) -> NDArray[np.complex128]:
        """Return the echo, its slope and its bend, a bin, shape (3, ...)."""
        whole = np.rint(lag_bins)
        row = (whole + (self.reach_bins + 1)).astype(np.intp)
        terms = self.at_lag.take(row, axis=0, mode="clip")
        # Of many lags one power after the other is sooner made than one lag's after another's;
        # and complex already, they are not turned into that number by number.
        part = lag_bins - whole
        powers = np.empty((POWERS, *part.shape), dtype=np.complex128)
        powers[0], powers[1] = 1, part
        np.multiply(powers[1], powers[1], out=powers[2])
        np.multiply(powers[1:3], powers[2], out=powers[3:5])
        np.multiply(powers[1 : POWERS - 4], powers[4], out=powers[5:])
        return np.asarray(np.einsum("...dp,p...->d...", terms, powers))


def powers_of(part: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the powers of a part of a bin that a polynomial of a bin is summed with."""
    powers = np.empty((*part.shape, POWERS))
    powers[..., 0] = 1
    powers[..., 1:] = part[..., np.newaxis]
    return np.multiply.accumulate(powers, axis=-1, out=powers)


def bin_nodes() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return where in a bin values make a polynomial, and the matrix that makes it of them.

    Chebyshev's places, where the error is spread evenly.

    Returns
    -------
    node : ndarray of float64, shape (POWERS,)
        From −1/2 to 1/2.
    to_powers : ndarray of float64, shape (POWERS, POWERS)
        Times the values at the nodes, the coefficients.
    """
    node = 0.5 * np.cos(np.pi * (np.arange(POWERS) + 0.5) / POWERS)
    return node, np.asarray(np.linalg.inv(powers_of(node)), dtype=np.float64)


@functools.lru_cache(maxsize=32)
def lobe_table(shape: EchoShape) -> LobeTable:
    """Return the table of a shape, made once."""
    spectrum = np.zeros(shape.cycle_bins, dtype=np.complex128)
    spectrum[shape.band_index] = shape.weights * shape.cycle_bins
    half = shape.cycle_bins // 2
    lobe = np.abs(np.fft.ifft(spectrum))
    to_each_side = np.maximum(lobe[: half + 1], lobe[-np.arange(half + 1)])
    # Where a pulse with hard edges ends, its band's ends ring on; those of a band that ends at
    # 0 Hz and half the rate as 1/t, without an end: what is left of that is for a ceiling.
    longest = LONGEST_REACH * math.ceil(shape.reach_s / shape.bin_s) + 64
    reach = min(int(np.flatnonzero(to_each_side >= LEAST_LOBE)[-1]), longest)
    turns = float(shape.offset_hz[-1]) * shape.bin_s / 2
    node, to_powers = bin_nodes()
    lag = np.arange(-reach, reach + 1)
    values = np.empty((POWERS, lag.size), dtype=np.complex128)
    for row, part in zip(values, node, strict=True):
        turned = np.exp(2j * np.pi * shape.offset_hz * (part * shape.bin_s))
        spectrum[shape.band_index] = shape.weights * shape.cycle_bins * turned
        lobe = np.fft.ifft(spectrum)[lag % shape.cycle_bins]
        row[:] = lobe * np.exp(-2j * np.pi * turns * (lag + part))
    value = to_powers @ values
    slope, bend = np.zeros_like(value), np.zeros_like(value)
    slope[:-1] = value[1:] * _EXPONENTS[1:, np.newaxis]
    bend[:-1] = slope[1:] * _EXPONENTS[1:, np.newaxis]
    at_lag = np.zeros((lag.size + 2, 3, POWERS), dtype=np.complex128)
    at_lag[1:-1] = np.stack([value, slope, bend]).transpose(2, 0, 1)
    _, slope_at_top, bend_at_top = at_lag[reach + 1, :, 0]
    return LobeTable(
        reach_bins=reach,
        turns=turns,
        copies=value.astype(np.complex64),
        at_lag=at_lag,
        centre_rad=float(slope_at_top.imag),
        curvature=float(-bend_at_top.real) - float(slope_at_top.imag) ** 2,
    )


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
        is weak in, for a narrower peak in more noise: see :mod:`dsp.ping.equalising`.
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
    >>> from dsp.ping.pulses import linear_chirp
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
        reach_s = _reach_s(self.pulse, self.weighting)
        square = np.fft.rfft(self.pulse.samples.astype(np.float64) ** 2, self.fft_samples)
        bent = self._inverse(self.matched(square.astype(np.complex64)), 1) / np.float32(self.peak)
        self.shape = EchoShape(
            weights=weights,
            offset_hz=offset_hz,
            carrier_hz=float(frequency_hz[0]),
            bin_s=self.bin_s,
            reach_s=reach_s,
            cycle_bins=self._cycle_bins,
            noise_weights=noise_power / noise_power.sum(),
            noise_gain=math.sqrt(4 / self.fft_samples * noise_power.sum()) / self.peak,
            efficiency=float(power.sum() ** 2 / (energy.sum() * noise_power.sum())),
            pulse_rms_bandwidth_rad_s=_rms_bandwidth_rad_s(energy / energy.sum(), whole_hz),
            width_s=_half_amplitude_width_s(weights, offset_hz),
            bent_ahead=bent[-math.ceil(reach_s / self.bin_s) :],
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


@functools.lru_cache(maxsize=16)
def mean_shape(shapes: tuple[EchoShape, ...]) -> EchoShape:
    """Return the shape of an echo in the average of profiles with these shapes.

    Of pulses that take turns, all compressed on one grid.
    """
    if len(shapes) == 1:
        return shapes[0]
    return dataclasses.replace(
        shapes[0],
        weights=np.mean([s.weights for s in shapes], axis=0),
        noise_weights=np.mean([s.noise_weights for s in shapes], axis=0),
        noise_gain=math.sqrt(sum(s.noise_gain**2 for s in shapes)) / len(shapes),
    )


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


def _rms_bandwidth_rad_s(weights: NDArray[np.float64], offset_hz: NDArray[np.float64]) -> float:
    spread = offset_hz - weights @ offset_hz
    return 2 * math.pi * math.sqrt(float(weights @ spread**2))


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


def _half_amplitude_width_s(weights: NDArray[np.float64], offset_hz: NDArray[np.float64]) -> float:
    """Return the main lobe's full width at half amplitude, by bisection.

    Every command makes a compressor, and SciPy's root finders take 0.3 s to load.
    """
    spread_hz = math.sqrt(float(weights @ offset_hz**2) - float(weights @ offset_hz) ** 2)

    def strength(lag_s: float) -> float:
        return float(abs(turning_sums(lag_s, weights, step_hz=float(offset_hz[1]))))

    step = 0.02 / spread_hz
    high = step
    while strength(high) > 0.5:
        high += step
    low = high - step
    for _ in range(30):
        middle = (low + high) / 2
        if strength(middle) > 0.5:
            low = middle
        else:
            high = middle
    return 2 * high
