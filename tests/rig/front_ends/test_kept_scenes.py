"""Made-up scenes are kept with the pings that were sent into them."""

from __future__ import annotations

import dataclasses
import json
import shutil
from pathlib import Path
from typing import Any

import pytest

from rig.errors import RecordingError
from rig.files.recorder import Recorder
from rig.front_ends.replay import open_recording
from rig.front_ends.virtual_tank import open_virtual_tank
from rig.tank.built_in import built_in

SCENE = {"medium": {"sound_speed_m_s": 343.0}}


def test_scenes_that_change_while_it_is_recorded_are_kept_with_their_pings(tmp_path: Path) -> None:
    scene, plan = built_in("trough")
    emptied = dataclasses.replace(scene, target=())
    with (
        open_virtual_tank(plan, scene=scene) as tank,
        Recorder(tmp_path / "hands", plan, tank.info, scenes=tank.truth) as recorder,
    ):
        for block in tank.blocks(6):
            if block.index == 2:
                # One in time for this ping, one for a ping that is then left out.
                tank.truth.change(emptied, from_ping=2)
                tank.truth.change(scene, from_ping=4)
            if block.index != 4:
                recorder.write(block)
        sounded = tank.truth.scenes
    with open_recording(tmp_path / "hands") as replay:
        assert replay.truth is not None
        assert replay.truth.scenes == sounded
        assert [held.from_ping for held in replay.truth.scenes] == [0, 2, 4]


@pytest.mark.parametrize(
    ("scenes", "complaint"),
    [
        (5, "echobench:scenes: found 5, which is no list"),
        ([{"from_ping": 0}], "echobench:scenes: cannot be used"),
        ([{"from_ping": 3, "scene": SCENE}], "from_ping: found 3; give 0"),
        ([{"from_ping": 0, "scene": {}}], "medium: missing"),
        ([{"from_ping": "0", "scene": SCENE}], "echobench:scenes: cannot be used"),
    ],
)
def test_scenes_that_are_none_are_refused_by_key(
    tmp_path: Path, scenes: Any, complaint: str
) -> None:
    shipped = Path(__file__).parents[3] / "recordings" / "bench-ball.sigmf-meta"
    table = json.loads(shipped.read_text(encoding="utf-8"))
    table["captures"][0]["echobench:scenes"] = scenes
    (tmp_path / "b.sigmf-meta").write_text(json.dumps(table), encoding="utf-8")
    shutil.copy(shipped.with_suffix(".sigmf-data"), tmp_path / "b.sigmf-data")
    with pytest.raises(RecordingError, match=complaint):
        open_recording(tmp_path / "b")
