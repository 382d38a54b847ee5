"""Hands in the window, step by step on a clock of the test's own: keys, mouse, tray, undo."""

import contextlib
import dataclasses
import re

import numpy as np
import pytest
from blank_paper import blank_paper

from rig.bench.plan import plan_from_table, read_plan
from rig.run.opening import open_bench, open_replay
from rig.show.window.tray import BUTTONS
from rig.tank.built_in import built_in
from rig.tank.scene import Bubbles, Cylinder, Plate, Sphere, read_scene, scene_from_table
from rig.tank.scene_text import rounded
from rig.teach.lessons.air_bench import PLAN as AIR_PLAN
from tests.shared.air_scenes import scene as air_scene
from tests.shared.hand_window import HandWindow

SMALL = (640, 360)
"""Dots of the window: fewer are drawn sooner."""


@contextlib.contextmanager
def opened(folder):
    scene, plan = built_in("trough")
    with open_bench(plan, scene=scene, seed=2) as bench:
        made = HandWindow(bench, folder, record=str(folder / "by-hand"), size_px=SMALL)
        made.folder, made.start = folder, scene
        made.ping(2)
        yield made
        made.close()


@pytest.fixture
def hand(tmp_path):
    """A window of its own, at which nobody looks."""
    with blank_paper(), opened(tmp_path) as made:
        yield made


@pytest.fixture(scope="module")
def shared_window(tmp_path_factory):
    with opened(tmp_path_factory.mktemp("shared")) as made:
        yield made


@pytest.fixture
def shared(shared_window):
    """A window that others have touched, put back to the start."""
    shared_window.press("escape", "K", "r")
    shared_window.ping()
    return shared_window


def to_knob(hand, name):
    hand.press("k")
    while hand.window.touch.knob[0] != name:
        hand.press("k")


def scene_of(hand):
    return hand.window.hands.scene


def test_bodies_are_put_in_made_larger_and_taken_out(shared):
    kinds = {"1": Sphere, "2": Plate, "3": Cylinder, "4": Bubbles}
    for count, (key, kind) in enumerate(kinds.items(), start=4):
        shared.press(key)
        shared.ping()
        assert len(scene_of(shared).target) == count
        assert isinstance(scene_of(shared).target[-1], kind)
        # What was put in is chosen, so that it can be led at once.
        assert shared.window.hands.chosen == count - 1
    before = scene_of(shared).target[-1].radius_m
    shared.press("]", "]")
    shared.ping()
    assert scene_of(shared).target[-1].radius_m == pytest.approx(2 * before)
    shared.press("x")
    shared.ping()
    assert len(scene_of(shared).target) == 6
    shared.press(*"uuuuuuu")
    shared.ping()
    assert len(scene_of(shared).target) == 3


def test_keys_lead_a_body_let_it_go_and_hang_it_still(shared):
    shared.press("n", "n")
    chosen = shared.window.hands.chosen
    start = np.array(shared.bodies[chosen].position_m)
    for _ in range(5):
        shared.press("right")
        shared.pass_time(0.03)
    shared.ping(5)
    moved = np.array(shared.bodies[chosen].position_m) - start
    # Five steps of a 250th of the axis; it is there and hangs still.
    assert moved == pytest.approx([5 * 1.2 / 250, 0.0, 0.0], abs=1e-6)
    assert shared.bodies[chosen].speed_m_s == 0
    shared.press("g")
    shared.ping(2)
    assert shared.bodies[chosen].speed_m_s == pytest.approx(0.1)
    shared.press("g")
    shared.ping(2)
    assert shared.bodies[chosen].speed_m_s == 0


def test_arrows_lead_a_body_as_it_is_seen_where_ranges_run_down(shared):
    shared.press("1")
    shared.ping()
    start = np.array(shared.bodies[-1].position_m)
    shared.press("d", "down", "left", "shift+right")
    shared.ping(4)
    step_m = 1.2 / 250
    # Down the page is away; what is to the left stands on the left.
    moved = np.array(shared.bodies[-1].position_m) - start
    assert moved == pytest.approx([step_m, step_m, step_m], abs=1e-6)
    shared.press("d")


def test_a_body_thrown_by_the_mouse_goes_on_and_one_that_rests_hangs(shared):
    shared.press("1")
    shared.ping(2)
    body = shared.bodies[-1]
    along_m, across_m = body.centre_m[:2]
    speed_m_s = shared.draw_by_hand((along_m, across_m), (along_m - 0.1, across_m), 0.2)
    shared.release()
    shared.ping(3)
    thrown = shared.bodies[-1]
    # The way of the last quarter second: within a dot, 2 mm, of 50.
    assert thrown.speed_m_s == pytest.approx(speed_m_s, rel=0.08)
    assert thrown.velocity_m_s[0] < 0
    shared.press("u")
    shared.ping()
    assert shared.bodies[-1].position_m == pytest.approx(body.position_m)


