"""The noise around each bin of a profile, and the threshold that it sets.

A threshold that follows the noise at a set false-alarm rate: from the mean of the
cells around a bin; from one of the sorted ones, which a strong echo does not lift; or from the
mean that the weakest of them tell of, which one does not lift either and which knows more.

References
----------
H. Rohling, "Radar CFAR thresholding in clutter and multiple target situations",
*IEEE Trans. Aerosp. Electron. Syst.* 19, 1983, pp. 608–621. B. Epstein and M. Sobel, "Life
testing", *J. Am. Stat. Assoc.* 48, 1953: of N exponential cells the k weakest, and N − k times
the k-th of them, add up to what k cells do (from memory).
"""

from __future__ import annotations

import functools
import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.ping.echo_shape import EchoShape, turning_sums
from dsp.ping.products import product

TRAINING_CELLS = 64
"""Independent cells about a bin from which its noise is learnt, where there are so many."""

WIDE_CELLS = 3 * TRAINING_CELLS
"""So many tell it where they are heard to be all alike. A threshold that is learnt stands higher
than one over noise that is known, of k cells' mean by k (P^(−1/k) − 1) over ln 1/P: at 1e-6 by
0.51 dB for what the weakest of 64 tell, which is worth 60, by 0.17 dB for 176 of 192."""

CELL_LOOKS = 2
"""Two looks a cell tell nearly all that there is: three would be worth 4 % of the cells more."""

UNLIKE = 3.0
"""Standard deviations by which the nearest :data:`TRAINING_CELLS` must be louder than all, for
the noise to be another here than around: in even noise once in 700."""

RANK_SHARE = 0.75
"""The ordered-statistic threshold reads the cell at this share of the sorted ones:
a quarter of them may hold other echoes without lifting it."""

WEAK_SHARE = 7 / 8
"""A search's thresholds are set by this share of the sorted looks, the weakest: any echo in an
eighth of them lifts it by 2.4 of its share, as the sorted one at three quarters by 2.2, and
clutter with more loud cells than noise has lifts either alike."""

LEVEL_SHARE = 0.5
"""The noise itself is read off the weaker half: the rest may hold other echoes, and
what those left behind where they are no copies of the pulse."""

LEAST_CELLS = 4
"""From fewer no noise is learnt."""

ALIKE_CELLS = 16
"""So many cells off it is looked whether noise is alike: a resonance of 200 Hz is for 7 of a
code's."""

_TERMS = 100
"""So many of Laguerre's polynomials say what two looks share, where ρ² is less than 0.97."""

STRETCH = 4096
"""Of so many bins at a time the noise around them is sorted."""

MOST_SPACINGS = 8
"""So many cells long is a stretch of bins that share its looks, at the most, or as a sixteenth of
the looks: a quarter of what the nearest reach over to one side."""


def cell_averaging_factor(false_alarm_rate: float, cells: float) -> float:
    """Return the threshold over the mean power of `cells` independent cells.

    ``N (Pfa^(−1/N) − 1)`` for complex Gaussian noise.

    References
    ----------
    H. M. Finn and R. S. Johnson, *RCA Review* 29, 1968, pp. 414–464 (from memory).

    Examples
    --------
    >>> round(cell_averaging_factor(1e-6, 32), 3)
    17.278
    """
    _check_rate(false_alarm_rate)
    return cells * math.expm1(-math.log(false_alarm_rate) / cells)


