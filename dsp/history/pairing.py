"""Pairs at the least cost: which track takes which echo, where several are near enough.

References
----------
S. S. Blackman, *Multiple-Target Tracking with Radar Applications*, 1986, ch. 4 (cited from
memory): gating, assignment.
H. W. Kuhn, "The Hungarian method for the assignment problem", *Naval Res. Logist.
Q.* 2, 1955, pp. 83–97.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

GATE = 4.0
"""An echo may lie so many standard deviations from where its track is foretold."""

MOST_TRIED = 8
"""Of so many pairs of tracks and echoes all ways to choose are tried: 256 at most."""


def assigned(
    cost: NDArray[np.float64], which: NDArray[np.int64], echo: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Choose among pairs that are near enough, each row and each column once at most."""
    if which.size < 2:
        return which, echo
    if which.size <= MOST_TRIED:
        pairs = _cheapest(which.tolist(), echo.tolist(), cost[which, echo].tolist())
        chosen = np.array(pairs, dtype=np.int64).reshape(-1, 2)
        return chosen[:, 0], chosen[:, 1]
    from scipy.optimize import linear_sum_assignment

    rows, row = np.unique(which, return_inverse=True)
    columns, column = np.unique(echo, return_inverse=True)
    # After the echoes, each row has misses to choose from; whatever is not near costs more.
    paid = np.full((rows.size, columns.size + rows.size), GATE**2)
    paid[:, : columns.size] = 1e6
    paid[row, column] = cost[which, echo]
    row, column = linear_sum_assignment(paid)
    heard = column < columns.size
    return rows[row[heard]], columns[column[heard]]


def _cheapest(which: list[int], echo: list[int], cost: list[float]) -> list[tuple[int, int]]:
    """Choose among a few pairs by trying ways: a library for more takes 0.3 s to load."""
    offers: dict[int, list[tuple[float, int]]] = {}
    for one, other, paid in zip(which, echo, cost, strict=True):
        offers.setdefault(one, [(GATE**2, -1)]).append((paid, other))
    ways = [sorted(each) for each in offers.values()]
    best_cost, best = math.inf, list[int]()

    def choose(chosen: list[int], spent: float) -> None:
        """Try all that may still be cheaper than the best way so far."""
        nonlocal best_cost, best
        if len(chosen) == len(ways):
            best_cost, best = spent, chosen
            return
        for paid, at in ways[len(chosen)]:
            if spent + paid >= best_cost:
                return
            if at < 0 or at not in chosen:
                choose([*chosen, at], spent + paid)

    choose([], 0.0)
    return [(one, at) for one, at in zip(offers, best, strict=True) if at >= 0]
