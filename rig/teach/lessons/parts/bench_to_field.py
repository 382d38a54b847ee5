"""A part: what a boat sees, as this bench shows it."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from rig.measure.scale_card import Case, twin
from rig.teach.lessons.air_bench import ONE_BY_ONE
from rig.teach.lessons.bench_in_use import BenchInUse, degrees, metres, two_digits
from rig.teach.lessons.by_hand import closest_by_tape, speed_by_watch
from rig.teach.lessons.crossing import cone_of, crossing_of
from rig.teach.lessons.lesson import Finding, Given, Part, Question, Step, StepHeard, curve
from rig.teach.lessons.passing_ball import DRAWN, closest_m_of, passing_near

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
    marks = [DRAWN[passing_near(h, closest).passage.kind] for h in heard]
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


def bench_to_field_on(bench: BenchInUse) -> Part:
    """Return the part as a bench can show it."""
    closest_m = closest_m_of(bench)
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
            closest_by_tape(closest_m),
            *(
                speed_by_watch(given, f" for the {name.replace('-', ' ')}", balls[name].speed_m_s)
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
