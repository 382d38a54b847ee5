"""What really stands in the tank when a ping is sent."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest

from rig.bench.plan import plan_from_table
from rig.tank.built_in import built_in, built_in_scenes
from rig.tank.scene import scene_from_table
from rig.tank.truth import HeldScene, Truth, bodies_at, held_from_tables

AIR = {"sound_speed_m_s": 343.0}
BALL = {"body": "sphere", "radius_m": 0.05, "position_m": [1.2, 0.5, -0.9]}
PLAN = plan_from_table(
    {
        "pulse": {"kind": "chirp", "start_hz": 4e3, "stop_hz": 12e3, "duration_s": 0.01},
        "timing": {"sample_rate_hz": 48000, "ping_interval_s": 0.25},
    }
)


def scene_with(*targets, **tables):
    return scene_from_table({"medium": AIR, "target": list(targets), **tables})


def test_body_that_goes_by_is_where_its_speed_has_brought_it():
    scene = scene_with({**BALL, "velocity_m_s": [0.0, -0.2, 0.1]})
    (ball,) = bodies_at(scene, 3.0)
    # By hand: 0.5 − 0.2 · 3 = −0.1 and −0.9 + 0.1 · 3 = −0.6; exact but for rounding.
    assert ball.position_m == pytest.approx((1.2, -0.1, -0.6), rel=1e-12)
    assert ball.speed_m_s == pytest.approx(math.sqrt(0.05), rel=1e-12)
    assert ball.range_m == pytest.approx(math.sqrt(1.44 + 0.01 + 0.36), rel=1e-12)


def test_body_that_turned_back_goes_the_other_way():
    scene = scene_with({**BALL, "velocity_m_s": [0.0, 0.2, 0.0], "turn_back_s": 2.0})
    (ball,) = bodies_at(scene, 3.0)
    # Out for 2 s to 0.9, and back for 1 s to 0.7.
    assert ball.position_m[1] == pytest.approx(0.7, rel=1e-12)
    assert ball.velocity_m_s == (0.0, -0.2, 0.0)


def test_centre_lies_half_its_depth_behind_the_front():
    # 3-4-5: the front at 5 m, the middle of a ball 1 m across at 5.5 m on the same line.
    (ball,) = bodies_at(scene_with({**BALL, "radius_m": 0.5, "position_m": [3, 0, 4]}), 0.0)
    assert ball.centre_m == pytest.approx((3.3, 0.0, 4.4), rel=1e-12)


@pytest.mark.parametrize(
    ("table", "size_m", "words"),
    [
        ({"body": "plate", "width_m": 0.2, "height_m": 0.3}, (0.0, 0.2, 0.3), "plate"),
        ({"body": "cylinder", "radius_m": 0.03, "length_m": 0.6}, (0.06, 0.06, 0.6), "cylinder"),
        ({"body": "bubbles", "radius_m": 0.02}, (0.04, 0.04, 0.04), "cloud of small balls"),
        ({"body": "sphere", "radius_m": 0.02, "surface": "soft"}, (0.04,) * 3, "soft ball"),
    ],
)
def test_each_body_has_its_size_and_its_name(table, size_m, words):
    (body,) = bodies_at(scene_with({"position_m": [1, 0, 0], **table}), 0.0)
    assert (body.kind, body.words) == (table["body"], words)
    assert body.size_m == pytest.approx(size_m)


def test_a_fast_clock_sends_pings_closer_together():
    # 1 % fast: 12 000 samples of it last 0.25 s / 1.01.
    truth = Truth(PLAN, [HeldScene(scene=scene_with(converter={"clock_error_ppm": 10_000.0}))])
    assert truth.time_s(4) == pytest.approx(1.0 / 1.01, rel=1e-12)


def test_each_scene_holds_from_its_ping_and_has_a_time_of_its_own():
    moving = scene_with({**BALL, "velocity_m_s": [0.1, 0.0, 0.0]})
    truth = Truth(PLAN, [HeldScene(scene=scene_with(BALL))])
    truth.change(moving, from_ping=8)
    assert [truth.time_s(ping) for ping in (0, 7, 8, 10)] == pytest.approx([0, 1.75, 0, 0.5])
    along = truth.way_m(0, range(6, 12))[:, 0]
    # 0.1 m/s and 0.25 s from ping to ping, from ping 8 on.
    assert along == pytest.approx([1.2, 1.2, 1.2, 1.225, 1.25, 1.275], rel=1e-12)


def test_a_body_that_was_put_in_later_has_no_way_before():
    truth = Truth(PLAN, [HeldScene(scene=scene_with())])
    truth.change(scene_with(BALL), from_ping=2)
    assert np.isnan(truth.way_m(0, range(3))[:, 0]).tolist() == [True, True, False]
    assert [len(truth.bodies_at(ping)) for ping in range(3)] == [0, 0, 1]


def test_the_last_change_at_one_ping_counts():
    truth = Truth(PLAN, [HeldScene(scene=scene_with())])
    truth.change(scene_with(BALL), from_ping=3)
    truth.change(scene_with(BALL, BALL), from_ping=3)
    assert [held.from_ping for held in truth.scenes] == [0, 3]
    assert len(truth.bodies_at(3)) == 2


def test_scenes_out_of_order_are_refused():
    truth = Truth(PLAN, [HeldScene(scene=scene_with())])
    truth.change(scene_with(BALL), from_ping=5)
    with pytest.raises(ValueError, match="from_ping: found 4; give at least 5"):
        truth.change(scene_with(), from_ping=4)
    with pytest.raises(ValueError, match="from_ping: found 1; give 0"):
        Truth(PLAN, [HeldScene(scene=scene_with(), from_ping=1)])
    with pytest.raises(ValueError, match="found none"):
        Truth(PLAN, [])


@pytest.mark.parametrize("name", built_in_scenes())
def test_a_recording_s_tables_make_the_same_scenes_again(name):
    scene, plan = built_in(name)
    truth = Truth(plan, [HeldScene(scene=scene)])
    truth.change(scene_with(BALL), from_ping=4)
    truth.change(scene_with(), from_ping=9)
    written = json.dumps([truth.tables(after=-1, up_to=0), truth.tables(after=0, up_to=8)])
    first, then = (tuple(held_from_tables(tables)) for tables in json.loads(written))
    assert first + then == truth.scenes[:2]
