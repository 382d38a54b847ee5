"""Arch or streak: what passes draws an arch, what stays draws a streak."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from dsp.history.focus_limits import point_width_m
from dsp.history.focus_points import speed_lobe
from dsp.history.focusing import StraightWay
from dsp.physics.beams import first_null_rad, footprint_diameter_m, straight_pass
from dsp.physics.discs import disc_points_from_m
from dsp.uncertainty import stated
from rig.errors import NotHeardError, PlanError, RecordingError
from rig.measure.focus.measurement import focus_of, way_of, widths_over_speed
from rig.measure.passes import Passing, passings_of
from rig.measure.scale_card import Case, twin
from rig.teach.lessons.air_bench import ONE_BY_ONE, PLAN
from rig.teach.lessons.bench_in_use import (
    BenchInUse,
    degrees,
    easy_below,
    for_any_bench,
    metres,
    two_digits,
)
from rig.teach.lessons.crossing import cone_of, crossing_of
from rig.teach.lessons.lesson import Finding, Given, Lesson, Part, Question, Step, StepHeard, curve

_U_SPEED = 0.01  # of a speed told by tape and watch: 0.02 s in 2 s
_DRAWN = {"pass": "an arch", "half": "half an arch", "stay": "a streak"}


def _closest(range_m: float) -> Given:
    return Given(
        name="closest_m",
        text="from midway between source and receiver straight ahead to the thread, by tape, in m",
        value=range_m,
        u_value=0.003,
    )


def _closest_m(bench: BenchInUse) -> float:
    """Return where the ball passes: at a metre, or as far as is heard to the arch's feet."""
    return bench.places_m(1.0, needs=1.2)[0]


def _speed(name: str, which: str, speed_m_s: float) -> Given:
    return Given(
        name=name,
        text=f"how fast the ball is drawn{which}: metres of thread over seconds by the watch, "
        "in m/s",
        value=speed_m_s,
        u_value=_U_SPEED * speed_m_s,
    )


def _passing(heard: StepHeard, closest: Given) -> Passing:
    """Return what passed, or stayed, at about the distance of the thread."""
    found = passings_of(heard.run)
    near = [p for p in found if abs(p.range_m.min() - closest.value) < 0.15 * closest.value]
    if not near:
        raise NotHeardError(
            f"step {heard.step.name}: found {len(found)} tracks of echoes, none of them about "
            f"{closest.value:.3g} m away; take a larger ball, send louder, or ping faster"
        )
    longest = max(near, key=lambda p: p.passage.hits)
    if longest.passage.kind == "cannot-tell":
        raise NotHeardError(
            f"step {heard.step.name}: cannot be told ({longest.passage.reason}); send louder, and "
            "start and stop further outside the cone"
        )
    return longest


# Pass and stay

_CHOICES = ("an arch, then a streak", "a streak, then an arch", "the same mark both times")


def _pass_and_stay(heard: tuple[StepHeard, ...], givens: Mapping[str, Given]) -> Finding:
    closest, speed = givens["closest_m"], givens["speed_m_s"]
    moved, still = (_passing(h, closest) for h in heard)
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
        verdict=f"Drawn past, the ball made {_DRAWN[moved.passage.kind]}; hung still, it made "
        f"{_DRAWN[still.passage.kind]}. From the edge of the cone to the top of the arch the range "
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
                    _DRAWN[p.passage.kind],
                    str(p.passage.hits),
                    f"{p.range_m.min():.3f}",
                    f"{p.range_m.max():.3f}",
                )
                for h, p in zip(heard, (moved, still), strict=True)
            ),
        ),
    )


def _pass_and_stay_on(bench: BenchInUse) -> Part:
    closest_m = _closest_m(bench)
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
        givens=(_closest(closest_m), _speed("speed_m_s", "", speed_m_s)),
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
    seen = _passing(tilted, closest)
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
        verdict=f"The ball made {_DRAWN[told.kind]}: {before} hits before the closest point and "
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
            _closest(closest_m),
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
    closest_m = _closest_m(bench)
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
            _closest(closest_m),
            _speed("slow_m_s", " the first time", slow_m_s),
            _speed("fast_m_s", " the second time", fast_m_s),
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


# The deep arch is the wide arch

