"""Which ping each echo is of, where pings carry signs: this one, or one before.

What came so late that the next ping had been sent stands among that one's echoes, at a range
where nothing is. From ping to ping its phase tells; in a sum of pings, the sums by the signs of
the pings before. What nothing tells is kept apart, too: it is no range.
"""

from __future__ import annotations

import dataclasses
import math
from collections import deque
from collections.abc import Iterable, Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from dsp.history.origin import MOST_HITS, origin_of
from dsp.ping.pulse.peaks import Peak
from dsp.ping.pulse.profiles import EchoProfile, Threshold
from dsp.ping.signs.signed_sums import SignedSum, SolvedSum
from dsp.ping.signs.signs import late_signs
from rig.run.echo_search import threshold_in_db
from rig.run.hits import resolution_m, slope_m_s
from rig.run.receiver import Receiver
from rig.run.results import UNTOLD, Echo, Heard, Hits, LateEcho, PingResult, TimeZero, Whose
from rig.run.stacking import stack_depth

FASTEST_M_S = 1.0
"""An echo is followed to the next ping at a slow walk's speed at the most."""

FORGOTTEN = 8
"""After so many pings that did not hear it, an echo is not followed any more."""

PULLED = 3.0
"""A hit is followed as a ping's own where another's echo pulls it by less than so many times its
noise."""

ROUNDING = 2.0**-22
"""What is so much weaker than the loudest sound is its rounding to single precision, a few times
over; a solved sum of noiseless pings leaves nothing else."""

BY_CHANCE = 1e-4
"""So seldom what pings do not agree on passes for an echo of a sum."""


@dataclasses.dataclass(slots=True, kw_only=True)
class _Followed:
    """One echo's latest hits, the newest last; and whose it was told to be last."""

    number: int
    pings: deque[int] = dataclasses.field(default_factory=lambda: deque(maxlen=MOST_HITS))
    range_m: float = 0.0
    delay_s: deque[float] = dataclasses.field(default_factory=lambda: deque(maxlen=MOST_HITS))
    phasor: deque[complex] = dataclasses.field(default_factory=lambda: deque(maxlen=MOST_HITS))
    signs: deque[NDArray[np.int64]] = dataclasses.field(
        default_factory=lambda: deque(maxlen=MOST_HITS)
    )
    late: int = UNTOLD
    mixed_share: float = 0.0


class Origins:
    """Follows echoes from ping to ping and tells which ping each is of."""

    def __init__(self, receiver: Receiver) -> None:
        self._receiver = receiver
        self._resolution_m = resolution_m(receiver)
        self._interval_s = receiver.plan.timing.ping_interval_s
        self._followed: list[_Followed] = []
        self._ever = 0

    def add(self, hits: Hits, place: int) -> tuple[Whose, NDArray[np.float64]]:
        """Take the next ping's hits, and tell of each by how many pings it is late.

        Parameters
        ----------
        hits : Hits
        place : int
            The ping's, among the signs.

        Returns
        -------
        whose : Whose
        pulled_m : ndarray of float64, shape (hits,)
            By how much another ping's echo at the same place may pull its range: two within
            half a resolution of each other run into one, between the two by their amplitudes.
        """
        self._followed = [f for f in self._followed if hits.ping - f.pings[-1] <= FORGOTTEN]
        followed = self._paired(hits)
        signs = late_signs(place)
        u_delay_s = hits.noise_m / slope_m_s(self._receiver, hits.delay_s, hits.range_m)
        late = np.full(hits.range_m.size, UNTOLD)
        share = np.zeros(hits.range_m.size)
        for hit, one in enumerate(followed):
            one.pings.append(hits.ping)
            one.range_m = float(hits.range_m[hit])
            one.delay_s.append(float(hits.delay_s[hit]))
            one.phasor.append(complex(hits.phasor[hit]))
            one.signs.append(signs)
            told = origin_of(
                one.pings,
                one.delay_s,
                one.phasor,
                one.signs,
                u_delay_s=float(u_delay_s[hit]),
                centre_hz=self._receiver.centre_hz,
            )
            if told is not None:
                one.late, one.mixed_share = told.late, told.mixed_share
            late[hit], share[hit] = one.late, one.mixed_share
        pulled_m = np.minimum(share, 1.0) * self._resolution_m / 2
        whose = Whose(
            followed=np.array([one.number for one in followed], dtype=np.int64),
            late=late,
            pulled=pulled_m > PULLED * hits.noise_m,
        )
        return whose, pulled_m

    def _paired(self, hits: Hits) -> list[_Followed]:
        """Return which followed echo each hit goes on with; the nearest pairs first."""
        apart_m = np.abs(
            hits.range_m[:, np.newaxis] - np.array([f.range_m for f in self._followed])
        )
        passed = np.array([hits.ping - f.pings[-1] for f in self._followed], dtype=float)
        reach_m = np.maximum(self._resolution_m, FASTEST_M_S * self._interval_s * passed)
        partner: dict[int, _Followed] = {}
        taken: set[int] = set()
        near = np.argwhere(apart_m < reach_m)
        for hit, which in near[np.argsort(apart_m[tuple(near.T)], kind="stable")].tolist():
            if hit not in partner and which not in taken:
                partner[hit] = self._followed[which]
                taken.add(which)
        for hit in range(hits.range_m.size):
            if hit not in partner:
                partner[hit] = _Followed(number=self._ever)
                self._ever += 1
                self._followed.append(partner[hit])
        return [partner[hit] for hit in range(hits.range_m.size)]


