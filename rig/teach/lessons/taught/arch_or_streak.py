"""Arch or streak: what passes draws an arch, what stays draws a streak."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from dsp.physics.beams import footprint_diameter_m, straight_pass
from dsp.uncertainty import stated
from rig.errors import NotHeardError
from rig.teach.lessons.air_bench import ONE_BY_ONE, PLAN
from rig.teach.lessons.bench_in_use import BenchInUse, for_any_bench, metres
from rig.teach.lessons.by_hand import closest_by_tape, speed_by_watch
from rig.teach.lessons.crossing import cone_of, crossing_of
from rig.teach.lessons.lesson import Finding, Given, Lesson, Part, Question, Step, StepHeard, curve
from rig.teach.lessons.parts.bench_to_field import bench_to_field_on
from rig.teach.lessons.parts.deep_arch import deep_arch_on
from rig.teach.lessons.parts.into_focus import into_focus_on
from rig.teach.lessons.passing_ball import DRAWN, closest_m_of, passing_near

# Pass and stay

_CHOICES = ("an arch, then a streak", "a streak, then an arch", "the same mark both times")


def _pass_and_stay(heard: tuple[StepHeard, ...], givens: Mapping[str, Given]) -> Finding:
    closest, speed = givens["closest_m"], givens["speed_m_s"]
    moved, still = (passing_near(h, closest) for h in heard)
    if moved.passage.kind == "stay":
        raise NotHeardError(
            f"step {heard[0].step.name}: the ball made a streak: it did not pass; draw it right "
            "across the cone"
        )
    crossed = crossing_of(heard[0], closest, speed)
    edge_rad, top_m = crossed.half_angle_rad, crossed.beam.fit.closest_m
    rise_mm = 1e3 * top_m * (1 / math.cos(edge_rad) - 1)
    by_angle_mm = 1e3 * top_m * math.tan(edge_rad) / math.cos(edge_rad)
    half_rad, u_half_rad = cone_of(heard[0].receiver)
    way = straight_pass(closest.value, half_rad, speed.value)
    expected_mm = 1e3 * (way.edge_range_m - closest.value)
    from_top_s = moved.time_s - (moved.passage.closest_time_s or float(np.mean(moved.time_s)))
    times_s = np.linspace(float(from_top_s.min()), float(from_top_s.max()), 80)
    return Finding(
        measured=rise_mm,
        u_measured=by_angle_mm * crossed.beam.u_half_power_rad,
        expected=expected_mm,
        u_expected=math.hypot(
            expected_mm * closest.u_value / closest.value,
            1e3 * way.edge_range_m * math.tan(half_rad) * u_half_rad,
        ),
        choice=_CHOICES[0 if still.passage.kind == "stay" else 2],
        verdict=f"Drawn past, the ball made {DRAWN[moved.passage.kind]}; hung still, it made "
        f"{DRAWN[still.passage.kind]}. From the edge of the cone to the top of the arch the range "
        f"changed by {rise_mm:.0f} mm.",
        x_label="time from the closest point / s",
        y_label="range, more than the nearest / mm",
        curves=(
            curve(
                "a straight way past, by Pythagoras",
                times_s,
                1e3 * (np.hypot(closest.value, speed.value * times_s) - closest.value),
            ),
            curve("drawn past", from_top_s, 1e3 * (moved.range_m - top_m), measured=True),
            curve(
                "hung still",
                still.time_s - float(np.mean(still.time_s)),
                1e3 * (still.range_m - float(np.mean(still.range_m))),
                measured=True,
            ),
        ),
        numbers=(
            ("step", "mark", "hits", "nearest / m", "farthest / m"),
            *(
                (
                    h.step.name,
                    DRAWN[p.passage.kind],
                    str(p.passage.hits),
                    f"{p.range_m.min():.3f}",
                    f"{p.range_m.max():.3f}",
                )
                for h, p in zip(heard, (moved, still), strict=True)
            ),
        ),
    )


def _pass_and_stay_on(bench: BenchInUse) -> Part:
    closest_m = closest_m_of(bench)
    speed_m_s = bench.crossing_m_s(bench.width_m(closest_m), hits=19.6)
    return Part(
        name="pass-and-stay",
        question=Question(
            text=f"First the ball is drawn straight past, {metres(closest_m)} away. Then it hangs "
            "still on the axis. The history sets ping under ping, so that time runs one way and "
            "range the other. What marks does it show? (Measured besides: how much nearer the "
            "ball is on the axis than at the cone's edge.)",
            unit="mm",
            choices=_CHOICES,
        ),
        givens=(closest_by_tape(closest_m), speed_by_watch("speed_m_s", "", speed_m_s)),
        steps=(
            Step(
                name="pass",
                set_up="Lay source and receiver side by side. Draw a ball on a thread past them, "
                f"{metres(closest_m)} away, along the line from one to the other, from outside the "
                f"cone to outside it; evenly, at about {speed_m_s:g} m/s, so that ten pings or "
                "more meet it inside.",
                scene=bench.scene(bench.passing_ball(closest_m, speed_m_s, middle_pings=20)),
                pings=40,
                changes=ONE_BY_ONE,
            ),
            Step(
                name="stay",
                set_up=f"Let the ball hang still, {metres(closest_m)} straight ahead.",
                scene=bench.scene({"position_m": [closest_m, 0.0, 0.0]}),
                pings=20,
                changes=ONE_BY_ONE,
            ),
        ),
        find=_pass_and_stay,
        because="A screen knows only how far away a thing is. What passes straight by is far away "
        "at the edge of the cone, nearest on the axis, and far again: its range rises and falls as "
        "Pythagoras says, and draws an arch. What stays has one range for as long as it stays: a "
        "streak. The streak grows with time, not with the thing.",
        talk=(
            "A streak right across the screen: is the thing long, or has it been there for long?",
            "The boat stands still and something swims past. What does the screen show?",
        ),
    )


# Half an arch

_HALVES = ("a whole arch", "half an arch", "a streak", "cannot be told yet")


_U_FORM = 1 / 60
"""What the beam's form leaves its axis unsure by, as a share of the half angle: a parabola fits a
disc's lobe within 0.1 dB, which at the edge falls by 6 dB for each half angle."""