_WIDTHS = ("wider", "as wide", "narrower")


def _deep_arch(heard: tuple[StepHeard, ...], givens: Mapping[str, Given]) -> Finding:
    (both,) = heard
    near, far, speed = givens["near_m"], givens["far_m"], givens["speed_m_s"]
    # The two arches must not run into each other.
    found = [crossing_of(both, tape, speed, within=0.08) for tape in (near, far)]
    ratio, expected = found[1].chord_m / found[0].chord_m, far.value / near.value
    # One bar drew both: a wrong speed makes both as wrong.
    u_ratio = ratio * math.hypot(
        *(2 * c.u_by_noise_rad / math.sin(2 * c.half_angle_rad) for c in found)
    )
    half_rad, _ = cone_of(both.receiver)
    spacing_m = speed.value * both.plan.timing.ping_interval_s
    rise_mm = [1e3 * c.beam.fit.closest_m * (1 / math.cos(c.half_angle_rad) - 1) for c in found]
    tape_m = np.linspace(0.0, 1.15 * far.value, 50)
    told = 0 if ratio > 1 + 2 * u_ratio else 2 if ratio < 1 - 2 * u_ratio else 1
    return Finding(
        measured=ratio,
        u_measured=u_ratio,
        expected=expected,
        u_expected=expected * math.hypot(near.u_value / near.value, far.u_value / far.value),
        choice=_WIDTHS[told],
        verdict=f"{metres(near.value)} away the ball gave {found[0].hits} hits inside the cone, "
        f"{metres(far.value)} away {found[1].hits}: an arch {ratio:.2f} times as wide, "
        f"{expected:.2f} times as far away. It is higher, too: {rise_mm[1]:.0f} mm from its top "
        f"to the cone's edge, and {rise_mm[0]:.0f} mm near by. Balls and speed were the same.",
        x_label="distance from the transducers / m",
        y_label="width, times that of the near arch",
        curves=(
            curve("as wide as the cone is there", tape_m, tape_m / near.value),
            curve(
                "arches",
                [near.value, far.value],
                [1.0, ratio],
                [u_ratio / ratio, u_ratio],
                measured=True,
            ),
        ),
        numbers=(
            ("arch", "distance / m", "hits by theory", "hits", "width / m", "height / mm"),
            *(
                (
                    name,
                    f"{tape.value:.3f}",
                    f"{float(footprint_diameter_m(tape.value, half_rad)) / spacing_m:.1f}",
                    str(c.hits),
                    stated(c.chord_m, c.u_chord_m),
                    f"{rise:.0f}",
                )
                for name, tape, c, rise in zip(
                    ("near", "far"), (near, far), found, rise_mm, strict=True
                )
            ),
        ),
    )


def _deep_arch_on(bench: BenchInUse) -> Part:
    near_m, far_m = bench.places_m(0.7, 1.4, needs=1.16)
    width_m = bench.width_m(near_m)
    speed_m_s = bench.crossing_m_s(width_m, hits=11.4)
    # The far ball goes in well outside the cone, and comes out as far.
    middle = math.ceil(0.9 * bench.width_m(far_m) / speed_m_s / bench.interval_s)
    near_hits = width_m / speed_m_s / bench.interval_s

    def tape(name: str, which: str, range_m: float) -> Given:
        return Given(
            name=name,
            text=f"from midway between source and receiver straight ahead to the {which} ball's "
            "way, by tape, in m",
            value=range_m,
            u_value=0.003,
        )

    return Part(
        name="deep-arch",
        question=Question(
            text=f"Two equal balls hang from one bar, {metres(near_m)} and {metres(far_m)} away, "
            "and go past at the same speed. Each draws an arch; the near one has "
            f"{near_hits:.0f} hits inside the cone. What is the far arch, against the near one? "
            "(Measured besides: how many times as wide it is.)",
            unit="times",
            choices=_WIDTHS,
        ),
        givens=(
            tape("near_m", "near", near_m),
            tape("far_m", "far", far_m),
            _speed("speed_m_s", "", speed_m_s),
        ),
        steps=(
            Step(
                name="both",
                set_up="Turn the transducers straight ahead. Hang two balls of one size from a "
                f"bar, {metres(near_m)} and {metres(far_m)} away, the far one a little behind the "
                "near one so that neither hides the other. Draw the bar past at an even speed, "
                f"about {speed_m_s:g} m/s, until both are well out of the cone.",
                scene=bench.scene(
                    bench.passing_ball(near_m, speed_m_s, middle_pings=middle - 2.3),
                    bench.passing_ball(far_m, speed_m_s, middle_pings=middle),
                ),
                pings=2 * middle,
                # The side lobes of the near ball must not hide the far one.
                changes={"receiver": {"stack": 1, "weighting": "hann"}},
            ),
        ),
        find=_deep_arch,
        because="A cone is an angle: twice as far away it is twice as wide. At one speed the ball "
        "takes twice as long through it, more pings meet it, and its arch is twice as wide and "
        "twice as high. So the deep arch is the wide arch. Its width tells of distance, speed and "
        "ping rate, and of the ball nothing: that one is further away, and its echo is weaker. A "
        "screen shows an arch as far as it stands above the noise, so that a loud one looks longer "
        "than its cone; here each is measured to half of its own strongest echo's power.",
        talk=(
            "Someone shows you a screen with small arches above and large ones below: “The big "
            "ones are down there.” What do you ask?",
            "How much nearer or faster must a thing go by so that both arches are equally wide?",
        ),
    )


