"""What went by: echoes followed from ping to ping, and each track judged.

A ping is searched again here, each on its own and at a higher false-alarm rate than
the plan asks: an echo that is too weak to be listed alone counts once it falls into
line with those of other pings, and a false alarm hardly ever does.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.history.echo_phase import sharpened
from dsp.history.medium_drift import Ranges, changed_alike
from dsp.history.passage import Passage
from dsp.history.passes import passage_of, uncoupled_range_m
from dsp.history.pulse_pairs import ClosingSpeed, closing_speed, unfolded
from dsp.history.range_filters import Scan
from dsp.history.tracking import Track, Tracker, tracks_among, tracks_of
from dsp.physics import beams
from dsp.ping.listing import SECOND_LOBES
from dsp.ping.ranging import path_from_range_m
from dsp.uncertainty import Budget, signed, stated
from rig.bench.plan import Plan
from rig.measure.near_discs import arches_of_pass, left_as_points
from rig.run.budget import GRADIENT, SHIFT_TERMS, is_of_sound_speed
from rig.run.groups import groups, pings_at_a_time
from rig.run.hits import heard_in, resolution_m
from rig.run.origin import own_hits
from rig.run.receiver import Receiver
from rig.run.results import HitRows, Hits, HitTable
from rig.run.run import Run

MOST_SHARED = 4.0
"""So many times what the plan lets expect, a change that two targets share is the medium's;
beyond, two that move alike are likelier."""

OF_THE_ROOM = "in the sum of all pings it is no more than what still rings there"

HALF_DB = 6.0
"""What the sum of all pings holds less of was there for less than half of them, or not in phase,
and the sum says nothing of it."""

_DRIFT = 2 * math.sqrt(2)
"""Between two values that are each unsure by u, at 95 %."""

_Key = tuple[bytes, bytes, bool, tuple[bool, bool]]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Passing:
    """One target's passage as the bench saw it.

    Attributes
    ----------
    passage : Passage
        Its uncertainties hold all that the plan knows of: noise, heading, sound
        speed, spacing, time zero and clock.
    ping : ndarray of int64, shape (hits,)
        The numbers of the pings that heard it.
    time_s : ndarray of float64, shape (hits,)
        When the sound met it in each, from the first ping.
    range_m : ndarray of float64, shape (hits,)
        The range in each, free of what the target's speed does to a chirp.
    strength_db : ndarray of float64, shape (hits,), or None
        How strong each was, dB re full scale; NaN or None where a device hands on none.
    forecast_hits : float or None
        Pings that the plan's cone foretells for such a pass, from half power to
        half power; None where there is no pass or no cone. To be held against the
        passage's `strong_hits`.
    closing : ClosingSpeed or None
        Mean closing speed by pulse pairs; None where no two pings in a row heard it, or
        where a device hands on no phase.
    unfolded : ClosingSpeed or None
        The one among its speeds that the ranges bear out; None where they are too rough
        to say.
    """

    passage: Passage
    ping: NDArray[np.int64]
    time_s: NDArray[np.float64]
    range_m: NDArray[np.float64]
    strength_db: NDArray[np.float64] | None = None
    forecast_hits: float | None = None
    closing: ClosingSpeed | None = None
    unfolded: ClosingSpeed | None = None

    @property
    def wandered_m(self) -> float:
        """How far apart its ranges are, but for a twentieth at either end: chance alarms stray."""
        return float(np.ptp(np.percentile(self.range_m, [5, 95])))


def passings_of(run: Run) -> tuple[Passing, ...]:
    """Return what went by in a run; followed once."""
    return run.once(_passings)


def _passings(run: Run) -> tuple[Passing, ...]:
    table = hits_in(run)
    # Where all that was found was followed as it came, its numbers are at hand.
    passings = follow(run.receiver, table, owner=run.followed_in(table))
    return tuple(
        dataclasses.replace(p, passage=_untold(p.passage, OF_THE_ROOM))
        if p.passage.kind == "stay" and _drowns_in_sum(run, p)
        else p
        for p in passings
    )


def _drowns_in_sum(run: Run, stay: Passing) -> bool:
    """Say whether what stays is in the sum of all pings, and does not stand out of it there.

    A chance alarm comes in one ping. What a room or a tank still rings is the same in each, so
    that where it is high by chance it is so in all of them: no number of pings makes it more
    than one chance. In their sum it is the noise that an echo must stand out of.
    """
    summed = run.measurement
    if summed.profile is None or stay.strength_db is None:
        return False
    range_m, resolved_m = float(np.mean(stay.range_m)), resolution_m(run.receiver)
    if any(abs(e.range_m - range_m) < resolved_m for e in (*summed.echoes, *summed.untold)):
        return False
    path_m = float(path_from_range_m(range_m, run.plan.geometry.baseline_m))
    place = path_m / run.receiver.sound_speed_m_s / summed.profile.bin_s
    half = run.receiver.shape.width_s / summed.profile.bin_s / 2
    about = summed.profile.strength_db[max(math.floor(place - half), 0) : math.ceil(place + half)]
    return float(about.max(initial=-math.inf)) > float(np.mean(stay.strength_db)) - HALF_DB


def hits_in(run: Run) -> HitTable:
    """Return what was found in each good ping, to be followed from ping to ping."""
    results = run.results
    if any(place is not None for place in results.each("sign_place")):
        return HitTable.of(list(own_hits(results)))
    latest: list[Hits] = []
    for pings in groups(results.latest, pings_at_a_time(run.receiver)):
        heard = {n: ping.heard for n, ping in enumerate(pings) if ping.heard is not None}
        unheard = {
            n: (ping, ping.alone, ping.time_zero)
            for n, ping in enumerate(pings)
            if n not in heard and ping.alone is not None and ping.time_zero is not None
        }
        heard |= zip(unheard, heard_in(run.receiver, list(unheard.values())), strict=True)
        latest += (heard[n].hits for n in sorted(heard))
    return HitTable.of(latest, older=lambda name: results.older("heard", "hits", name))


def follow(
    receiver: Receiver, table: HitTable, *, owner: NDArray[np.int64] | None = None
) -> tuple[Passing, ...]:
    """Follow every target through some pings and judge how it went by.

    Parameters
    ----------
    receiver : Receiver
        Of the pings; no profile is searched.
    table : HitTable
        In order, without lost pings. A target with too few hits to make a track is left
        out.
    owner : ndarray of int64, shape (hits,), optional
        As :class:`dsp.history.range_filters.Speeds` tells them, where they were followed already.

    Returns
    -------
    tuple of Passing
        In the order of their first hits.
    """
    cell_m, rows = resolution_m(receiver), table.rows
    if owner is None:
        own = np.split(np.stack([rows.range_m, rows.noise_m]), np.cumsum(table.counts)[:-1], axis=1)
        tracks = tracks_of(
            (
                Scan(time_s=sent_s, range_m=range_m, noise_m=noise_m)
                for sent_s, (range_m, noise_m) in zip(table.sent_s.tolist(), own, strict=True)
            ),
            resolution_m=cell_m,
            interval_s=receiver.plan.timing.ping_interval_s,
        )
    else:
        tracks = tracks_among(
            table.sent_s, table.counts, rows.range_m, rows.noise_m, owner, resolution_m=cell_m
        )
    return _in_order(receiver, [_judged(receiver, *each) for each in _each(table, tracks)])


class Following:
    """Follows every target ping by ping, as they come.

    A track that has not changed since it was last asked for is not judged again.

    Parameters
    ----------
    receiver : Receiver
        Of the pings.
    """

    def __init__(self, receiver: Receiver) -> None:
        self._receiver = receiver
        self._tracker = Tracker(
            resolution_m=resolution_m(receiver), interval_s=receiver.plan.timing.ping_interval_s
        )
        self._hits: list[Hits] = []
        self._judged: dict[_Key, _Judged] = {}

    def add(self, hits: Hits) -> None:
        """Take the next ping that was not lost.

        Raises
        ------
        ValueError
            Where it was sent no later than the last one.
        """
        self._tracker.add(Scan(time_s=hits.sent_s, range_m=hits.range_m, noise_m=hits.noise_m))
        self._hits.append(hits)

    def passings(self) -> tuple[Passing, ...]:
        """Return what went by in all pings so far, in the order of their first hits."""
        judged: dict[_Key, _Judged] = {}
        for echoes, track in _each(HitTable.of(self._hits), self._tracker.tracks()):
            key = echoes.ping.tobytes(), echoes.range_m.tobytes(), track.unsure, track.turned
            found = self._judged.get(key)
            judged[key] = _judged(self._receiver, echoes, track) if found is None else found
        self._judged = judged
        return _in_order(self._receiver, list(judged.values()))


def _each(table: HitTable, tracks: Iterable[Track]) -> Iterator[tuple[HitRows, Track]]:
    """Give each track, and its hits."""
    start = np.concatenate([[0], np.cumsum(table.counts)])
    return ((table.rows.taken(start[track.scan] + track.echo), track) for track in tracks)


def _in_order(receiver: Receiver, judged: Sequence[_Judged]) -> tuple[Passing, ...]:
    passings = _freed_of_the_medium(receiver, judged)
    return tuple(sorted(passings, key=lambda p: (p.passage.first_s, p.range_m[0])))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Judged:
    """A track as it was judged by itself, with its ranges as sharp as they are known."""

    passing: Passing
    ranges: Ranges


def _freed_of_the_medium(receiver: Receiver, judged: Sequence[_Judged]) -> list[Passing]:
    """Take back each pass that another target's range shares: it is the medium's, not theirs."""
    answer = []
    for one in judged:
        passing = one.passing
        shared = passing.passage.kind in ("pass", "half") and any(
            other is not one and changed_alike(one.ranges, other.ranges) for other in judged
        )
        most_m = MOST_SHARED * _drift_m(receiver, float(np.mean(passing.range_m)))
        if shared and np.ptp(one.ranges.range_m) < most_m:
            reason = "another's range changed alike: the medium may have changed, and no target"
            passing = dataclasses.replace(passing, passage=_untold(passing.passage, reason))
        answer.append(passing)
    return answer


def _untold(passage: Passage, reason: str) -> Passage:
    return Passage(
        kind="cannot-tell",
        reason=reason,
        hits=passage.hits,
        first_s=passage.first_s,
        last_s=passage.last_s,
    )


def _drift_m(receiver: Receiver, range_m: float) -> float:
    """By how much a drift of the medium may change a range within a run, least to most.

    As the plan knows its medium: in each ping, the sound speed lies within its uncertainty.
    """
    budget = receiver.range_model.budget(
        delay_s=2 * range_m / receiver.sound_speed_m_s, u_delay_s=0.0, u_mark_s=0.0, direct=False
    )
    by_speed_m = range_m * receiver.u_drift_m_s / receiver.sound_speed_m_s
    return _DRIFT * math.hypot(by_speed_m, _combined(budget, lambda name: name == GRADIENT))


def _judged(receiver: Receiver, echoes: HitRows, track: Track) -> _Judged:
    """Judge one track by itself."""
    plan = receiver.plan
    # The middle of the pulse meets the target half-way through its flight.
    time_s = echoes.sent_s + plan.pulse.duration_s / 2 + echoes.delay_s / 2
    noise_m = echoes.noise_m
    range_m = uncoupled_range_m(time_s, echoes.range_m, noise_m, plan.pulse.coupling_s)
    sharp, closing, certain = None, None, None
    arches = arches_of_pass(receiver, float(np.min(range_m)))
    if np.isfinite(echoes.snr_db).all() and np.isfinite(echoes.phasor).all():
        phase_noise_rad = _phase_noise_rad(receiver, echoes)
        # The parts of a large disc turn a short pulse's phase by other than its range.
        sharp = (
            None
            if arches
            else sharpened(
                time_s,
                range_m,
                noise_m,
                np.angle(echoes.phasor),
                phase_noise_rad,
                wavelength_m=receiver.wavelength_m,
                baseline_m=plan.geometry.baseline_m,
            )
        )
        closing = _closing(receiver, echoes, phase_noise_rad)
    if closing is not None:
        certain = unfolded(
            closing,
            *_range_speed(time_s, range_m, noise_m),
            sound_speed_m_s=receiver.sound_speed_m_s,
            u_sound_speed_m_s=receiver.u_sound_speed_m_s,
        )
    half_angle_rad = _half_angle_rad(receiver)
    ranges = Ranges(
        ping=echoes.ping,
        range_m=range_m if sharp is None else sharp.range_m,
        noise_m=noise_m if sharp is None else sharp.noise_m,
    )
    passage = passage_of(
        time_s,
        ranges.range_m,
        ranges.noise_m,
        echoes.strength_db,
        echoes.snr_db,
        baseline_m=plan.geometry.baseline_m,
        half_angle_rad=half_angle_rad,
        drift_m=_drift_m(receiver, float(np.mean(range_m))),
        turned=track.turned,
        arches=arches,
    )
    if track.unsure:
        reason = "it ran together with another echo, and nobody can say which went on where"
        passage = _untold(passage, reason)
    passing = Passing(
        passage=_with_common(
            receiver, passage, echoes, u_shift_m=0.0 if sharp is None else sharp.u_shift_m
        ),
        ping=echoes.ping,
        time_s=time_s,
        range_m=range_m,
        strength_db=echoes.strength_db,
        forecast_hits=_forecast_hits(plan, passage, half_angle_rad),
        closing=closing,
        unfolded=certain,
    )
    return _Judged(passing=passing, ranges=ranges)


def _combined(budget: Budget, wanted: Callable[[str], bool]) -> float:
    """Combine those terms of a range's budget whose names are wanted."""
    return math.hypot(*(term.u for term in budget.terms if wanted(term.name)))


