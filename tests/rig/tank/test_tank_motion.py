"""Delay and Doppler of moving bodies against closed forms."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.tank.motion import as_at, flight, track
from rig.tank.scene import Sphere

SPEED = 343.2
HERE = np.zeros(3)


def _ahead(range_m, speed_m_s):
    return flight(np.array([range_m, 0.0, 0.0]), np.array([speed_m_s, 0.0, 0.0]), HERE, HERE, SPEED)


@given(range_m=st.floats(0.1, 20), speed_m_s=st.floats(-30, 30))
def test_along_the_axis_delay_and_stretch_have_their_closed_forms(range_m, speed_m_s):
    # The sound catches the body at R c/(c − v) and comes back as far: 2R/(c − v) in all.
    way = _ahead(range_m, speed_m_s)
    assert way.delay_s == pytest.approx(2 * range_m / (SPEED - speed_m_s), rel=1e-12)
    assert way.dilation == pytest.approx((SPEED + speed_m_s) / (SPEED - speed_m_s), rel=1e-12)


def test_one_metre_a_second_towards_the_pair_raises_40_khz_by_234_hz():
    # Two-way Doppler, 2 v f / (c − v): 233.7814 Hz (closed form).
    assert 4e4 / _ahead(1.0, -1.0).dilation - 4e4 == pytest.approx(233.7814, abs=5e-5)


metres = st.floats(-3, 3)
moving = st.tuples(st.floats(0.3, 5), metres, metres)
velocity = st.tuples(*[st.floats(-10, 10)] * 3)


@given(place=moving, velocity=velocity)
def test_the_sound_meets_the_body_where_it_then_is(place, velocity):
    place, velocity = np.array(place), np.array(velocity)
    source, receiver = np.array([0.0, -0.1, 0.0]), np.array([0.0, 0.1, 0.0])
    way = flight(place, velocity, source, receiver, SPEED)
    out_m = np.linalg.norm(way.place_m - source)
    back_m = np.linalg.norm(way.place_m - receiver)
    assert way.delay_s * SPEED == pytest.approx(out_m + back_m, rel=1e-12)
    np.testing.assert_allclose(way.place_m, place + velocity * out_m / SPEED, atol=1e-9)


@given(place=moving, velocity=velocity)
def test_the_stretch_is_the_growth_of_the_delay_from_one_instant_to_the_next(place, velocity):
    place, velocity = np.array(place), np.array(velocity)
    source, receiver = np.array([0.0, -0.1, 0.0]), np.array([0.0, 0.1, 0.0])
    step_s = 1e-5
    early, now, late = (
        flight(place + velocity * t, velocity, source, receiver, SPEED)
        for t in (-step_s, 0.0, step_s)
    )
    grown = 1 + (late.delay_s - early.delay_s) / (2 * step_s)
    # Rounding: 1e-17 s over 2e-5 s. Curvature: third derivative of the path, at most about
    # 3 v³/R² / c = 3·17³/0.09/343 s⁻², times step²/6: below 1e-8.
    assert grown == pytest.approx(now.dilation, abs=1e-7)


def test_a_straight_pass_has_the_range_of_its_triangle():
    # R = √(R₀² + x²): R₀ 2 m, offset half of 0.349954654 m: 2.007639675 m (closed form).
    ball = Sphere(radius_m=0.05, position_m=(2.0, -0.349954654 / 2, 0.0), velocity_m_s=(0, 0.1, 0))
    for time_s, expected_m in ((0.0, 2.007639675), (3.499546541 / 2, 2.0)):
        place, velocity = track(ball, time_s)
        way = flight(place, velocity, HERE, HERE, SPEED)
        # While the sound is under way, 12 ms, the ball goes on by 0.6 mm, across: its
        # range changes by at most 0.6 mm · sin 5° = 0.05 mm.
        assert way.delay_s * SPEED / 2 == pytest.approx(expected_m, abs=6e-5)


def test_a_body_that_turns_back_is_at_its_start_again_after_two_legs():
    ball = Sphere(
        radius_m=0.05, position_m=(1.0, 0.0, 0.0), velocity_m_s=(0.5, 0, 0), turn_back_s=2.0
    )
    for time_s, along_m, speed_m_s in ((1.0, 1.5, 0.5), (3.0, 1.5, -0.5), (4.0, 1.0, 0.5)):
        place, velocity = track(ball, time_s)
        assert place[0] == pytest.approx(along_m, abs=1e-12)
        assert velocity[0] == speed_m_s


@given(
    place=moving,
    velocity=velocity,
    turn_back_s=st.sampled_from([0.0, 0.7, 3.0]),
    until_s=st.floats(0, 20),
    later_s=st.floats(0, 20),
)
def test_a_body_whose_clock_is_set_anew_goes_the_same_way(
    place, velocity, turn_back_s, until_s, later_s
):
    body = Sphere(radius_m=0.1, position_m=place, velocity_m_s=velocity, turn_back_s=turn_back_s)
    found, _ = track(as_at(body, until_s), later_s)
    # Speeds of 17 m/s over 40 s: sums of 700 m, whose rounding of 1e-16 each is 1e-13 m; and
    # a turn that falls on the other side of a rounding is met within as little.
    np.testing.assert_allclose(found, track(body, until_s + later_s)[0], atol=1e-9)
