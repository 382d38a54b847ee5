"""The colour of a profile's noise, and how it moves the threshold that the noise sets.

A threshold is planned for white noise through the pulse's matched filter. Noise of another
colour, such as a resonance, what a room has less of at high notes, or what is left where hum was
taken out below the band, turns faster or slower, and so peaks more or less often. How fast it
turns is told by how alike the noise of the profile itself is over a short lag. Noise that is not
surely coloured is taken for white, and its threshold left as it is, to the last bit.

Cells in which the noise is alike tell less of it, too: a threshold learnt from them scatters more,
and passes more. But where a peak of such noise stands high, so do cells beside it, and with them
its threshold, and fewer pass. The two cancel to 20 % for resonances of 100 Hz to 1 kHz in the
noise of a chirp and a code, at rates down to 1e-3, and neither is accounted for.

References
----------
S. O. Rice, "Mathematical analysis of random noise", *Bell Syst. Tech. J.* 24, 1945, sect. 3.8;
M. S. Bartlett, "On the theoretical specification and sampling properties of autocorrelated
time-series", *J. R. Stat. Soc. Suppl.* 8, 1946: how surely a likeness is known (both from memory).
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from dsp.ping.compression import EchoShape, turning_sums
from dsp.ping.noise import independent_s, noise_doubt, rank_of, training_steps

FINE_LAG = 0.04
"""Of an echo's width: over so long it is seen how fast the noise turns, or over a bin where that
is longer. Ragged noise, as of a tone with hard edges, turns the faster the shorter it is looked
at, but what is quicker than this belongs to one peak: so the number of peaks, by the density of
crossings and of those that follow soon, is told to 12 % for nine pulses in noise that falls by 3
or 12 dB an octave, in a resonance, and with all below the band taken out."""

CELL_LAGS = 16
"""So many cells off it is looked whether cells are alike: a resonance of 200 Hz is for 7 of a
code's."""

SURELY = 3.0
"""Standard deviations by which noise must be unlike white noise to be taken for coloured."""