def _half_arch(heard: tuple[StepHeard, ...], givens: Mapping[str, Given]) -> Finding:
    closest, turned = givens["closest_m"], givens["tilt_deg"]
    (tilted,) = heard
    seen = passing_near(tilted, closest)
    told = seen.passage
    if (
        told.tilt_rad is None
        or told.u_tilt_rad is None
        or told.closest_time_s is None
        or told.closest_range_m is None
        or told.crossing_speed_m_s is None
    ):
        raise NotHeardError(
            f"step {tilted.step.name}: the echo does not rise and fall as in a beam; draw the ball "
            f"right across the cone, {closest.value:.3g} m away"
        )
    top_m, speed_m_s = told.closest_range_m, told.crossing_speed_m_s
    half_rad, _ = cone_of(tilted.receiver)
    u_tilt_rad = math.hypot(told.u_tilt_rad, _U_FORM * half_rad)
    strongest_mm = 1e3 * top_m * (1 / math.cos(told.tilt_rad) - 1)
    expected_mm = 1e3 * closest.value * (1 / math.cos(math.radians(turned.value)) - 1)
    slope_mm = 1e3 * top_m * math.tan(told.tilt_rad) / math.cos(told.tilt_rad)
    by_tilt_mm = 1e3 * closest.value * math.tan(math.radians(turned.value)) * turned.u_value
    from_top_s = seen.time_s - told.closest_time_s
    times_s = np.linspace(float(from_top_s.min()), float(from_top_s.max()), 80)
    before = int(np.count_nonzero(from_top_s < 0))
    # While the ball is in the beam, the other leg may still come.
    last_rad = math.atan(speed_m_s * float(from_top_s.max()) / top_m)
    inside = last_rad < told.tilt_rad + half_rad
    tilt_deg, u_tilt_deg = math.degrees(told.tilt_rad), math.degrees(u_tilt_rad)
    return Finding(
        measured=strongest_mm,
        u_measured=slope_mm * u_tilt_rad,
        expected=expected_mm,
        u_expected=math.hypot(
            math.radians(by_tilt_mm), expected_mm * closest.u_value / closest.value
        ),
        choice=_HALVES[3 if inside else {"pass": 0, "half": 1, "stay": 2}[told.kind]],
        verdict=f"The ball made {DRAWN[told.kind]}: {before} hits before the closest point and "
        f"{told.hits - before} after it. It was heard best {tilt_deg:.1f}° beyond the closest "
        "point, where the beam looks.",
        x_label="time from the closest point / s",
        y_label="range, more than the nearest / mm",
        curves=(
            curve(
                "a straight way past, by Pythagoras",
                times_s,
                1e3 * (np.hypot(top_m, speed_m_s * times_s) - top_m),
            ),
            curve("hits", from_top_s, 1e3 * (seen.range_m - top_m), measured=True),
        ),
        numbers=(
            ("turned by / °", "heard best at / °", "hits before", "hits after"),
            (
                f"{turned.value:.1f}",
                stated(tilt_deg, u_tilt_deg),
                str(before),
                str(told.hits - before),
            ),
        ),
    )


