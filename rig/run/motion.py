"""What a target's speed does to the range of a single ping, taken from each once it is known.

A chirp shows what moves ahead of its place, or behind (range–Doppler coupling). One ping cannot
tell that from a place; the pings before it tell the speed. A corrected range is the one at which
the middle of the pulse met the target.
"""

from __future__ import annotations

import dataclasses
import itertools
import math
from array import array
from collections import deque
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import NamedTuple

import numpy as np

from dsp.history.range_filters import FEWEST_HITS, Rates, Scan, Speeds
from dsp.ping.pulse.stretched import among_stretched_lobes
from dsp.ping.search.single_bodies import MOST_DILATION
from dsp.uncertainty import Budget
from rig.run.budget import DELAY, MARK, MOTION, SECOND
from rig.run.hits import resolution_m, scan_of, slope_m_s, stands_out
from rig.run.receiver import Receiver
from rig.run.results import Echo, Heard, Hits, PingResult

ENOUGH_PINGS = 8
"""So many pings tell the latest speeds."""

STRETCHED_TURNS = 0.1
"""Turns by which a pulse's highest frequency runs ahead of a copy over its length: an echo that is
so much stretched may be no copy for that alone (from 0.15 on at 45 dB, measured)."""

MOVES, MAY_MOVE = 4.0, 2.0
"""Standard deviations by which a speed differs from none for its target to move, and to be unsure
of it: what slows down is between the two for some pings, and its range is off by as much as its
speed makes."""

TURNED = 3.0
"""Standard deviations of a second difference by which a range is off what was foretold for its
target to have turned: no forecast rests on less than two pings' noise."""


class _Latest(NamedTuple):
    """What one of the latest pings told of a target."""

    sure: bool
    noise_m: float
    off_m: float


def freed_of_motion(
    receiver: Receiver, pings: Iterable[PingResult], owner: array[int]
) -> Iterator[PingResult]:
    """Give each ping its own echoes, without what their targets' speeds did to their ranges.

    What is left is a term of the budget: the speed's uncertainty. A strong echo that no ping
    before it foretells has a speed that nobody knows yet: its range is as unsure as that, and
    the ping is marked as moving. Of the very first ping nothing is known, and nothing said.

    Parameters
    ----------
    receiver : Receiver
    pings : iterable of PingResult
        In order, each with what was found in its own profile in `heard`.
    owner : array of int
        Where targets are followed for their speeds, takes the target's number of each hit.
    """
    if receiver.plan.pulse.coupling_s == 0:
        yield from _freed_of_stretches(receiver, pings)
    else:
        yield from _freed_of_shifts(receiver, pings, owner)


def _freed_of_stretches(receiver: Receiver, pings: Iterable[PingResult]) -> Iterator[PingResult]:
    """Do so for a pulse whose ranges no speed shifts: nothing else asks how fast they go."""
    recent: deque[Scan] = deque(maxlen=ENOUGH_PINGS)
    before = None
    for ping in pings:
        heard = ping.heard
        if heard is None:
            yield ping
            continue
        hits = heard.hits
        recent.append(scan_of(hits))
        if any(echo.more_within_m is not None for echo in heard.echoes):
            heard = _freed_of_stretch(receiver, heard, _latest_rates(receiver, recent))
        if before is not None and _among_lobes(heard.echoes, receiver.plan.pulse.duration_s):
            heard = _freed_of_stretched_lobes(receiver, heard, _moved_by(receiver, hits, before))
        before = hits
        yield dataclasses.replace(ping, heard=heard, echoes=heard.echoes)


