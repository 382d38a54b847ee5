"""Pings after a knob of the plan was turned in the window."""

from __future__ import annotations

import argparse
import dataclasses

import pytest

from rig.bench.plan import plan_from_table
from rig.cli.pings import Stretches
from rig.tank.scene import scene_from_table

PULSE = {"kind": "chirp", "start_hz": 4e3, "stop_hz": 12e3, "duration_s": 0.003}
PLAN = {"pulse": PULSE, "timing": {"ping_interval_s": 0.02}, "receiver": {"range_stop_m": 1.5}}
SCENE = {"medium": {"kind": "air", "sound_speed_m_s": 343.963}, "noise": {"level_db": -60.0}}


@pytest.mark.parametrize("recorded", [False, True])
def test_a_hand_is_heard_at_the_next_ping_in_a_stretch_of_a_new_plan(
    recorded: bool, tmp_path: object
) -> None:
    record = f"{tmp_path}/by-hand" if recorded else None
    stretches = Stretches(argparse.Namespace(seed=1, record=record, unattended=None))
    stretch = stretches.again(plan_from_table(PLAN), scene_from_table(SCENE))
    assert stretch.changes is not None
    truth = stretch.run.origin.truth
    assert truth is not None
    first = next(stretch.results)
    stretch.changes.once(lambda scene: dataclasses.replace(scene, noise=None))
    second = next(stretch.results)
    assert truth.scene_at(first.index).noise is not None
    assert truth.scene_at(second.index).noise is None
    # Not one was made ahead: the next would be too late for what the hand does then.
    assert len(stretch.run.results) == 2
