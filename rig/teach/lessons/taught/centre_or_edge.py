"""Centre or edge: a weak echo is a small thing, or one at the edge of the cone."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from dsp.history.strengths import hard_ball_radius_m
from dsp.uncertainty import stated
from rig.errors import LessonError
from rig.measure.strength import target_strengths
from rig.run.results import Echo
from rig.teach.lessons.air_bench import PLAN
from rig.teach.lessons.bench_in_use import (
    BenchInUse,
    centimetres,
    for_any_bench,
    metres,
    millimetres,
)
from rig.teach.lessons.crossing import cone_of
from rig.teach.lessons.lesson import Finding, Given, Lesson, Part, Question, Step, StepHeard, curve
from rig.teach.lessons.levels import CREEPING_DB, NEPER_DB, ahead_db, beside_db, u_level_db
from rig.teach.lessons.picking import echo_near

_U_PLACE_M = 0.002


# Weaker at the edge

_PLACES = ("axis", "first", "second", "edge")


def _weaker(heard: tuple[StepHeard, ...], givens: Mapping[str, Given]) -> Finding:
    ahead = givens["ahead_m"]
    beside = [Given(name="axis_m", text="", value=0.0, u_value=_U_PLACE_M)]
    beside += [givens[f"{h.step.name}_m"] for h in heard[1:]]
    receiver = heard[0].receiver
    ranges_m = [math.hypot(ahead.value, b.value) for b in beside]
    angles_rad = [math.atan2(b.value, ahead.value) for b in beside]
    echoes = [
        echo_near(h, range_m, within_m=0.1 * range_m)
        for h, range_m in zip(heard, ranges_m, strict=True)
    ]

    def theory_db(across_m: float) -> float:
        """Beam, and the little that the ball is further off."""
        range_m = math.hypot(ahead.value, across_m)
        side_db = beside_db(receiver, math.atan2(across_m, ahead.value), range_m)
        return float((side_db + ahead_db(receiver, range_m) - ahead_db(receiver, ahead.value))[0])

    weaker_db = [echoes[0].strength_db - e.strength_db for e in echoes]
    u_db = [0.0, *(math.hypot(u_level_db(e), u_level_db(echoes[0])) for e in echoes[1:])]
    expected_db = [-theory_db(b.value) for b in beside]
    edge = beside[-1]
    slope_db = theory_db(edge.value + 0.5 * _U_PLACE_M) - theory_db(edge.value - 0.5 * _U_PLACE_M)
    across_m = np.linspace(0.0, 1.15 * edge.value, 60)
    return Finding(
        measured=weaker_db[-1],
        u_measured=u_db[-1],
        expected=expected_db[-1],
        u_expected=math.hypot(
            abs(slope_db) / _U_PLACE_M * edge.u_value,
            # A beam falls by about the square of the angle, counted in waves.
            2 * expected_db[-1] * receiver.u_sound_speed_m_s / receiver.sound_speed_m_s,
        ),
        verdict=f"The same ball is {weaker_db[-1]:.1f} dB weaker {100 * edge.value:.0f} cm beside "
        f"the axis: {100 * 10 ** (-weaker_db[-1] / 10):.0f} % of the power. Nothing about the ball "
        "has changed, only its place in the cone.",
        x_label="from the axis / °",
        y_label="weaker than on the axis / dB",
        curves=(
            curve(
                "formula for the disc, out and back",
                np.degrees(np.arctan2(across_m, ahead.value)),
                [-theory_db(x) for x in across_m.tolist()],
            ),
            curve("the same ball", np.degrees(angles_rad), weaker_db, u_db, measured=True),
        ),
        numbers=(
            ("place", "from the axis / m", "from the axis / °", "theory / dB", "measured / dB"),
            *(
                (
                    h.step.name,
                    f"{b.value:.3f}",
                    f"{math.degrees(a):.1f}",
                    f"{e:.2f}",
                    "0" if h is heard[0] else stated(m, u),
                )
                for h, b, a, e, m, u in zip(
                    heard, beside, angles_rad, expected_db, weaker_db, u_db, strict=True
                )
            ),
        ),
    )


def _weaker_on(bench: BenchInUse) -> Part:
    (range_m,) = bench.places_m(1.0, needs=1.15)
    edge_m = round(range_m * math.tan(bench.half_rad), 3)
    beside_m = (0.0, round(edge_m / 3, 2), round(2 * edge_m / 3, 2), edge_m)
    moves = (
        f"Lay source and receiver side by side. Hang a ball straight ahead, {metres(range_m)} "
        "away, at their height.",
        f"Move it {centimetres(beside_m[1])} along the line from source to receiver.",
        f"Move it on to {centimetres(beside_m[2])}.",
        f"Move it on to {centimetres(edge_m)}.",
    )
    return Part(
        name="weaker-at-the-edge",
        question=Question(
            text=f"A ball hangs on the axis, {metres(range_m)} away. Then it is moved "
            f"{centimetres(edge_m)} to the side, to the edge of the cone. By how many decibels "
            "does its echo become weaker? (3 dB is half the power, 10 dB a tenth, 20 dB a "
            "hundredth.)",
            unit="dB",
        ),
        givens=(
            Given(
                name="ahead_m",
                text="from midway between source and receiver straight ahead to the line along "
                "which the ball is moved, by tape, in m",
                value=range_m,
                u_value=0.003,
            ),
            *(
                Given(
                    name=f"{name}_m",
                    text=f"from the axis to the ball at the {words}, in m",
                    value=across_m,
                    u_value=_U_PLACE_M,
                )
                for name, words, across_m in zip(
                    _PLACES[1:], ("first place", "second place", "edge"), beside_m[1:], strict=True
                )
            ),
        ),
        steps=tuple(
            Step(
                name=name,
                set_up=set_up,
                scene=bench.scene({"position_m": [range_m, across_m, 0.0]}),
                pings=20,
            )
            for name, across_m, set_up in zip(_PLACES, beside_m, moves, strict=True)
        ),
        find=_weaker,
        because="Off the axis the sound of the disc's parts falls out of step, so less arrives; "
        "and on the way back the receiver's disc hears less from there, for the same reason. Both "
        "count: the cone's edge is where half the power is left after both.",
        talk=(
            "A thing swims through the cone. How does the strength of its mark change?",
            "Which part of an arch is the darkest, and why?",
        ),
    )


# The same mark

_SMALL_M = 0.020
_LARGE_M = 0.0283  # larger by √2: twice the power, which is what the edge of the cone takes
_LARGER = ("the first", "the second", "neither: they are alike", "cannot be told")


def _same_mark(heard: tuple[StepHeard, ...], givens: Mapping[str, Given]) -> Finding:
    small, large = givens["small_m"], givens["large_m"]
    thread, beside = givens["thread_m"], givens["beside_m"]
    if not (min(small.value, large.value) > 0 and 0 <= beside.value < thread.value):
        raise LessonError(
            f"small_m, large_m, beside_m, thread_m: found {small.value:g}, {large.value:g}, "
            f"{beside.value:g} and {thread.value:g}; give radii above 0, and a thread that is "
            "longer than the ball's way to the side"
        )
    receiver = heard[0].receiver
    first, second = (echo_near(h, thread.value, within_m=0.1 * thread.value) for h in heard)
    spans_m = _ball_spans_m(heard, (first, second), small, thread)
    angle_rad = math.asin(beside.value / thread.value)

    def lost_db(angle_rad: float) -> float:
        return -float(beside_db(receiver, angle_rad, thread.value)[0])

    u_share = math.hypot(u_level_db(first), u_level_db(second)) / NEPER_DB
    on_axis_m = small.value * 10 ** ((second.strength_db - first.strength_db) / 20)
    expected_m = large.value * 10 ** (-lost_db(angle_rad) / 20)
    slope_db = (lost_db(angle_rad + 1e-3) - lost_db(angle_rad - 1e-3)) / 2e-3
    by_hand = (
        small.u_value / small.value,
        large.u_value / large.value,
        slope_db * beside.u_value / thread.value / NEPER_DB,
        math.sqrt(2) * CREEPING_DB / NEPER_DB,
    )
    angles_rad = np.linspace(0.0, 1.2 * max(cone_of(receiver)[0], angle_rad), 60)
    alike_mm = 1e3 * on_axis_m * 10 ** (-beside_db(receiver, angles_rad, thread.value) / 20)
    placed_mm = 1e3 * on_axis_m * 10 ** (lost_db(angle_rad) / 20)
    return Finding(
        measured=1e3 * on_axis_m,
        u_measured=1e3 * on_axis_m * u_share,
        expected=1e3 * expected_m,
        u_expected=1e3 * expected_m * math.hypot(*by_hand),
        choice=_larger(spans_m, u_share),
        verdict=f"By its mark alone the first ball may measure {_span_text(spans_m[0])} in radius, "
        f"and the second {_span_text(spans_m[1])}; more, if it is outside the cone's edge. In "
        f"truth they measure {1e3 * small.value:.0f} and {1e3 * large.value:.0f} mm.",
        x_label="from the axis / °",
        y_label="radius of the ball / mm",
        curves=(
            curve("all balls that make the second mark", np.degrees(angles_rad), alike_mm),
            curve("first ball", [0.0], [1e3 * small.value], measured=True),
            curve(
                "second ball, now that its place is known",
                [math.degrees(angle_rad)],
                [placed_mm],
                [placed_mm * u_share],
                measured=True,
            ),
        ),
        numbers=(
            ("ball", "echo / dB", "if on the axis / mm", "if at the edge / mm", "in truth / mm"),
            *(
                (
                    h.step.name,
                    stated(e.strength_db, u_level_db(e)),
                    f"{1e3 * least_m:.1f}",
                    f"{1e3 * most_m:.1f}",
                    f"{1e3 * ball.value:.1f}",
                )
                for h, e, (least_m, most_m), ball in zip(
                    heard, (first, second), spans_m, (small, large), strict=True
                )
            ),
        ),
    )


def _ball_spans_m(
    heard: tuple[StepHeard, ...], echoes: tuple[Echo, ...], known: Given, thread: Given
) -> tuple[tuple[float, float], ...]:
    """Radii of the hard balls that would make each echo, on the axis and at the cone's edge.

    The first ball, which was measured by hand, tells how loud the bench is.
    """
    receiver = heard[0].receiver
    strength_db = 20 * math.log10(known.value / 2)
    source_level_db = (
        echoes[0].strength_db - float(ahead_db(receiver, thread.value)[0]) - strength_db
    )
    told = target_strengths(
        receiver, echoes, source_level_db=source_level_db, u_source_level_db=0.0
    )
    return tuple(
        (
            float(hard_ball_radius_m(t.open_range.axis_db)),
            float(hard_ball_radius_m(t.open_range.edge_db)),
        )
        for t in told
    )


def _larger(spans_m: tuple[tuple[float, float], ...], u_share: float) -> str:
    """Say which ball is larger, where all that each may measure is."""
    first, second = spans_m
    if first[1] < second[0] * (1 - 2 * u_share):
        return _LARGER[1]
    if second[1] < first[0] * (1 - 2 * u_share):
        return _LARGER[0]
    return _LARGER[3]


def _span_text(span_m: tuple[float, float]) -> str:
    return f"{1e3 * span_m[0]:.0f} to {1e3 * span_m[1]:.0f} mm"


def _same_mark_on(bench: BenchInUse) -> Part:
    (range_m,) = bench.places_m(1.0)
    beside_m = round(range_m * math.sin(bench.half_rad), 3)
    return Part(
        name="the-same-mark",
        question=Question(
            text="Two balls are heard one after the other, with nobody looking: one mark as strong "
            "as the other, and as far away. Which ball is the larger? (Measured besides: the "
            "radius of the second ball, if it is taken to be on the axis.)",
            unit="mm",
            choices=_LARGER,
        ),
        givens=(
            Given(
                name="thread_m",
                text="from midway between source and receiver to either ball: length of a "
                "stretched thread, in m",
                value=range_m,
                u_value=0.003,
            ),
            Given(
                name="beside_m",
                text="from the axis to the second ball, square to the axis, in m",
                value=beside_m,
                u_value=_U_PLACE_M,
            ),
            Given(
                name="small_m",
                text="radius of the first ball, half of what a calliper shows, in m",
                value=_SMALL_M,
                u_value=0.0001,
            ),
            Given(
                name="large_m",
                text="radius of the second ball, in m",
                value=_LARGE_M,
                u_value=0.0001,
            ),
        ),
        steps=(
            Step(
                name="first",
                set_up=f"While nobody looks, hang a ball of {millimetres(_SMALL_M)} radius "
                f"straight ahead, {metres(range_m)} away.",
                scene=bench.scene({"position_m": [range_m, 0.0, 0.0], "radius_m": _SMALL_M}),
                pings=16,
            ),
            Step(
                name="second",
                set_up=f"Take it away. Hang a ball of about {millimetres(_LARGE_M)} radius at the "
                f"edge of the cone, {centimetres(beside_m)} beside the axis and as far from the "
                "pair by a thread; move it a little until its mark is as strong as the first.",
                scene=bench.scene(
                    {
                        "position_m": [math.sqrt(range_m**2 - beside_m**2), beside_m, 0.0],
                        "radius_m": _LARGE_M,
                    }
                ),
                pings=16,
            ),
        ),
        find=_same_mark,
        because="One receiver hears how much comes back and how late, and no direction. A small "
        "thing on the axis and a larger one towards the edge send back the same. So a strength is "
        "a range of answers: from the size that fits the axis upwards, without an end. What helps "
        "is a second look: a pass shows where the echo is strongest, and two receivers show a "
        "direction.",
        talk=(
            "Somebody writes a size beside each mark, from its strength alone. What can they know?",
            "What could you do on the bench to tell the two balls apart, without looking?",
        ),
    )


LESSON = Lesson(
    name="centre-or-edge",
    title="Centre or edge",
    minutes=30,
    about="Why a weak mark may be a large thing, and what one receiver can never tell.",
    plan=PLAN,
    parts=for_any_bench(PLAN, _weaker_on, _same_mark_on),
    misreading="“A weak mark is a small thing.” It is a small thing on the axis, or a larger one "
    "towards the edge of the cone.",
)
