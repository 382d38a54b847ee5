"""What can be turned of a scene, and what its file then says."""

import math

import pytest

from rig.tank.built_in import built_in, built_in_scenes
from rig.tank.changes import Tick, scene_at
from rig.tank.knobs import ROLL_PERIOD_S, pair_ahead, pair_moved, rolling, scene_knobs, tilted
from rig.tank.motion import track
from rig.tank.scene import read_scene, scene_from_table
from rig.tank.scene_text import scene_text


def _knobs():
    # A speed that no formula gives: what the knob asks for is what stands there.
    return {k.name: k for k in scene_knobs(lambda _, t: 1400.0 + t, reach_m=0.1)}


@pytest.mark.parametrize("name", built_in_scenes())
def test_a_turned_scene_reads_back_as_it_was_turned(name, tmp_path):
    scene, _ = built_in(name)
    for knob in _knobs().values():
        for value in (knob.low, knob.high):
            if knob.read(scene) is None:
                continue
            turned = knob.turned(scene, value)
            assert knob.read(turned) == pytest.approx(value, abs=1e-5)
            path = tmp_path / "turned.toml"
            path.write_text(scene_text(turned, words="Invented."), encoding="utf-8")
            assert read_scene(path) == turned


def test_the_true_temperature_sets_the_speed_that_the_sound_has():
    scene, _ = built_in("trough")
    warmer = _knobs()["true temperature"].turned(scene, 25.0)
    assert (warmer.medium.temperature_c, warmer.medium.sound_speed_m_s) == (25.0, 1425.0)


def test_a_scene_without_faces_or_walls_has_no_such_knobs():
    scene = scene_from_table({"medium": {"sound_speed_m_s": 343.0}})
    assert _knobs()["pair tilted up"].read(scene) is None
    assert _knobs()["hardness of the far wall"].read(scene) is None


def test_a_rolling_pair_swings_about_its_tilt():
    scene, _ = built_in("trough")
    scene = tilted(scene, 5.0)
    roll = rolling(10.0, 5.0)
    turned = [
        roll(scene, Tick(run_s=7.0 + t, interval_s=0.1)).transducer.tilt_deg
        for t in (0.0, ROLL_PERIOD_S / 4, ROLL_PERIOD_S / 2, 3 * ROLL_PERIOD_S / 4)
    ]
    assert turned == pytest.approx([5.0, 15.0, 5.0, -5.0])


def test_a_pair_that_is_moved_sees_all_bodies_go_the_other_way_together():
    scene, _ = built_in("trough")
    moved = pair_moved(0.05)(scene)
    apart = [math.dist(b.position_m, scene.target[0].position_m) for b in scene.target]
    for time_s in (1.0, 5.0, 12.0, 30.0):
        places = [track(body, time_s)[0] for body in moved.target]
        # They hang still in the tank: their distances stay, and they are within its walls.
        assert [math.dist(p, places[0]) for p in places] == pytest.approx(apart, abs=1e-9)
        assert all(scene.walls.holds(place) for place in places)
    assert track(moved.target[0], 0.5)[1] == pytest.approx([0.0, -0.05, 0.0])


@pytest.mark.parametrize("name", ["trough", "bottom"])
def test_a_pair_that_moves_ahead_comes_nearer_to_bodies_and_wall_alike(name):
    if name == "trough":
        scene, _ = built_in("trough")
    else:
        ball = {"body": "sphere", "radius_m": 0.02, "position_m": [0.6, 0.1, 0.0]}
        scene = scene_from_table(
            {"medium": {"sound_speed_m_s": 1480.0}, "bottom": {"range_m": 1.0}, "target": [ball]}
        )
    start = scene
    ahead = pair_ahead(0.1)
    for ping in range(11):
        scene = ahead(scene_at(scene, 0.1 if ping else 0.0), Tick(run_s=0.1 * ping, interval_s=0.1))
    # Ten pings of 0.1 s at 0.1 m/s: a decimetre.
    assert start.far_wall_m - scene.far_wall_m == pytest.approx(0.1)
    for was, now in zip(start.target, scene.target, strict=True):
        assert was.position_m[0] - now.position_m[0] == pytest.approx(0.1, abs=1e-9)
        assert now.velocity_m_s == (-0.1, 0.0, 0.0)


def test_a_pair_stops_short_of_what_is_ahead():
    scene, _ = built_in("trough")
    ahead = pair_ahead(0.5)
    for ping in range(60):
        tick = Tick(run_s=0.1 * ping, interval_s=0.1)
        scene = ahead(scene_at(scene, 0.1 if ping else 0.0), tick)
    assert min(body.position_m[0] for body in scene.target) >= 0.05
    assert not any(body.moves for body in scene.target)