def test_start_again_is_the_scene_of_the_first_ping(shared):
    shared.press("1", "]", "k", "k", "k", ".", "r")
    shared.ping()
    assert scene_of(shared) == shared.start


def test_each_knob_turns_shows_its_unit_and_is_undone(shared):
    to_knob(shared, "display gain")
    seen = []
    while (knob := shared.window.touch.knob)[0] != "frequency":
        name, before = knob
        seen.append(name)
        assert any(each.isdigit() for each in before) or "none" in before
        still = dataclasses.replace(scene_of(shared), target=())
        shared.press(".")
        shared.ping()
        assert shared.window.touch.knob[0] == name
        assert shared.window.touch.knob[1] != before
        shared.press("u")
        shared.ping()
        assert shared.window.touch.knob[1] == before
        assert dataclasses.replace(scene_of(shared), target=()) == still
        shared.press("k")
    assert len(set(seen)) == 11


def test_a_pair_goes_on_rolling_whatever_else_is_undone_until_all_starts_again(shared):
    to_knob(shared, "pair rolls")
    shared.press(".", ".")
    shared.ping(2)
    shared.press("1")
    shared.ping()
    shared.press("u")
    shared.ping(3)
    assert shared.window.touch.knob[1].startswith("6 degrees")
    tilts = set()
    for _ in range(3):
        shared.ping()
        tilts.add(scene_of(shared).transducer.tilt_deg)
    assert len(tilts) == 3
    shared.press("u")
    shared.ping(2)
    assert shared.window.touch.knob[1].startswith("3 degrees")
    shared.press("r")
    shared.ping(2)
    assert shared.window.touch.knob[1].startswith("0 degrees")
    assert scene_of(shared) == shared.start


def test_display_gains_touch_no_number_and_are_told(shared):
    def numbers():
        return [(e.range_m, e.strength_db) for r in shared.run.results for e in r.echoes]

    before, limits_db = numbers(), shared.window.limits_db
    to_knob(shared, "display gain")
    shared.press(".", ".", "k", ".")
    assert numbers() == before
    assert shared.window.limits_db == (limits_db[0] - 12, limits_db[1] - 12)
    assert "too much" in shared.window.remarks
    assert "too little" in shared.window.remarks
    shared.press("u", "u", "u")
    assert shared.window.remarks == ""


def test_a_saved_scene_is_what_is_shown_and_overwrites_nothing(shared):
    shared.press("1", "2")
    shared.ping(3)
    shared.press("v")
    first = shared.folder / "shot-scene.toml"
    assert read_scene(first) == rounded(shared.window.hands.scene_now)
    kept = first.read_bytes()
    # No number is longer than a hand would write it, and no zero has a minus.
    numbers = re.findall(r"-?\d+\.\d+", kept.decode())
    assert max(len(number.partition(".")[2]) for number in numbers) <= 5
    assert "-0.0" not in numbers
    # The plan that it is heard with lies beside it, and the foot says how to run both.
    beside = shared.folder / "shot-scene-plan.toml"
    assert read_plan(beside) == shared.run.plan
    assert f"run --plan {beside} --scene {first}" in shared.window.message
    shared.press("v")
    assert first.read_bytes() == kept
    assert (shared.folder / "shot-scene-2.toml").read_bytes() == kept
    assert (shared.folder / "shot-scene-2-plan.toml").read_bytes() == beside.read_bytes()


def test_a_replay_shows_the_same_hands(hand):
    hand.press("u")
    assert "Nothing" in hand.window.message
    hand.press("4", "n")
    hand.ping(2)
    hand.press("left")
    hand.ping(3)
    told = hand.run.origin.truth
    hand.close()
    with open_replay(hand.folder / "by-hand") as bench:
        replayed = bench.ping(100)
    for ping in range(hand.pings):
        assert replayed.origin.truth.bodies_at(ping) == told.bodies_at(ping)
    assert len(replayed.results) == hand.pings