def told_apart(receiver: Receiver, pings: Iterable[PingResult]) -> Iterator[PingResult]:
    """Leave each ping the echoes that are its own; name those that are late, and those untold.

    Parameters
    ----------
    receiver : Receiver
    pings : iterable of PingResult
        In order, each with its place among the signs, with what was found in its own profile
        in `heard`, and added up as the plan asks.
    """
    origins = Origins(receiver)
    recent: deque[tuple[EchoProfile, int]] = deque(maxlen=stack_depth(receiver.plan))
    for ping in pings:
        heard, alone, place = ping.heard, ping.alone, ping.sign_place
        if heard is None or alone is None or place is None or ping.time_zero is None:
            yield ping
            continue
        whose, pulled_m = origins.add(heard.hits, place)
        recent.append((alone, place))
        whose_heard = dataclasses.replace(heard, whose=whose)
        told = _told_of_ping(receiver, ping, whose_heard, ping.time_zero, pulled_m)
        if ping.profile is not None and ping.profile is not alone:
            kept = list(recent)[-ping.profile.pings :]
            told = _told_of_sum(receiver, told, ping, kept, ping.time_zero)
        yield told


def own_hits(pings: Iterable[PingResult]) -> Iterator[Hits]:
    """Return what each ping heard of its own, also before that was told.

    Parameters
    ----------
    pings : iterable of PingResult
        All of a run, those lost passed over.
    """
    heard = [ping.heard for ping in pings if ping.heard is not None]
    told: dict[int, int] = {}
    for one in heard:
        if one.whose is not None:
            told.update(zip(one.whose.followed.tolist(), one.whose.late.tolist(), strict=True))
    for one in heard:
        if one.whose is not None:
            late = np.array([told[number] for number in one.whose.followed.tolist()], dtype=int)
            yield one.hits.some((late == 0) & ~one.whose.pulled)


def _own_range_m(ping: PingResult) -> NDArray[np.float64]:
    if ping.heard is None or ping.heard.whose is None:
        return np.empty(0)
    return ping.heard.hits.range_m[ping.heard.whose.own]


def _told_of_ping(
    receiver: Receiver,
    ping: PingResult,
    heard: Heard,
    time_zero: TimeZero,
    pulled_m: NDArray[np.float64],
) -> PingResult:
    """Sort a ping's echoes by whose each is."""
    hits = heard.hits
    late_by_hit = np.empty(0) if heard.whose is None else heard.whose.late
    at = [np.flatnonzero(hits.delay_s == echo.delay_s) for echo in heard.echoes]
    whose = [
        int(late_by_hit[hit[0]]) if hit.size and pulled_m[hit[0]] <= echo.u_range_m else UNTOLD
        for hit, echo in zip(at, heard.echoes, strict=True)
    ]
    late = tuple(
        _late_hit(receiver, hits, int(hit[0]), time_zero, by)
        for hit, by in zip(at, whose, strict=True)
        if by > 0
    )
    alone = ping.profile is ping.alone
    echoes = ping.echoes if alone else heard.echoes
    own = heard_own = tuple(e for e, by in zip(heard.echoes, whose, strict=True) if by == 0)
    if alone:
        own = tuple(e for e, by in zip(echoes, whose, strict=True) if by == 0)
    return dataclasses.replace(
        ping,
        echoes=own,
        late=late,
        untold=tuple(e for e, by in zip(echoes, whose, strict=True) if by == UNTOLD),
        heard=dataclasses.replace(heard, echoes=heard_own),
    )