@functools.lru_cache(maxsize=32)
def cell_rate(false_alarm_rate: float, shape: EchoShape, *, cells: float = TRAINING_CELLS) -> float:
    """Return how rarely one cell may pass a threshold that noise's peaks pass at a rate.

    A peak of noise stands anywhere between two cells, so that more peaks pass than
    cells do: for Gaussian noise of the power spectrum's RMS width β about its centre,
    β √(L/π) crossings a second for each cell, L being the threshold over the noise's
    mean power. Of several crossings in one peak but one is listed.

    Parameters
    ----------
    false_alarm_rate : float
        Peaks of noise to be listed for each independent bin, the inverse of the noise's
        bandwidth (Σw)²/Σw² long.
    shape : EchoShape
        Of one echo; its noise is meant.
    cells : float
        As sure as the mean of so many independent cells is what is learnt of the noise.

    References
    ----------
    S. O. Rice, "Mathematical analysis of random noise", *Bell Syst. Tech. J.* 24, 1945,
    sect. 3.8: how often an envelope crosses a level (from memory).
    """
    crossings = _crossings(shape)
    rate = false_alarm_rate
    # The crossings depend on the threshold by a root of a logarithm only: this converges
    # by a factor of ten a turn.
    for _ in range(8):
        factor = cell_averaging_factor(rate, cells)
        # A noise that is taken for lower than it is lets more alarms pass: this is the mean
        # of L over those, the derivative of log Pfa by the factor's logarithm.
        level = factor / (1 + factor / cells)
        rate = false_alarm_rate / max(crossings.of_a_cell(level) / crossings.of_a_peak(level), 1.0)
    return rate


class _Crossings:
    """How often compressed noise crosses a level, and how often in one peak.

    Noise whose spectrum falls off slowly, as that of a tone with hard edges does, is
    ragged: it crosses a level several times while it stands high, and but one of these
    tops is listed. How many follow within an echo's width is known from the joint density
    of two crossings; as many again follow each of those, so that their number is geometric
    and its mean one more than what follows one.

    References
    ----------
    S. O. Rice, "Mathematical analysis of random noise", *Bell Syst. Tech. J.* 24, 1945,
    sect. 3.3 and 3.8; M. R. Leadbetter, G. Lindgren and H. Rootzén, *Extremes and Related
    Properties of Random Sequences and Processes*, Springer, 1983, ch. 7: a high envelope
    crosses as its part in phase does (both from memory).
    """

    def __init__(self, shape: EchoShape) -> None:
        node, self._share = (each / 2 for each in np.polynomial.legendre.leggauss(48))
        node = node + 0.5
        weights = shape.noise_weights
        turns_rad_s = 2 * math.pi * (shape.offset_hz - weights @ shape.offset_hz)
        self._spread = float(weights @ turns_rad_s**2)
        self._cell_s = independent_s(shape)
        # Crossings follow each other soon: places lie closest near zero.
        lag_s = shape.width_s * node**2
        self._step_s = 2 * shape.width_s * node * self._share
        self._node = node
        powers = _powers(weights, turns_rad_s)
        sums = turning_sums(lag_s, powers, step_hz=float(shape.offset_hz[1]))
        about_centre = np.exp(1j * turns_rad_s[0] * lag_s)
        self._alike, self._slope, self._bend = (sums.T * about_centre).real

    def of_a_cell(self, level: float) -> float:
        """Return the crossings in a cell, over the chance that the cell is above the level."""
        return math.sqrt(self._spread * level / math.pi) * self._cell_s

    def of_a_peak(self, level: float) -> float:
        """Return the mean number of crossings that belong to one peak."""
        from scipy.special import ndtr

        high2 = 2 * level
        alike, slope = self._alike, self._slope
        unlike = 1 - alike**2
        # Given that it stands at the level at both ends of a lag, its slopes there are Gauss
        # distributed: it comes up at the first and goes down at the second, on the average.
        spread2 = np.maximum(self._spread - slope**2 / unlike, 1e-9 * self._spread)
        spread = np.sqrt(spread2)
        mean = (-math.sqrt(high2) * slope / (1 + alike) / spread)[:, np.newaxis]
        related = ((-self._bend - alike * slope**2 / unlike) / spread2).clip(-1, 1)
        first = np.maximum(mean - 6, 0)
        width = np.maximum(mean, 0) + 6 - first
        up = first + width * self._node
        other = -mean + related[:, np.newaxis] * (up - mean)
        rest = np.sqrt(np.maximum(1 - related**2, 1e-12))[:, np.newaxis]
        density = np.exp(-((up - mean) ** 2) / 2) / math.sqrt(2 * math.pi)
        bell = np.exp(-((other / rest) ** 2) / 2) / math.sqrt(2 * math.pi)
        both_up = up * density * (rest * bell + other * ndtr(other / rest))
        slopes = spread2 * (width[:, 0] * (both_up @ self._share))
        twice = slopes * np.exp(-high2 / (1 + alike)) / (2 * math.pi * np.sqrt(unlike))
        once = math.sqrt(self._spread) / (2 * math.pi) * math.exp(-high2 / 2)
        return 1 + float(twice @ self._step_s) / once


