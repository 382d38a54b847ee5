"""A compressed echo for any lag: a polynomial for each bin, made once for each shape."""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.ping.pulse.echo_shape import EchoShape

LEAST_LOBE = 3e-6
"""Of an echo's peak: what is weaker is left out of a copy. It is 10 dB below
:data:`dsp.ping.pulse.echo_shape.ROUNDING`, so that the ends of copies of a few echoes together stay
below that, too."""

LONGEST_REACH = 4
"""A copy reaches over no more than so many times the pulse's own reach, and 64 bins: there
the ringing of a tone burst of a millisecond, whose band is cut off at 0 Hz, is 4e-5."""

POWERS = 8
"""Between two bins a band-limited function is a polynomial of so many terms. Turned about
the band's middle it turns by π / 1.3 = 2.4 rad a bin at the most, and half a bin to each
side the Chebyshev series of exp(1.2 i x) has 2 J₈(1.2) = 8e-7 as its first term left out:
−120 dB (M. Abramowitz and I. A. Stegun, *Handbook of Mathematical Functions*, 1964,
eq. 9.1.21 and 9.1.10; from memory)."""

_EXPONENTS = np.arange(POWERS)


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
