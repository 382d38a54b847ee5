"""Topics about things that move: what one did, which way it goes, which is faster."""

from __future__ import annotations

import math

import numpy as np

from dsp.physics.beams import half_power_half_angle_rad
from rig.measure.passes.following import passings_of
from rig.measure.passes.passing import Passing
from rig.run.run import Run
from rig.teach.exercises.bench import (
    CENTRE_HZ,
    DISC_RADIUS_M,
    INTERVAL_S,
    SOUND_SPEED_M_S,
    Act,
    air_plan,
    air_scene,
    ball,
    echo_level_db,
    noise_for_db,
    radius_for_m,
)
from rig.teach.exercises.bystanders import bystanders
from rig.teach.exercises.question import Difficulty, Draft, Topic

HALF_ANGLE_RAD = half_power_half_angle_rad("piston", DISC_RADIUS_M, SOUND_SPEED_M_S / CENTRE_HZ)
"""Half power, out and back, of the bench's disc."""

_WENT, _STAYED, _HALF = "it went by: a whole pass", "it stayed", "half a pass"
_NOT_YET = "it cannot be told yet: it is still in the beam"
_NEARER, _FARTHER, _SAME = "it comes nearer", "it goes away", "it keeps its range"
_EARLIER, _LATER, _ALIKE = "the earlier one", "the later one", "both about alike"

_PINGS = 80
_FAST_PINGS = 120


def _pass_or_stay(rng: np.random.Generator, difficulty: Difficulty, kind: int) -> Draft:
    range_m = float(rng.uniform(0.8, 1.7))
    radius_m = float(rng.uniform(0.03, 0.06))
    # Fewer hits within half power draw a smaller arch.
    hits = float(rng.uniform(18, 30)) * (0.6 + 0.4 * difficulty.contrast)
    speed_m_s = 2 * range_m * math.tan(HALF_ANGLE_RAD) / (hits * INTERVAL_S)
    way = float(rng.choice([-1.0, 1.0]))
    whole_s = _PINGS * INTERVAL_S
    tilt_deg, velocity, at_s, angle_rad = 0.0, (0.0, 0.0, way * speed_m_s), 0.0, 0.0
    if kind == 0:
        at_s = whole_s * float(rng.uniform(0.42, 0.58))
        answer = _WENT
        reason = (
            "The mark bends: its range shrinks to the nearest point and grows again, and it is "
            "weaker at both ends. That is an arch, which something draws that goes through the "
            "beam from edge to edge."
        )
        truth = f"went straight across the beam at {speed_m_s:.2f} m/s, nearest at {range_m:.2f} m"
    elif kind == 1:
        velocity, angle_rad = (0.0, 0.0, 0.0), float(rng.uniform(-0.5, 0.5)) * HALF_ANGLE_RAD
        answer = _STAYED
        reason = (
            "The mark is a straight streak: the range is the same in every ping, as old as the "
            "picture is. What stays draws a streak, however long it is."
        )
        truth = f"hung still at {range_m:.2f} m, {math.degrees(angle_rad):+.0f}° from the axis"
    elif kind == 3:
        answer = _NOT_YET
        at_s = (_PINGS - 1) * INTERVAL_S
        truth = (
            f"was going straight across at {speed_m_s:.2f} m/s; it was nearest, at "
            f"{range_m:.2f} m, when the picture ends"
        )
        reason = (
            "The mark bends and ends in the newest ping, where the thing is nearest and still in "
            "the beam. Whether it goes on, and draws the other half, or turns back or stays is not "
            "known yet."
        )
    else:
        answer = _HALF
        if rng.random() < 0.5:
            tilt_deg = way * math.degrees(HALF_ANGLE_RAD) * float(rng.uniform(1.3, 1.7))
            at_s = whole_s * 0.5 - 0.4 * hits * INTERVAL_S
            truth = (
                f"went straight across at {speed_m_s:.2f} m/s, nearest at {range_m:.2f} m, while "
                f"the beam looked {abs(tilt_deg):.0f}° to one side of straight ahead"
            )
        else:
            truth = (
                f"went straight across at {speed_m_s:.2f} m/s; it was nearest, at "
                f"{range_m:.2f} m, when the picture begins"
            )
        reason = (
            "The mark bends to one side only: one half of the arch is there, from the nearest "
            "point to one edge of the beam, and the other is missing. A tilted beam does that, "
            "or a picture that begins while the thing is nearest."
        )
    level_db = echo_level_db(range_m, radius_m)
    noise_db = noise_for_db(level_db, difficulty.snr_db)
    others = bystanders(rng, difficulty, level_db=level_db, away_from_m=(range_m, 1.35 * range_m))
    thing = ball(range_m, radius_m, angle_rad=angle_rad, velocity_m_s=velocity, at_s=at_s)
    asked_m = _rounded(range_m)
    return Draft(
        text=(
            f"The mark whose nearest point is about {asked_m:.1f} m away: what did the thing do "
            "that made it?"
        ),
        choices=(_WENT, _STAYED, _HALF, _NOT_YET),
        answer=answer,
        reason=reason,
        truth=(f"A ball of {200 * radius_m:.0f} cm across {truth}.", *others.truth),
        plan=air_plan(),
        acts=(
            Act(
                scene=air_scene(thing, *others.targets, noise_db=noise_db, tilt_deg=tilt_deg),
                pings=_PINGS,
            ),
        ),
        decide=lambda heard: _kind_near(heard, asked_m),
    )