def _freed_of_shifts(
    receiver: Receiver, pings: Iterable[PingResult], owner: array[int]
) -> Iterator[PingResult]:
    """Do so for a pulse whose ranges are shifted by speeds."""
    coupling_s = receiver.plan.pulse.coupling_s
    speeds = _no_speeds(receiver)
    lately: deque[dict[int, _Latest]] = deque(maxlen=ENOUGH_PINGS)
    first, from_the_start = True, 0
    for ping in pings:
        heard = ping.heard
        if heard is None:
            yield ping
            continue
        hits = heard.hits
        rates = speeds.add(scan_of(hits))
        owners = speeds.owner.tolist()
        owner.extend(owners)
        if first:
            from_the_start = len(owners)
        found = heard.echoes
        heard = _freed_of_stretch(receiver, heard, rates)
        sure, echoes, moving = stands_out(receiver, hits).tolist(), list(heard.echoes), False
        of_rates = (rates.speed_m_s, rates.u_speed_m_s, rates.taken_hz, rates.off_m)
        columns = (*of_rates, hits.noise_m, hits.beside_m)
        told = zip(*(column.tolist() for column in columns), sure, owners, strict=True)
        of_hit = dict(zip(hits.delay_s.tolist(), told, strict=True))
        last_two = list(lately)[-2:]
        for k, echo in enumerate(echoes):
            budget = echo.budget
            if budget is None or echo.delay_s not in of_hit:  # at a range of 0, or not followed
                continue
            *known, is_sure, track = of_hit[echo.delay_s]
            speed_m_s, u_speed_m_s = known[:2]
            by_one_interval = sum(track in of_track for of_track in last_two) < 2
            # What turns up within a run, or again, may be what has just turned, and turns on.
            unknown = by_one_interval and track >= from_the_start
            if not unknown and abs(speed_m_s) > MOVES * u_speed_m_s:
                unknown = _begun_by_chance([of[track].sure for of in lately if track in of])
            unknown &= is_sure and abs(speed_m_s) > MAY_MOVE * u_speed_m_s
            if not unknown and u_speed_m_s < math.inf:
                second_m = (found[k].more_within_m or 0.0) / 2
                latest = None if by_one_interval else [of[track] for of in last_two]
                echoes[k] = _freed(receiver, echo, budget, coupling_s, second_m, latest, *known)
            elif is_sure and not first:
                moving = True
                u_m = abs(coupling_s) * speeds.u_unknown_m_s
                echoes[k] = _moved(receiver, echo, _terms(budget) | {MOTION: u_m}, by_m=0.0)
        first = False
        of_owners = zip(sure, hits.noise_m.tolist(), rates.off_m.tolist(), strict=True)
        lately.append(dict(zip(owners, itertools.starmap(_Latest, of_owners), strict=True)))
        yield dataclasses.replace(ping, heard=heard, echoes=tuple(echoes), moving=moving)


def _freed(
    receiver: Receiver,
    echo: Echo,
    budget: Budget,
    coupling_s: float,
    second_m: float,
    latest: Sequence[_Latest] | None,
    speed_m_s: float,
    u_speed_m_s: float,
    taken_hz: float,
    off_m: float,
    noise_m: float,
    beside_m: float,
) -> Echo:
    """Return an echo without what its target's known speed did to its range.

    Parameters
    ----------
    receiver : Receiver
    echo : Echo
    budget : Budget
        Of its range.
    coupling_s : float
        Of the plan's pulse.
    second_m : float
        Of its uncertainty, what is for a second target so near.
    latest : sequence of _Latest or None
        Of the two pings before; None where they did not both hear it.
    speed_m_s, u_speed_m_s, taken_hz, off_m : float
        As of :class:`dsp.history.range_filters.Rates`.
    noise_m, beside_m : float
        As of :class:`rig.run.results.Hits`.
    """
    terms, by_m, u_m = _terms(budget), 0.0, 0.0
    if abs(speed_m_s) > MOVES * u_speed_m_s:
        # A speed errs by a share K of this ping's own noise, and by what the pings before it
        # left, which is free of that. So the range less its shift by the speed errs by
        # 1 - coupling K times its noise, and by the coupling times the rest.
        rest_m_s = math.sqrt(max(u_speed_m_s**2 - (taken_hz * noise_m) ** 2, 0.0))
        pull_m = math.sqrt(max(beside_m**2 - second_m**2, 0.0))
        _scale_noise(terms, abs(1 - coupling_s * taken_hz), pull_m)
        by_m, u_m = coupling_s * speed_m_s, abs(coupling_s) * rest_m_s
        if latest is None:
            # It may have turned in it: between none and twice that speed, evenly.
            u_m = math.hypot(u_m, by_m / math.sqrt(3))
    elif abs(speed_m_s) > MAY_MOVE * u_speed_m_s:
        u_m = abs(coupling_s * speed_m_s)
    if latest is not None:
        # It turned at some instant, any alike, since the ping before: by v so long ago as t, and
        # it is off by v (t + coupling), and its range by v times the coupling.
        interval_s = receiver.plan.timing.ping_interval_s
        share = math.sqrt(abs(coupling_s) / (interval_s + abs(coupling_s)))
        u_m = math.hypot(u_m, share * _turned_m(off_m, noise_m, latest))
    return _moved(receiver, echo, terms | {MOTION: u_m}, by_m=by_m) if by_m or u_m else echo