# From the bench to the field

_FIELD_DEPTH_M, _FIELD_PINGS_PER_S = 10.0, 10.0
_BOAT_M_S = {"slow-boat": 1.8, "fast-boat": 2.7}
"""4 to 6 mph over ground: common practice, no source."""


def _drawn_for(boat_m_s: float, bench: BenchInUse, closest_m: float) -> Case:
    """Return the ball on this bench that is twin to a boat's fish."""
    field = Case(
        speed_m_s=boat_m_s,
        depth_m=_FIELD_DEPTH_M,
        cone_rad=2 * bench.half_rad,
        pings_per_s=_FIELD_PINGS_PER_S,
    )
    return twin(field, depth_m=closest_m, pings_per_s=1 / bench.interval_s)


def _bench_to_field(heard: tuple[StepHeard, ...], givens: Mapping[str, Given]) -> Finding:
    closest = givens["closest_m"]
    half_rad, u_half_rad = cone_of(heard[0].receiver)
    cone_rad = 2 * half_rad
    pings_per_s = 1 / heard[0].plan.timing.ping_interval_s
    speeds = (givens["slow_m_s"], givens["fast_m_s"])
    boats = [
        twin(
            Case(
                speed_m_s=speed.value,
                depth_m=closest.value,
                cone_rad=cone_rad,
                pings_per_s=pings_per_s,
            ),
            depth_m=_FIELD_DEPTH_M,
            pings_per_s=_FIELD_PINGS_PER_S,
        )
        for speed in speeds
    ]
    found = [crossing_of(h, closest, s) for h, s in zip(heard, speeds, strict=False)]
    marks = [_DRAWN[_passing(h, closest).passage.kind] for h in heard]
    boat_m_s = [boat.speed_m_s for boat in boats]
    boats_m_s = np.linspace(0.7 * boat_m_s[0], 1.2 * boat_m_s[1], 50)
    share = math.hypot(
        closest.u_value / closest.value,
        speeds[1].u_value / speeds[1].value,
        2 * u_half_rad / math.sin(cone_rad),
    )
    return Finding(
        measured=float(found[1].hits),
        u_measured=found[1].u_hits,
        expected=boats[1].hits,
        u_expected=boats[1].hits * share,
        verdict=f"As over something {_FIELD_DEPTH_M:.0f} m down with {_FIELD_PINGS_PER_S:.0f} "
        f"pings a second: a boat at {boat_m_s[0]:.1f} m/s draws {marks[0]} of {found[0].hits} "
        f"hits, at {boat_m_s[1]:.1f} m/s {marks[1]} of {found[1].hits}; one that stands draws "
        f"{marks[2]}.",
        x_label="speed of the boat / m/s",
        y_label="hits inside the cone",
        curves=(
            curve(
                f"{_FIELD_DEPTH_M:.0f} m down, a cone of {math.degrees(cone_rad):.0f}°, "
                f"{_FIELD_PINGS_PER_S:.0f} pings a second",
                boats_m_s,
                boats[1].crossing.chord_m / boats_m_s * _FIELD_PINGS_PER_S,
            ),
            curve(
                "the bench's twins",
                boat_m_s,
                [c.hits for c in found],
                [c.u_hits for c in found],
                measured=True,
            ),
        ),
        numbers=(
            ("step", "ball / m/s", "boat / m/s", "hits by theory", "hits", "mark"),
            *(
                (
                    h.step.name,
                    f"{s.value:.3f}",
                    f"{boat.speed_m_s:.2f}",
                    f"{boat.hits:.1f}",
                    str(c.hits),
                    mark,
                )
                for h, s, boat, c, mark in zip(heard, speeds, boats, found, marks, strict=False)
            ),
            (heard[-1].step.name, "0", "0", "as many as pings", "", marks[-1]),
        ),
    )


