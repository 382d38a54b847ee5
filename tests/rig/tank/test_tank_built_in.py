"""The scenes that ship."""

import importlib.resources

import pytest

from rig.bench.plan import plan_from_table
from rig.errors import SceneError
from rig.tank.built_in import built_in, built_in_scenes, scene_for


@pytest.mark.parametrize("name", built_in_scenes())
def test_each_scene_that_ships_reads_with_its_plan_and_says_that_it_is_invented(name):
    scene, plan = built_in(name)
    assert scene.medium.kind == plan.medium.kind
    assert any(target.moves for target in scene.target)
    folder = importlib.resources.files("rig.tank") / "scenes"
    assert "Invented" in (folder / f"{name}.toml").read_text(encoding="utf-8")


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
        SceneError, match='scene \'lake\': not found; give one of "bench", "trough"'
    ):
        built_in("lake")
