"""Pings of another bench in the room, told by their own clock.

What this bench's pings bring back comes at a delay after each of them. Another bench's pings come
at an interval of their own: in the history they wander from ping to ping, out at the far end and
in again at the near one, always as loud. No body does so: it would be weaker farther out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.ping.ranging import path_from_range_m
from dsp.uncertainty import stated
from rig.measure.passes.following import hits_in
from rig.measure.passes.passing import Passing
from rig.run.hits import resolution_m
from rig.run.receiver import Receiver
from rig.run.results import HitRows, HitTable
from rig.run.run import Run

FEWEST_HEARD = 6
"""So many of its pings must lie on one clock: fewer line up by chance."""

_MOST_HITS = 3000  # the latest ones: pairs are counted, whose number grows with the square
_NEXT_PINGS = 3  # an interval is looked for among so many pings that follow
_MOST_FOUND = 4
_SHARE_HEARD = 0.7  # of its pings that fall where this bench listens; echoes hide some
_ALIKE_DB = 3.0  # one ping of it and the next; noise at 2E/N0 of 15 dB makes 1.5 dB of it
_BODY_DB = 9.0  # what a body would have to fade by, from the nearest to the farthest
_FADES = 0.25  # of that fading, another bench's pings show less
_ROW_DB = 9.0  # a chirp's first side lobe is 13 dB down
_ONE_MARK = 1.5  # for each of its pings on average: fewer are a copy's
_FEWEST_MARKS = 2.5  # for each of its pings: a body that goes by adds a few
_STILL_SHARE = 0.4  # of all pings heard at one delay: that hangs still


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OtherBench:
    """Another bench, as its pings tell of it.

    Attributes
    ----------
    interval_s, u_interval_s : float
        From one of its pings to the next, by this bench's clock; and its standard uncertainty
        by noise.
    shift_m : float
        By how much its mark goes on from one of this bench's pings to the next: the nearest
        way there is, away from here or (negative) towards it.
    strength_db : float
        How loud each is, dB re full scale: its strongest mark.
    heard : int
        How many of its pings were heard.
    marks : float
        How many marks each of its pings leaves, on average: one where it sends this bench's
        own pulse, more where it sends another.
    ping : ndarray of int64, shape (marks,)
    range_m : ndarray of float64, shape (marks,)
        Of each of its marks: this bench's ping that heard it, and the range where it stands
        though nothing is there.
    """

    interval_s: float
    u_interval_s: float
    shift_m: float
    strength_db: float
    heard: int
    marks: float
    ping: NDArray[np.int64]
    range_m: NDArray[np.float64]

    @property
    def sends_our_pulse(self) -> bool:
        """Whether compressing makes one mark of each of its pings, as of an echo."""
        return self.marks < _ONE_MARK

    def stands_at(self, ping: int, range_m: float, *, near_m: float) -> bool:
        """Whether one of its marks stands so near to a range in a ping."""
        return bool(np.any(np.abs(self.range_m[self.ping == ping] - range_m) < near_m))


def other_benches(run: Run) -> tuple[OtherBench, ...]:
    """Return the other benches whose pings a run has heard; looked for once.

    One that pings at this bench's own interval stands still, and cannot be told from a thing.
    """
    return run.once(_other_benches)


def is_of_another_bench(passing: Passing, others: Sequence[OtherBench], receiver: Receiver) -> bool:
    """Whether most of a track's hits are another bench's pings."""
    for other in others:
        near_m = _near_m(other, receiver)
        its = sum(
            other.stands_at(int(ping), float(range_m), near_m=near_m)
            for ping, range_m in zip(passing.ping, passing.range_m, strict=True)
        )
        if 2 * its > passing.ping.size:
            return True
    return False


def listed_of(run: Run, other: OtherBench) -> int:
    """Count another bench's pings among the echoes that the plan lists, ping by ping."""
    near_m = _near_m(other, run.receiver)
    return sum(
        other.stands_at(result.index, echo.range_m, near_m=near_m)
        for result in run.results
        if result.heard is not None
        for echo in result.heard.echoes
    )


