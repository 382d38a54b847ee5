"""Every part of every lesson on many benches: the recommended plans, and drawn ones; a table.

``python tests/shared/every_part.py [--plan NAME] [--lesson NAME]`` prints all of it
(many minutes). `test_every_bench.py` takes a sample.
"""

from __future__ import annotations

import argparse
import math
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from rig.bench.plan import Plan, plan_from_table
from rig.bench.start_plans import START_PLANS, start_plan
from rig.errors import EchobenchError, NotHeardError, PlanError
from rig.run.opening import Bench, open_bench
from rig.tank.scene import Scene
from rig.teach.lessons.index import lessons
from rig.teach.lessons.lesson import Lesson, Part, StepHeard
from rig.teach.lessons.running import (
    Turn,
    check_bench,
    concluded,
    givens_for,
    hear_live,
    tables_for,
)

DRAWN = 10
SEED = 20261129


def drawn_plan(number: int) -> Plan:
    """Draw a bench that somebody might have: in air or in water, with a cone of 7 to 20°."""
    rng = np.random.default_rng([SEED, number])
    kind = ("air", "air", "fresh-water", "sea-water")[number % 4]
    in_air = kind == "air"
    centre_hz = float(rng.uniform(6e3, 15e3) if in_air else rng.uniform(50e3, 150e3))
    half_band_hz = centre_hz * float(rng.uniform(0.12, 0.35))
    pulse: dict[str, object] = {
        "kind": "chirp",
        "start_hz": round(centre_hz - half_band_hz, -2),
        "stop_hz": round(centre_hz + half_band_hz, -2),
        "duration_s": round(
            float(rng.uniform(2e-3, 1e-2) if in_air else rng.uniform(2e-4, 8e-4)), 5
        ),
    }
    if number in (4, 7):
        pulse["start_hz"], pulse["stop_hz"] = pulse["stop_hz"], pulse["start_hz"]
    speed_m_s = 343.0 if in_air else 1490.0
    # A disc's edge lies at ka sin θ = 1.16 (out and back).
    edge = math.sin(math.radians(float(rng.uniform(7.0, 20.0))))
    radius_m = 1.16 * speed_m_s / (2 * math.pi * centre_hz * edge)
    stop_m = float(rng.uniform(2.2, 4.0) if in_air else rng.uniform(1.2, 2.5))
    return plan_from_table(
        {
            "pulse": pulse,
            "timing": {
                "sample_rate_hz": (48000.0 if number % 8 else 96000.0) if in_air else 500000.0,
                "ping_interval_s": round(float(rng.uniform(0.05, 0.3)), 3),
            },
            "receiver": {
                "range_start_m": round(float(rng.uniform(0.1, 0.3)), 2),
                "range_stop_m": round(stop_m, 2),
                "weighting": ("none", "hann")[number % 2],
                "stack": (1, 4)[number % 3 == 0],
            },
            "medium": {
                "kind": kind,
                "temperature_c": round(float(rng.uniform(5.0, 30.0)), 1),
                "humidity_percent": round(float(rng.uniform(20.0, 80.0))),
            },
            "geometry": {"baseline_m": round(2 * radius_m * float(rng.uniform(1.1, 2.0)), 3)},
            "transducer": {"radius_m": round(radius_m, 4)},
        },
        source=f"drawn plan {number}",
    )


def plans() -> dict[str, Plan]:
    """Return all benches by name."""
    found = {
        name: plan_from_table(tomllib.loads(start_plan(name)), source=name) for name in START_PLANS
    }
    return found | {f"drawn-{n}": drawn_plan(n) for n in range(DRAWN)}


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One part on one bench."""

    lesson: str
    part: str
    bench: str
    turn: Turn | None
    problem: EchobenchError | None = None

    @property
    def apart(self) -> float:
        """How far measurement and theory lie apart, in their standard uncertainty."""
        if self.turn is None:
            return math.nan
        f = self.turn.finding
        u = math.hypot(f.u_measured, f.u_expected)
        return abs(f.measured - f.expected) / u

    @property
    def verdict(self) -> str:
        """What a pupil hears who answered by theory: as the question is asked of this bench."""
        if isinstance(self.problem, PlanError):
            return "left out"
        if isinstance(self.problem, NotHeardError):
            return "NOT HEARD"
        if self.turn is None:
            return "FAILED"
        if self.turn.predicted_rightly is False:
            return "TOLD WRONG"
        return "right" if self.apart <= 3 else "DISAGREES"


def by_theory(lesson: Lesson, part: Part, own: Plan, *, seed: int = 1) -> Turn:
    """Hear a part in the virtual tank with a bench's own plan; predicted by theory.

    A choice is theory's as well: what the same part's choice is on the lesson's own bench.
    """
    asked = part.on(own)
    tables = tables_for(lesson, asked, own)
    for step in asked.steps:
        check_bench(step, tables, front_end="virtual-tank", source="plan")
    seeds = iter(range(100 * seed, 100 * seed + 100))

    def opened(plan: Plan, scene: Scene | None) -> Bench:
        return open_bench(plan, scene=scene, seed=next(seeds))

    heard: tuple[StepHeard, ...] = tuple(
        hear_live(lesson, asked, step, own=own, front_end="virtual-tank", open_bench=opened)
        for step in asked.steps
    )
    turn = concluded(asked, heard, givens_for(asked, heard, {}), None)
    right = RIGHT_CHOICE.get(part.name) or float(turn.finding.expected)
    return concluded(asked, heard, turn.givens, right)


RIGHT_CHOICE = {
    "pass-and-stay": "an arch, then a streak",
    "half-arch": "half an arch",
    "deep-arch": "wider",
    "the-same-mark": "cannot be told",
    "another-bench": "slanting lines",
}
"""By the words of the questions, whatever the bench."""


def row_of(lesson: Lesson, part: Part, bench: str, own: Plan) -> Row:
    """Hear a part on a bench, or say why it cannot be."""
    turn: Turn | None = None
    problem: EchobenchError | None = None
    try:
        turn = by_theory(lesson, part, own)
    except EchobenchError as found:
        problem = found
    return Row(lesson=lesson.name, part=part.name, bench=bench, turn=turn, problem=problem)


def rows(only_plan: str | None = None, only_lesson: str | None = None) -> Iterator[Row]:
    """Go over all parts and benches."""
    for lesson in lessons():
        if only_lesson not in (None, lesson.name):
            continue
        for part in lesson.parts:
            for name, own in plans().items():
                if only_plan not in (None, name):
                    continue
                yield row_of(lesson, part, name, own)


def main() -> None:
    """Print the table."""
    asked = argparse.ArgumentParser()
    asked.add_argument("--plan")
    asked.add_argument("--lesson")
    given = asked.parse_args()
    counts: dict[str, int] = {}
    print(f"{'part':<22}{'bench':<10}{'measured':>10}{'theory':>10}{'apart':>7}  pupil")
    for row in rows(given.plan, given.lesson):
        counts[row.verdict] = counts.get(row.verdict, 0) + 1
        if row.turn is None:
            print(
                f"{row.part:<22}{row.bench:<10}{'':>27}  {row.verdict}: {row.problem}", flush=True
            )
            continue
        f = row.turn.finding
        print(
            f"{row.part:<22}{row.bench:<10}{f.measured:>10.4g}{f.expected:>10.4g}"
            f"{row.apart:>5.1f} u  {row.verdict} {f.choice}",
            flush=True,
        )
    print(", ".join(f"{count} {words}" for words, count in counts.items()))


if __name__ == "__main__":
    main()
