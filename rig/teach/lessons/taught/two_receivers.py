"""Two receivers: the same two balls, heard with one receiver and with two."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from dsp.history.laid_strengths import LaidStrength
from dsp.history.strengths import hard_ball_radius_m
from dsp.uncertainty import stated
from rig.errors import LessonError, NotHeardError
from rig.measure.strength import TargetStrength, surely_stronger_pairs, target_strengths
from rig.run.results import Echo, Side
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
from rig.teach.lessons.levels import CREEPING_DB, NEPER_DB, beside_db, u_level_db
from rig.teach.lessons.picking import echo_near

_SMALL_M, _LARGE_M = 0.020, 0.030
"""Radii of the ball that hangs ahead, and of the one at the edge."""

_U_PLACE_M = 0.002

_LEVEL_RAD = math.radians(1.0)
"""Balls that are hung at the pair's height by eye hang so to this, seen from there."""

_LARGER = ("the nearer", "the farther", "neither: they are alike", "cannot be told")


def _small_or_edge(heard: tuple[StepHeard, ...], givens: Mapping[str, Given]) -> Finding:
    small, large = givens["small_m"], givens["large_m"]
    near, far, beside = givens["near_m"], givens["far_m"], givens["beside_m"]
    if not (min(small.value, large.value) > 0 and 0 <= beside.value < near.value < far.value):
        raise LessonError(
            f"small_m, large_m, beside_m, near_m, far_m: found {small.value:g}, {large.value:g}, "
            f"{beside.value:g}, {near.value:g} and {far.value:g}; give radii above 0, and a nearer "
            "ball whose thread is shorter than the farther one's and longer than its way aside"
        )
    alone, both = (_targets(h, near, far, small) for h in heard)
    (near_side, nearer), (far_side, farther) = (_laid(target, heard[1]) for target in both)
    # By the farther ball, which was measured by hand, the bench's own loudness drops out.
    radius_m = small.value * 10 ** ((nearer.strength_db - farther.strength_db) / 20)
    u_m = radius_m / NEPER_DB * math.hypot(*map(_u_db, (nearer, farther)))
    least_m, edge_m = _span_m(alone[0])
    angles_deg = [abs(math.degrees(side.angle_rad)) for side in (near_side, far_side)]
    receiver = heard[1].receiver
    drawn_rad = np.linspace(0.0, 1.5 * max(cone_of(receiver)[0], math.radians(angles_deg[0])), 60)
    alike_mm = 1e3 * least_m * 10 ** (-beside_db(receiver, drawn_rad, near.value) / 20)
    by_hand = (
        large.u_value / large.value,
        small.u_value / small.value,
        math.sqrt(2) * CREEPING_DB / NEPER_DB,
    )
    return Finding(
        measured=1e3 * radius_m,
        u_measured=1e3 * u_m,
        expected=1e3 * large.value,
        u_expected=1e3 * large.value * math.hypot(*by_hand),
        choice=_larger(both),
        verdict=f"With one receiver the nearer ball may measure {1e3 * least_m:.0f} to "
        f"{1e3 * edge_m:.0f} mm in radius, or more: nobody can tell. With two it stands "
        f"{angles_deg[0]:.0f}° aside, where the beam takes off {-nearer.beam.loss_db:.1f} dB, and "
        f"measures {1e3 * radius_m:.0f} mm.",
        x_label="from the axis / °",
        y_label="radius of the ball / mm",
        curves=(
            curve("all balls that make the nearer mark", np.degrees(drawn_rad), alike_mm),
            curve("farther ball", angles_deg[1:], [1e3 * small.value], measured=True),
            curve(
                "nearer ball, by two receivers",
                angles_deg[:1],
                [1e3 * radius_m],
                [1e3 * u_m],
                measured=True,
            ),
        ),
        numbers=(
            ("ball", "echo / dB", "angle / °", "with one / mm", "with two / mm", "in truth / mm"),
            *(
                (
                    name,
                    stated(target.echo.strength_db, u_level_db(target.echo)),
                    stated(math.degrees(side.angle_rad), math.degrees(side.u_angle_rad)),
                    f"{1e3 * _span_m(one)[0]:.0f} or more",
                    f"{1e3 * told_m:.0f}",
                    f"{1e3 * ball.value:.1f}",
                )
                for name, one, target, side, told_m, ball in zip(
                    ("nearer", "farther"),
                    alone,
                    both,
                    (near_side, far_side),
                    (radius_m, small.value),
                    (large, small),
                    strict=True,
                )
            ),
        ),
    )


def _targets(
    heard: StepHeard, near: Given, far: Given, small: Given
) -> tuple[TargetStrength, TargetStrength]:
    """Return the strengths of both balls, as loud as the farther makes the bench."""
    within_m = 0.3 * (far.value - near.value)
    echoes = [echo_near(heard, at.value, within_m=within_m) for at in (near, far)]

    def told(source_level_db: float, picked: list[Echo]) -> tuple[TargetStrength, ...]:
        return target_strengths(
            heard.receiver,
            picked,
            source_level_db=source_level_db,
            u_source_level_db=0.0,
            height_rad=_LEVEL_RAD,
        )

    # It hangs straight ahead: a²/4 is what it sends back there.
    (known,) = told(0.0, echoes[1:])
    one, other = told(known.open_range.axis_db - 20 * math.log10(small.value / 2), echoes)
    return one, other