def _kind_near(heard: Run, range_m: float) -> str | None:
    """Say what the one track did whose nearest point is so far away."""
    near = [p for p in passings_of(heard) if abs(p.range_m.min() - range_m) < 0.12]
    if len(near) != 1:
        return None
    told = near[0].passage
    bends_m = float(np.ptp(near[0].range_m))
    if told.kind == "stay":
        return _STAYED if told.hits >= 0.9 * len(heard.results) else None
    # A bend that the eye sees is some dots wide: 30 mm are 8 of them.
    if told.hits < 12 or bends_m < 0.03:
        return None
    ranges_m, lowest = near[0].range_m, int(near[0].range_m.argmin())
    shorter_m, longer_m = sorted(float(ranges_m[end] - ranges_m[lowest]) for end in (0, -1))
    # Whole, where both ends rise plainly; half, where one hardly does.
    if told.kind == "pass" and shorter_m > max(0.03, 0.35 * longer_m):
        return _WENT
    if told.kind == "half" and shorter_m < 0.1 * longer_m:
        # Nearest as the picture ends, or nearly so: what comes after is not in it.
        newest = heard.results[-1].index
        if newest - int(near[0].ping[lowest]) < 3:
            return _NOT_YET if int(near[0].ping[-1]) == newest else None
        return _HALF if newest - int(near[0].ping[-1]) > 3 else None
    return None


def _nearer_or_farther(rng: np.random.Generator, difficulty: Difficulty, kind: int) -> Draft:
    pings = 60
    speed_m_s = float(rng.uniform(0.10, 0.18)) * (0.4 + 0.6 * difficulty.contrast)
    now_m = float(rng.uniform(1.2, 2.2))
    way = (-1.0, 1.0, 0.0)[kind]
    radius_m = float(rng.uniform(0.04, 0.07))
    answer = (_NEARER, _FARTHER, _SAME)[kind]
    last_s = (pings - 1) * INTERVAL_S
    before_m = now_m - way * speed_m_s * last_s
    level_db = echo_level_db(max(now_m, before_m), radius_m)
    others = bystanders(rng, difficulty, level_db=level_db, away_from_m=(now_m, before_m))
    thing = ball(now_m, radius_m, velocity_m_s=(way * speed_m_s, 0.0, 0.0), at_s=last_s)
    moved = f"from {before_m:.2f} m to {now_m:.2f} m at {speed_m_s:.2f} m/s"
    if way == 0.0:
        moved = f"nowhere: it hung at {now_m:.2f} m"
    read = {
        _NEARER: "Read so, the mark leans to shorter ranges: the thing comes nearer.",
        _FARTHER: "Read so, the mark leans to longer ranges: the thing goes away.",
        _SAME: "The mark does not lean: the range is the same at every age.",
    }[answer]
    asked_m = _rounded(now_m)
    return Draft(
        text=f"The thing that is now about {asked_m:.1f} m away: what does its range do?",
        choices=(_NEARER, _FARTHER, _SAME),
        answer=answer,
        reason=f"The newest ping is next to the strip: time runs towards the strip. {read}",
        truth=(f"A ball of {200 * radius_m:.0f} cm across went {moved}.", *others.truth),
        plan=air_plan(),
        acts=(
            Act(
                scene=air_scene(
                    thing, *others.targets, noise_db=noise_for_db(level_db, difficulty.snr_db)
                ),
                pings=pings,
            ),
        ),
        decide=lambda heard: _trend_at(heard, asked_m),
    )