def _bench_to_field_on(bench: BenchInUse) -> Part:
    closest_m = _closest_m(bench)
    balls = {name: _drawn_for(speed, bench, closest_m) for name, speed in _BOAT_M_S.items()}
    names = {"slow_m_s": "slow-boat", "fast_m_s": "fast-boat"}
    below_m = 2 * _FIELD_DEPTH_M * math.tan(bench.half_rad)
    rate = two_digits(1 / bench.interval_s)

    def step(name: str) -> Step:
        # From well outside the cone to well outside it.
        half = math.ceil(0.9 * balls[name].hits)
        return Step(
            name=name,
            set_up=f"A boat at {_BOAT_M_S[name]} m/s over something {_FIELD_DEPTH_M:.0f} m down, "
            f"with {_FIELD_PINGS_PER_S:.0f} pings a second: on this bench, {metres(closest_m)} "
            f"away and with {rate} pings a second, the ball is drawn at "
            f"{two_digits(balls[name].speed_m_s)} m/s.",
            scene=bench.scene(
                bench.passing_ball(closest_m, balls[name].speed_m_s, middle_pings=half)
            ),
            pings=2 * half,
            changes=ONE_BY_ONE,
        )

    return Part(
        name="bench-to-field",
        question=Question(
            text=f"A boat goes at {_BOAT_M_S['fast-boat']} m/s (about 6 miles an hour) over a fish "
            f"that hangs {_FIELD_DEPTH_M:.0f} m down. The cone is {degrees(2 * bench.half_rad)} "
            f"wide from edge to edge, and so {metres(below_m)} wide down there; "
            f"{_FIELD_PINGS_PER_S:.0f} pings leave each second. How many of them hit the fish "
            "inside the cone?",
            unit="hits",
        ),
        givens=(
            _closest(closest_m),
            *(
                _speed(given, f" for the {name.replace('-', ' ')}", balls[name].speed_m_s)
                for given, name in names.items()
            ),
        ),
        steps=(
            *(step(name) for name in _BOAT_M_S),
            Step(
                name="standing-boat",
                set_up="The boat stands: let the ball hang still, "
                f"{metres(closest_m)} straight ahead.",
                scene=bench.scene({"position_m": [closest_m, 0.0, 0.0]}),
                pings=20,
                changes=ONE_BY_ONE,
            ),
        ),
        find=_bench_to_field,
        because="Whether the thing moves or the boat does is the same to the sound. Two pictures "
        "are alike where the cone is the same and the way from ping to ping is the same share of "
        f"the distance. So a bench of {metres(closest_m)} shows what a boat sees at "
        f"{_FIELD_DEPTH_M:.0f} m. At {_BOAT_M_S['slow-boat']} to {_BOAT_M_S['fast-boat']} m/s (4 "
        "to 6 miles an hour) a common cone at a common depth is crossed in a second or two, which "
        "makes an arch of a dozen hits or more; from a boat that stands the same fish is a streak.",
        talk=(
            "Why do people at anchor say that they never see arches?",
            "The fish is 5 m down. How many hits does it give, and how fast must the ball go?",
        ),
    )


# Into focus

_FOLDED = ("it blurs", "it is as sharp", "it grows sharper")

_WIDEST_RAD = math.radians(35)
"""A wider beam would take more pings than a class waits for: its arch is cut off at both feet."""

_PINGS = 100
"""About so many are sent over the whole arch, where something may hang so near."""

