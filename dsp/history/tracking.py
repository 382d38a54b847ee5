"""Echoes followed from ping to ping.

Filters foretell each target's next range and take its echoes (:mod:`dsp.history.range_filters`).
What they found is mended: tracks that ran together are parted, and so is a way that turned back;
then each track's own smooth curve collects the echoes that its filter passed by.

All limits are counted in range resolutions and pings, so they hold for a room, a
trough and a chirp of any band alike.

References
----------
S. S. Blackman, *Multiple-Target Tracking with Radar Applications*, 1986, ch. 9 (cited from
memory): track initiation and deletion.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.arguments import read_only, require_positive
from dsp.history.meetings import Heard, Hits, parted
from dsp.history.pairing import GATE
from dsp.history.range_filters import FEWEST_HITS, MOST_MISSES, RangeFilters, Scan

SPLINTER_CELLS = 1.5
"""The peaks of an echo that is torn in two stand so many resolutions apart at most."""


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
    turned : tuple of (bool, bool)
        Whether what was heard turned back where the track begins, and where it ends: it
        came from a nearest point, and went to one, as another track.
    """

    scan: NDArray[np.int64]
    echo: NDArray[np.int64]
    unsure: bool = False
    turned: tuple[bool, bool] = (False, False)

    def __post_init__(self) -> None:
        for name in ("scan", "echo"):
            values = read_only(getattr(self, name), np.int64, ndmin=1)
            object.__setattr__(self, name, values)


def tracks_of(
    scans: Iterable[Scan], *, resolution_m: float, interval_s: float
) -> tuple[Track, ...]:
    """Follow all targets through some pings.

    Parameters
    ----------
    scans : iterable of Scan
        In the order of their times.
    resolution_m : float
        Two echoes closer than this run into one.
    interval_s : float
        From ping to ping; where pings were lost, the scans lie further apart.

    Returns
    -------
    tuple of Track
        As :meth:`Tracker.tracks` gives.

    Raises
    ------
    ValueError
        Where the scans are out of order, or a number is not above zero.
    """
    tracker = Tracker(resolution_m=resolution_m, interval_s=interval_s)
    for scan in scans:
        tracker.add(scan)
    return tracker.tracks()


class Tracker:
    """Follows all targets ping by ping, as they come.

    A new ping costs as much after an hour as at the start; what is kept of each are the
    ranges of its echoes, with their noise.

    Parameters
    ----------
    resolution_m, interval_s : float
        As for :func:`tracks_of`.

    Raises
    ------
    ValueError
        Where one is not above zero.
    """

    def __init__(self, *, resolution_m: float, interval_s: float) -> None:
        require_positive("resolution_m", resolution_m, "m")
        require_positive("interval_s", interval_s, "s")
        self._resolution_m = resolution_m
        self._filters = RangeFilters(resolution_m=resolution_m, interval_s=interval_s)
        self._scans: list[Scan] = []
        self._owners: list[NDArray[np.int64]] = []

    def add(self, scan: Scan) -> None:
        """Take the next ping.

        Raises
        ------
        ValueError
            Where it is no later than the last one.
        """
        if self._scans and scan.time_s <= self._scans[-1].time_s:
            raise ValueError(
                "scans: found times that do not rise; give them in the order of sending"
            )
        self._scans.append(scan)
        self._owners.append(self._filters.take(scan))

    def tracks(self) -> tuple[Track, ...]:
        """Return the tracks in all pings so far.

        Returns
        -------
        tuple of Track
            Of at least :data:`FEWEST_HITS` hits each, the longest first. No echo is in
            two of them. What is only the echo of a longer track, torn in two, is left out.
        """
        if not self._scans:
            return ()
        return tracks_among(
            np.array([s.time_s for s in self._scans], dtype=np.float64),
            np.array([s.range_m.size for s in self._scans], dtype=np.int64),
            np.concatenate([s.range_m for s in self._scans]),
            np.concatenate([s.noise_m for s in self._scans]),
            np.concatenate(self._owners),
            resolution_m=self._resolution_m,
        )