def _trend_at(heard: Run, now_m: float) -> str | None:
    """Say where the one track goes that ends, in the newest ping, at this range."""
    last = heard.results[-1].index
    here = [
        p for p in passings_of(heard) if p.ping[-1] == last and abs(p.range_m[-1] - now_m) < 0.12
    ]
    if len(here) != 1 or here[0].passage.hits < 0.8 * len(heard.results):
        return None
    track = here[0]
    moved_m = float(track.range_m[-5:].mean() - track.range_m[:5].mean())
    if track.passage.kind == "stay" and abs(moved_m) < 0.01:
        return _SAME
    # 0.12 m are 32 dots of the picture.
    if track.passage.kind == "stay" or abs(moved_m) < 0.12:
        return None
    return _NEARER if moved_m < 0 else _FARTHER


def _how_fast(rng: np.random.Generator, difficulty: Difficulty, kind: int) -> Draft:
    ratio = 1.3 + 0.8 * difficulty.contrast * float(rng.uniform(0.9, 1.2))
    same_range = kind != 2 and rng.random() < 0.5
    near_m = float(rng.uniform(0.75, 0.95))
    ranges_m = [near_m, near_m]
    if not same_range:
        ranges_m[int(rng.integers(2))] = near_m * float(rng.uniform(1.5, 1.8))
    slow_m_s = (
        2 * max(ranges_m) * math.tan(HALF_ANGLE_RAD) / (float(rng.uniform(20, 23)) * INTERVAL_S)
    )
    speeds_m_s = {0: [ratio * slow_m_s, slow_m_s], 1: [slow_m_s, ratio * slow_m_s]}.get(
        kind, [slow_m_s, slow_m_s]
    )
    times_s = [3.0 + float(rng.uniform(-0.2, 0.2)), 9.0 + float(rng.uniform(-0.2, 0.2))]
    level_db = echo_level_db(max(ranges_m), 0.04)
    noise_db = noise_for_db(level_db, difficulty.snr_db)
    # The two come back alike loud, so that neither looks longer by its strength.
    things = [
        ball(r, radius_for_m(level_db, r), velocity_m_s=(0.0, 0.0, v), at_s=t)
        for r, v, t in zip(ranges_m, speeds_m_s, times_s, strict=True)
    ]
    answer = (_EARLIER, _LATER, _ALIKE)[kind]
    if same_range:
        reason = (
            "Both went by at the same range, where the beam is equally wide. The one whose arch "
            "is shorter in time was out of the beam sooner: it was faster."
        )
    else:
        reason = (
            "The beam is wider farther out, so that a thing at the same speed takes longer there, "
            "in proportion to its range. Divide how long each arch lasts by its range: the smaller "
            "ratio is the faster thing, equal ratios are equal speeds."
        )
    truth = tuple(
        f"The {name} ball went across at {v:.2f} m/s, nearest at {r:.2f} m."
        for name, v, r in zip(("earlier", "later"), speeds_m_s, ranges_m, strict=True)
    )
    return Draft(
        text=(
            "Two things went by, one after the other, each straight across through the middle of "
            "the beam. Which was faster?"
        ),
        choices=(_EARLIER, _LATER, _ALIKE),
        answer=answer,
        reason=reason,
        truth=truth,
        plan=air_plan(),
        acts=(Act(scene=air_scene(*things, noise_db=noise_db), pings=_FAST_PINGS),),
        decide=_faster_of_two,
    )


def _faster_of_two(heard: Run) -> str | None:
    """Say which of two passes was faster, by their fitted speeds and by their durations."""
    passes = [p for p in passings_of(heard) if p.passage.kind == "pass" and p.passage.hits >= 8]
    if len(passes) != 2 or len(passings_of(heard)) != 2:
        return None
    first, second = passes
    fitted = _log_ratio(first, second)
    strong = [p.passage.strong_hits or 0 for p in passes]
    if fitted is None or not all(strong):
        return None
    ratio, u_ratio = fitted
    # What a reader can measure: how long an arch is dark, and how long it is there at all.
    nearer = math.log(first.range_m.min() / second.range_m.min())
    dark = math.log(strong[1] / strong[0]) + nearer
    there = math.log(np.ptp(second.time_s) / np.ptp(first.time_s)) + nearer
    if abs(ratio) + 2 * u_ratio < 0.1 and abs(dark) < 0.15 and abs(there) < 0.22:
        return _ALIKE
    if min(ratio - 2 * u_ratio, dark, there) > 0.28:
        return _EARLIER
    return _LATER if max(ratio + 2 * u_ratio, dark, there) < -0.28 else None


_ONLY_FARTHER = "it is only farther out: both went alike fast"
_SLOWER, _WIDE_FASTER = "it was slower than the other", "it was faster than the other"
_LARGER = "it is larger than the other"