def _late_hit(receiver: Receiver, hits: Hits, hit: int, time_zero: TimeZero, late: int) -> LateEcho:
    slope = slope_m_s(receiver, hits.delay_s[hit], hits.range_m[hit])
    u_both_s = float(hits.noise_m[hit] / slope)
    peak = Peak(
        delay_s=float(hits.delay_s[hit]),
        u_delay_s=math.sqrt(max(u_both_s**2 - hits.u_mark_s**2, 0.0)),
        amplitude=float(10 ** (hits.strength_db[hit] / 20)),
        phase_rad=0.0,
        snr=float(10 ** (hits.snr_db[hit] / 10)),
    )
    return late_echo(receiver, peak, time_zero, late, seems_m=float(hits.range_m[hit]))


def late_echo(
    receiver: Receiver, peak: Peak, time_zero: TimeZero, late: int, *, seems_m: float
) -> LateEcho:
    """Return the echo that a peak is, given by how many pings it is late."""
    interval_s = receiver.plan.interval_samples / receiver.info.sample_rate_hz
    whole = dataclasses.replace(peak, delay_s=peak.delay_s + late * interval_s)
    return LateEcho(echo=receiver.search.echo(whole, time_zero), pings_before=late, seems_m=seems_m)


def _told_of_sum(
    receiver: Receiver,
    told: PingResult,
    ping: PingResult,
    kept: Sequence[tuple[EchoProfile, int]],
    time_zero: TimeZero,
) -> PingResult:
    """Sort the echoes of a ping's sum: by the sums by all signs, else by the ping's own hits."""
    added = SignedSum()
    for profile, place in kept:
        added.add(profile, place)
    solved = added.solved()
    if solved is not None:
        by_sums = with_pings(receiver, sorted_out(receiver, solved, time_zero), [told])
        return dataclasses.replace(
            told,
            profile=by_sums.profile,
            echoes=by_sums.echoes,
            threshold=by_sums.threshold,
            late=by_sums.late,
            untold=by_sums.untold,
        )
    return by_own_hits(receiver, told, ping.echoes)


def by_own_hits(receiver: Receiver, told: PingResult, echoes: Sequence[Echo]) -> PingResult:
    """Sort echoes that were found in another sum by whose hits stand there in the ping's own.

    Parameters
    ----------
    receiver : Receiver
    told : PingResult
        Whose own echoes are told.
    echoes : sequence of Echo
    """
    own_m = _own_range_m(told)
    late_m = np.array([late.seems_m for late in told.late])
    reach_m = resolution_m(receiver)

    def stands_at(echo: Echo, some_m: NDArray[np.float64], within_m: float) -> bool:
        return bool((np.abs(some_m - echo.range_m) < within_m).any())

    # Late ones of other pings in the sum may stand as near as the pulse parts two.
    rest = [e for e in echoes if not stands_at(e, late_m, reach_m)]
    own = [e for e in rest if stands_at(e, own_m, reach_m / 4)]
    return dataclasses.replace(
        told, echoes=tuple(own), untold=tuple(e for e in rest if e not in own)
    )


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SortedSum:
    """A sum of pings, its echoes sorted by whose they are; all as of :class:`PingResult`.

    `left_by_others` are what pings do not agree on in the sums by the signs of pings before: of
    those, or what a ping's own left there as it moved.
    """

    profile: EchoProfile
    echoes: tuple[Echo, ...]
    threshold: Threshold
    late: tuple[LateEcho, ...]
    untold: tuple[Echo, ...]
    left_by_others: tuple[Echo, ...] = ()


