"""The colour of a profile's noise, and how it moves the threshold that the noise sets.

A threshold is planned for white noise through the pulse's matched filter. Noise of another
colour, such as a resonance, what a room has less of at high notes, or what is left where hum was
taken out below the band, turns faster or slower, and so peaks more or less often. How fast it
turns is told by how alike the noise of the profile itself is over a short lag.

Looks in which the noise is alike tell less of it, too: a threshold learnt from them scatters more,
and passes more. But where a peak of such noise stands high, so do looks beside it, and with them
its threshold, and fewer pass. How alike they are says how much of either.

References
----------
S. O. Rice, "Mathematical analysis of random noise", *Bell Syst. Tech. J.* 24, 1945, sect. 3.8;
M. S. Bartlett, "On the theoretical specification and sampling properties of autocorrelated
time-series", *J. R. Stat. Soc. Suppl.* 8, 1946: how surely a likeness is known; S. O. Rice, sect.
3.10: what an envelope's power is beside a known one's (all from memory).
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from dsp.ping.noise.noise import independent_s, look_steps
from dsp.ping.noise.noise_grid import WEAK_SHARE, NoiseGrid, scatter
from dsp.ping.pulse.echo_shape import EchoShape, turning_sums
from dsp.quadrature import gauss_legendre

FINE_LAG = 0.04
"""Of an echo's width: over so long it is seen how fast the noise turns, or over a bin where that
is longer. Ragged noise, as of a tone with hard edges, turns the faster the shorter it is looked
at, but what is quicker than this belongs to one peak: so the number of peaks, by the density of
crossings and of those that follow soon, is told to 12 % for nine pulses in noise that falls by 3
or 12 dB an octave, in a resonance, and with all below the band taken out."""

SURELY = 3.0
"""Standard deviations by which noise must be unlike white noise for its profile to be searched
anew: all are searched with a threshold that is lower by as much to begin with."""

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
        Of so many bins one is a look.
    white_alike : ndarray of float64, shape (lags,)
        ρ² of white noise from one look to others.
    by_chance : float
        What it is by chance besides, on the average.
    u_alike : float
        Of their sum, for one profile of white noise.
    """

    fine_bins: int
    white_unlike: float
    u_log_rate: float
    every: int
    white_alike: NDArray[np.float64]
    by_chance: float
    u_alike: float


