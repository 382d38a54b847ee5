"""Tracks that ran together for a while: which went on where.

While two targets stand within a resolution of each other their echoes run into one, and
a filter that goes forward ping by ping may leave with the wrong one. Here the whole of both
ways is looked at: a target goes straight on, so that its squared range is a parabola in time
before and after. Both ways to join what came in and what went out are fitted, and the
better is taken; where neither is clearly better, that is said.

References
----------
S. S. Blackman, *Multiple-Target Tracking with Radar Applications*, 1986, ch. 9 (cited from
memory): decisions on association that wait for later data, and their likelihood ratio.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.arguments import require_positive

FEWEST_HITS = 4
"""Fewer hits on one side of a meeting tell no way."""

MOST_HITS = 25
"""So many hits on each side of a meeting are fitted, the nearest."""

SURE = 13.8
"""Difference of two sums of squared misfits, in their variances, from which one way to join
is taken: odds of a thousand to one."""

_STRANGE = 16.0  # a hit counts as no worse a misfit: it may be another's
_GAP = 2  # scans apart at which two stretches of a meeting are one

Hits = NDArray[np.int64]
"""Rows of :class:`Heard`, rising: the echoes of one track, at most one of each scan."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Heard:
    """The echoes of some pings in one table, those of one ping after those of the last.

    Attributes
    ----------
    scan : ndarray of int64, shape (echoes,)
        Of which ping each is, counted from the first; never falling.
    time_s : ndarray of float64, shape (echoes,)
        When that one was sent.
    range_m : ndarray of float64, shape (echoes,)
    noise_m : ndarray of float64, shape (echoes,)
        Standard deviation of each range.
    """

    scan: NDArray[np.int64]
    time_s: NDArray[np.float64]
    range_m: NDArray[np.float64]
    noise_m: NDArray[np.float64]


def parted(
    tracks: Sequence[Hits], heard: Heard, resolution_m: float
) -> tuple[list[Hits], Hits, list[bool]]:
    """Join what came into each meeting of two tracks with what went out of it.

    Parameters
    ----------
    tracks : sequence of ndarray of int64, shape (hits,)
        As a filter found them: rows of `heard`.
    heard : Heard
    resolution_m : float
        Two echoes closer than this run into one.

    Returns
    -------
    tracks : list of ndarray of int64
        Without what was heard in their meetings.
    merged : ndarray of int64
        The echoes of two targets in one: heard alone where two tracks are due.
    unsure : list of bool
        Of each track, whether nobody can say that it is one target's.

    Raises
    ------
    ValueError
        On a resolution not above zero.
    """
    require_positive("resolution_m", resolution_m, "m")
    own = [_Way(hits, heard.scan) for hits in tracks]
    unsure = [False] * len(own)
    merged: list[Hits] = []
    for one, two, begin, end in _meetings(tracks, heard, resolution_m):
        both = own[one], own[two]
        a_in, b_in = (way.last_before(begin) for way in both)
        a_out, b_out = (way.first_after(end) for way in both)
        if min(x.size for x in (a_in, a_out, b_in, b_out)) < FEWEST_HITS:
            continue  # what comes or goes in the meeting leaves nothing to compare
        swap = _swap(a_in, a_out, b_in, b_out, heard)
        if swap is None:
            unsure[one] = unsure[two] = True
            continue
        a, b = (way.cut(begin, end) for way in both)
        a_scan, b_scan = heard.scan[a.inside], heard.scan[b.inside]
        merged += [a.inside[~np.isin(a_scan, b_scan)], b.inside[~np.isin(b_scan, a_scan)]]
        # What was heard of both in the meeting, each may collect along its own way.
        own[one].go_on(b.after if swap else a.after)
        own[two].go_on(a.after if swap else b.after)
    nothing = np.empty(0, dtype=np.int64)
    return [way.hits() for way in own], np.concatenate([nothing, *merged]), unsure


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Cut:
    """What was taken off a way: its hits in a meeting, and the stretches after it."""

    inside: Hits
    after: list[Hits]


