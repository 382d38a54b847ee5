"""What one echo looks like once compressed, and the sums of turning frequencies that tell it."""

from __future__ import annotations

import dataclasses
import functools
import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

from dsp.ping.products import product

ROUNDING = 1e-5
"""Of an envelope's strongest bin: what is weaker is the rounding of single precision and of
interpolation, and no echo."""


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
        return rms_bandwidth_rad_s(self.weights, self.offset_hz)

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


def rms_bandwidth_rad_s(weights: NDArray[np.float64], offset_hz: NDArray[np.float64]) -> float:
    """Return how far a spectrum that sums to 1 spreads about its centre, root mean square."""
    spread = offset_hz - weights @ offset_hz
    return 2 * math.pi * math.sqrt(float(weights @ spread**2))


def half_amplitude_width_s(weights: NDArray[np.float64], offset_hz: NDArray[np.float64]) -> float:
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