_MOST_PINGS = 150
_OF_A_LIMIT = 0.85  # from ping to ping, of the way that can just be told apart

_U_BAND = 0.04
"""A ball's echo, and the way in air, tilt the pulse's band, and a band's middle makes the width
of a wide beam: by as much in the virtual tank, from balls of 4 to 20 mm."""


def _folded(heard: tuple[StepHeard, ...], givens: Mapping[str, Given]) -> Finding:
    closest, speed = givens["closest_m"], givens["speed_m_s"]
    (drawn,) = heard
    try:
        focus = focus_of(drawn.run, from_m=0.85 * closest.value, to_m=1.15 * closest.value)
    except RecordingError as problem:
        raise NotHeardError(
            f"step {drawn.step.name}: found nothing that passed about {closest.value:.3g} m away; "
            "draw the ball straight and evenly past the pair, or send louder"
        ) from problem
    told = [p for p in focus.points if p.width_along_m is not None and not p.near]
    if not told:
        raise NotHeardError(
            f"step {drawn.step.name}: found no point in focus about {closest.value:.3g} m away; "
            "draw the ball straight and evenly, or send louder"
        )
    best = max(told, key=lambda p: p.strength_db)
    width_m = float(best.width_along_m or 0.0)
    found, face = focus.speed, focus.face
    # What the disc and the pings allow, by tape and watch: nothing of it is heard.
    way = way_of(drawn.receiver, speed.value)
    pings = len(drawn.run.results)
    ahead_m = np.asarray(way.spacing_m * (np.arange(pings) - (pings - 1) / 2))
    expected_m = point_width_m(face, way, ahead_m, closest.value) or math.nan
    reach = 2.5 * speed_lobe(way, closest.value, _heard_way_m(way, closest.value, pings))
    shares = np.linspace(-reach, reach, 7)
    widths_m = widths_over_speed(
        drawn.run, focus.way, face, best.point, found.speed_m_s * (1 + shares)
    )
    fine = np.linspace(-reach, reach, 21)
    theory_m = [
        point_width_m(face, way, ahead_m, closest.value, tried_m_s=way.speed_m_s * (1 + s))
        for s in fine.tolist()
    ]
    # What falls to half nowhere is wider than all that was looked at.
    wrong_m = float(np.nan_to_num(widths_m[[0, -1]], nan=math.inf).mean())
    blurs = wrong_m > 1.2 * width_m
    wrong = (
        f"{1e3 * wrong_m:.0f} mm wide" if math.isfinite(wrong_m) else "spread out too far to tell"
    )
    return Finding(
        measured=1e3 * width_m,
        u_measured=1e3 * width_m * math.hypot(_U_BAND, found.u_speed_m_s / found.speed_m_s),
        expected=1e3 * expected_m,
        u_expected=1e3 * expected_m * _U_BAND,
        choice=_FOLDED[0 if blurs else 2 if wrong_m < width_m / 1.2 else 1],
        verdict=f"Folded back at {stated(found.speed_m_s, found.u_speed_m_s)} m/s, where it is "
        f"sharpest, the ball is {1e3 * width_m:.0f} mm wide along its way. At speeds "
        f"{100 * reach:.0f} % too low or too high it is {wrong}.",
        x_label="speed at which the echoes are folded, over the ball's own",
        y_label="width of the ball along its way / mm",
        curves=(
            curve(
                "a point, by theory",
                1 + fine,
                [math.nan if w is None else 1e3 * w for w in theory_m],
            ),
            curve("the ball", 1 + shares, 1e3 * widths_m, measured=True),
        ),
        numbers=(
            (
                "speed by watch / (m/s)",
                "speed by sharpness / (m/s)",
                "width / mm",
                "by theory / mm",
            ),
            (
                f"{speed.value:.3f}",
                stated(found.speed_m_s, found.u_speed_m_s),
                f"{1e3 * width_m:.1f}",
                f"{1e3 * expected_m:.1f}",
            ),
        ),
    )


def _heard_way_m(way: StraightWay, closest_m: float, pings: int) -> float:
    """Return over how long a way the ball is heard: within the beam, and within the pings."""
    return min(2 * closest_m * math.tan(way.half_angle_rad), pings * way.spacing_m)


