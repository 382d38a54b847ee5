"""What hands do to a scene: even ways, true Doppler, undo to what would be now."""

import math

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from rig.tank.changes import (
    FASTEST_HAND_M_S,
    Changes,
    Tick,
    hung_still,
    in_the_hand,
    put_in,
    resized,
    sent_off,
    taken_out,
    within,
)
from rig.tank.motion import flight, track
from rig.tank.scene import Sphere, scene_from_table

INTERVAL_S = 0.1
BALL = {"body": "sphere", "radius_m": 0.02, "position_m": [0.4, -0.2, 0.0]}
TO_AND_FRO = {**BALL, "velocity_m_s": [0.1, 0.0, 0.0], "turn_back_s": 0.75}
BOX = {"size_m": [1.2, 0.6, 0.5], "pair_m": [0.05, 0.3, 0.25]}


def _scene(*bodies, **tables):
    return scene_from_table(
        {"medium": {"sound_speed_m_s": 343.0}, "target": list(bodies), **tables}
    )


class Sounded:
    """Scenes ping by ping, as a tank asks for them."""

    def __init__(self, scene):
        self.changes, self.scene = Changes(), scene
        self.from_ping = self.ping = 0

    def ping_on(self, pings=1):
        for _ in range(pings):
            tick = Tick(run_s=self.ping * INTERVAL_S, interval_s=INTERVAL_S)
            changed = self.changes.taken_up(self.scene, self.time_s, tick)
            if changed is not None:
                self.scene, self.from_ping = changed, self.ping
            self.ping += 1

    @property
    def time_s(self):
        return (self.ping - self.from_ping) * INTERVAL_S

    def place(self, number):
        return track(self.scene.target[number], self.time_s)[0]


def test_a_scene_that_nobody_touches_is_never_set_anew():
    tank = Sounded(_scene(TO_AND_FRO))
    scene = tank.scene
    tank.ping_on(20)
    assert tank.scene is scene


@settings(max_examples=25, deadline=None)
@given(
    hand=st.lists(
        st.tuples(st.floats(0.1, 1.0), st.floats(-0.2, 0.2), st.floats(-0.2, 0.2)),
        min_size=2,
        max_size=12,
    )
)
def test_a_body_in_the_hand_goes_evenly_from_ping_to_ping_and_never_leaps(hand):
    tank = Sounded(_scene(BALL))
    at = iter(hand)
    led = (np.subtract(place, BALL["position_m"]) for place in at)
    tank.changes.begin("hand", in_the_hand(0, lambda _: next(led)))
    before = np.array(BALL["position_m"])
    for wanted in hand:
        tank.ping_on()
        body = tank.scene.target[0]
        # It sets out from where it was, whatever the hand did.
        sets_out = track(body, tank.time_s - INTERVAL_S)[0]
        np.testing.assert_allclose(sets_out, before, atol=1e-12)
        due_m_s = np.linalg.norm(np.subtract(wanted, before)) / INTERVAL_S
        speed_m_s = math.hypot(*body.velocity_m_s)
        if due_m_s * INTERVAL_S > 1e-6:
            assert speed_m_s == pytest.approx(min(due_m_s, FASTEST_HAND_M_S), rel=1e-9)
        before = tank.place(0)
        if due_m_s < FASTEST_HAND_M_S:
            np.testing.assert_allclose(before, wanted, atol=2e-6)


def test_an_echo_from_the_hand_has_the_doppler_of_the_hand_s_speed():
    # Drawn away along the axis by 3 cm a ping: 0.3 m/s. The stretch is (c + v)/(c − v).
    tank = Sounded(_scene({**BALL, "position_m": [0.4, 0.0, 0.0]}))
    tank.changes.begin("hand", in_the_hand(0, lambda run_s: (0.03 + 0.3 * run_s, 0.0, 0.0)))
    tank.ping_on(3)
    place, velocity = track(tank.scene.target[0], 0.0)
    way = flight(place, velocity, np.zeros(3), np.zeros(3), 343.0)
    assert way.dilation == pytest.approx(343.3 / 342.7, rel=1e-9)


def test_others_go_on_as_if_nothing_had_been_touched():
    tank, alone = Sounded(_scene(BALL, TO_AND_FRO)), Sounded(_scene(BALL, TO_AND_FRO))
    tank.changes.begin("hand", in_the_hand(0, lambda run_s: (0.0, run_s * 0.1, 0.0)))
    for _ in range(40):
        tank.ping_on()
        alone.ping_on()
        np.testing.assert_allclose(tank.place(1), alone.place(1), atol=1e-9)


def test_a_body_let_go_goes_on_and_one_hung_still_stays():
    tank = Sounded(_scene(BALL))
    tank.changes.once(sent_off(0, (0.0, 0.2, 0.0)))
    tank.ping_on(10)
    np.testing.assert_allclose(tank.place(0), [0.4, 0.0, 0.0], atol=1e-12)
    tank.changes.once(hung_still(0))
    tank.ping_on(10)
    np.testing.assert_allclose(tank.place(0), [0.4, 0.0, 0.0], atol=1e-12)