def _turned_m(off_m: float, noise_m: float, latest: Sequence[_Latest]) -> float:
    """Return by how much a target's range is off for a turn; 0 where noise or a bend may be why.

    What bends its way evenly is off by as much in each ping, and the speed that is told follows
    it. A turn within an interval, and what the forecasts still swing by after it, is new in one
    of two pings running.
    """
    older, old = latest
    if abs(off_m) <= TURNED * math.hypot(noise_m, 2 * old.noise_m, older.noise_m):
        return 0.0
    return min(abs(off_m), max(abs(off_m - old.off_m), abs(old.off_m - older.off_m)))


def _begun_by_chance(were_sure: Sequence[bool]) -> bool:
    """Say whether a strong hit goes on with a track that a weak one may have begun.

    A strong echo goes on with what was strong: what was not, a false alarm among the hits, stood
    where a target that swerved came by. Only a track's later hits mend its speed.

    Parameters
    ----------
    were_sure : sequence of bool
        Of each of the track's hits in the latest pings, whether it was strong.
    """
    return len(were_sure) < FEWEST_HITS and not all(were_sure)


def _no_speeds(receiver: Receiver) -> Speeds:
    return Speeds(
        resolution_m=resolution_m(receiver), interval_s=receiver.plan.timing.ping_interval_s
    )


def _latest_rates(receiver: Receiver, recent: Iterable[Scan]) -> Rates:
    """Return the rates of the newest ping's hits, by the latest few pings."""
    speeds = _no_speeds(receiver)
    *_, newest = (speeds.add(scan) for scan in recent)
    return newest


def _freed_of_stretch(receiver: Receiver, heard: Heard, rates: Rates) -> Heard:
    """Take no echo for more than one that is no copy because it is stretched.

    What comes or goes sends back a stretched pulse, which a copy fits the less the faster.
    """
    if all(echo.more_within_m is None for echo in heard.echoes):
        return heard
    pulse, speed = receiver.plan.pulse, receiver.sound_speed_m_s
    fast_m_s = STRETCHED_TURNS * speed / (2 * pulse.highest_hz * pulse.duration_s)
    fast = np.abs(rates.speed_m_s) > np.maximum(fast_m_s, MOVES * rates.u_speed_m_s)
    echoes = list(heard.echoes)
    for k, echo in enumerate(echoes):
        at = np.flatnonzero(heard.hits.delay_s == echo.delay_s)
        if echo.budget is not None and at.size and fast[at[0]]:
            terms = [term for term in echo.budget.terms if term.name != SECOND]
            budget = Budget(
                value=echo.range_m,
                names=tuple(term.name for term in terms),
                u=tuple(term.u for term in terms),
            )
            echoes[k] = dataclasses.replace(
                echo, u_range_m=budget.combined, budget=budget, more_within_m=None
            )
    return dataclasses.replace(heard, echoes=tuple(echoes))


