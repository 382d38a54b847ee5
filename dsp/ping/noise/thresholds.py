"""A threshold for each bin of a profile, from the cells around it.

From their mean, or from one of the sorted ones, which a strong echo does not lift.

References
----------
H. Rohling, "Radar CFAR thresholding in clutter and multiple target situations",
*IEEE Trans. Aerosp. Electron. Syst.* 19, 1983, pp. 608–621.
"""

from __future__ import annotations

import functools
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from dsp.ping.noise.false_alarms import cell_averaging_factor, ordered_statistic_factor
from dsp.ping.noise.noise import TRAINING_CELLS, cells_about, cells_with_room

RANK_SHARE = 0.75
"""The ordered-statistic threshold reads the cell at this share of the sorted ones:
a quarter of them may hold other echoes without lifting it."""

STRETCH = 4096
"""Of so many bins at a time the noise around them is sorted."""


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
    cells = cells_with_room(power.size, guard_bins, spacing_bins, TRAINING_CELLS)
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
    cells = cells_with_room(power.size, guard_bins, spacing_bins, TRAINING_CELLS)
    rank = rank_of(cells)
    ranked = np.empty(power.size)
    for bins, rows in _cell_rows(np.asarray(power), guard_bins, spacing_bins, cells):
        rows.partition(rank - 1, axis=1)
        ranked[bins] = rows[:, rank - 1]
    threshold = ranked * ordered_statistic_factor(false_alarm_rate, cells, rank)
    return threshold, ranked * mean_over_ranked(cells, rank)


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
    >>> round(noise_doubt(64, rank_of(64)), 3), round(noise_doubt(64, 32), 3)
    (0.024, 0.032)

    References
    ----------
    The rank-th smallest of N exponential variables has the mean Σ 1/(N − i) and the
    variance Σ 1/(N − i)²: A. Rényi, "On the theory of order statistics", *Acta Math.
    Acad. Sci. Hung.* 4, 1953 (from memory).
    """
    steps = 1 / (cells - np.arange(rank))
    return float((steps @ steps) / steps.sum() ** 2)


@functools.lru_cache(maxsize=64)
def rank_of(cells: int) -> int:
    """Return which of so many sorted cells the ordered-statistic threshold reads, from 1."""
    return max(1, round(RANK_SHARE * cells))


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
        index, _ = cells_about(*about)
        yield slice(start, start + bins.size), power[index]