def sorted_out(receiver: Receiver, solved: SolvedSum, time_zero: TimeZero) -> SortedSum:
    """Find the echoes of a solved sum of pings, and say of which pings they are.

    Parameters
    ----------
    receiver : Receiver
    solved : SolvedSum
    time_zero : TimeZero

    """
    rates = receiver.search.listing_rates(receiver.plan.receiver.false_alarm_rate)
    profiles = solved.profiles
    loudest = max(float(np.abs(profile.envelope).max()) for profile in profiles)
    found = receiver.search.found_each([(profile, time_zero) for profile in profiles], rates=rates)
    peaks = [each.at(0) for each in found]
    # Of the pings' own alone: by the delay at which a late one stands, no angle is right.
    (sides,) = receiver.search.sides_each([(profiles[0], time_zero, found[0], peaks[0])])
    echoes: list[Echo] = []
    late: list[LateEcho] = []
    untold: list[Echo] = []
    left: list[Echo] = []
    for by, profile in enumerate(profiles):
        for number, peak in enumerate(peaks[by]):
            if peak.amplitude < ROUNDING * loudest:
                continue
            side = None if by else sides[number]
            echo = receiver.search.echo(peak, time_zero, shape=profile.shape, side=side)
            place = round(peak.delay_s / profile.bin_s)
            u_amplitude = solved.u_amplitude[by, max(place - 1, 0) : place + 2].max()
            if peak.amplitude < solved.surely(BY_CHANCE) * u_amplitude:
                (left if by else untold).append(echo)
            elif by == 0:
                echoes.append(echo)
            else:
                late.append(late_echo(receiver, peak, time_zero, by, seems_m=echo.range_m))
    return SortedSum(
        profile=profiles[0],
        echoes=tuple(echoes),
        threshold=threshold_in_db(found[0], profiles[0]),
        late=tuple(sorted(late, key=lambda one: one.seems_m)),
        untold=tuple(untold),
        left_by_others=tuple(left),
    )


def with_pings(receiver: Receiver, added: SortedSum, pings: Sequence[PingResult]) -> SortedSum:
    """Tell by the single pings what their sum does not: what moved, and so left some in each sum.

    Parameters
    ----------
    receiver : Receiver
    added : SortedSum
        Of the pings.
    pings : sequence of PingResult
        Their own echoes told.
    """
    reach_m = resolution_m(receiver)
    own_m = np.concatenate([_own_range_m(ping) for ping in pings])
    late = [one for ping in pings for one in ping.late]
    late_m = np.array([one.seems_m for one in late])
    echoes, untold = list(added.echoes), []
    named: set[int] = set()
    for number, echo in enumerate((*added.untold, *added.left_by_others)):
        is_own = bool((np.abs(own_m - echo.range_m) < reach_m).any())
        near = np.flatnonzero(np.abs(late_m - echo.range_m) < reach_m)
        if is_own and not near.size:
            if number < len(added.untold):
                echoes.append(echo)
        elif near.size and not is_own:
            named.add(late[near[-1]].pings_before)
        else:
            untold.append(echo)
    return dataclasses.replace(
        added,
        echoes=tuple(sorted(echoes, key=lambda e: e.range_m)),
        late=_each_named_once(
            [*added.late, *(one for by in sorted(named) for one in _latest_late(pings, by))],
            reach_m,
        ),
        untold=_each_once(untold, reach_m),
        left_by_others=(),
    )


def _latest_late(pings: Sequence[PingResult], pings_before: int) -> list[LateEcho]:
    """Return what is late by so many pings in the latest that heard any."""
    for ping in reversed(pings):
        some = [one for one in ping.late if one.pings_before == pings_before]
        if some:
            return some
    return []


def _each_named_once(late: Sequence[LateEcho], reach_m: float) -> tuple[LateEcho, ...]:
    """Return late echoes by where they seem to stand, the first named of those at one place."""
    kept: list[LateEcho] = []
    for one in late:
        if all(
            one.pings_before != other.pings_before or abs(one.seems_m - other.seems_m) >= reach_m
            for other in kept
        ):
            kept.append(one)
    return tuple(sorted(kept, key=lambda one: one.seems_m))


def _each_once(echoes: Sequence[Echo], reach_m: float) -> tuple[Echo, ...]:
    """Return echoes nearest first, of those at one place the strongest."""
    kept: list[Echo] = []
    for echo in sorted(echoes, key=lambda e: -e.strength_db):
        if all(abs(echo.range_m - other.range_m) >= reach_m for other in kept):
            kept.append(echo)
    return tuple(sorted(kept, key=lambda e: e.range_m))
