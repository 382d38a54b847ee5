"""The scenes that ship."""

import importlib.resources
import math

import pytest

from rig.bench.plan import plan_from_table
from rig.errors import SceneError
from rig.run.opening import open_bench
from rig.show.answers import measure_answer
from rig.tank.built_in import DEMONSTRATION, built_in, built_in_scenes, scene_for


@pytest.mark.parametrize("name", built_in_scenes())
def test_each_scene_that_ships_reads_with_its_plan_and_says_that_it_is_invented(name):
    scene, plan = built_in(name)
    assert scene.medium.kind == plan.medium.kind
    assert any(target.moves for target in scene.target)
    folder = importlib.resources.files("rig.tank") / "scenes"
    assert "Invented" in (folder / f"{name}.toml").read_text(encoding="utf-8")


def test_the_demonstration_leaves_the_three_marks_before_a_bottom():
    scene, plan = built_in(DEMONSTRATION)
    with open_bench(plan, scene=scene) as bench:
        run = bench.ping(80)
    passes = measure_answer(run)["passes"]
    # By the scene: 0.45 m ahead and 0.06 m aside the ball goes by; 0.97, 0.21 and 0.19 m from the
    # axes hangs the one at the edge, 0.80 m away its like on the axis; 1.18 m away the small one
    # is when it leaves half way; 1.50 m away is the bottom.
    expected = {
        "pass": [math.hypot(0.45, 0.06)],
        "stay": [0.80, math.hypot(0.97, 0.21, 0.19), 1.50],
        "half": [1.18],
    }
    for kind, ranges_m in expected.items():
        found = [p for p in passes if p["kind"] == kind]
        assert len(found) == len(ranges_m), kind
        for passed, range_m in zip(found, ranges_m, strict=True):
            # 3 standard uncertainties: one in 370 by chance, and the noise's seed is fixed.
            assert passed["closest_range_m"] == pytest.approx(
                range_m, abs=3 * passed["u_closest_range_m"]
            )
    on_axis, at_edge = (e for e in run.last.echoes if 0.7 < e.range_m < 1.1)
    # Alike, but for the way there and back (40 lg of 1.01 m by 0.80 m, 4.1 dB) and for the beam:
    # 16.3° off the axis of a disc of ka 6.1, each way 2 J₁(1.71)/1.71, −3.4 dB.
    # Noise moves the weaker by 8.69/√(2E/N₀) dB, 0.26 dB at 30 dB: three of these.
    assert on_axis.strength_db - at_edge.strength_db == pytest.approx(4.1 + 2 * 3.4, abs=0.8)


def test_the_trough_and_the_bench_have_their_sizes():
    trough, _ = built_in("trough")
    assert trough.walls.size_m == (1.2, 0.6, 0.5)
    assert trough.walls.above == -1.0
    bench, plan = built_in("bench")
    assert max(target.position_m[0] for target in bench.target) < 3.0
    assert plan.receiver.range_stop_m >= 3.0


def test_a_plan_without_a_scene_gets_the_one_for_its_medium():
    chirp = {"kind": "chirp", "start_hz": 4e3, "stop_hz": 12e3, "duration_s": 0.01}
    for kind, expected in (("air", "air"), ("fresh-water", "fresh-water"), ("sea-water", None)):
        plan = plan_from_table({"pulse": chirp, "medium": {"kind": kind}})
        assert scene_for(plan).medium.kind == (expected or "fresh-water")


def test_an_unknown_scene_gets_the_list_of_those_there_are():
    with pytest.raises(
        SceneError,
        match='scene \'lake\': not found; give one of "bench", "cistern", "sides", "trough"',
    ):
        built_in("lake")