def _near_m(other: OtherBench, receiver: Receiver) -> float:
    """Return how far a range may be from its mark: what its speed would do to an echo is freed."""
    plan = receiver.plan
    goes_m_s = abs(other.shift_m) / plan.timing.ping_interval_s
    return resolution_m(receiver) + abs(plan.pulse.coupling_s) * goes_m_s


def other_bench_lines(others: Sequence[OtherBench]) -> tuple[str, ...]:
    """Say of each what it is, and what it does to what is listed."""
    return tuple(_line(other) for other in others)


def other_bench_remark(others: Sequence[OtherBench]) -> str:
    """Say it in a picture's few words; nothing where there is none."""
    if not others:
        return ""
    times = " and ".join(f"{1e3 * other.interval_s:.4g} ms" for other in others)
    return f"Not our pulse: another bench, every {times}."


def _line(other: OtherBench) -> str:
    what = (
        "it sends our pulse, so that each of its pings is listed as one echo"
        if other.sends_our_pulse
        else f"it is no copy of our pulse: each of its pings is listed as {other.marks:.0f} weak "
        "echoes or so"
    )
    way = "out" if other.shift_m > 0 else "in"
    return (
        f"not our pulse: another bench pings every "
        f"{stated(1e3 * other.interval_s, 1e3 * other.u_interval_s)} ms; heard "
        f"{other.heard} times, at {other.strength_db:.0f} dB whatever the range, and "
        f"{abs(other.shift_m):.3g} m farther {way} at each of our pings; {what}, where nothing is"
    ).replace(" -", " \N{MINUS SIGN}")


def _other_benches(run: Run) -> tuple[OtherBench, ...]:
    return benches_in(run.receiver, hits_in(run))


def benches_in(receiver: Receiver, hits: HitTable) -> tuple[OtherBench, ...]:
    """Return the other benches of which some pings' hits tell; of good pings, in order."""
    if hits.counts.size < FEWEST_HEARD:
        return ()
    # Half a resolution, as a delay.
    close_s = resolution_m(receiver) / receiver.sound_speed_m_s
    left = hits.rows.taken(np.isfinite(hits.rows.strength_db))
    left = left.taken(~_still(left, hits.counts.size, close_s))
    left = left.taken(np.arange(left.ping.size) >= left.ping.size - _MOST_HITS)
    found: list[OtherBench] = []
    while len(found) < _MOST_FOUND:
        told = _one(receiver, left, hits.sent_s, close_s)
        if told is None:
            break
        other, its = told
        found.append(other)
        left = left.taken(~its)
    return tuple(found)


def _still(arrivals: HitRows, pings: int, close_s: float) -> NDArray[np.bool_]:
    """Whether so many other pings heard something at the same delay that it hangs still."""
    ordered = np.sort(arrivals.delay_s)
    near = np.searchsorted(ordered, arrivals.delay_s + close_s / 2)
    near -= np.searchsorted(ordered, arrivals.delay_s - close_s / 2)
    return np.asarray(near > max(_STILL_SHARE * pings, FEWEST_HEARD - 1))


def _one(
    receiver: Receiver, arrivals: HitRows, sent_s: NDArray[np.float64], close_s: float
) -> tuple[OtherBench, NDArray[np.bool_]] | None:
    """Find the clock on which most arrivals lie; return what it is, and which are its."""
    tried = (
        _on_a_clock(receiver, arrivals, sent_s, close_s, interval_s)
        for interval_s in _likely_intervals_s(arrivals, receiver, close_s)
    )
    return next((told for told in tried if told is not None), None)


