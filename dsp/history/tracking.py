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
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.arguments import read_only, require_positive
from dsp.history.meetings import Heard, Hits, parted

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

MOST_TRIED = 8
"""Of so many pairs of tracks and echoes all ways to choose are tried: 256 at most."""

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
            values = read_only(getattr(self, name), np.float64, ndmin=1)
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
        self._filters = _Filters(
            u_rate_m_s=FASTEST_CELLS * resolution_m / interval_s,
            turn_m_s2=TURN_CELLS * resolution_m / interval_s**2,
        )
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
        As of :class:`Scan`, one scan after the other.
    owner : ndarray of int64, shape (all echoes,)
        As :class:`Speeds` tells them.
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
class Rates:
    """How fast the targets of a ping's echoes go.

    Attributes
    ----------
    speed_m_s, u_speed_m_s : ndarray of float64, shape (echoes,)
        Away from here. The uncertainty is infinite where no ping before it heard the target.
    taken_hz : ndarray of float64, shape (echoes,)
        By so much of each metre that this ping's range errs by does the speed err.
    off_m : ndarray of float64, shape (echoes,)
        How much farther it is than the pings before it foretold; 0 where none did.
    """

    speed_m_s: NDArray[np.float64]
    u_speed_m_s: NDArray[np.float64]
    taken_hz: NDArray[np.float64]
    off_m: NDArray[np.float64]


class Speeds:
    """Tells how fast each echo's target moves, from the pings up to it; keeps none of them.

    Parameters
    ----------
    resolution_m, interval_s : float
        As for :func:`tracks_of`.

    Attributes
    ----------
    owner : ndarray of int64, shape (echoes,)
        The number of the target, by the order in which they were first heard, that each of the
        latest ping's echoes was paired with.
    """

    def __init__(self, *, resolution_m: float, interval_s: float) -> None:
        self.u_unknown_m_s = FASTEST_CELLS * resolution_m / interval_s
        """Standard uncertainty of a speed of which nothing is known."""
        self._filters = _Filters(
            u_rate_m_s=self.u_unknown_m_s, turn_m_s2=TURN_CELLS * resolution_m / interval_s**2
        )
        self.owner = np.empty(0, dtype=np.int64)

    def add(self, scan: Scan) -> Rates:
        """Take the next ping; return how fast its echoes' targets go."""
        self.owner = self._filters.take(scan)
        return self._filters.rates(self.owner, scan.noise_m)


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


