"""Echoes followed from ping to ping.

A Kalman filter foretells the range of each track at the next ping; echoes and
tracks are then paired so that all of them together fit best. An echo that fits no
track begins one, so a false alarm begins one too, which soon dies. What is left is
mended: each track's own smooth curve collects the echoes that the filter passed by.

All limits are counted in range resolutions and pings, so they hold for a room, a
trough and a chirp of any band alike.

References
----------
S. S. Blackman, *Multiple-Target Tracking with Radar Applications*, 1986, chs. 4
and 9 (cited from memory): gating, assignment, track initiation and deletion.
H. W. Kuhn, "The Hungarian method for the assignment problem", *Naval Res. Logist.
Q.* 2, 1955, pp. 83–97.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.arguments import require_positive
from dsp.history.meetings import parted

GATE = 4.0
"""An echo may lie so many standard deviations from where its track is foretold."""

FASTEST_CELLS = 1.5
"""Standard deviation of an unknown target's way from one ping to the next, in resolutions."""

TURN_CELLS = 0.1
"""Standard deviation of the change of that way from ping to ping, in resolutions."""

MOST_MISSES = 5
"""A track that was not heard in so many pings running has ended."""

FEWEST_HITS = 4
"""Fewer hits are no track: false alarms line up so often by chance."""

SPLINTER_CELLS = 1.5
"""The peaks of an echo that is torn in two stand so many resolutions apart at most."""

_EARLY_MISSES = 2  # for a track that is not yet one


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scan:
    """The echoes of one ping. A lost ping has no scan: it says nothing, not even a miss.

    Attributes
    ----------
    time_s : float
        When it was sent.
    range_m : ndarray of float64, shape (echoes,)
    noise_m : ndarray of float64, shape (echoes,)
        Standard deviation of each range from ping to ping. What is alike in all
        pings, such as a wrong sound speed, is no part of it.
    """

    time_s: float
    range_m: NDArray[np.float64]
    noise_m: NDArray[np.float64]

    def __post_init__(self) -> None:
        for name in ("range_m", "noise_m"):
            values = np.array(getattr(self, name), dtype=np.float64, ndmin=1)
            values.setflags(write=False)
            object.__setattr__(self, name, values)
        if self.range_m.shape != self.noise_m.shape:
            raise ValueError(
                f"noise_m: found shape {self.noise_m.shape}; give one for each range, "
                f"shape {self.range_m.shape}"
            )
        require_positive("noise_m", self.noise_m, "m")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Track:
    """Echoes held to come from one target.

    Attributes
    ----------
    scan : ndarray of int64, shape (hits,)
        Which scans, rising.
    echo : ndarray of int64, shape (hits,)
        Which echo of each.
    unsure : bool
        Whether it ran together with another, and nobody can say which went on where.
    """

    scan: NDArray[np.int64]
    echo: NDArray[np.int64]
    unsure: bool = False

    def __post_init__(self) -> None:
        for name in ("scan", "echo"):
            values = np.array(getattr(self, name), dtype=np.int64, ndmin=1)
            values.setflags(write=False)
            object.__setattr__(self, name, values)


def tracks_of(
    scans: Sequence[Scan], *, resolution_m: float, interval_s: float
) -> tuple[Track, ...]:
    """Follow all targets through some pings.

    Parameters
    ----------
    scans : sequence of Scan
        In the order of their times.
    resolution_m : float
        Two echoes closer than this run into one.
    interval_s : float
        From ping to ping; where pings were lost, the scans lie further apart.

    Returns
    -------
    tuple of Track
        Of at least :data:`FEWEST_HITS` hits each, the longest first. No echo is in
        two of them. What is only the echo of a longer track, torn in two, is left out.

    Raises
    ------
    ValueError
        Where the scans are out of order, or a number is not above zero.
    """
    require_positive("resolution_m", resolution_m, "m")
    require_positive("interval_s", interval_s, "s")
    times = np.array([s.time_s for s in scans])
    if np.any(np.diff(times) <= 0):
        raise ValueError("scans: found times that do not rise; give them in the order of sending")
    free = [np.ones(s.range_m.size, dtype=bool) for s in scans]
    found: list[Track] = []
    followed, merged, unsure = parted(
        _followed(scans, resolution_m, interval_s), scans, resolution_m
    )
    for i, j in merged:
        free[i][j] = False
    rough = [
        (leg, doubt)
        for hits, doubt in zip(followed, unsure, strict=True)
        if hits
        for leg in _legs(hits, scans, resolution_m)
    ]
    for leg, doubt in sorted(rough, key=lambda r: -len(r[0])):
        own = [(i, j) for i, j in leg if free[i][j]]
        if len(own) < FEWEST_HITS:
            continue
        own = _mended(own, scans, free, times, resolution_m)
        for i, j in own:
            free[i][j] = False
        found.append(
            Track(
                scan=np.array([i for i, _ in own]),
                echo=np.array([j for _, j in own]),
                unsure=doubt,
            )
        )
    kept: list[Track] = []
    for track in sorted(found, key=lambda t: -t.scan.size):
        if not any(_is_splinter(track, other, scans, resolution_m) for other in kept):
            kept.append(track)
    return tuple(kept)