def _on_a_clock(
    receiver: Receiver,
    arrivals: HitRows,
    sent_s: NDArray[np.float64],
    close_s: float,
    interval_s: float,
) -> tuple[OtherBench, NDArray[np.bool_]] | None:
    """Judge whether arrivals lie on a clock of about this interval, and no body sent them."""
    plan = receiver.plan
    clock = _fitted(arrivals, interval_s, close_s)
    if clock is None:
        return None
    first_s, interval_s, u_interval_s, on = clock
    heard = int(np.unique(np.round((arrivals.comes_s[on] - first_s) / interval_s)).size)
    baseline_m = plan.geometry.baseline_m
    listened_s = [
        float(path_from_range_m(range_m, baseline_m)) / receiver.sound_speed_m_s
        for range_m in (plan.receiver.range_start_m, plan.receiver.range_stop_m)
    ]
    # How many of its pings fell where this bench listens.
    due = np.floor((sent_s + listened_s[1] - first_s) / interval_s) - np.floor(
        (sent_s + listened_s[0] - first_s) / interval_s
    )
    if heard < max(FEWEST_HEARD, _SHARE_HEARD * due.sum()):
        return None
    if not _no_body(arrivals.taken(on), first_s, interval_s, plan.timing.ping_interval_s):
        return None
    its = _marks(arrivals, on, first_s, interval_s, 2 * plan.pulse.duration_s)
    if np.count_nonzero(its) >= _ONE_MARK * heard:
        interval_s, u_interval_s = _by_all_marks(arrivals.comes_s[its], first_s, interval_s)
    ours_s = plan.timing.ping_interval_s
    shift_s = math.remainder(interval_s * max(1, round(ours_s / interval_s)) - ours_s, interval_s)
    other = OtherBench(
        interval_s=interval_s,
        u_interval_s=u_interval_s,
        shift_m=shift_s * receiver.sound_speed_m_s / 2,
        strength_db=float(np.median(arrivals.strength_db[on])),
        heard=heard,
        marks=float(np.count_nonzero(its)) / heard,
        ping=arrivals.ping[its],
        range_m=arrivals.range_m[its],
    )
    return other, its


def _likely_intervals_s(arrivals: HitRows, receiver: Receiver, close_s: float) -> tuple[float, ...]:
    """Return the times that most often lie between arrivals as loud as each other."""
    plan = receiver.plan
    ours_s, comes_s = plan.timing.ping_interval_s, arrivals.comes_s
    order = np.argsort(comes_s)
    comes_s, level_db = comes_s[order], arrivals.strength_db[order]
    least_s = max(2 * plan.pulse.duration_s, 0.2 * ours_s)
    low = np.searchsorted(comes_s, comes_s + least_s)
    high = np.searchsorted(comes_s, comes_s + (_NEXT_PINGS + 0.5) * ours_s)
    first = np.repeat(np.arange(comes_s.size), high - low)
    if not first.size:
        return ()
    later = np.concatenate([np.arange(a, b) for a, b in zip(low, high, strict=True)])
    apart_s = comes_s[later] - comes_s[first]
    alike = np.abs(level_db[later] - level_db[first]) < _ALIKE_DB
    # What hangs still, or goes slowly, lies whole intervals of this bench apart.
    moves = np.abs(apart_s - ours_s * np.round(apart_s / ours_s)) > close_s
    apart_s = np.sort(apart_s[alike & moves])
    if apart_s.size < FEWEST_HEARD - 1:
        return ()
    count = np.searchsorted(apart_s, apart_s + close_s / 2, side="right") - np.arange(apart_s.size)
    most = int(count.max())
    # Twice the interval is nearly as frequent as the interval; of a row of marks, so is an
    # interval from one mark to its neighbour.
    at = int(np.flatnonzero(count >= 0.6 * most)[0])
    places = (at + int(count[at : at + most].argmax()), int(count.argmax()))
    return tuple(float(np.median(apart_s[i : i + count[i]])) for i in dict.fromkeys(places))