def _into_focus_on(bench: BenchInUse) -> Part:
    plan = bench.plan
    if plan.timing.band_sampling:
        raise PlanError(
            "timing.band_sampling: found true, by which a band is folded down and its phase with "
            "it: do this part with a loudspeaker's plan (`echobench plan --write air bench.toml`), "
            "or leave --plan out and hear it in the virtual tank"
        )
    its = plan.transducer
    edge_rad = min(first_null_rad(its.shape, its.size_m, bench.wave_m), _WIDEST_RAD)
    most_m = bench.wave_m / (4 * math.sin(edge_rad))
    wanted_m = _PINGS * _OF_A_LIMIT * most_m / (2 * math.tan(edge_rad))
    least_m = disc_points_from_m(its.radius_m, bench.wave_m) if its.shape == "piston" else 0
    wanted_m = max(min(1.0, wanted_m), 1.02 * least_m)
    (closest_m,) = bench.places_m(float(f"{wanted_m:.2g}"), needs=1 / math.cos(edge_rad))
    if closest_m < least_m:
        smaller_m = its.radius_m * math.sqrt(closest_m / least_m)
        raise PlanError(
            f"transducer.radius_m: found {its.radius_m:g}; {metres(closest_m)} away, where there "
            "is room, so large a disc is no point to what it hears, and draws another arch: give "
            f"at most {two_digits(smaller_m)}, or a lower frequency"
        )
    room_s = bench.room_s(plan.pulse.duration_s, plan.receiver.range_stop_m)
    interval_s = min(math.ceil(1e3 * room_s) / 1e3, bench.interval_s)
    speed_m_s = easy_below(
        _OF_A_LIMIT * most_m / interval_s, (1.0, 1.2, 1.5, 2.0, 2.5, 3.0, 4.0, 6.0)
    )
    whole = math.ceil(2.1 * closest_m * math.tan(edge_rad) / (speed_m_s * interval_s))
    half = min(whole, _MOST_PINGS) // 2
    arch_m = 2 * half * speed_m_s * interval_s
    return Part(
        name="into-focus",
        question=Question(
            text=f"A small ball is drawn {metres(arch_m)} along a straight line, "
            f"{metres(closest_m)} away, and draws an arch over {2 * half} pings. For each place "
            "beside the way one knows what arch a point there would draw. Its echoes are read off "
            "all pings along that arch, and added up in step: the arch is folded back into the "
            "place that drew it. That takes the ball's speed. What if one takes a wrong one? "
            "(Measured besides: how wide along the way the ball comes out at the right one.)",
            unit="mm",
            choices=_FOLDED,
        ),
        givens=(_closest(closest_m), _speed("speed_m_s", "", speed_m_s)),
        steps=(
            Step(
                name="past",
                set_up="Lay source and receiver side by side. Draw a small ball on a thread past "
                f"them, {metres(closest_m)} away, along the line from one to the other, straight "
                f"and as evenly as you can, at about {speed_m_s:g} m/s: from {metres(arch_m / 2)} "
                "before the axis to as far beyond it.",
                scene=bench.scene(
                    {
                        "radius_m": 0.01,
                        "position_m": [closest_m, -speed_m_s * half * interval_s, 0.0],
                        "velocity_m_s": [0.0, speed_m_s, 0.0],
                    }
                ),
                pings=2 * half + 1,
                changes={**ONE_BY_ONE, "timing": {"ping_interval_s": interval_s}},
            ),
        ),
        find=_folded,
        because="An arch is not lost place: it is a place written out over many pings. The way "
        "out and back to a point grows away from the axis just as its speed and its distance say. "
        "Turned back by that, all its echoes are in step at one place, and out of step beside it. "
        "A disc does no better than half its width, near or far: farther off the beam is wider, "
        "and so is the stretch of way from which a point is heard. With a wrong speed the echoes "
        "at the arch's feet are turned too far or not far enough, and the point blurs.",
        talk=(
            "A boat's pictures are folded so, too. What would a boat have to know of its own way?",
            "A larger face has a narrower beam. Is its folded picture finer, or coarser?",
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
        _deep_arch_on,
        _bench_to_field_on,
        _into_focus_on,
    ),
    misreading="“Arches are fish, and a long mark is a long fish.” An arch is anything small that "
    "passed; a streak is anything that stayed; neither tells a size.",
)
