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
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

FEWEST_HITS = 4
"""Fewer hits on one side of a meeting tell no way."""

MOST_HITS = 25
"""So many hits on each side of a meeting are fitted, the nearest."""

SURE = 13.8
"""Difference of two sums of squared misfits, in their variances, from which one way to join
is taken: odds of a thousand to one."""

_STRANGE = 16.0  # a hit counts as no worse a misfit: it may be another's
_GAP = 2  # scans apart at which two stretches of a meeting are one

Hit = tuple[int, int]


class Heard(Protocol):
    """The echoes of one ping, as :class:`dsp.history.tracking.Scan` has them."""

    @property
    def time_s(self) -> float:
        """When it was sent."""

    @property
    def range_m(self) -> NDArray[np.float64]:
        """Of each echo."""

    @property
    def noise_m(self) -> NDArray[np.float64]:
        """Standard deviation of each range."""


def parted(
    tracks: Sequence[Sequence[Hit]], scans: Sequence[Heard], resolution_m: float
) -> tuple[list[list[Hit]], set[Hit], list[bool]]:
    """Join what came into each meeting of two tracks with what went out of it.

    Parameters
    ----------
    tracks : sequence of sequence of (scan, echo)
        As a filter found them, each with rising scans.
    scans : sequence of Scan
    resolution_m : float
        Two echoes closer than this run into one.

    Returns
    -------
    tracks : list of list of (scan, echo)
        Without what was heard in their meetings.
    merged : set of (scan, echo)
        The echoes of two targets in one: heard alone where two tracks are due.
    unsure : list of bool
        Of each track, whether nobody can say that it is one target's.
    """
    own = [list(hits) for hits in tracks]
    unsure = [False] * len(own)
    merged: set[Hit] = set()
    for one, two, begin, end in _meetings(own, scans, resolution_m):
        a, b = own[one], own[two]
        a_in, b_in = ([h for h in x if h[0] < begin] for x in (a, b))
        a_out, b_out = ([h for h in x if h[0] > end] for x in (a, b))
        if min(map(len, (a_in, a_out, b_in, b_out))) < FEWEST_HITS:
            continue  # what comes or goes in the meeting leaves nothing to compare
        swap = _swap(a_in, a_out, b_in, b_out, scans)
        if swap is None:
            unsure[one] = unsure[two] = True
            continue
        inside = [{h[0]: h for h in x if begin <= h[0] <= end} for x in (a, b)]
        for here, there in (inside, inside[::-1]):
            merged.update(hit for scan, hit in here.items() if scan not in there)
        # What was heard of both in the meeting, each may collect along its own way.
        own[one] = a_in + (b_out if swap else a_out)
        own[two] = b_in + (a_out if swap else b_out)
    return own, merged, unsure


def _meetings(
    tracks: Sequence[Sequence[Hit]], scans: Sequence[Heard], resolution_m: float
) -> list[tuple[int, int, int, int]]:
    """Return which two tracks met, and from which scan to which, in the order of their ends."""
    found = []
    lines = []
    for hits in tracks:
        at = np.array([i for i, _ in hits])
        lines.append((at, np.array([scans[i].range_m[j] for i, j in hits])))
    for one in range(len(tracks)):
        for two in range(one + 1, len(tracks)):
            (at, range_m), (other_at, other_m) = lines[one], lines[two]
            begin, end = max(at[0], other_at[0]), min(at[-1], other_at[-1])
            if begin > end or min(at.size, other_at.size) < FEWEST_HITS:
                continue
            both = np.arange(begin, end + 1)
            apart_m = np.abs(np.interp(both, at, range_m) - np.interp(both, other_at, other_m))
            close = both[apart_m < resolution_m]
            if not close.size:
                continue
            for stretch in np.split(close, np.flatnonzero(np.diff(close) > _GAP) + 1):
                found.append((one, two, int(stretch[0]), int(stretch[-1])))
    return sorted(found, key=lambda m: m[3])


def _swap(
    a_in: list[Hit], a_out: list[Hit], b_in: list[Hit], b_out: list[Hit], scans: Sequence[Heard]
) -> bool | None:
    """Say whether two tracks went on as each other; None where nobody can say."""
    a_in, b_in = a_in[-MOST_HITS:], b_in[-MOST_HITS:]
    a_out, b_out = a_out[:MOST_HITS], b_out[:MOST_HITS]
    straight = [_misfit(a_in + a_out, scans), _misfit(b_in + b_out, scans)]
    crossed = [_misfit(a_in + b_out, scans), _misfit(b_in + a_out, scans)]
    hits = len(a_in) + len(a_out) + len(b_in) + len(b_out)
    rough = max(1.0, min(sum(straight), sum(crossed)) / max(hits - 6, 1))
    gain = (sum(straight) - sum(crossed)) / rough
    if abs(gain) < SURE:
        return None
    return gain > 0


def _misfit(hits: Sequence[Hit], scans: Sequence[Heard]) -> float:
    """Sum of squared misfits of the parabola through the squared ranges."""
    if not hits:
        return 0.0
    time_s = np.array([scans[i].time_s for i, _ in hits])
    range_m = np.array([scans[i].range_m[j] for i, j in hits])
    noise_m = np.array([scans[i].noise_m[j] for i, j in hits])
    place = (time_s - time_s.mean()) / max(float(np.ptp(time_s)) / 2, 1e-12)
    weight = 1 / (2 * range_m * noise_m)
    design = place[:, np.newaxis] ** np.arange(3) * weight[:, np.newaxis]
    wanted = range_m**2 * weight
    curve, *_ = np.linalg.lstsq(design, wanted, rcond=None)
    return float(np.minimum((wanted - design @ curve) ** 2, _STRANGE).sum())