def _half_arch_on(bench: BenchInUse) -> Part:
    # Turned by more than half the cone, the axis straight ahead lies outside it.
    tilt_deg = round(1.2 * math.degrees(bench.half_rad))
    slant = 1 / math.cos(math.radians(tilt_deg) + bench.half_rad)
    (closest_m,) = bench.places_m(1.0, needs=slant)
    width_m = bench.width_m(closest_m)
    speed_m_s = bench.crossing_m_s(width_m, hits=19.6)
    turned = f"{tilt_deg}°"
    return Part(
        name="half-arch",
        question=Question(
            text=f"Both transducers are turned by {turned} towards the side to which the ball "
            f"goes; then the ball is drawn past, {metres(closest_m)} away. What mark does the "
            "history show? (Measured besides: how much more than the least the range is where the "
            "echo is strongest.)",
            unit="mm",
            choices=_HALVES,
        ),
        givens=(
            closest_by_tape(closest_m),
            Given(
                name="tilt_deg",
                text="by how much the transducers are turned towards the side to which the ball "
                "goes, by protractor, in degrees",
                value=float(tilt_deg),
                u_value=0.5,
            ),
        ),
        steps=(
            Step(
                name="turned",
                set_up=f"Turn both transducers by {turned} towards the side to which the ball will "
                f"go. Draw the ball past, {metres(closest_m)} away, at about {speed_m_s:g} m/s, "
                "and on until it is well out of the cone.",
                # The tank turns its faces upwards: here the ball is drawn up.
                scene=bench.scene(
                    {
                        "position_m": [closest_m, 0.0, -0.57 * width_m],
                        "velocity_m_s": [0.0, 0.0, speed_m_s],
                    },
                    transducer={"tilt_deg": float(tilt_deg)},
                ),
                pings=44,
                changes=ONE_BY_ONE,
            ),
        ),
        find=_half_arch,
        because="The range still has its least value straight ahead of the bench, but the beam "
        "looks elsewhere. On one side of the closest point the ball is outside the cone and hardly "
        "heard. What is left is one leg of the arch: it only comes nearer, or only goes away. A "
        "beam that is turned aside draws half arches, and so does a thing that comes or leaves "
        "half-way.",
        talk=(
            "All arches on a screen lack their left leg. What would you look at first on the boat?",
            "One arch among many lacks a leg. What may that thing have done?",
        ),
    )


# Speed and ping rate


