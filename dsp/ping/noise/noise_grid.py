"""The noise along a profile as the weakest looks about each stretch of it tell.

A strong echo among them does not lift it, as it does not lift one of the sorted ones, and all of
them together know more.

References
----------
B. Epstein and M. Sobel, "Life testing", *J. Am. Stat. Assoc.* 48, 1953: of N exponential cells the
k weakest, and N − k times the k-th of them, add up to what k cells do (from memory).
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.ping.noise.false_alarms import cell_averaging_factor
from dsp.ping.noise.noise import (
    LEAST_CELLS,
    TRAINING_CELLS,
    WIDE_CELLS,
    cells_about,
    cells_with_room,
)
from dsp.ping.products import product

UNLIKE = 3.0
"""Standard deviations by which the nearest :data:`TRAINING_CELLS` must be louder than all, for
the noise to be another here than around: in even noise once in 700."""

WEAK_SHARE = 7 / 8
"""A search's thresholds are set by this share of the sorted looks, the weakest: any echo in an
eighth of them lifts it by 2.4 of its share, as the sorted one at three quarters by 2.2, and
clutter with more loud cells than noise has lifts either alike."""

LEVEL_SHARE = 0.5
"""The noise itself is read off the weaker half: the rest may hold other echoes, and
what those left behind where they are no copies of the pulse."""

_TERMS = 100
"""So many of Laguerre's polynomials say what two looks share, where ρ² is less than 0.97."""

MOST_SPACINGS = 8
"""So many cells long is a stretch of bins that share its looks, at the most, or as a sixteenth of
the looks: a quarter of what the nearest reach over to one side."""


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
    most = cells_with_room(bins, guard_bins, spacing_bins, asked, least=least)
    step = spacing_bins * max(1, min(round(MOST_SPACINGS * cell_looks), most // 16))
    looks = min(most, (bins - 2 * guard_bins - step) // spacing_bins - 1)
    if looks < 16 * cell_looks:
        # Where there are few, none is given up for the length of a stretch.
        looks = most
        step = max(1, min(step, bins - 2 * guard_bins - (looks + 1) * spacing_bins))
    first = np.arange(0, bins, step)
    last = np.minimum(first + step, bins) - 1
    wanted = looks if before_only else looks // 2
    index, away = cells_about(first, last, bins, guard_bins, spacing_bins, looks, wanted)
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
def weak_of(cells: int) -> int:
    """Return by how many of so many sorted cells a search's thresholds are set."""
    return max(1, round(WEAK_SHARE * cells))


@functools.lru_cache(maxsize=64)
def level_rank_of(cells: int) -> int:
    """Return how many of so many sorted cells the noise is read off."""
    return max(1, round(LEVEL_SHARE * cells))