def _laid(target: TargetStrength, heard: StepHeard) -> tuple[Side, LaidStrength]:
    """Return where a ball stands, and how strong it is there."""
    laid = target.laid
    if laid is None or laid.strength is None or not math.isfinite(laid.strength.high_db):
        why = "one receiver" if laid is None else laid.why_open or "no angle"
        raise NotHeardError(
            f"step {heard.step.name}: found no place for the ball at {target.echo.range_m:.2f} m "
            f"({why}); let the second receiver hear both balls, and nothing else stand as far off"
        )
    return laid.side, laid.strength


def _u_db(laid: LaidStrength) -> float:
    return (laid.high_db - laid.low_db) / 4


def _span_m(target: TargetStrength) -> tuple[float, float]:
    """Return the radii that a mark speaks for, on the axis and at the cone's edge."""
    axis_m, edge_m = hard_ball_radius_m([target.open_range.axis_db, target.open_range.edge_db])
    return float(axis_m), float(edge_m)


def _larger(both: tuple[TargetStrength, TargetStrength]) -> str:
    pairs = surely_stronger_pairs(both)
    if not pairs:
        return _LARGER[3]
    return _LARGER[0 if pairs[0][0] is both[0] else 1]


def _second_receiver(bench: BenchInUse) -> dict[str, Any]:
    """Return the plan's geometry with a second receiver: its own, or as far on the other side."""
    own = bench.plan.geometry
    if own.second is not None:
        return {}
    channel = 3 if own.loopback == 1 else 2
    past_m = max(own.baseline_m, 0.06)
    return {"second_channel": channel, "second_spacing_m": -(own.baseline_m + past_m)}


def _small_or_edge_on(bench: BenchInUse) -> Part:
    bench.require_any_pulse("it has one receiver alone")
    # Once the direct sound is over: its lobes may hide from one receiver what the other hears.
    clear_m = max(1.0, round(1.1 * bench.speed_m_s * bench.plan.pulse.duration_s / 2, 2))
    near_m, far_m = bench.places_m(clear_m, 1.5 * clear_m)
    beside_m = round(near_m * math.sin(bench.half_rad), 3)
    second = _second_receiver(bench)
    scene = bench.scene(
        {"position_m": [math.sqrt(near_m**2 - beside_m**2), beside_m, 0.0], "radius_m": _LARGE_M},
        {"position_m": [far_m, 0.0, 0.0], "radius_m": _SMALL_M},
    )
    return Part(
        name="small-or-edge",
        question=Question(
            text=f"Two balls hang before the pair, {metres(near_m)} and {metres(far_m)} away. Each "
            "sounds as a small ball straight ahead would. Is the nearer one small, or is it "
            "larger and at the edge of the cone? A second receiver is laid beside the first and "
            "listens along. Which ball is the larger? (Measured besides: the nearer one's radius.)",
            unit="mm",
            choices=_LARGER,
        ),
        givens=(
            Given(
                name="near_m",
                text="from midway between source and receiver to the nearer ball: length of a "
                "stretched thread, in m",
                value=near_m,
                u_value=0.003,
            ),
            Given(
                name="far_m",
                text="from there to the farther ball, in m",
                value=far_m,
                u_value=0.003,
            ),
            Given(
                name="beside_m",
                text="from the axis to the nearer ball, square to the axis, in m",
                value=beside_m,
                u_value=_U_PLACE_M,
            ),
            Given(
                name="large_m",
                text="radius of the nearer ball, half of what a calliper shows, in m",
                value=_LARGE_M,
                u_value=0.0001,
            ),
            Given(
                name="small_m",
                text="radius of the farther ball, in m",
                value=_SMALL_M,
                u_value=0.0001,
            ),
        ),
        steps=(
            Step(
                name="one",
                set_up=f"While nobody looks, hang a ball of {millimetres(_SMALL_M)} radius "
                f"straight ahead, {metres(far_m)} away, and one of {millimetres(_LARGE_M)} at the "
                f"edge of the cone, {centimetres(beside_m)} beside the axis and {metres(near_m)} "
                "away by a thread; both at the pair's height.",
                scene=scene,
                pings=16,
            ),
            Step(
                name="two",
                set_up="Touch nothing. Lay a second receiver on the line through source and "
                "receiver, as the plan's geometry says, and plug it into the second channel.",
                scene=scene,
                pings=16,
                changes={"geometry": second} if second else {},
            ),
        ),
        find=_small_or_edge,
        because="A sound from aside reaches one receiver before the other. How it swells and fades "
        "tells by how many waves; the waves themselves, by what part of one. The delay gives the "
        "angle; the angle gives what the beam took off; that added back gives the strength as it "
        "would be on the axis. How high a ball hangs, two receivers side by side do not tell: that "
        "it hangs level had to be known.",
        talk=(
            "Where would a third receiver have to stand to tell how high the ball hangs?",
            "What happens to the angle if the two receivers are laid twice as far apart?",
        ),
    )


LESSON = Lesson(
    name="two-receivers",
    title="Two receivers",
    minutes=25,
    about="What a second receiver tells that one can never tell: small, or at the edge?",
    plan=PLAN,
    parts=for_any_bench(PLAN, _small_or_edge_on),
    misreading="“The instrument knows where it is.” With one receiver it knows how far; a second "
    "one tells how far aside, and still not how high.",
)