LIMIT = 4.0
"""Times the noise's mean power: what is louder is taken to be no louder, so that no echo's
leavings say what the noise is like. One bin of noise in 55 is."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Lags:
    """At which lags the noise of profiles of a length and shape is looked at; white noise there.

    Attributes
    ----------
    fine_bins : int
        The lag by which it is told how fast noise turns.
    white_unlike : float
        1 − ρ² of white noise there, ρ being the magnitude of its correlation.
    u_log_rate : float
        How surely one profile of white noise tells the logarithm of its root.
    every : int
        Of so many bins one is looked at, for the lags of cells.
    cell_steps : ndarray of int, shape (lags,)
        Those lags, in steps of so many bins.
    counts : ndarray of float64, shape (lags,)
        2 (1 − k/N): how often each is found in the square of a sum of N cells, over N.
    white_alike : ndarray of float64, shape (lags,)
        ρ² of white noise there, and what it is by chance besides, on the average.
    u_alike : float
        Of their sum, for one profile of white noise.
    cell_doubt : float
        Relative variance of what is learnt from the cells of white noise.
    """

    fine_bins: int
    white_unlike: float
    u_log_rate: float
    every: int
    cell_steps: NDArray[np.intp]
    counts: NDArray[np.float64]
    white_alike: NDArray[np.float64]
    u_alike: float
    cell_doubt: float


@functools.lru_cache(maxsize=32)
def _lags_of(shape: EchoShape, bins: int, cells: int) -> _Lags:
    spacing_bins = training_steps(shape)[1]
    weights, step_hz = shape.noise_weights, float(shape.offset_hz[1])
    by_chance = independent_s(shape) / (bins * shape.bin_s)
    fine_bins = max(1, round(FINE_LAG * shape.width_s / shape.bin_s))
    alike = turning_sums(fine_bins * shape.bin_s, weights, step_hz=step_hz)
    turn = np.exp(2j * np.pi * shape.offset_hz * (fine_bins * shape.bin_s))
    # The spectrum of what changes over the lag. A ratio of two means over one noise's spectrum is
    # as unsure as the two weigh that differently.
    changing = weights * np.abs(turn - alike / abs(alike)) ** 2
    unlike = float(np.sum((changing / changing.sum() - weights) ** 2)) / float(np.sum(weights**2))
    every = max(1, spacing_bins // 2)
    cell = np.arange(1, min(CELL_LAGS, cells // 4) + 1)
    steps = cell * (spacing_bins // every)
    white = np.abs(turning_sums(steps * (every * shape.bin_s), weights, step_hz=step_hz)) ** 2
    return _Lags(
        fine_bins=fine_bins,
        white_unlike=1 - abs(complex(alike)) ** 2,
        u_log_rate=math.sqrt(unlike * by_chance) / 2,
        every=every,
        cell_steps=steps,
        counts=2 * (1 - cell / cells),
        white_alike=white + by_chance,
        u_alike=math.sqrt(float(np.sum(2 * white * by_chance + by_chance**2))),
        cell_doubt=noise_doubt(cells, rank_of(cells)),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NoiseColour:
    """What the noise is like in those profiles whose noise is not white.

    Attributes
    ----------
    profile : ndarray of int, shape (coloured,)
        Which of the profiles they are.
    crossings : ndarray of float64, shape (coloured,)
        How often it peaks above a level, over white noise.
    doubt : ndarray of float64, shape (coloured,)
        How much less sure is what is learnt from its cells: the variance, over white noise's.
        1 where it turns faster.
    """

    profile: NDArray[np.intp]
    crossings: NDArray[np.float64]
    doubt: NDArray[np.float64]
    _lags: _Lags

    def higher(self, cell_rate: float) -> NDArray[np.float64]:
        """Return by how much the threshold is higher than over white noise, shape (coloured,).

        As over the mean of so many independent cells as are as sure as the sorted one.

        Parameters
        ----------
        cell_rate : float
            How rarely a cell of white noise may pass the threshold.
        """
        log_rate, doubt = math.log(cell_rate), self._lags.cell_doubt
        higher = np.ones(self.profile.size)
        for _ in range(2):
            # A level is crossed the more often, of one cell, the higher it is: by its root.
            log_own = log_rate - np.log(self.crossings * np.sqrt(higher))
            higher = np.expm1(-doubt * log_own) / math.expm1(-doubt * log_rate)
        return higher


def colour_of_noise(
    left: NDArray[np.complex64],
    power: NDArray[np.float32],
    noise_power: NDArray[np.float32],
    shape: EchoShape,
    *,
    cells: int,
) -> NoiseColour:
    """Tell in which profiles the noise is coloured, and how.

    Parameters
    ----------
    left : ndarray of complex64, shape (profiles, bins)
        Envelopes from which echoes were taken away.
    power : ndarray of float32, shape (profiles, bins)
        Of the same.
    noise_power : ndarray of float32, shape (profiles, bins)
        Mean power of the noise in each bin, above zero.
    shape : EchoShape
    cells : int
        From which the noise is learnt.
    """
    lags = _lags_of(shape, left.shape[1], cells)
    scale = 1 / np.sqrt(np.maximum(power * np.float32(1 / LIMIT), noise_power))
    even = np.empty_like(left)
    np.multiply(left.real, scale, out=even.real)
    np.multiply(left.imag, scale, out=even.imag)
    unlike = 1 - _alike_near(even, lags.fine_bins)
    log_rate = np.log(np.maximum(unlike / lags.white_unlike, 1e-6)) / 2
    coloured = np.flatnonzero(np.abs(log_rate) > SURELY * lags.u_log_rate)
    more = np.zeros((coloured.size, lags.cell_steps.size))
    slow = np.flatnonzero(log_rate[coloured] < 0)
    if slow.size:
        alike = _alike_far(even[coloured[slow], :: lags.every], lags.cell_steps) - lags.white_alike
        more[slow] = np.where(alike.sum(axis=1, keepdims=True) > SURELY * lags.u_alike, alike, 0)
    # How much more alike two cells are in whether they pass a quantile of three quarters: of the
    # joint density in Laguerre's polynomials the first term's share is 0.64, and the others
    # matter where two cells are all but the same.
    more = np.maximum(more, 0)
    passing = more * (0.64 + 0.36 * more**3)
    return NoiseColour(
        profile=coloured,
        crossings=np.exp(log_rate[coloured]),
        doubt=1 + (passing * lags.counts).sum(axis=1),
        _lags=lags,
    )


# Sums of rows, not products of matrices: to the last bit the same however many rows there are.


def _alike_near(even: NDArray[np.complex64], lag: int) -> NDArray[np.float64]:
    """Return ρ² of each row at one lag, shape (rows,)."""
    parts = even.view(np.float32)
    whole = (parts * parts).sum(axis=1).astype(np.float64) * (1 - lag / even.shape[1])
    alike = (even[:, :-lag].conj() * even[:, lag:]).sum(axis=1).astype(np.complex128)
    return np.asarray((alike.real**2 + alike.imag**2) / np.maximum(whole, 1e-30) ** 2)


def _alike_far(even: NDArray[np.complex64], lags: NDArray[np.intp]) -> NDArray[np.float64]:
    """Return ρ² of each row at many lags, shape (rows, lags), by two transforms."""
    bins = even.shape[1]
    spectrum = scipy.fft.fft(even, scipy.fft.next_fast_len(bins + int(lags[-1])), axis=1)
    alike = scipy.fft.ifft(spectrum.real**2 + spectrum.imag**2, axis=1)
    whole = np.maximum(alike[:, :1].real, 1e-30) * (1 - lags / bins)
    at = alike[:, lags]
    return np.asarray((at.real**2 + at.imag**2) / whole**2)
