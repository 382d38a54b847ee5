"""Another bench in the room is told by its own clock, and nothing that moves is taken for one."""

import math
from typing import Any

import pytest
from air_scenes import passing_ball, scene

from rig.bench.plan import plan_from_table
from rig.measure.other_benches import (
    is_of_another_bench,
    other_bench_lines,
    other_bench_remark,
    other_benches,
)
from rig.measure.passes.following import passings_of
from rig.run.opening import open_bench
from rig.run.run import Run
from rig.tank.scene import scene_from_table
from rig.teach.lessons.air_bench import PLAN

OURS = PLAN["pulse"]
TURNED = {**OURS, "start_hz": 16e3, "stop_hz": 12e3}
HUNG = {"position_m": [1.2, 0.0, 0.0], "radius_m": 0.03}
PASSES = passing_ball(0.8, 0.5, middle_s=0.7)


def heard(
    *targets: dict[str, Any], others: tuple[dict[str, Any], ...] = (), seed: int = 1, **pulse: Any
) -> Run:
    plan = plan_from_table({**PLAN, **pulse})
    seen = scene_from_table({**scene(*targets), "other_bench": list(others)})
    with open_bench(plan, scene=seen, seed=seed) as bench:
        return bench.ping(40)


def sends(interval_s: float, *, pulse: Any = OURS, first_s: float = 0.0) -> dict[str, Any]:
    # −30 dB at 1 m: about as loud from 3 m as the ball that hangs at 1.2 m.
    return {
        "pulse": pulse,
        "interval_s": interval_s,
        "position_m": [3.0, 0.0, 0.0],
        "level_db": -30.0,
        "first_s": first_s,
    }


@pytest.mark.parametrize(
    ("interval_s", "first_s"), [(0.0372, 0.004), (0.0347, 0.01), (0.0301, 0.0), (0.0411, 0.02)]
)
def test_a_bench_with_our_pulse_is_told_by_its_interval(interval_s: float, first_s: float) -> None:
    run = heard(HUNG, PASSES, others=(sends(interval_s, first_s=first_s),))
    (other,) = other_benches(run)
    # Each tick is off by its arrival's noise, here below 1 µs of 37 ms over 40 of them; four
    # standard uncertainties, as one value of four is asked, and a tenth of a microsecond for
    # what the tank's air does to the pulse's form.
    assert abs(other.interval_s - interval_s) < 4 * other.u_interval_s + 1e-7
    assert other.sends_our_pulse
    # Half the difference of the intervals is a way, at the scene's sound speed.
    shift_m = 343.963 * (interval_s - 0.036) / 2
    assert other.shift_m == pytest.approx(shift_m, rel=1e-3)
    # 1/r from −30 dB, and 0.3 dB/m at 14 kHz (ISO 9613-1, from memory: 0.2 to 0.4).
    due_db = -30 - 20 * math.log10(3.0) - 0.3 * 3
    assert other.strength_db == pytest.approx(due_db, abs=0.5)
    (line,) = other_bench_lines([other])
    assert line.startswith("not our pulse: another bench pings every ")
    assert ("farther out" in line) == (interval_s > 0.036)


@pytest.mark.parametrize("interval_s", [0.0372, 0.0301])
def test_a_bench_with_another_pulse_is_no_copy_and_leaves_a_row_of_marks(
    interval_s: float,
) -> None:
    run = heard(HUNG, PASSES, others=(sends(interval_s, pulse=TURNED),))
    (other,) = other_benches(run)
    assert not other.sends_our_pulse
    # Four standard uncertainties, which are no more than if each tick lay anywhere in the 4 ms
    # over which its marks are spread: their deviation, over that of some twenty even ticks.
    assert abs(other.interval_s - interval_s) < 4 * other.u_interval_s
    assert other.u_interval_s < 4e-3 / math.sqrt(12) / (20 / math.sqrt(12)) / math.sqrt(20)
    # A chirp of 2 ms against one the other way: up to 2 · 2 ms · 4 kHz = 16 marks side by side.
    assert 2.5 < other.marks <= 16
    assert "no copy of our pulse" in other_bench_lines([other])[0]


def test_its_lines_are_no_passes_and_what_passes_is_none_of_its() -> None:
    run = heard(HUNG, PASSES, others=(sends(0.0372),))
    others = other_benches(run)
    its = [is_of_another_bench(p, others, run.receiver) for p in passings_of(run)]
    kinds = [p.passage.kind for p, it in zip(passings_of(run), its, strict=True) if not it]
    assert any(its)
    assert kinds.count("stay") == 1
    assert all(
        p.range_m.max() - p.range_m.min() > 0.5
        for p, it in zip(passings_of(run), its, strict=True)
        if it
    )


@pytest.mark.parametrize(
    "targets",
    [
        (HUNG, PASSES),
        # Straight away at 1.4 m/s, and straight in: 50 mm from ping to ping. They fade.
        ({"position_m": [0.5, 0.0, 0.0], "velocity_m_s": [1.4, 0.0, 0.0], "radius_m": 0.05},),
        ({"position_m": [2.6, 0.0, 0.0], "velocity_m_s": [-1.4, 0.0, 0.0], "radius_m": 0.05},),
        # Two, one behind the other, as if one line came in anew.
        (
            {"position_m": [0.5, 0.0, 0.0], "velocity_m_s": [1.4, 0.0, 0.0], "radius_m": 0.05},
            {"position_m": [-0.6, 0.0, 0.0], "velocity_m_s": [1.4, 0.0, 0.0], "radius_m": 0.05},
        ),
        (),
    ],
)
def test_what_stands_or_moves_is_no_other_bench(targets: tuple[dict[str, Any], ...]) -> None:
    assert other_benches(heard(*targets)) == ()


def test_at_our_own_interval_it_stands_still_and_cannot_be_told() -> None:
    assert other_benches(heard(HUNG, others=(sends(0.036, first_s=0.004),))) == ()


def test_a_picture_has_few_words_for_it_and_none_for_nothing() -> None:
    run = heard(HUNG, others=(sends(0.0372, first_s=0.004),))
    assert other_bench_remark(other_benches(run)) == "Not our pulse: another bench, every 37.2 ms."
    assert other_bench_remark(()) == ""
