"""Noise that falls with range, as what a room or a tank still rings does.

Cells farther out, or nearer, then tell of another noise than a bin's own, most of all at a
profile's ends, where all of them stand to one side. What still rings falls exponentially, down
to a noise that stays as it is (W. C. Sabine's law of reverberation, from memory). Of such laws
those are taken that the whole profile bears out, each by how well, and the cells are evened out.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.ping.noise.noise_grid import NoiseGrid

BLOCK_CELLS = 8
"""So many independent cells of noise are a block."""

HEARD_SHARE = 0.75
"""So many of a block's bins are heard, the weakest: another echo may be in the rest. Of
exponential cells the sum of the k weakest of n, and n − k times the k-th, is distributed as that
of k cells (B. Epstein and M. Sobel, *J. Am. Stat. Assoc.* 48, 1953, from memory)."""

LEAST_BLOCKS = 12

SKIPPED_BLOCKS = 2
"""The nearest hold what the direct sound left: they are not asked, and the law goes on there."""

SURELY = 2.5
"""Standard deviations by which a law must do better than an even noise: by chance one of them
does so once in a hundred profiles."""

HIDES = 4.0
"""Side lobes of a quarter of what is heard lift it by 1 dB at the most, as much as the laws err."""

_HEARD_CELLS = round(HEARD_SHARE * BLOCK_CELLS)
_U_LOG = math.sqrt(math.pi**2 / 6 - sum(1 / k**2 for k in range(1, _HEARD_CELLS)))
"""Standard deviation of a block's logarithm: the root of the trigamma function of what is heard."""

_OVER = np.exp([0.5, 1.5, 2.5, 3.5, 5.0, 7.0, 9.0, 11.0])
"""How far what rings stands above the noise at the start, up to 48 dB, on power."""

_FALLS_SHARES = (1.0, 1 / 2, 1 / 4, 1 / 8)
"""Over what shares of a profile it falls to 1/e."""


def falls(
    power: NDArray[np.float32],
    cell_bins: float,
    lobes_left: Callable[[NDArray[np.intp], NDArray[np.intp]], NDArray[np.float64]],
    doubt: NDArray[np.float64],
) -> tuple[NDArray[np.intp], NDArray[np.float32]] | None:
    """Say in which profiles the noise surely falls, and how.

    Parameters
    ----------
    power : ndarray of float32, shape (profiles, bins)
        Of what is left once echoes were taken away.
    cell_bins : float
        How long an independent cell of noise is.
    lobes_left : callable
        Gives, for some of the profiles and at some bins, the power that side lobes of what was
        taken away may have left, shape (profiles, bins).
    doubt : ndarray of float64, shape (profiles,)
        How much less cells tell than of white noise: the variance, over theirs.

    Returns
    -------
    rows : ndarray of int, shape (falling,)
        Which profiles.
    level : ndarray of float32, shape (falling, bins)
        Of their noise, on power, over its mean on the way.

    None where no noise falls.
    """
    # Two bins a cell tell all that there is.
    step = max(1, math.ceil(cell_bins / 2))
    read = round(BLOCK_CELLS * cell_bins / step)
    size = read * step
    blocks = power.shape[1] // size
    if blocks < LEAST_BLOCKS:
        return None
    laws, heard = _laws(blocks, size, power.shape[1]), round(HEARD_SHARE * read)
    bins = power[:, SKIPPED_BLOCKS * size : blocks * size : step]
    bins = np.sort(bins.reshape(power.shape[0], -1, read), axis=-1)
    weakest = bins[..., :heard].sum(axis=-1) + (read - heard) * bins[..., heard - 1]
    heard_log = np.log(np.maximum(weakest, 1e-30))
    surely = (SURELY * np.sqrt(doubt)).astype(np.float32)
    rows = (_along(laws, heard_log).max(axis=1) > surely).nonzero()[0]
    if rows.size == 0:
        return None
    # Where side lobes may be what is heard, it is held to be as elsewhere on the average.
    centre = np.arange(SKIPPED_BLOCKS, blocks) * size + size // 2
    told = lobes_left(rows, centre) < weakest[rows] / read / HIDES
    heard_log = heard_log[rows]
    elsewhere = np.where(told, heard_log, 0).sum(axis=1) / np.maximum(told.sum(axis=1), 1)
    alike = _along(laws, np.where(told, heard_log, elsewhere[:, np.newaxis]))
    falling = alike.max(axis=1) > surely[rows]
    if not np.count_nonzero(falling):
        return None
    rows, alike = rows[falling], alike[falling]
    # The less a law leaves, the likelier it is: by the chance of what it leaves, all being
    # alike before.
    explains = (alike * laws.size - laws.size**2 / 2) / doubt[rows, np.newaxis].astype(np.float32)
    likely = np.exp(explains - explains.max(axis=1, keepdims=True))
    likely /= likely.sum(axis=1, keepdims=True)
    return rows, np.exp((likely[:, np.newaxis] @ laws.level)[:, 0])