def _phase_noise_rad(receiver: Receiver, echoes: HitRows) -> NDArray[np.float64]:
    """Return the standard deviations of the phases: each echo's own, and its mark's share."""
    # A direct sound of d² places itself to 1/(d β), and its phase to 1/d.
    turn_rad_s = 2 * np.pi * receiver.centre_hz
    if receiver.plan.geometry.time_zero == "direct":
        turn_rad_s = receiver.shape.pulse_rms_bandwidth_rad_s
    return np.hypot(echoes.u_phase_rad, turn_rad_s * echoes.u_mark_s)


def _closing(
    receiver: Receiver, echoes: HitRows, phase_noise_rad: NDArray[np.float64]
) -> ClosingSpeed | None:
    """Take the closing speed from the phases of neighbouring pings."""
    since = echoes.ping - echoes.ping[0]
    if not np.any(np.diff(since) == 1):
        return None
    in_row = np.full(int(since[-1]) + 1, np.nan, dtype=np.complex128)
    d2 = np.full(in_row.size, np.nan)
    in_row[since] = echoes.phasor
    d2[since] = 1 / phase_noise_rad**2
    # A baseline makes each wave of path count for a little more range.
    by_path = receiver.sound_speed_m_s * float(np.mean(echoes.delay_s / (2 * echoes.range_m)))
    return closing_speed(
        in_row,
        d2,
        interval_s=receiver.plan.timing.ping_interval_s,
        frequency_hz=receiver.centre_hz / by_path,
        sound_speed_m_s=receiver.sound_speed_m_s,
    )