def test_what_is_clicked_in_the_tray_is_as_its_key(shared):
    width, height = SMALL
    tray = shared.window.tray
    # A finger opens it by the line of keys at the foot.
    shared.mouse("press", width / 2, 4)
    assert tray.open
    keys = {tray.key_at(x, y) for x in range(0, width, 3) for y in range(0, height // 12, 3)}
    assert {key for _, key in BUTTONS} | {",", ".", "k"} <= keys
    places = {tray.key_at(x, 6): x for x in range(0, width, 3)}
    shared.mouse("press", places["1"], 6)
    shared.ping()
    assert len(scene_of(shared).target) == 4
    shared.mouse("press", places["K"], 6)
    assert not tray.open


def test_nothing_is_told_or_led_of_what_is_covered(shared):
    shared.press("n", "t", "n")
    assert "covered" in shared.window.message
    assert "ahead" not in shared.window.message
    scene = scene_of(shared)
    shared.press("right", "g", "x")
    shared.ping(2)
    assert scene_of(shared) is scene
    shared.press("t")


def test_help_has_a_second_sheet_for_hands(shared):
    seen = []
    for _ in range(4):
        shared.press("h")
        seen.append(shared.window.help_shown)
    assert "threshold" in seen[0]
    assert "put in a ball" in seen[1]
    assert seen[2] == ""
    assert seen[3] == seen[0]


PLAN_KNOBS = {
    "frequency": lambda p: p.pulse.centre_hz,
    "pulse length": lambda p: p.pulse.duration_s,
    "pulse": lambda p: p.pulse.kind,
    "disc": lambda p: p.transducer.radius_m,
    "ping interval": lambda p: p.timing.ping_interval_s,
    "believed temperature": lambda p: p.medium.temperature_c,
}


def test_a_knob_of_the_plan_begins_a_stretch_with_a_plan_and_a_recording_of_its_own(hand):
    start = hand.run.plan
    for count, (name, of) in enumerate(PLAN_KNOBS.items(), start=1):
        to_knob(hand, name)
        hand.press(".")
        assert len(hand.stretches) == count
        assert of(hand.run.plan) != of(start)
        assert "A new plan: the recording is closed" in hand.window.message
        hand.ping(2)
    before = hand.stretches[-2].run.plan
    hand.press("u")
    assert hand.run.plan == before
    hand.close()
    # Each is whole, has its own plan and the scene as it stood, and can be replayed.
    with open_replay(hand.folder / "by-hand") as bench:
        assert bench.receiver.plan == start
    with open_replay(hand.folder / "by-hand-2") as bench:
        assert bench.receiver.plan.pulse.centre_hz > start.pulse.centre_hz
        assert len(bench.ping(10).results) == 2


def test_a_stretch_takes_along_scene_history_and_what_can_be_undone(hand):
    hand.press("1")
    hand.ping(3)
    start = hand.run.plan
    to_knob(hand, "disc")
    hand.press(".")
    hand.ping(2)
    assert len(scene_of(hand).target) == 4
    # Five pings of the stretch before, numbered so that they end before ping 0.
    shown = hand.window.shown_pings
    assert [ping for ping in shown if ping < 0] == [-5, -4, -3, -2, -1]
    hand.press("u", "u")
    hand.ping()
    assert len(scene_of(hand).target) == 3
    # Back at the start with the plan too, and the scene's own disc.
    hand.press(".", "r")
    hand.ping()
    assert hand.run.plan == start
    assert scene_of(hand) == hand.start


def test_what_was_asked_for_as_a_stretch_ends_is_done_in_the_next(hand):
    hand.press("1")
    hand.ping(2)
    to_knob(hand, "disc")
    # No ping between: the stretch that was asked for a plate has none any more.
    hand.press("2", ".")
    hand.ping(2)
    turned, scene = hand.run.plan, scene_of(hand)
    assert [body.body for body in scene.target[3:]] == ["sphere", "plate"]
    # Undone as a whole: the plan of before with the scene of before.
    hand.press("r")
    hand.ping()
    assert scene_of(hand) == hand.start
    hand.press("u")
    hand.ping()
    assert hand.run.plan == turned
    assert len(scene_of(hand).target) == 5
    assert scene_of(hand).transducer == scene.transducer


def test_a_plan_that_does_not_do_is_told_and_the_pings_go_on(hand):
    to_knob(hand, "frequency")
    # The band ends at 160 kHz, 40 above its middle of 120, and samples hold up to 250: three
    # turns of a quarter octave lead to a middle of 202 kHz, a fourth beyond what they hold.
    hand.press(*".....")
    assert len(hand.stretches) == 3
    assert "frequency: pulse: reaches" in hand.window.message
    before = hand.pings
    hand.ping(2)
    assert hand.pings == before + 2


def test_another_bench_is_told_while_it_pings(tmp_path):
    other = {
        "pulse": AIR_PLAN["pulse"],
        "interval_s": 0.0372,
        "position_m": [3.0, 0.0, 0.0],
        "level_db": -30.0,
    }
    seen = scene_from_table({**air_scene(), "other_bench": [other]})
    with open_bench(plan_from_table(AIR_PLAN), scene=seen, seed=1) as bench:
        hand = HandWindow(bench, tmp_path)
        hand.ping(8)
        assert "Not our pulse" not in hand.window.remarks
        hand.ping(24)
        assert "Not our pulse: another bench, every 37.2 ms." in hand.window.remarks
        hand.close()