@settings(max_examples=25, deadline=None)
@given(velocity=st.tuples(*[st.floats(-0.5, 0.5)] * 3), pings=st.integers(0, 100))
@example(velocity=(0.0, -0.49609375, 0.0), pings=0)  # has turned back, a hair before the wall
def test_a_body_let_go_between_walls_goes_to_and_fro_and_stays_within(velocity, pings):
    tank = Sounded(_scene(BALL, walls=BOX))
    tank.changes.once(sent_off(0, velocity))
    tank.ping_on(2)
    # It starts as it is sent, a ping's way from where it was, and is never lost.
    if math.hypot(*velocity) > 1e-4 and tank.scene.target[0].turn_back_s > 0.1:
        moved = np.array(BALL["position_m"]) + np.array(velocity) * tank.time_s
        goes = track(tank.scene.target[0], tank.time_s)[1]
        if tank.scene.walls.holds(moved) and np.array_equal(goes, velocity):
            np.testing.assert_allclose(tank.place(0), moved, atol=1e-9)
    tank.ping_on(pings)
    assert tank.scene.walls.holds(tank.place(0))


def test_undo_puts_the_scene_to_what_it_would_be_now():
    tank, untouched = Sounded(_scene(BALL, TO_AND_FRO)), Sounded(_scene(BALL, TO_AND_FRO))
    tank.ping_on(3)
    tank.changes.once(taken_out(1))
    tank.ping_on(5)
    tank.changes.begin("hand", in_the_hand(0, lambda _: (0.5, 0.3, 0.0)))
    tank.ping_on(5)
    tank.changes.end("hand")
    tank.changes.undo()
    tank.ping_on()
    assert len(tank.scene.target) == 1
    np.testing.assert_allclose(tank.place(0), BALL["position_m"], atol=1e-12)
    tank.changes.undo()
    tank.changes.undo()  # there is no third step: nothing happens
    tank.ping_on()
    untouched.ping_on(tank.ping)
    for number in (0, 1):
        np.testing.assert_allclose(tank.place(number), untouched.place(number), atol=1e-9)


def test_start_again_is_the_scene_of_the_first_ping_and_can_be_undone():
    tank = Sounded(_scene(BALL, TO_AND_FRO))
    start = tank.scene
    tank.ping_on(3)
    tank.changes.once(put_in(Sphere(radius_m=0.03, position_m=(0.8, 0.0, 0.0))))
    tank.ping_on(3)
    tank.changes.start_again()
    tank.ping_on()
    assert tank.scene == start
    tank.changes.undo()
    tank.ping_on()
    assert len(tank.scene.target) == 3


def test_what_has_left_through_a_wall_is_gone_at_the_next_change():
    leaves = {**BALL, "velocity_m_s": [0.0, 0.3, 0.0]}
    tank = Sounded(_scene(leaves, {**BALL, "position_m": [0.9, 0.0, 0.0]}, walls=BOX))
    tank.ping_on(30)
    tank.changes.once(resized(1, 2.0))
    tank.ping_on()
    assert len(tank.scene.target) == 1


@settings(max_examples=25, deadline=None)
@given(place=st.tuples(*[st.floats(-10, 10)] * 3))
def test_a_hand_leads_no_body_through_a_wall(place):
    scene = _scene(BALL, walls=BOX)
    led = within(scene, place)
    assert scene.walls.holds(led)
    assert led[0] > 0


def test_a_change_of_a_body_that_is_not_there_does_nothing():
    tank = Sounded(_scene(BALL))
    for change in (taken_out(3), resized(3, 2.0), hung_still(3), sent_off(3, (0.1, 0.0, 0.0))):
        tank.changes.once(change)
    tank.changes.begin("hand", in_the_hand(3, lambda _: (0.5, 0.0, 0.0)))
    scene = tank.scene
    tank.ping_on(2)
    assert tank.scene is scene


def test_a_larger_body_is_larger_as_far_as_a_scene_may_say():
    tank = Sounded(
        _scene(
            BALL, {"body": "plate", "width_m": 0.2, "height_m": 0.1, "position_m": [1.0, 0.0, 0.0]}
        )
    )
    tank.changes.once(resized(0, 1000.0))
    tank.changes.once(resized(1, 1.25))
    tank.ping_on()
    ball, plate = tank.scene.target
    assert ball.radius_m == 10.0
    assert (plate.width_m, plate.height_m) == pytest.approx((0.25, 0.125))


def test_a_change_that_no_scene_file_could_say_is_refused_and_told():
    tank = Sounded(_scene(BALL))
    scene = tank.scene
    tank.changes.once(put_in(Sphere(radius_m=50.0, position_m=(1.0, 0.0, 0.0))))
    tank.ping_on()
    assert tank.scene is scene
    assert "radius_m: found 50" in tank.changes.refused()
    assert tank.changes.refused() == ""