class _Filters:
    """Kalman filters on the range and rate of all targets at once; a change of rate is noise.

    Each has a number, by the order in which they began, and takes one echo of a ping at most.
    """

    def __init__(self, *, u_rate_m_s: float, turn_m_s2: float) -> None:
        self._u_rate_m_s, self._turn_m_s2 = u_rate_m_s, turn_m_s2
        self._time_s = 0.0
        # Range, rate, their variances: of the range, of both, of the rate; and by how much the
        # latest range was off what was foretold.
        self._state = np.empty((6, 0))
        self._number = np.empty(0, dtype=np.int64)
        self._hits = np.empty(0, dtype=np.int64)
        self._misses = np.empty(0, dtype=np.int64)
        self._begun = 0

    def rates(self, owner: NDArray[np.int64], noise_m: NDArray[np.float64]) -> Rates:
        """Return the rates of the filters of some numbers, whose echoes have a noise."""
        # Numbers rise by the order in which filters began, and stay in it.
        at = np.searchsorted(self._number, owner)
        u = np.where(self._hits[at] > 1, np.sqrt(self._state[4][at]), np.inf)
        # A gain is what range and rate share once they are corrected, over the noise's variance.
        return Rates(
            speed_m_s=self._state[1][at],
            u_speed_m_s=u,
            taken_hz=self._state[3][at] / noise_m**2,
            off_m=self._state[5][at],
        )

    def take(self, scan: Scan) -> NDArray[np.int64]:
        """Pair a ping's echoes with the targets; return the number of each one's filter."""
        owner = np.full(scan.range_m.size, -1, dtype=np.int64)
        if self._number.size:
            self._advance(scan.time_s - self._time_s)
            which, echo = self._paired(scan)
            self._correct(which, scan.range_m[echo], scan.noise_m[echo])
            owner[echo] = self._number[which]
            self._end_the_unheard()
        self._time_s = scan.time_s
        self._begin((owner < 0).nonzero()[0], scan, owner)
        return owner

    def _advance(self, step_s: float) -> None:
        """Foretell ranges and rates at a later time."""
        range_m, rate_m_s, of_range, of_both, of_rate, _ = self._state
        push_m, push_m_s = step_s**2 / 2 * self._turn_m_s2, step_s * self._turn_m_s2
        range_m += step_s * rate_m_s
        moved = of_both + step_s * of_rate
        of_range += step_s * (of_both + moved) + push_m**2
        of_both[:] = moved + push_m * push_m_s
        of_rate += push_m_s**2

    def _paired(self, scan: Scan) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Pair filters and echoes at the least cost; a miss costs as much as the gate's edge.

        Returns
        -------
        which, echo : ndarray of int64, shape (pairs,)
        """
        variance = self._state[2][:, np.newaxis] + scan.noise_m**2
        cost = (scan.range_m - self._state[0][:, np.newaxis]) ** 2 / variance
        near = cost <= GATE**2
        which, echo = np.nonzero(near)
        alone = (np.bincount(which)[which] == 1) & (np.bincount(echo)[echo] == 1)
        if np.count_nonzero(alone) == alone.size:
            return which, echo
        pairs = [(which[alone], echo[alone])]
        confirmed = self._hits[which] >= FEWEST_HITS
        # What is known for a track chooses first; a chance alarm cannot take its echo.
        first = _assigned(cost, which[confirmed & ~alone], echo[confirmed & ~alone])
        chosen = np.zeros(scan.range_m.size, dtype=bool)
        chosen[first[1]] = True
        left = ~confirmed & ~alone & ~chosen[echo]
        pairs += [first, _assigned(cost, which[left], echo[left])]
        return np.concatenate([w for w, _ in pairs]), np.concatenate([e for _, e in pairs])

    def _correct(
        self,
        which: NDArray[np.int64],
        heard_m: NDArray[np.float64],
        noise_m: NDArray[np.float64],
    ) -> None:
        """Correct the forecasts by the echoes that were heard."""
        forecast = self._state[:, which]
        # Of the variances, what concerns the range: its share of what was heard corrects all.
        gain = forecast[2:4] / (forecast[2] + noise_m**2)
        forecast[5] = heard_m - forecast[0]
        forecast[:2] += gain * forecast[5]
        of_rate = forecast[4] - gain[1] * forecast[3]
        forecast[2:4] -= gain[0] * forecast[2:4]
        forecast[4] = of_rate
        self._state[:, which] = forecast
        self._hits[which] += 1
        self._misses += 1
        self._misses[which] = 0

    def _end_the_unheard(self) -> None:
        if self._misses.max() <= _EARLY_MISSES:
            return
        confirmed = self._hits >= FEWEST_HITS
        over = self._misses > np.where(confirmed, MOST_MISSES, _EARLY_MISSES)
        if not over.any():
            return
        kept = np.flatnonzero(~over)
        self._state = self._state.take(kept, axis=1)
        self._number, self._hits, self._misses = (
            a.take(kept) for a in (self._number, self._hits, self._misses)
        )

    def _begin(self, echo: NDArray[np.int64], scan: Scan, owner: NDArray[np.int64]) -> None:
        """Begin a filter with each echo that fits none, and note it as the echo's owner."""
        if not echo.size:
            return
        owner[echo] = number = self._begun + np.arange(echo.size)
        self._begun += echo.size
        state = np.zeros((6, echo.size))
        state[0], state[2] = scan.range_m[echo], scan.noise_m[echo] ** 2
        state[4] = self._u_rate_m_s**2
        self._state = np.concatenate([self._state, state], axis=1)
        self._number = np.concatenate([self._number, number])
        self._hits = np.concatenate([self._hits, np.ones_like(echo)])
        self._misses = np.concatenate([self._misses, np.zeros_like(echo)])


def _assigned(
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