def tracks_among(
    time_s: NDArray[np.float64],
    echoes: NDArray[np.int64],
    range_m: NDArray[np.float64],
    noise_m: NDArray[np.float64],
    owner: NDArray[np.int64],
    *,
    resolution_m: float,
) -> tuple[Track, ...]:
    """Return the tracks among echoes that were followed already.

    Parameters
    ----------
    time_s : ndarray of float64, shape (scans,)
        When each ping was sent.
    echoes : ndarray of int64, shape (scans,)
        How many echoes each has.
    range_m, noise_m : ndarray of float64, shape (all echoes,)
        As of :class:`dsp.history.range_filters.Scan`, one scan after the other.
    owner : ndarray of int64, shape (all echoes,)
        As :class:`dsp.history.range_filters.Speeds` tells them.
    resolution_m : float
        As for :func:`tracks_of`; the result, too.
    """
    scan = np.repeat(np.arange(echoes.size), echoes)
    heard = Heard(scan=scan, time_s=np.repeat(time_s, echoes), range_m=range_m, noise_m=noise_m)
    pings = _Pings(time_s=time_s, start=np.concatenate([[0], np.cumsum(echoes)]), heard=heard)
    rows = _rows_of(owner, _followed(owner, scan, echoes.size))
    followed, merged, unsure = parted(rows, heard, resolution_m)
    free = np.ones(scan.size, dtype=bool)
    free[merged] = False
    rough = [
        (leg, doubt, (leg[0] != hits[0], leg[-1] != hits[-1]))
        for hits, doubt in zip(followed, unsure, strict=True)
        for leg in _legs(hits, heard, resolution_m)
    ]
    found: list[tuple[Hits, bool, tuple[bool, bool]]] = []
    for leg, doubt, turned in sorted(rough, key=lambda r: -r[0].size):
        own = leg[free[leg]]
        if own.size < FEWEST_HITS:
            continue
        own = _mended(own, pings, free, resolution_m)
        free[own] = False
        found.append((own, doubt, turned))
    found.sort(key=lambda f: -f[0].size)
    whole = _whole([own for own, _, _ in found], pings, resolution_m)
    return tuple(
        Track(scan=scan[own], echo=own - pings.start[scan[own]], unsure=doubt, turned=turned)
        for (own, doubt, turned), kept in zip(found, whole, strict=True)
        if kept
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Pings:
    """All scans in one table.

    Attributes
    ----------
    time_s : ndarray of float64, shape (scans,)
    start : ndarray of int64, shape (scans + 1,)
        The row of each scan's first echo, and the end of the table.
    heard : Heard
    """

    time_s: NDArray[np.float64]
    start: NDArray[np.int64]
    heard: Heard


def _followed(owner: NDArray[np.int64], scan: NDArray[np.int64], scans: int) -> NDArray[np.int64]:
    """Return the filters with hits enough for a track, by the order of their ends."""
    hits = np.bincount(owner)
    end = np.zeros(hits.size, dtype=np.int64)
    end[owner] = scan + MOST_MISSES + 1  # its last echo's stays
    number = np.flatnonzero(hits >= FEWEST_HITS)
    return number[np.argsort(np.minimum(end[number], scans), kind="stable")]


def _rows_of(owner: NDArray[np.int64], numbers: NDArray[np.int64]) -> list[Hits]:
    """Return the rows of the echoes that each of some filters took, rising."""
    rows = np.argsort(owner, kind="stable")
    sorted_owner = owner[rows]
    begin = np.searchsorted(sorted_owner, numbers, side="left")
    end = np.searchsorted(sorted_owner, numbers, side="right")
    return [rows[b:e] for b, e in zip(begin.tolist(), end.tolist(), strict=True)]


def _whole(tracks: list[Hits], pings: _Pings, resolution_m: float) -> list[bool]:
    """Say which tracks, the longest first, are not the echo of a longer one, torn in two.

    Near a null of the beam a pulse loses its middle frequencies, and its echo shows two
    peaks; they stand within :data:`SPLINTER_CELLS`.
    """
    heard = pings.heard
    owner = np.full(heard.scan.size, -1, dtype=np.int64)
    answer = []
    for k, own in enumerate(tracks):
        scan = heard.scan[own]
        # All that was heard in the pings of this track.
        start, echoes = pings.start[scan], np.diff(pings.start)[scan]
        row = np.repeat(start - np.cumsum(echoes) + echoes, echoes) + np.arange(echoes.sum())
        apart_m = np.abs(heard.range_m[row] - np.repeat(heard.range_m[own], echoes))
        beside = owner[row[apart_m < SPLINTER_CELLS * resolution_m]]
        others, near = np.unique(beside[beside >= 0], return_counts=True)
        longer = np.array([tracks[o].size for o in others.tolist()], dtype=np.int64)
        torn = bool(np.any((2 * own.size < longer) & (2 * near > own.size)))
        if not torn:
            owner[own] = k
        answer.append(not torn)
    return answer


def _legs(hits: Hits, heard: Heard, resolution_m: float) -> list[Hits]:
    """Part a target's way where it turned back: where its range was largest in between.

    A straight way has a nearest point and no furthest one.
    """
    done: list[Hits] = []
    left = [hits]
    while left:
        leg = left.pop()
        if leg.size < 2 * FEWEST_HITS:
            done.append(leg)
            continue
        range_m = heard.range_m[leg]
        range_m[1:-1] = np.median([range_m[:-2], range_m[1:-1], range_m[2:]], axis=0)
        nearest_before = np.minimum.accumulate(range_m)
        nearest_after = np.minimum.accumulate(range_m[::-1])[::-1]
        rise_m = range_m - np.maximum(nearest_before, nearest_after)
        turn = int(np.argmax(rise_m))
        noise_m = float(np.median(heard.noise_m[leg]))
        if rise_m[turn] < max(resolution_m / 2, 2 * GATE * noise_m):
            done.append(leg)
            continue
        left += [leg[turn + 1 :], leg[: turn + 1]]
    return done


def _mended(hits: Hits, pings: _Pings, free: NDArray[np.bool_], resolution_m: float) -> Hits:
    """Collect the echoes on a track's own smooth curve, within it and beyond its ends.

    The curve is a parabola in the squared range, which is what a straight way at an
    even speed draws.
    """
    heard = pings.heard
    for _ in range(6):
        first = max(int(heard.scan[hits[0]]) - MOST_MISSES, 0)
        last = min(int(heard.scan[hits[-1]]) + MOST_MISSES, pings.time_s.size - 1)
        curve_m, u_curve_m, rough = _curve(
            heard.time_s[hits],
            heard.range_m[hits],
            heard.noise_m[hits],
            pings.time_s[first : last + 1],
        )
        begin, end = int(pings.start[first]), int(pings.start[last + 1])
        row = begin + np.flatnonzero(free[begin:end])
        at = heard.scan[row] - first
        u_m = u_curve_m[at]
        away = np.abs(heard.range_m[row] - curve_m[at]) / np.hypot(rough * heard.noise_m[row], u_m)
        near = (away <= GATE) & (u_m <= resolution_m / 2)
        row, away, at = row[near], away[near], at[near]
        # The nearest of each ping: the first, once they are sorted by ping and by distance.
        order = np.lexsort((away, at))
        collected = row[order[np.diff(at[order], prepend=-1) > 0]]
        if (
            np.array_equal(collected, hits)
            or collected.size < hits.size // 2
            or collected.size < FEWEST_HITS
        ):
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
    design = np.vander((time_s - middle) / span, degree + 1, increasing=True)
    weight = 1 / (2 * range_m * noise_m)
    weighted = design * weight[:, np.newaxis]
    spread = np.linalg.pinv(weighted.T @ weighted)
    coefficients = spread @ weighted.T @ (range_m**2 * weight)
    misfit = (range_m**2 - design @ coefficients) * weight
    # Half the echoes may be strangers: the median tells how rough the track itself is.
    rough = max(1.0, 1.4826 * float(np.median(np.abs(misfit))))
    there = np.vander((wanted_s - middle) / span, degree + 1, increasing=True)
    curve_m = np.sqrt(np.maximum(there @ coefficients, 1e-12))
    variance = np.einsum("ij,jk,ik->i", there, spread, there)
    return curve_m, rough * np.sqrt(np.maximum(variance, 0)) / (2 * curve_m), rough