def _range_speed(
    time_s: NDArray[np.float64], range_m: NDArray[np.float64], noise_m: NDArray[np.float64]
) -> tuple[float, float]:
    """Return the closing speed that the ranges tell, with its standard uncertainty."""
    weight = 1 / noise_m**2
    away_s = time_s - weight @ time_s / weight.sum()
    spread = float(weight @ away_s**2)
    slope = float(weight @ (away_s * range_m)) / spread
    return -slope, 1 / math.sqrt(spread)


def u_speed_share(receiver: Receiver, passing: Passing) -> float:
    """Return what a pass's speed is unsure by, as a share, that no ping of it can tell.

    Sound speed, time zero, and a drift of the medium, which are alike in all of its echoes.
    """
    told, nearest_m = passing.passage, float(passing.range_m.min())
    geometry = receiver.plan.geometry
    budget = receiver.range_model.budget(
        delay_s=float(path_from_range_m(nearest_m, geometry.baseline_m)) / receiver.sound_speed_m_s,
        u_delay_s=0.0,
        u_mark_s=0.0,
        direct=geometry.time_zero == "direct",
    )
    _, slow = left_as_points(receiver, nearest_m)
    return math.hypot(*_shared(receiver, told, budget, passing.range_m), slow)


def _shared(
    receiver: Receiver, told: Passage, budget: Budget, range_m: NDArray[np.float64]
) -> tuple[float, float]:
    """Return what a speed is unsure by, as shares, by what its ranges share, and by a drift."""
    nearest_m = float(range_m.min())
    closest_m = nearest_m if told.closest_range_m is None else told.closest_range_m
    # A wrong sound speed scales ranges and speed alike; a shift of all ranges bends the
    # curve of their squares by half as much. The clock counts the pings as well, so it
    # cancels out of a speed.
    scale_m = _combined(budget, is_of_sound_speed)
    shift_m = _combined(budget, lambda name: name in SHIFT_TERMS) / 2
    by_range = math.hypot(scale_m, shift_m) / nearest_m
    # A drift bends it too, and the square of the speed is its bend. Of half an arch a parabola
    # has a quarter of the rise for its bend, and the drift at both ends and the middle.
    rise_m = float(range_m.max()) - closest_m
    bend_m = rise_m if told.kind == "pass" else rise_m / 4
    u_drift_m = _drift_m(receiver, closest_m) / _DRIFT
    by_drift = math.sqrt(1.5) * u_drift_m / (2 * bend_m)
    return by_range, by_drift