def _along(laws: _Laws, heard_log: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return how much of each law is in some profiles, in its standard deviations."""
    # Row by row: of more at once another routine is asked, which rounds otherwise.
    along = (heard_log[:, np.newaxis] @ laws.unit.T)[:, 0] / np.float32(_U_LOG)
    return np.asarray(along)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Laws:
    """Logarithms of the laws by which noise falls, each less its mean over the blocks asked.

    Attributes
    ----------
    unit : ndarray of float32, shape (laws, blocks)
        Each over the blocks that are asked, at a length of 1.
    size : ndarray of float32, shape (laws,)
        Its length, in standard deviations of a block.
    level : ndarray of float32, shape (laws, bins)
    """

    unit: NDArray[np.float32]
    size: NDArray[np.float32]
    level: NDArray[np.float32]


@functools.lru_cache(maxsize=32)
def _laws(blocks: int, size: int, bins: int) -> _Laws:
    over, share = (each.reshape(-1, 1) for each in np.meshgrid(_OVER, _FALLS_SHARES))

    def log_power(place: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(np.log1p(over * np.exp(-place / share)))

    law = log_power((np.arange(SKIPPED_BLOCKS, blocks) + 0.5) / blocks)
    mean = law.mean(axis=1, keepdims=True)
    length = np.linalg.norm(law - mean, axis=1)
    return _Laws(
        unit=((law - mean) / length[:, np.newaxis]).astype(np.float32),
        size=(length / _U_LOG).astype(np.float32),
        level=(log_power(np.arange(bins) / (size * blocks)) - mean).astype(np.float32),
    )


def ranked_falling(
    grid: NoiseGrid,
    power: NDArray[np.float32],
    doubt: NDArray[np.float64],
    rows: NDArray[np.intp],
    level: NDArray[np.float32],
) -> tuple[NDArray[np.floating], NDArray[np.floating]]:
    """Return what :meth:`dsp.ping.noise.noise.NoiseGrid.ranked` does, evened out where noise falls.

    A law that is learnt from all cells leaves as much doubt of the noise at a profile's ends as
    the nearest :data:`dsp.ping.noise.noise.TRAINING_CELLS` alone: the end of a line through N
    values is as unsure as the mean of N/4.

    Parameters
    ----------
    power, doubt
        As :meth:`dsp.ping.noise.noise.NoiseGrid.ranked` takes them.
    rows, level
        As of :func:`falls`.
    """
    even = power.copy()
    even[rows] /= level
    ranked, middle = grid.ranked(even, doubt)
    first = np.searchsorted(grid.stretch_of, np.arange(ranked.shape[1]))
    its_level = level[:, first]
    ranked[rows] *= its_level * np.float32(grid.fewer)
    middle[rows] *= its_level
    return ranked, middle