@functools.lru_cache(maxsize=32)
def _lags_of(shape: EchoShape, bins: int) -> _Lags:
    weights, step_hz = shape.noise_weights, float(shape.offset_hz[1])
    by_chance = independent_s(shape) / (bins * shape.bin_s)
    fine_bins = max(1, round(FINE_LAG * shape.width_s / shape.bin_s))
    alike = turning_sums(fine_bins * shape.bin_s, weights, step_hz=step_hz)
    turn = np.exp(2j * np.pi * shape.offset_hz * (fine_bins * shape.bin_s))
    # The spectrum of what changes over the lag. A ratio of two means over one noise's spectrum is
    # as unsure as the two weigh that differently.
    changing = weights * np.abs(turn - alike / abs(alike)) ** 2
    unlike = float(np.sum((changing / changing.sum() - weights) ** 2)) / float(np.sum(weights**2))
    _, every, alike_looks = look_steps(shape)
    white = np.array(alike_looks[: max(1, bins // every // 4)])
    return _Lags(
        fine_bins=fine_bins,
        white_unlike=1 - abs(complex(alike)) ** 2,
        u_log_rate=math.sqrt(unlike * by_chance) / 2,
        every=every,
        white_alike=white,
        by_chance=by_chance,
        u_alike=math.sqrt(float(np.sum(2 * white * by_chance + by_chance**2))),
    )


def u_log_crossings(shape: EchoShape, bins: int) -> float:
    """Return how surely a profile of white noise tells the logarithm of how often it peaks."""
    return _lags_of(shape, bins).u_log_rate


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NoiseColour:
    """What the noise of profiles is like.

    Attributes
    ----------
    crossings : ndarray of float64, shape (profiles,)
        How often it peaks above a level, over white noise.
    profile : ndarray of int, shape (coloured,)
        In which profiles it is surely not white.
    doubt : ndarray of float64, shape (coloured,)
        How much less sure is what is learnt from their looks: the variance, over white noise's.
        1 where it turns faster.
    """

    crossings: NDArray[np.float64]
    profile: NDArray[np.intp]
    doubt: NDArray[np.float64]
    # Of the noise that is surely not white, ρ² of two looks, for each step from one to another;
    # how many are so far from a peak, of all; and as how many independent cells those tell.
    _alike: NDArray[np.float64]
    _beside: NDArray[np.float64]
    _cells: float

    def higher(self, cell_rate: float) -> NDArray[np.float64]:
        """Return by how much the threshold is higher than over white noise, shape (coloured,).

        Parameters
        ----------
        cell_rate : float
            How rarely a cell of white noise may pass the threshold.
        """
        return np.asarray(self.higher_each([cell_rate])[0, self.profile])

    def higher_each(self, cell_rates: Sequence[float]) -> NDArray[np.float64]:
        """Return the same for all profiles, at several rates, shape (rates, profiles)."""
        levels = [-math.log(rate) for rate in cell_rates]
        log_rate = -np.array(levels)[:, np.newaxis]
        log_own = log_rate - np.log(self.crossings)
        # A level is crossed the more often, of one cell, the higher it is: by its root.
        log_own -= np.log(log_own / log_rate) / 2
        # What is learnt from looks that tell less stands higher, but for what a peak lifts it by.
        less = np.ones_like(log_own)
        if self.profile.size:
            log_own[:, self.profile] *= self.doubt
            lifts = np.array([np.interp(self._alike, _LIKENESS, _lift(level)) for level in levels])
            less[:, self.profile] = self.doubt * (1 + (lifts * self._beside).sum(axis=2))
        higher = np.expm1(-log_own / self._cells) / np.expm1(-log_rate / self._cells)
        return np.asarray(higher / less)


_LIKENESS = np.linspace(0, 1, 257)


@functools.lru_cache(maxsize=32)
def _lift(level: float) -> NDArray[np.float64]:
    """Return by how much a look lifts the mean that it helps to tell, beside a peak.

    Over :data:`_LIKENESS`, ρ² of look and peak, times the number of looks; for a peak of `level`
    times the mean power. The look's own power is then Rice distributed; what it adds is told at
    :func:`dsp.ping.noise.noise.scatter`.
    """
    from scipy.special import i0e

    highest = -math.log1p(-WEAK_SHARE)
    node, share = gauss_legendre(200)
    weak, share = highest * (node + 1) / 2, highest * share / 2
    steady = _LIKENESS[:-1, np.newaxis] * level
    spread = 1 - _LIKENESS[:-1, np.newaxis]
    density = np.exp(-((np.sqrt(weak) - np.sqrt(steady)) ** 2) / spread) / spread
    density *= i0e(2 * np.sqrt(weak * steady) / spread)
    added = density @ (share * (weak - 1)) + highest * (1 - density @ share)
    return np.append(added, highest) / WEAK_SHARE


def colour_of_noise(
    left: NDArray[np.complex64],
    power: NDArray[np.float32],
    noise_power: NDArray[np.float32],
    shape: EchoShape,
    *,
    grid: NoiseGrid,
) -> NoiseColour:
    """Tell how the noise of profiles is coloured.

    Parameters
    ----------
    left : ndarray of complex64, shape (profiles, bins)
        Envelopes from which echoes were taken away.
    power : ndarray of float32, shape (profiles, bins)
        Of the same.
    noise_power : ndarray of float32, shape (profiles, bins)
        Mean power of the noise in each bin, above zero.
    shape : EchoShape
    grid : NoiseGrid
        By which the noise is learnt.
    """
    lags = _lags_of(shape, left.shape[1])
    scale = 1 / np.sqrt(np.maximum(power * np.float32(1 / LIMIT), noise_power))
    even = left * scale
    unlike = 1 - _alike_near(even, lags.fine_bins)
    log_rate = np.log(np.maximum(unlike / lags.white_unlike, 1e-6)) / 2
    surely = (np.abs(log_rate) > SURELY * lags.u_log_rate).nonzero()[0]
    alike = np.empty((surely.size, lags.white_alike.size))
    alike[:] = lags.white_alike
    slow = (log_rate[surely] < 0).nonzero()[0]
    if slow.size:
        steps = np.arange(1, lags.white_alike.size + 1)
        more = _alike_far(even[surely[slow], :: lags.every], steps)
        more -= lags.white_alike + lags.by_chance
        sure = more.sum(axis=1, keepdims=True) > SURELY * lags.u_alike
        alike[slow] += np.where(sure, np.maximum(more, 0), 0)
    beside, white_scatter = _of_grid(shape, grid)
    doubt = np.ones(surely.size)
    if slow.size:
        doubt[slow] = scatter(grid.index.shape[1], WEAK_SHARE, alike[slow]) / white_scatter
    return NoiseColour(
        crossings=np.exp(log_rate),
        profile=surely,
        doubt=doubt,
        _alike=alike,
        _beside=beside,
        _cells=grid.cells,
    )


@functools.lru_cache(maxsize=32)
def _of_grid(shape: EchoShape, grid: NoiseGrid) -> tuple[NDArray[np.float64], float]:
    """Return how many of its looks are so many off a peak, of all, and white noise's scatter."""
    guard_bins, every, _ = look_steps(shape)
    looks, stretch_bins = grid.index.shape[1], np.count_nonzero(grid.stretch_of == 0)
    white = _lags_of(shape, grid.stretch_of.size).white_alike
    away_bins = every * np.arange(1, white.size + 1) - guard_bins
    beside = 2 / looks * np.clip(away_bins / stretch_bins, 0, 1)
    return beside, float(scatter(looks, WEAK_SHARE, white))


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