class _Filter:
    """A Kalman filter on one target's range and rate; its noise is a change of rate."""

    def __init__(self, hit: tuple[int, int], scan: Scan, u_rate_m_s: float) -> None:
        self.hits = [hit]
        self.misses = 0
        self._time_s = scan.time_s
        self._state = np.array([scan.range_m[hit[1]], 0.0])
        self._spread = np.diag([scan.noise_m[hit[1]] ** 2, u_rate_m_s**2])

    @property
    def confirmed(self) -> bool:
        return len(self.hits) >= FEWEST_HITS

    @property
    def over(self) -> bool:
        return self.misses > (MOST_MISSES if self.confirmed else _EARLY_MISSES)

    def advance(self, time_s: float, turn_m_s2: float) -> None:
        """Foretell range and rate at a later time."""
        step = time_s - self._time_s
        move = np.array([[1.0, step], [0.0, 1.0]])
        push = np.array([step**2 / 2, step]) * turn_m_s2
        self._state = move @ self._state
        self._spread = move @ self._spread @ move.T + np.outer(push, push)
        self._time_s = time_s

    def distance2(self, scan: Scan) -> NDArray[np.float64]:
        """Squared distance of each echo from the forecast, in its variances."""
        variance = self._spread[0, 0] + scan.noise_m**2
        return np.asarray((scan.range_m - self._state[0]) ** 2 / variance)

    def take(self, hit: tuple[int, int], scan: Scan) -> None:
        """Correct the forecast by the echo that was heard."""
        variance = self._spread[0, 0] + scan.noise_m[hit[1]] ** 2
        gain = self._spread[:, 0] / variance
        self._state = self._state + gain * (scan.range_m[hit[1]] - self._state[0])
        self._spread = self._spread - np.outer(gain, self._spread[0])
        self.hits.append(hit)
        self.misses = 0


def _followed(
    scans: Sequence[Scan], resolution_m: float, interval_s: float
) -> list[list[tuple[int, int]]]:
    """Return the hits of each target as the filter finds them, going forward once."""
    u_rate_m_s = FASTEST_CELLS * resolution_m / interval_s
    turn_m_s2 = TURN_CELLS * resolution_m / interval_s**2
    live: list[_Filter] = []
    ended: list[_Filter] = []
    for i, scan in enumerate(scans):
        left = np.ones(scan.range_m.size, dtype=bool)
        for one in live:
            one.advance(scan.time_s, turn_m_s2)
        # What is known for a track chooses first; a chance alarm cannot take its echo.
        for confirmed in (True, False):
            choosing = [one for one in live if one.confirmed == confirmed]
            echoes = np.flatnonzero(left)
            for one, k in _paired(choosing, scan, echoes):
                one.take((i, int(echoes[k])), scan)
                left[echoes[k]] = False
        for one in live:
            if one.hits[-1][0] != i:
                one.misses += 1
        ended += [one for one in live if one.over]
        live = [one for one in live if not one.over]
        live += [_Filter((i, int(j)), scan, u_rate_m_s) for j in np.flatnonzero(left)]
    return [one.hits for one in ended + live]


def _paired(
    choosing: Sequence[_Filter], scan: Scan, echoes: NDArray[np.int64]
) -> list[tuple[_Filter, int]]:
    """Pair tracks and echoes at the least cost; a miss costs as much as the gate's edge."""
    if not choosing or not echoes.size:
        return []
    cost = np.array([one.distance2(scan)[echoes] for one in choosing])
    if cost.min() > GATE**2:
        return []
    from scipy.optimize import linear_sum_assignment

    misses = np.full((len(choosing), len(choosing)), GATE**2)
    rows, columns = linear_sum_assignment(np.hstack([np.minimum(cost, 1e6), misses]))
    return [
        (choosing[row], column)
        for row, column in zip(rows.tolist(), columns.tolist(), strict=True)
        if column < echoes.size and cost[row, column] <= GATE**2
    ]