def _among_lobes(echoes: Sequence[Echo], pulse_s: float) -> bool:
    """Say whether one has a stronger one, by 6 dB or more, within a pulse's length."""
    delay_s = np.array([echo.delay_s for echo in echoes])
    level_db = np.array([echo.strength_db for echo in echoes])
    near = np.abs(delay_s[:, np.newaxis] - delay_s) < pulse_s
    return bool((near & (level_db[:, np.newaxis] < level_db - 6)).any())


def _moved_by(receiver: Receiver, hits: Hits, before: Hits) -> dict[int, float]:
    """Return how fast, at the most, what surely moved since the ping before is.

    By hit; each strong one is held to be what was heard nearest to it.
    """
    then = before.some(stands_out(receiver, before))
    answer: dict[int, float] = {}
    for hit in np.flatnonzero(stands_out(receiver, hits)).tolist() if then.range_m.size else ():
        partner = int(np.abs(then.range_m - hits.range_m[hit]).argmin())
        moved_m = abs(float(hits.range_m[hit] - then.range_m[partner]))
        u_m = math.hypot(float(hits.noise_m[hit]), float(then.noise_m[partner]))
        fastest_m_s = (moved_m + 2 * u_m) / (hits.sent_s - before.sent_s)
        if moved_m > MOVES * u_m and 2 * fastest_m_s / receiver.sound_speed_m_s < MOST_DILATION:
            answer[hit] = fastest_m_s
    return answer


def _freed_of_stretched_lobes(
    receiver: Receiver, heard: Heard, fastest_m_s: Mapping[int, float]
) -> Heard:
    """Take for no echo what may be a side lobe of a stronger one that is stretched."""
    if not fastest_m_s:
        return heard
    delay_s = np.array([echo.delay_s for echo in heard.echoes])
    level_db = np.array([echo.strength_db for echo in heard.echoes])
    hidden = np.zeros(delay_s.size, dtype=bool)
    rate = receiver.plan.receiver.false_alarm_rate
    for hit, speed_m_s in fastest_m_s.items():
        share = 2 * speed_m_s / receiver.sound_speed_m_s
        lag_s = delay_s - heard.hits.delay_s[hit]
        below = 10 ** ((level_db - heard.hits.strength_db[hit]) / 20)
        snr = 10 ** (heard.hits.snr_db[hit] / 10)
        hidden |= among_stretched_lobes(
            receiver.pulses, share, lag_s, below, snr=snr, false_alarm_rate=rate
        )
    echoes = tuple(echo for echo, none in zip(heard.echoes, hidden, strict=True) if not none)
    return dataclasses.replace(heard, echoes=echoes)


def _terms(budget: Budget) -> dict[str, float]:
    return dict(zip(budget.names, budget.u, strict=True))


def _scale_noise(terms: dict[str, float], share: float, pull_m: float) -> None:
    """Make a ping's own noise so many times itself; what others pull an echo by stays."""
    noise_m = math.sqrt(max(terms[DELAY] ** 2 - pull_m**2, 0.0))
    terms[DELAY] = math.hypot(share * noise_m, pull_m)
    terms[MARK] *= share


def _moved(receiver: Receiver, echo: Echo, terms: Mapping[str, float], *, by_m: float) -> Echo:
    """Return an echo without what its target's speed did to its range, as unsure as the terms."""
    budget = Budget(value=echo.range_m - by_m, names=tuple(terms), u=tuple(terms.values()))
    delay_s, side = echo.delay_s, echo.side
    if by_m:
        delay_s -= by_m / float(slope_m_s(receiver, echo.delay_s, echo.range_m))
        if side is not None:
            # The angle is the difference of two delays, which a speed does the same to.
            nearer = budget.value / echo.range_m
            side = dataclasses.replace(side, offset_m=side.offset_m * nearer)
    return dataclasses.replace(
        echo,
        side=side,
        range_m=budget.value,
        path_m=receiver.sound_speed_m_s * delay_s,
        delay_s=delay_s,
        u_range_m=budget.combined,
        budget=budget,
    )