def passing_lines(passings: Sequence[Passing]) -> tuple[str, ...]:
    """Put what went by into words, one line each; ± is k = 2."""
    return tuple(_line(p) for p in passings)


def _line(passing: Passing) -> str:
    told = passing.passage
    when = f"{told.first_s:.2f} to {told.last_s:.2f} s, {told.hits} hits"
    if told.closest_range_m is None or told.u_closest_range_m is None:
        near, far = passing.range_m.min(), passing.range_m.max()
        speed = ""
        if passing.unfolded is not None:
            certain = passing.unfolded
            speed = f"; closing at {stated(certain.speed_m_s, certain.u_speed_m_s)} m/s"
        elif passing.closing is not None and not passing.closing.even:
            speed = "; nearer and farther at a speed that changed"
        elif passing.closing is not None:
            found = passing.closing
            speed = (
                f"; closing at {stated(found.speed_m_s, found.u_speed_m_s)} m/s, or at "
                f"any multiple of {2 * found.fastest_m_s:.4f} m/s more or less"
            )
        return f"cannot tell: {when}, {near:.3f} to {far:.3f} m: {told.reason}{speed}"
    at = f"{stated(told.closest_range_m, told.u_closest_range_m, most=4)} m"
    if told.kind == "stay":
        return f"stay: {when}, at {at}"
    name = "pass" if told.kind == "pass" else _half_words(passing)
    line = f"{name}: {when}, closest {at} at {told.closest_time_s:.2f} s"
    if told.crossing_speed_m_s is not None and told.u_crossing_speed_m_s is not None:
        speed = stated(told.crossing_speed_m_s, told.u_crossing_speed_m_s)
        line += f", crossing at {speed} m/s"
    if told.tilt_rad is not None:
        line += f", strongest {signed(f'{math.degrees(told.tilt_rad):+.1f}')}° from there"
    if told.strong_hits is not None and passing.forecast_hits is not None:
        line += (
            f", {told.strong_hits} hits within half power where the cone foretells "
            f"{passing.forecast_hits:.0f}"
        )
    return line