def _why_wider(rng: np.random.Generator, difficulty: Difficulty, kind: int) -> Draft:
    near_m = float(rng.uniform(0.75, 0.85))
    far_m = near_m * float(rng.uniform(2.0, 2.2))
    ratio = 1.38 + 0.2 * difficulty.contrast * float(rng.uniform(0.0, 1.0))
    wide_m, narrow_m = far_m, near_m
    if kind == 1:
        # As far out as the other, or a little farther: beyond, it would not be over in time.
        wide_m = near_m * (1.0 if rng.random() < 0.5 else float(rng.uniform(1.15, 1.3)))
    faster = {0: 1.0, 1: 1 / ratio, 2: ratio}[kind]
    narrow_m_s = (
        2 * narrow_m * math.tan(HALF_ANGLE_RAD) / (float(rng.uniform(9.5, 11)) * INTERVAL_S)
    )
    level_db = echo_level_db(max(wide_m, narrow_m), 0.05)
    wide = (wide_m, faster * narrow_m_s)
    passes = [wide, (narrow_m, narrow_m_s)]
    if rng.random() < 0.5:
        passes.reverse()
    times_s = [3.0 + float(rng.uniform(-0.2, 0.2)), 9.0 + float(rng.uniform(-0.2, 0.2))]
    things = [
        ball(r, radius_for_m(level_db, r), velocity_m_s=(0.0, 0.0, v), at_s=t)
        for (r, v), t in zip(passes, times_s, strict=True)
    ]
    reason = {
        0: "The two widths are as the two ranges: the beam is wider farther out, and at one speed "
        "a thing takes longer through it there. The deep arch is the wide arch.",
        1: "The arch is wider than its range alone would make it, against the other one: divide "
        "how long each lasts by its range. The larger ratio is the slower thing.",
        2: "The arch is wider, but by less than its range alone would make it: divide how long "
        "each lasts by its range. The smaller ratio is the faster thing.",
    }[kind]
    return Draft(
        text=(
            "Two things went by, one after the other, each straight across through the middle of "
            "the beam; they came back alike loud. One arch is wider in time than the other. Why?"
        ),
        choices=(_ONLY_FARTHER, _SLOWER, _WIDE_FASTER, _LARGER),
        answer=(_ONLY_FARTHER, _SLOWER, _WIDE_FASTER)[kind],
        reason=f"{reason} How large a thing is does not widen its arch.",
        truth=tuple(
            f"The {name} ball went across at {v:.2f} m/s, nearest at {r:.2f} m."
            for name, (r, v) in zip(("earlier", "later"), passes, strict=True)
        ),
        plan=air_plan(),
        acts=(
            Act(
                scene=air_scene(*things, noise_db=noise_for_db(level_db, difficulty.snr_db)),
                pings=_FAST_PINGS,
            ),
        ),
        decide=_why_the_wider_of_two,
    )


def _why_the_wider_of_two(heard: Run) -> str | None:
    """Say why one of two arches is wider, where one plainly is: by half power, and to the eye."""
    told = _faster_of_two(heard)
    if told is None:
        return None
    first, second = (p for p in passings_of(heard) if p.passage.kind == "pass")
    dark = math.log((first.passage.strong_hits or 1) / (second.passage.strong_hits or 1))
    there = math.log(np.ptp(first.time_s) / np.ptp(second.time_s))
    if min(dark, there) < 0.2 and max(dark, there) > -0.2:
        return None
    if told == _ALIKE:
        return _ONLY_FARTHER
    return _WIDE_FASTER if (told == _EARLIER) == (dark > 0) else _SLOWER


def _log_ratio(first: Passing, second: Passing) -> tuple[float, float] | None:
    speeds = [p.passage.crossing_speed_m_s for p in (first, second)]
    uncertain = [p.passage.u_crossing_speed_m_s for p in (first, second)]
    if speeds[0] is None or speeds[1] is None or uncertain[0] is None or uncertain[1] is None:
        return None
    u = math.hypot(uncertain[0] / speeds[0], uncertain[1] / speeds[1])
    return math.log(speeds[0] / speeds[1]), u


def _rounded(range_m: float) -> float:
    return round(range_m, 1)


TOPICS = (
    Topic(
        name="pass-or-stay",
        title="Pass, stay, half a pass, or not to be told yet",
        answers=4,
        draft=_pass_or_stay,
    ),
    Topic(
        name="nearer-or-farther",
        title="Which way time runs",
        answers=3,
        draft=_nearer_or_farther,
    ),
    Topic(name="how-fast", title="Which was faster", answers=3, draft=_how_fast),
    Topic(name="why-wider", title="Why an arch is wide", answers=3, draft=_why_wider),
)