@functools.lru_cache(maxsize=32)
def _crossings(shape: EchoShape) -> _Crossings:
    """Return the one of a shape, whose rates are asked for with more and with fewer cells."""
    return _Crossings(shape)


def _powers(
    weights: NDArray[np.float64], turns_rad_s: NDArray[np.float64]
) -> NDArray[np.complex128]:
    """Return what sums a spectrum to its function, its slope and its bend, shape (band, 3)."""
    slope = 1j * turns_rad_s
    return np.stack([weights + 0j, weights * slope, weights * slope**2], axis=1)


@functools.lru_cache(maxsize=64)
def ordered_statistic_factor(false_alarm_rate: float, cells: int, rank: int) -> float:
    """Return the threshold over the `rank`-th smallest power of `cells` cells.

    Solves Pfa = ∏ (N − i)/(N − i + α), i from 0 to rank − 1, for α.

    References
    ----------
    Rohling 1983, eq. 37.
    """
    _check_rate(false_alarm_rate)
    if not 1 <= rank <= cells:
        raise ValueError(f"rank: found {rank}; give 1 to {cells}")
    left = cells - np.arange(rank)
    goal = math.log(false_alarm_rate)
    low, high = 0.0, 1.0
    while -float(np.log1p(high / left).sum()) > goal:
        high *= 2
    for _ in range(60):
        middle = (low + high) / 2
        if -float(np.log1p(middle / left).sum()) > goal:
            low = middle
        else:
            high = middle
    return high


def cell_averaging_threshold(
    power: NDArray[np.floating],
    *,
    false_alarm_rate: float,
    guard_bins: int,
    spacing_bins: int = 1,
) -> NDArray[np.float64]:
    """Threshold on power from the mean of the :data:`TRAINING_CELLS` around each bin.

    Half of them on each side; at the profile's ends all on one, and fewer where there is no
    room for all. Right in even noise; a strong echo among the cells lifts it and may hide its
    neighbours, and an edge in the noise fools it.

    Parameters
    ----------
    power : ndarray, shape (bins,)
    false_alarm_rate : float
        Chance that a bin of noise alone exceeds its threshold.
    guard_bins : int
        Bins left out on each side, that an echo in the middle may fill.
    spacing_bins : int
        From one cell to the next; so many that their noise is independent.

    Returns
    -------
    ndarray of float64, shape (bins,)
    """
    cells = _cells_with_room(power.size, guard_bins, spacing_bins, TRAINING_CELLS)
    mean = np.empty(power.size)
    for bins, rows in _cell_rows(np.asarray(power), guard_bins, spacing_bins, cells):
        mean[bins] = rows.mean(axis=1, dtype=np.float64)
    return mean * cell_averaging_factor(false_alarm_rate, cells)