def _half_words(passing: Passing) -> str:
    """Say what half an arch is: half a pass, or a whole one before a beam that looks aside.

    A thing that grows stronger and weaker again around where the beam looks went right through
    it; what comes or leaves half-way is strong at the arch's end.
    """
    tilt_rad = passing.passage.tilt_rad
    if tilt_rad is not None and crossed_beam(passing):
        return "a whole pass before a beam that looks aside, half an arch"
    return "half a pass"


def crossed_beam(passing: Passing) -> bool:
    """Whether a track faded by half its power or more at both of its ends."""
    level_db = passing.strength_db
    if level_db is None or level_db.size < 5:
        return False
    smooth_db = np.convolve(level_db, np.full(3, 1 / 3), mode="valid")
    half_db = 10 * math.log10(2)
    return bool(smooth_db.max() - max(smooth_db[0], smooth_db[-1]) >= half_db)


def _with_common(
    receiver: Receiver, passage: Passage, echoes: HitRows, *, u_shift_m: float
) -> Passage:
    """Add what all the ranges of a track have in common, as the nearest has it."""
    if passage.closest_range_m is None or passage.u_closest_range_m is None:
        return passage
    nearest = int(np.argmin(echoes.range_m))
    budget = receiver.range_model.budget(
        delay_s=float(echoes.delay_s[nearest]),
        u_delay_s=0.0,  # noise: it is in the passage already
        u_mark_s=0.0,
        direct=receiver.plan.geometry.time_zero == "direct",
        u_shape_s=float(echoes.u_shape_s[nearest]),
    )
    late_m, slow = left_as_points(receiver, passage.closest_range_m)
    beside_m = echoes.beside_m
    second = beside_m >= SECOND_LOBES * resolution_m(receiver)
    if passage.kind == "stay" and all(half.any() for half in np.array_split(second, 2)):
        # Of two that stay, each ping brings both, also where its noise lets them not be told.
        beside_m = beside_m[second]
    pulled_m = math.sqrt(float(np.mean(beside_m**2)))
    common_m = math.hypot(u_shift_m, budget.combined, late_m, pulled_m)
    told = dataclasses.replace(
        passage, u_closest_range_m=math.hypot(passage.u_closest_range_m, common_m)
    )
    if told.crossing_speed_m_s is None or told.u_crossing_speed_m_s is None:
        return told
    by_range, by_drift = _shared(receiver, told, budget, echoes.range_m)
    u_speed = math.hypot(
        told.u_crossing_speed_m_s, told.crossing_speed_m_s * math.hypot(by_range, by_drift, slow)
    )
    return dataclasses.replace(told, u_crossing_speed_m_s=u_speed)


def _half_angle_rad(receiver: Receiver) -> float | None:
    half_angle_rad = receiver.range_model.half_angle_rad
    return half_angle_rad if half_angle_rad < math.pi / 2 else None


def _forecast_hits(plan: Plan, passage: Passage, half_angle_rad: float | None) -> float | None:
    if (
        half_angle_rad is None
        or passage.closest_range_m is None
        or passage.crossing_speed_m_s is None
    ):
        return None
    foretold = beams.straight_pass(
        passage.closest_range_m, half_angle_rad, passage.crossing_speed_m_s
    )
    return foretold.dwell_s / plan.timing.ping_interval_s