def _is_splinter(track: Track, other: Track, scans: Sequence[Scan], resolution_m: float) -> bool:
    """Say whether a short track is the echo of a longer one, now and then torn in two.

    Near a null of the beam a pulse loses its middle frequencies, and its echo shows two
    peaks; they stand within :data:`SPLINTER_CELLS`.
    """
    if 2 * track.scan.size >= other.scan.size:
        return False
    beside = {i: float(scans[i].range_m[j]) for i, j in zip(other.scan, other.echo, strict=True)}
    near = sum(
        abs(beside.get(i, math.inf) - float(scans[i].range_m[j])) < SPLINTER_CELLS * resolution_m
        for i, j in zip(track.scan, track.echo, strict=True)
    )
    return 2 * near > track.scan.size


def _legs(
    hits: list[tuple[int, int]], scans: Sequence[Scan], resolution_m: float
) -> list[list[tuple[int, int]]]:
    """Part a target's way where it turned back: where its range was largest in between.

    A straight way has a nearest point and no furthest one.
    """
    if len(hits) < 2 * FEWEST_HITS:
        return [hits]
    range_m = np.array([scans[i].range_m[j] for i, j in hits])
    noise_m = np.array([scans[i].noise_m[j] for i, j in hits])
    range_m[1:-1] = np.median([range_m[:-2], range_m[1:-1], range_m[2:]], axis=0)
    nearest_before = np.minimum.accumulate(range_m)
    nearest_after = np.minimum.accumulate(range_m[::-1])[::-1]
    rise_m = range_m - np.maximum(nearest_before, nearest_after)
    turn = int(np.argmax(rise_m))
    if rise_m[turn] < max(resolution_m / 2, 2 * GATE * float(np.median(noise_m))):
        return [hits]
    return [
        *_legs(hits[: turn + 1], scans, resolution_m),
        *_legs(hits[turn + 1 :], scans, resolution_m),
    ]


def _mended(
    hits: list[tuple[int, int]],
    scans: Sequence[Scan],
    free: Sequence[NDArray[np.bool_]],
    times: NDArray[np.float64],
    resolution_m: float,
) -> list[tuple[int, int]]:
    """Collect the echoes on a track's own smooth curve, within it and beyond its ends.

    The curve is a parabola in the squared range, which is what a straight way at an
    even speed draws.
    """
    for _ in range(6):
        index = np.array([i for i, _ in hits])
        first, last = max(index[0] - MOST_MISSES, 0), min(index[-1] + MOST_MISSES, len(scans) - 1)
        reach = np.arange(first, last + 1)
        range_m = np.array([scans[i].range_m[j] for i, j in hits])
        noise_m = np.array([scans[i].noise_m[j] for i, j in hits])
        curve_m, u_curve_m, rough = _curve(times[index], range_m, noise_m, times[reach])
        collected = []
        for i, middle_m, u_m in zip(reach.tolist(), curve_m, u_curve_m, strict=True):
            if not free[i].any() or u_m > resolution_m / 2:
                continue
            scan = scans[i]
            away = np.abs(scan.range_m - middle_m) / np.hypot(rough * scan.noise_m, u_m)
            away[~free[i]] = math.inf
            j = int(np.argmin(away))
            if away[j] <= GATE:
                collected.append((i, j))
        if collected == hits or len(collected) < len(hits) // 2 or len(collected) < FEWEST_HITS:
            break
        hits = collected
    return hits


def _curve(
    time_s: NDArray[np.float64],
    range_m: NDArray[np.float64],
    noise_m: NDArray[np.float64],
    wanted_s: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64], float]:
    """Fit a squared range that is a polynomial in time.

    Returns the range, its deviation, and how much rougher than their noise the hits are.
    """
    degree = 2 if time_s.size >= 6 else 1
    middle, span = time_s.mean(), max(float(np.ptp(time_s)) / 2, 1e-12)
    powers = np.arange(degree + 1)
    design = ((time_s - middle) / span)[:, np.newaxis] ** powers
    weight = 1 / (2 * range_m * noise_m)
    weighted = design * weight[:, np.newaxis]
    spread = np.linalg.pinv(weighted.T @ weighted)
    coefficients = spread @ weighted.T @ (range_m**2 * weight)
    misfit = (range_m**2 - design @ coefficients) * weight
    # Half the echoes may be strangers: the median tells how rough the track itself is.
    rough = max(1.0, 1.4826 * float(np.median(np.abs(misfit))))
    there = ((wanted_s - middle) / span)[:, np.newaxis] ** powers
    curve_m = np.sqrt(np.maximum(there @ coefficients, 1e-12))
    variance = np.einsum("ij,jk,ik->i", there, spread, there)
    return curve_m, rough * np.sqrt(np.maximum(variance, 0)) / (2 * curve_m), rough
