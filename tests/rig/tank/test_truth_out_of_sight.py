"""What measures does not see what really stands in the tank.

A run carries the truth along for who draws it, so an import contract alone does not keep
the rest from asking.
"""

from __future__ import annotations

import ast
import json
import shutil
from pathlib import Path

from rig.run.opening import open_bench, open_replay
from rig.show.answers import measure_answer
from rig.tank.built_in import built_in
from rig.tank.scene import scene_from_table

ROOT = Path(__file__).parents[3]


def attributes_in(path: Path) -> set[str]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    return {node.attr for node in ast.walk(tree) if isinstance(node, ast.Attribute)}


def test_nothing_that_measures_asks_a_run_for_the_truth():
    paths = [p for room in ("dsp", "rig/measure", "rig/run") for p in (ROOT / room).rglob("*.py")]
    asking = {p.relative_to(ROOT).as_posix() for p in paths if "truth" in attributes_in(p)}
    # It hands it on: from the front end to the run, and to the recorder.
    assert asking == {"rig/run/opening.py"}


def test_a_recording_keeps_its_scene_and_measures_alike_with_a_false_one(tmp_path):
    scene, plan = built_in("trough")
    name = tmp_path / "kept"
    with open_bench(plan, scene=scene) as bench:
        bench.ping(6, record=str(name))
    with open_replay(name) as bench:
        told = bench.ping(6)
    assert told.origin.truth is not None
    assert [held.scene for held in told.origin.truth.scenes] == [scene]
    meta = tmp_path / "kept.sigmf-meta"
    table = json.loads(meta.read_text(encoding="utf-8"))
    false = scene_from_table({"medium": {"sound_speed_m_s": 1000.0}}).as_table()
    table["captures"][0]["echobench:scenes"][0]["scene"] = false
    meta.write_text(json.dumps(table), encoding="utf-8")
    with open_replay(name) as bench:
        misled = bench.ping(6)
    assert misled.origin.truth.scene_at(0).target == ()
    assert measure_answer(misled) == measure_answer(told)


def test_a_recording_from_before_scenes_were_kept_has_no_truth(tmp_path):
    kept = ROOT / "recordings" / "bench-ball.sigmf-meta"
    table = json.loads(kept.read_text(encoding="utf-8"))
    del table["captures"][0]["echobench:scenes"]
    (tmp_path / "old.sigmf-meta").write_text(json.dumps(table), encoding="utf-8")
    shutil.copy(kept.with_suffix(".sigmf-data"), tmp_path / "old.sigmf-data")
    with open_replay(tmp_path / "old") as bench:
        assert bench.origin.truth is None