def _speed_and_pings(heard: tuple[StepHeard, ...], givens: Mapping[str, Given]) -> Finding:
    closest, speeds = givens["closest_m"], (givens["slow_m_s"], givens["fast_m_s"])
    slow = crossing_of(heard[0], closest, speeds[0])
    fast = crossing_of(heard[1], closest, speeds[1])
    seldom = crossing_of(heard[0], closest, speeds[0], every=2)
    interval_s = heard[0].plan.timing.ping_interval_s
    rows = (
        ("slow", slow, speeds[0].value * interval_s),
        ("fast", fast, speeds[1].value * interval_s),
        ("slow, every second ping", seldom, 2 * speeds[0].value * interval_s),
    )
    if min(c.hits for _, c, _ in rows) == 0:
        raise NotHeardError(
            f"step {heard[1].step.name}: found no hit inside the cone; draw the ball more slowly, "
            "or ping faster"
        )
    width_m = float(footprint_diameter_m(closest.value, cone_of(heard[0].receiver)[0]))
    ratio, expected = fast.hits / slow.hits, speeds[0].value / speeds[1].value
    spacing_mm = np.linspace(0.7, 1.2, 40) * np.linspace(1e3 * rows[0][2], 1e3 * rows[1][2], 40)
    return Finding(
        measured=ratio,
        u_measured=ratio * math.hypot(fast.u_hits / fast.hits, slow.u_hits / slow.hits),
        expected=expected,
        u_expected=expected * math.hypot(*(s.u_value / s.value for s in speeds)),
        verdict=f"{slow.hits} hits drawn slowly, {fast.hits} drawn fast, and {seldom.hits} drawn "
        "slowly with every second ping left out. Faster, or pinged more seldom: the arch has fewer "
        "hits, and its shape in metres is the same.",
        x_label="way of the ball from ping to ping / mm",
        y_label="hits, times those of the slow pass",
        curves=(
            curve(
                "one hit for each such way that fits in the cone",
                spacing_mm,
                1e3 * rows[0][2] / spacing_mm,
            ),
            curve(
                "passes",
                [1e3 * spacing_m for _, _, spacing_m in rows],
                [c.hits / slow.hits for _, c, _ in rows],
                [c.u_hits / slow.hits for _, c, _ in rows],
                measured=True,
            ),
        ),
        numbers=(
            ("pass", "from ping to ping / mm", "hits by theory", "hits", "width of cone / m"),
            *(
                (
                    words,
                    f"{1e3 * spacing_m:.1f}",
                    f"{width_m / spacing_m:.1f}",
                    str(c.hits),
                    f"{c.chord_m:.3f}",
                )
                for words, c, spacing_m in rows
            ),
        ),
    )


def _speed_and_pings_on(bench: BenchInUse) -> Part:
    closest_m = closest_m_of(bench)
    slow_m_s = bench.crossing_m_s(bench.width_m(closest_m), hits=24.5)
    fast_m_s = 2 * slow_m_s
    return Part(
        name="speed-and-pings",
        question=Question(
            text=f"The ball is drawn past slowly, then twice as fast, {metres(closest_m)} away "
            "both times. How many times as many hits does the fast pass give? (1 is as many, below "
            "1 is fewer.)",
            unit="times",
        ),
        givens=(
            closest_by_tape(closest_m),
            speed_by_watch("slow_m_s", " the first time", slow_m_s),
            speed_by_watch("fast_m_s", " the second time", fast_m_s),
        ),
        steps=(
            Step(
                name="slow",
                set_up="Turn the transducers straight ahead again. Draw the ball past slowly, at "
                f"about {slow_m_s:g} m/s, {metres(closest_m)} away, from outside the cone to "
                "outside it.",
                scene=bench.scene(bench.passing_ball(closest_m, slow_m_s, middle_pings=20)),
                pings=40,
                changes=ONE_BY_ONE,
            ),
            Step(
                name="fast",
                set_up="The same, twice as fast.",
                scene=bench.scene(bench.passing_ball(closest_m, fast_m_s, middle_pings=12)),
                pings=24,
                changes=ONE_BY_ONE,
            ),
        ),
        find=_speed_and_pings,
        because="Between two pings the ball goes on by its speed times the time from ping to ping. "
        "As many of these steps as fit across the cone, so many hits there are. Twice the speed "
        "halves them, and so does half the ping rate; on a screen that moves on by one column a "
        "ping, the arch is then half as wide. The ball and the cone were the same.",
        talk=(
            "Two boats cross the same fish, one twice as fast. Whose screen shows the wider arch?",
            "Why does a deep range setting, which has to ping slowly, draw narrow arches?",
        ),
    )


LESSON = Lesson(
    name="arch-or-streak",
    title="Arch or streak",
    minutes=60,
    about="What an arch, half an arch and a streak say of a thing's movement and of the boat's, "
    "and how a bench shows what a boat sees.",
    plan=PLAN,
    parts=for_any_bench(
        PLAN,
        _pass_and_stay_on,
        _half_arch_on,
        _speed_and_pings_on,
        deep_arch_on,
        bench_to_field_on,
        into_focus_on,
    ),
    misreading="“Arches are fish, and a long mark is a long fish.” An arch is anything small that "
    "passed; a streak is anything that stayed; neither tells a size.",
)