def _fitted(
    arrivals: HitRows, interval_s: float, close_s: float
) -> tuple[float, float, float, NDArray[np.bool_]] | None:
    """Fit a clock to the arrivals, from a stretch on which they crowd to all of them.

    Returns
    -------
    first_s, interval_s, u_interval_s : float
    on : ndarray of bool, shape (arrivals,)
        Which lie on it.
    """
    comes_s, u_interval_s = arrivals.comes_s, 0.0
    order = np.argsort(comes_s)
    # Where most arrivals are followed by another one interval later, the clock runs.
    follows = np.abs(
        comes_s[order][
            np.minimum(np.searchsorted(comes_s[order], comes_s + interval_s), order.size - 1)
        ]
        - comes_s
        - interval_s
    )
    starts = np.flatnonzero(follows < close_s)
    best: NDArray[np.bool_] | None = None
    first_s = 0.0
    for start in starts[:: max(1, starts.size // 50)]:
        anchor_s, step_s = float(comes_s[start]), interval_s
        on = np.abs(_off_s(comes_s, anchor_s, step_s)) < close_s
        on &= np.abs(comes_s - anchor_s) < 4 * interval_s
        for reach in (8, 16, 32, 64, 128, 1 << 20):
            number = np.round((comes_s[on] - anchor_s) / step_s)
            if np.unique(number).size < 2:
                break
            step, anchor = np.polyfit(number, comes_s[on], 1)
            step_s, anchor_s = float(step), float(anchor)
            on = np.abs(_off_s(comes_s, anchor_s, step_s)) < close_s
            on &= np.abs(comes_s - comes_s[start]) < reach * step_s
        if best is None or np.count_nonzero(on) > np.count_nonzero(best):
            best, first_s, fitted_s = on, anchor_s, step_s
    if best is None or np.count_nonzero(best) < FEWEST_HEARD:
        return None
    number = np.round((comes_s[best] - first_s) / fitted_s)
    rest_s = comes_s[best] - first_s - number * fitted_s
    u_interval_s = float(rest_s.std(ddof=2) / (number.std() * math.sqrt(number.size)))
    return first_s, fitted_s, u_interval_s, best


def _by_all_marks(
    comes_s: NDArray[np.float64], first_s: float, interval_s: float
) -> tuple[float, float]:
    """Return the interval of a clock whose ticks are many marks each, and its uncertainty.

    Of a row of marks now one, now its neighbour lies on the clock, and the clock leans after
    them: by the middle of each tick's it does not.
    """
    number = np.round((comes_s - first_s) / interval_s)
    ticks = np.unique(number)
    middle_s = np.array([np.median(comes_s[number == tick]) for tick in ticks])
    fitted_s, begun_s = np.polyfit(ticks, middle_s, 1)
    rest_s = middle_s - begun_s - fitted_s * ticks
    return float(fitted_s), float(rest_s.std(ddof=2) / (ticks.std() * math.sqrt(ticks.size)))


def _off_s(comes_s: NDArray[np.float64], first_s: float, interval_s: float) -> NDArray[np.float64]:
    """Return how far arrivals lie from the nearest tick of a clock."""
    return np.asarray(comes_s - first_s - interval_s * np.round((comes_s - first_s) / interval_s))


def _no_body(its: HitRows, first_s: float, interval_s: float, ours_s: float) -> bool:
    """Whether no body can have sent these: they come in anew, or do not fade farther out."""
    number = np.round((its.comes_s - first_s) / interval_s)
    # Which line of the history each is on: a body that goes evenly draws one.
    line = number - its.ping * max(1, round(ours_s / interval_s))
    fading_db = 40 * np.log10(its.delay_s)
    lines, counts = np.unique(line, return_counts=True)
    if np.count_nonzero(counts >= 2) >= 2 and lines.size >= 2:
        return bool(np.ptp(np.percentile(its.strength_db, [10, 90])) < 2 * _ALIKE_DB)
    if np.ptp(fading_db) < _BODY_DB:
        return False
    fades = float(np.polyfit(fading_db, its.strength_db, 1)[0])
    return abs(fades) < _FADES


def _marks(
    arrivals: HitRows,
    on: NDArray[np.bool_],
    first_s: float,
    interval_s: float,
    spread_s: float,
) -> NDArray[np.bool_]:
    """Return which arrivals are another bench's: those on its clock, and a row of marks beside.

    Compressed by this bench's pulse, another one leaves marks as far apart as both are long, all
    about as loud; a copy leaves one, and side lobes that are weaker by more.
    """
    off_s = _off_s(arrivals.comes_s, first_s, interval_s)
    loud = arrivals.strength_db > float(np.median(arrivals.strength_db[on])) - _ROW_DB
    row = on | ((np.abs(off_s) < spread_s) & loud)
    return row if np.count_nonzero(row) > _FEWEST_MARKS * np.count_nonzero(on) else on
