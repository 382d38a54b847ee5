"""Even ways made of a pointer's leaps from dot to dot, and even times of uneven asking."""

import types

import numpy as np
import pytest

from rig.show.window.hand_path import EventClock, HandPath, SceneClock

START = (0.0, 0.0, 0.0)


def test_a_steady_hand_on_dots_goes_evenly():
    # 0.1 m/s over dots of 2 mm: told every 20 ms, half a dot late on average.
    path = HandPath(0.0, START)
    for dot in range(1, 101):
        path.add(0.02 * dot, (0.0, 0.002 * dot, 0.0))
    times_s = np.arange(0.3, 1.7, 0.05)
    across_m = np.array([path.at(t)[1] for t in times_s])
    # Dots are told on time here, so that the way between them is the hand's own.
    np.testing.assert_allclose(across_m, 0.1 * times_s, atol=1e-9)
    assert path.velocity_m_s(1.5) == pytest.approx((0.0, 0.1, 0.0), abs=1e-9)


def test_a_hand_that_rested_sets_out_when_it_moves_and_not_before():
    path = HandPath(0.0, START)
    path.add(5.0, (0.0, 0.01, 0.0))
    assert path.at(4.0) == START
    assert path.at(6.0) == pytest.approx((0.0, 0.01, 0.0))


def test_a_long_way_is_forgotten_but_for_what_may_be_asked_for():
    path = HandPath(0.0, START)
    for step in range(1, 3001):
        path.add(0.01 * step, (0.0, 0.001 * step, 0.0))
    assert path.at(28.0)[1] == pytest.approx(2.8, abs=1e-9)
    assert path.last_m == (0.0, 3.0, 0.0)


def test_a_scene_s_time_is_told_evenly_though_asked_by_fits_and_starts():
    now = [50.0]
    clock = SceneClock(lambda: now[0])
    told = []
    for ping, late_s in enumerate([0.0, 0.03, 0.01, 0.05, 0.0]):
        now[0] = 50.0 + 0.1 * ping + late_s
        told.append(clock.wall_s(0.1 * ping))
    np.testing.assert_allclose(np.diff(told), 0.1)
    # A stumble of a second sets it anew.
    now[0] = 52.0
    assert clock.wall_s(0.5) == pytest.approx(52.0)


def event(ms):
    return types.SimpleNamespace(guiEvent=types.SimpleNamespace(time=ms))


def test_an_event_s_own_time_does_not_wait_for_a_drawing():
    now = [100.0]
    clock = EventClock(lambda: now[0])
    first = clock.time_s(event(7000))
    now[0] = 100.35  # told 50 ms late
    assert clock.time_s(event(7300)) - first == pytest.approx(0.3)
    assert clock.time_s(types.SimpleNamespace(guiEvent=None)) == 100.35


def test_a_rest_is_as_long_as_it_was_in_a_window_that_catches_up():
    now = [101.0]  # the first comes a second late, and what follows less and less
    clock = EventClock(lambda: now[0])
    times = [clock.time_s(event(7000), holds=False)]
    for ms, told in ((7100, 100.8), (7200, 100.5), (7800, 100.8)):
        now[0] = told
        times.append(clock.time_s(event(ms)))
    assert np.diff(times) == pytest.approx([0.1, 0.1, 0.6])
    # The next hold goes by the event that waited least: the screen's time is 93 s behind.
    now[0] = 102.5
    assert clock.time_s(event(9000), holds=False) == pytest.approx(102.0)
