"""The lesson on two receivers: a ball's size where one receiver cannot tell it."""

import dataclasses
import math
from collections.abc import Callable
from typing import Any

import pytest

from rig.bench.plan import plan_from_table
from rig.errors import NotHeardError, PlanError
from rig.teach.lessons.lesson import Finding
from rig.teach.lessons.taught.two_receivers import LESSON

(PART,) = LESSON.parts

# 99 % of a normal spread (JCGM 100:2008, table G.1).
K = 2.58


def _with_balls(*balls: tuple[float, float, float]) -> dict[str, Any]:
    """Return the scenes of both steps with balls of other radii and places."""
    tables = PART.steps[0].scene
    targets = [
        {"body": "sphere", "radius_m": radius, "position_m": [x, y, 0.0]} for radius, x, y in balls
    ]
    return {step.name: {**tables, "target": targets} for step in PART.steps}


def test_the_larger_ball_at_the_edge_is_found_out(in_tank: Callable[..., Finding]) -> None:
    finding = in_tank(LESSON, PART.name, 31)
    assert finding.choice == "the nearer"
    # The scene's own radius: 30 mm.
    assert abs(finding.measured - 30.0) <= K * finding.u_measured
    assert finding.u_measured < 2.5  # sure enough to tell it from the 20 mm that it sounds like


def test_the_ball_ahead_is_the_larger_where_it_is(in_tank: Callable[..., Finding]) -> None:
    beside_m = 1.0 * math.sin(math.radians(10.0))
    ahead_m = 1.0 * math.cos(math.radians(10.0))
    scenes = _with_balls((0.02, ahead_m, beside_m), (0.04, 1.5, 0.0))
    finding = in_tank(LESSON, PART.name, 41, scenes=scenes, small_m=0.04, large_m=0.02)
    assert finding.choice == "the farther"
    assert abs(finding.measured - 20.0) <= K * finding.u_measured


def test_alike_balls_are_left_open(in_tank: Callable[..., Finding]) -> None:
    scenes = _with_balls((0.03, math.cos(0.17), math.sin(0.17)), (0.03, 1.5, 0.0))
    finding = in_tank(LESSON, PART.name, 42, scenes=scenes, small_m=0.03)
    assert finding.choice == "cannot be told"


def test_a_bench_with_two_receivers_keeps_its_own() -> None:
    plan = plan_from_table(
        {
            **LESSON.plan,
            "geometry": {"baseline_m": 0.1, "second_channel": 2, "second_spacing_m": 0.08},
        }
    )
    asked = PART.on(plan)
    assert [dict(step.changes) for step in asked.steps] == [{}, {}]


def test_a_loopback_keeps_its_channel() -> None:
    plan = plan_from_table({**LESSON.plan, "geometry": {"time_zero": "loopback"}})
    changes = PART.on(plan).steps[1].changes["geometry"]
    assert changes["second_channel"] == 3


def test_a_board_is_told_what_to_do_instead() -> None:
    burst = {"kind": "burst", "centre_hz": 40e3, "cycles": 12, "ring_s": 60e-6}
    timing = {"sample_rate_hz": 62500.0, "ping_interval_s": 0.036, "band_sampling": True}
    plan = plan_from_table(
        {
            "pulse": burst,
            "timing": timing,
            "receiver": {"range_start_m": 0.25, "range_stop_m": 2.5},
            "geometry": {"baseline_m": 0.03, "time_zero": "calibration"},
            "transducer": {"radius_m": 0.008},
        }
    )
    with pytest.raises(PlanError, match="do this part with a loudspeaker's plan"):
        PART.on(plan)


def test_without_a_second_receiver_the_step_says_so(in_tank: Callable[..., Finding]) -> None:
    step = PART.steps[1]
    alone = dataclasses.replace(PART, steps=(PART.steps[0], dataclasses.replace(step, changes={})))
    with pytest.raises(NotHeardError, match=r"step two: found no place .* \(one receiver\)"):
        in_tank(dataclasses.replace(LESSON, parts=(alone,)), PART.name, 43)