class _Way:
    """The hits of one track in stretches, so that a meeting touches only the last of them.

    Meetings come in the order of their ends; what was before the last one is not copied.
    """

    def __init__(self, hits: Hits, scan: NDArray[np.int64]) -> None:
        self._stretches = [hits]
        self._scan = scan

    def hits(self) -> Hits:
        """All of them."""
        return self._stretches[0] if len(self._stretches) == 1 else np.concatenate(self._stretches)

    def last_before(self, begin: int) -> Hits:
        """Return the last hits before a scan, at most :data:`MOST_HITS`."""
        taken: list[Hits] = []
        wanted = MOST_HITS
        for stretch in reversed(self._stretches):
            stop = self._place(stretch, begin)
            part = stretch[max(stop - wanted, 0) : stop]
            taken.append(part)
            wanted -= part.size
            if not wanted:
                break
        return np.concatenate(taken[::-1])

    def first_after(self, end: int) -> Hits:
        """Return the first hits after a scan, at most :data:`MOST_HITS`."""
        taken: list[Hits] = []
        for stretch in reversed(self._stretches):
            start = self._place(stretch, end + 1)
            taken.append(stretch[start : start + MOST_HITS])
            if start:
                break
        return np.concatenate(taken[::-1])[:MOST_HITS]

    def cut(self, begin: int, end: int) -> _Cut:
        """Take off what was heard from one scan to another, and all after it."""
        inside: list[Hits] = []
        after: list[Hits] = []
        while self._stretches:
            stretch = self._stretches.pop()
            start, stop = self._place(stretch, begin), self._place(stretch, end + 1)
            inside.append(stretch[start:stop])
            after.append(stretch[stop:])
            if start:
                self._stretches.append(stretch[:start])
                break
        return _Cut(inside=np.concatenate(inside[::-1]), after=after[::-1])

    def go_on(self, after: list[Hits]) -> None:
        """Join what comes after a meeting."""
        self._stretches += [stretch for stretch in after if stretch.size]

    def _place(self, stretch: Hits, scan: int) -> int:
        """Return how many hits of a stretch come before a scan."""
        # Rows rise with their scans: what lies before a scan's first row is before it.
        return int(np.searchsorted(stretch, np.searchsorted(self._scan, scan)))


def _meetings(
    tracks: Sequence[Hits], heard: Heard, resolution_m: float
) -> list[tuple[int, int, int, int]]:
    """Return which two tracks met, and from which scan to which, in the order of their ends.

    Only tracks that were there at the same time, and whose ranges overlap, are compared.
    """
    able = [k for k, hits in enumerate(tracks) if hits.size >= FEWEST_HITS]
    first = {k: int(heard.scan[tracks[k][0]]) for k in able}
    last = {k: int(heard.scan[tracks[k][-1]]) for k in able}
    line_m = {
        k: np.interp(
            np.arange(first[k], last[k] + 1), heard.scan[tracks[k]], heard.range_m[tracks[k]]
        )
        for k in able
    }
    nearest_m = {k: float(line.min()) for k, line in line_m.items()}
    furthest_m = {k: float(line.max()) for k, line in line_m.items()}
    found = []
    there: list[int] = []
    for new in sorted(able, key=lambda k: first[k]):
        there = [k for k in there if last[k] >= first[new]]
        for old in there:
            if (
                nearest_m[new] - furthest_m[old] >= resolution_m
                or nearest_m[old] - furthest_m[new] >= resolution_m
            ):
                continue
            begin, end = first[new], min(last[new], last[old])
            apart_m = np.abs(
                line_m[new][: end + 1 - begin]
                - line_m[old][begin - first[old] : end + 1 - first[old]]
            )
            close = begin + np.flatnonzero(apart_m < resolution_m)
            if not close.size:
                continue
            one, two = min(new, old), max(new, old)
            breaks = np.flatnonzero(np.diff(close) > _GAP)
            begins = close[np.concatenate([[0], breaks + 1])].tolist()
            ends = close[np.concatenate([breaks, [-1]])].tolist()
            found += [(one, two, b, e) for b, e in zip(begins, ends, strict=True)]
        there.append(new)
    return sorted(found, key=lambda m: (m[3], m[0], m[1]))


def _swap(a_in: Hits, a_out: Hits, b_in: Hits, b_out: Hits, heard: Heard) -> bool | None:
    """Say whether two tracks went on as each other; None where nobody can say."""
    joined = [(a_in, a_out), (b_in, b_out), (a_in, b_out), (b_in, a_out)]
    misfit = _misfits([np.concatenate(way) for way in joined], heard)
    straight, crossed = float(misfit[:2].sum()), float(misfit[2:].sum())
    hits = a_in.size + a_out.size + b_in.size + b_out.size
    rough = max(1.0, min(straight, crossed) / max(hits - 6, 1))
    gain = (straight - crossed) / rough
    if abs(gain) < SURE:
        return None
    return gain > 0


def _misfits(ways: list[Hits], heard: Heard) -> NDArray[np.float64]:
    """Of each way, the sum of squared misfits of the parabola through its squared ranges.

    All of them are fitted at once: the shorter ones are filled up with their last hit, which
    has no weight there.
    """
    sizes = np.array([hits.size for hits in ways])[:, np.newaxis]
    filled = np.arange(sizes.max())
    rows = np.array([hits[np.minimum(filled, hits.size - 1)] for hits in ways])
    own = filled < sizes
    time_s, range_m = heard.time_s[rows], heard.range_m[rows]
    middle_s, span_s = (time_s[:, -1:] + time_s[:, :1]) / 2, (time_s[:, -1:] - time_s[:, :1]) / 2
    place = (time_s - middle_s) / np.maximum(span_s, 1e-12)
    weight = own / (2 * range_m * heard.noise_m[rows])
    design = np.stack([weight, weight * place, weight * place**2], axis=-1)
    wanted = (range_m**2 * weight)[..., np.newaxis]
    across = design.swapaxes(1, 2)
    curve = np.linalg.solve(across @ design, across @ wanted)
    return np.asarray(np.minimum((wanted - design @ curve) ** 2, _STRANGE).sum(axis=(1, 2)))