def ordered_statistic_threshold(
    power: NDArray[np.floating],
    *,
    false_alarm_rate: float,
    guard_bins: int,
    spacing_bins: int = 1,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Threshold on power from one of the sorted cells around each bin.

    Up to a quarter of the cells may hold other echoes. Parameters as for
    :func:`cell_averaging_threshold`.

    Returns
    -------
    threshold : ndarray of float64, shape (bins,)
    noise_power : ndarray of float64, shape (bins,)
        Mean power of the noise that the same cells tell of.
    """
    cells = _cells_with_room(power.size, guard_bins, spacing_bins, TRAINING_CELLS)
    rank = rank_of(cells)
    ranked = np.empty(power.size)
    for bins, rows in _cell_rows(np.asarray(power), guard_bins, spacing_bins, cells):
        rows.partition(rank - 1, axis=1)
        ranked[bins] = rows[:, rank - 1]
    threshold = ranked * ordered_statistic_factor(false_alarm_rate, cells, rank)
    return threshold, ranked * mean_over_ranked(cells, rank)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NoiseGrid:
    """Which looks the noise is learnt from, for one stretch of bins after another.

    The bins of a stretch share their looks. A threshold keeps its false-alarm rate with
    any cells whose noise is independent of the bin that is tested, so it is enough that
    they stand a guard away from the whole stretch; and the noise changes little over a
    stretch, :data:`MOST_SPACINGS` cells long.

    Attributes
    ----------
    index : ndarray of int, shape (stretches, looks)
        Bins in which they stand, the nearest first.
    stretch_of : ndarray of int, shape (bins,)
        Which stretch each bin is in.
    cells, level_cells : float
        As sure as the mean of so many independent cells is what thresholds are set by, and
        the noise.
    fewer : float
        How much higher a threshold stands where no more is known than by the nearest looks.
    """

    index: NDArray[np.intp]
    stretch_of: NDArray[np.intp]
    cells: float
    level_cells: float
    fewer: float
    _near: int
    _surely: float

    def ranked(
        self, power: NDArray[np.floating], doubt: NDArray[np.float64] | float = 1.0
    ) -> tuple[NDArray[np.floating], NDArray[np.floating]]:
        """Return for each stretch the mean power that thresholds are set by, and the noise's.

        By the weakest looks, :data:`WEAK_SHARE` and :data:`LEVEL_SHARE` of them. Where the
        nearest are surely louder than all together, as in what a room still rings, they alone
        are asked; the first is then higher by what they know less.

        Parameters
        ----------
        power : ndarray, shape (..., bins)
        doubt : ndarray of float64, shape (...), or float
            How much less looks tell than of white noise: the variance, over theirs.

        Returns
        -------
        ranked, middle : ndarray, shape (..., stretches)
        """
        # Wholly sorted, for which NumPy has a network in the processor's own vectors: a few
        # looks take a fifth of the time of picking out two.
        looks = power.take(self.index, axis=-1)
        nearest = looks[..., : self._near].copy()
        looks.sort(axis=-1)
        ranked, middle = _told_by(looks)
        if nearest.shape[-1] < looks.shape[-1]:
            nearest.sort(axis=-1)
            near_ranked, near_middle = _told_by(nearest)
            surely = np.asarray(np.exp(self._surely * np.sqrt(doubt)))
            louder = near_ranked > ranked * surely[..., np.newaxis]
            if np.count_nonzero(louder):
                ranked = np.where(louder, near_ranked * self.fewer, ranked)
                middle = np.where(louder, near_middle, middle)
        return ranked, middle


def _told_by(
    in_order: NDArray[np.floating],
) -> tuple[NDArray[np.floating], NDArray[np.floating]]:
    """Return the means that sorted looks tell of, by the two shares."""
    told = product(in_order, _weights(in_order.shape[-1]))
    return told[..., 0], told[..., 1]


@functools.lru_cache(maxsize=64)
def _weights(looks: int) -> NDArray[np.float32]:
    """Return how much of each sorted look is in the means that they tell of, shape (looks, 2)."""
    each = np.eye(looks)
    ranks = weak_of(looks), level_rank_of(looks)
    return np.stack([mean_of_weakest(each, rank) for rank in ranks], axis=1).astype(np.float32)


def mean_of_weakest(in_order: NDArray[np.floating], rank: int) -> NDArray[np.floating]:
    """Return the mean power that the `rank` weakest of sorted cells tell of, shape (...)."""
    more = (in_order.shape[-1] - rank) * in_order[..., rank - 1]
    return np.asarray((in_order[..., :rank].sum(axis=-1) + more) / rank)


def cells_told(looks: int, share: float, alike: tuple[float, ...] = ()) -> float:
    """Return how many independent cells' mean is as sure as what the weakest looks tell.

    Parameters
    ----------
    looks : int
    share : float
        The weakest of them that are asked; of independent looks they are the cells.
    alike : tuple of float
        ρ² of two looks, for each step from one to another but none.

    Examples
    --------
    >>> cells_told(192, 0.75), round(cells_told(384, 0.75, (0.4,)))
    (144.0, 174)
    """
    return looks / float(scatter(looks, share, np.array(alike)))


def scatter(looks: int, share: float, alike: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the relative variance of what the weakest looks tell, times their number.

    Shape (...), of ρ² of shape (..., lags). What each look adds is its power less 1 if it is
    weak, and else the power q at which it begins not to be, all over the share F. Of the joint
    density of two in Laguerre's polynomials of n-th order their covariance has ρ^2n, times
    (1 − F)²/F² (Lₙ₋₁(q) − Lₙ₋₂(q))² from the second on; of a look with itself it is 1/F.

    References
    ----------
    H. Bateman, *Higher Transcendental Functions* II, 1953, sect. 10.12, for the density; M. S.
    Bartlett 1946 for the sum over pairs (both from memory).
    """
    rank = max(1, round(share * looks))
    alike = alike[..., : looks - 1]
    pairs = 2 * (1 - np.arange(1, alike.shape[-1] + 1) / looks)
    likeness, covariance = _covariance_of_looks(share)
    shared = np.interp(alike, likeness, covariance)
    return np.asarray(looks / rank + (shared * pairs).sum(axis=-1))


@functools.lru_cache(maxsize=8)
def _covariance_of_looks(share: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the covariance of what two looks add, over ρ² from 0 to 1."""
    likeness = np.linspace(0, 1, 257)
    steps = np.diff(np.polynomial.laguerre.lagvander(-math.log1p(-share), _TERMS))
    shares = np.append(1.0, (steps * (1 - share) / share) ** 2)
    covariance = (likeness[:, np.newaxis] ** np.arange(1, shares.size + 1)) @ shares
    covariance[-1] = 1 / share
    return likeness, covariance


def noise_grid(
    bins: int,
    guard_bins: int,
    spacing_bins: int,
    *,
    alike: tuple[float, ...] = (),
    before_only: bool = False,
) -> NoiseGrid:
    """Plan the looks of a profile; parameters as for :func:`cell_averaging_threshold`, and.

    Parameters
    ----------
    alike : tuple of float
        As for :func:`cells_told`: looks a spacing apart need not be independent.
    before_only : bool
        Take the looks before a bin, as far as there are any: what arrives first stands out
        against the quiet before it, not against the room's answer.
    """
    cell_looks = 1 + 2 * sum(alike)
    near = round(TRAINING_CELLS * cell_looks)
    asked = near if before_only else round(WIDE_CELLS * cell_looks)
    least = int(LEAST_CELLS * cell_looks)
    most = _cells_with_room(bins, guard_bins, spacing_bins, asked, least=least)
    step = spacing_bins * max(1, min(round(MOST_SPACINGS * cell_looks), most // 16))
    looks = min(most, (bins - 2 * guard_bins - step) // spacing_bins - 1)
    if looks < 16 * cell_looks:
        # Where there are few, none is given up for the length of a stretch.
        looks = most
        step = max(1, min(step, bins - 2 * guard_bins - (looks + 1) * spacing_bins))
    first = np.arange(0, bins, step)
    last = np.minimum(first + step, bins) - 1
    wanted = looks if before_only else looks // 2
    index, away = _cells_about(first, last, bins, guard_bins, spacing_bins, looks, wanted)
    nearest = np.argsort(away, axis=1, kind="stable")
    near = min(near, looks)
    cells, near_cells = (cells_told(n, WEAK_SHARE, alike) for n in (looks, near))
    # The nearest are among all: what they say differs from what all say by the difference of
    # the two variances. A threshold over fewer stands higher: taken at 1e-6, where that is
    # most, as rates go that are in use.
    higher = cell_averaging_factor(1e-6, near_cells) / cell_averaging_factor(1e-6, cells)
    return NoiseGrid(
        index=np.take_along_axis(index, nearest, axis=1),
        stretch_of=np.arange(bins) // step,
        cells=cells,
        level_cells=cells_told(looks, LEVEL_SHARE, alike),
        fewer=higher,
        _near=near,
        _surely=UNLIKE * math.sqrt(max(1 / near_cells - 1 / cells, 0.0)),
    )


@functools.lru_cache(maxsize=64)
def mean_over_ranked(cells: int, rank: int) -> float:
    """Return the mean of exponential cells over that of the one of a rank.

    The rank-th smallest of N has the mean Σ 1/(N − i).
    """
    return 1 / float(np.sum(1 / (cells - np.arange(rank))))


@functools.lru_cache(maxsize=64)
def noise_doubt(cells: int, rank: int) -> float:
    """Relative variance of the noise power that one of the sorted cells tells of.

    Examples
    --------
    >>> round(noise_doubt(64, rank_of(64)), 3), round(noise_doubt(64, level_rank_of(64)), 3)
    (0.024, 0.032)

    References
    ----------
    The rank-th smallest of N exponential variables has the mean Σ 1/(N − i) and the
    variance Σ 1/(N − i)²: A. Rényi, "On the theory of order statistics", *Acta Math.
    Acad. Sci. Hung.* 4, 1953 (from memory).
    """
    steps = 1 / (cells - np.arange(rank))
    return float((steps @ steps) / steps.sum() ** 2)


def fewest_bins(shape: EchoShape, *, cells: int = LEAST_CELLS) -> int:
    """Return how many bins hold so many independent cells to learn the noise from.

    With fewer than four :func:`find_echoes` refuses. A narrow-band pulse, whose noise
    is alike over a long time, needs many.
    """
    guard_bins, spacing_bins = training_steps(shape)
    return 2 * guard_bins + 1 + (cells + 1) * spacing_bins


def independent_s(shape: EchoShape) -> float:
    """Return how long an independent bin of noise is: the inverse of its bandwidth."""
    return float(np.sum(shape.noise_weights**2)) / float(shape.offset_hz[1])


@functools.lru_cache(maxsize=32)
def training_steps(shape: EchoShape) -> tuple[int, int]:
    """Bins that an echo fills to each side, and from one independent cell to the next."""
    guard_bins = math.ceil(max(1.0, shape.width_s / shape.bin_s)) + 1
    return guard_bins, max(1, math.ceil(independent_s(shape) / shape.bin_s))


@functools.lru_cache(maxsize=32)
def look_steps(shape: EchoShape) -> tuple[int, int, tuple[float, ...]]:
    """Bins that an echo fills to each side, and from one look to the next; ρ² of two looks.

    The last for each step from one look to another, as far as :data:`ALIKE_CELLS`.
    """
    cell_bins = independent_s(shape) / shape.bin_s
    spacing_bins = max(1, math.ceil(cell_bins / CELL_LOOKS))
    step_hz = float(shape.offset_hz[1])
    lag_s = spacing_bins * np.arange(1, ALIKE_CELLS * CELL_LOOKS + 1) * shape.bin_s
    # Farther off than half of its cycle a sum of frequencies comes again.
    lag_s = lag_s[lag_s * step_hz < 0.5]
    alike = np.abs(turning_sums(lag_s, shape.noise_weights, step_hz=step_hz)) ** 2
    return training_steps(shape)[0], spacing_bins, tuple(alike.tolist())


def noise_about(
    shape: EchoShape, lag_s: NDArray[np.float64], turn_hz: float = 0.0
) -> tuple[NDArray[np.float64], NDArray[np.complex128]]:
    """Return the noise's powers about a place along ways in which it is independent, and these.

    With noise made white, what is left of a sound is weighed as well as may be (H. L. Van Trees,
    *Detection, Estimation, and Modulation Theory* I, 1968, sect. 4.3; from memory).

    Parameters
    ----------
    shape : EchoShape
    lag_s : ndarray of float64, shape (lags,)
        Where the envelope is looked at.
    turn_hz : float
        By which it was turned back.

    Returns
    -------
    power : ndarray of float64, shape (lags,)
        Weakest first; all of them add up to the number of lags.
    ways : ndarray of complex128, shape (lags, lags)
        Each a column.
    """
    apart_s = lag_s[:, np.newaxis] - lag_s
    alike = turning_sums(apart_s, shape.noise_weights, step_hz=float(shape.offset_hz[1]))
    power, ways = np.linalg.eigh(alike * np.exp(-2j * np.pi * turn_hz * apart_s))
    return np.maximum(power, 0.0), ways


@functools.lru_cache(maxsize=64)
def rank_of(cells: int) -> int:
    """Return which of so many sorted cells the ordered-statistic threshold reads, from 1."""
    return max(1, round(RANK_SHARE * cells))


@functools.lru_cache(maxsize=64)
def weak_of(cells: int) -> int:
    """Return by how many of so many sorted cells a search's thresholds are set."""
    return max(1, round(WEAK_SHARE * cells))


@functools.lru_cache(maxsize=64)
def level_rank_of(cells: int) -> int:
    """Return how many of so many sorted cells the noise is read off."""
    return max(1, round(LEVEL_SHARE * cells))


def _cells_with_room(
    bins: int, guard_bins: int, spacing_bins: int, cells: int, *, least: int = LEAST_CELLS
) -> int:
    """Return how many of the cells that are wanted there are around each bin."""
    cells = min(cells, (bins - 2 * guard_bins - 1) // spacing_bins - 1)
    if cells < least:
        raise ValueError(
            f"power: found {bins} bins; "
            f"give at least {2 * guard_bins + 1 + (least + 1) * spacing_bins} to learn the noise "
            "from"
        )
    return cells


def _cell_rows(
    power: NDArray[np.floating], guard_bins: int, spacing_bins: int, cells: int
) -> Iterator[tuple[slice, NDArray[np.floating]]]:
    """Yield the powers in the cells of each bin, for one stretch of bins after another.

    All bins at once would take as much room as 64 profiles.

    Yields
    ------
    bins : slice
    rows : ndarray, shape (bins, cells)
        The caller's own.
    """
    for start in range(0, power.size, STRETCH):
        bins = np.arange(start, min(start + STRETCH, power.size))
        about = bins, bins, power.size, guard_bins, spacing_bins, cells, cells // 2
        index, _ = _cells_about(*about)
        yield slice(start, start + bins.size), power[index]


def _cells_about(
    first: NDArray[np.int64],
    last: NDArray[np.int64],
    bins: int,
    guard_bins: int,
    spacing_bins: int,
    cells: int,
    wanted: int,
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return where the cells about some stretches of bins stand, and how far from these.

    So many as are wanted ahead of each, the rest behind it; near an end, what has no room on
    one side is taken from the other. Both of shape (stretches, cells).
    """
    room_before = np.maximum(0, (first - guard_bins - 1) // spacing_bins + 1)
    room_after = np.maximum(0, (bins - 2 - last - guard_bins) // spacing_bins + 1)
    on_left = np.clip(wanted, cells - room_after, room_before)[:, np.newaxis]
    j = np.arange(cells)
    away = guard_bins + 1 + np.where(j < on_left, j, j - on_left) * spacing_bins
    return np.where(j < on_left, first[:, np.newaxis] - away, last[:, np.newaxis] + away), away


def _check_rate(false_alarm_rate: float) -> None:
    if not 0 < false_alarm_rate < 1:
        raise ValueError(f"false_alarm_rate: found {false_alarm_rate:g}; give 0 to 1, both out")
