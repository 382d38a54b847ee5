"""Image sources against a room-acoustics library, and the sign of a free surface."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.tank.walls import image_paths

SIZE = (1.2, 0.6, 0.5)
SOURCE, RECEIVER = (0.30, 0.25, 0.20), (0.90, 0.35, 0.30)
SPEED = 1482.35
RIGID = ((1.0, 1.0),) * 3


def test_a_tank_s_first_delays_are_those_of_the_room_acoustics_library():
    # Computed with pyroomacoustics; delays printed to 1e-4 µs, two of them to 1e-3 µs.
    paths = image_paths(SIZE, SOURCE, RECEIVER, RIGID, order=3)
    assert paths.path_m[0] == pytest.approx(0.6164414003, abs=1e-10)
    delays_us = 1e6 * paths.path_m[:10] / SPEED
    expected = [415.8541, *[531.1841] * 2, *[576.382] * 2, *[664.4084] * 4, 732.8081]
    printed_to_us = np.where(np.isclose(expected, 576.382, rtol=0, atol=1e-9), 1e-3, 1e-4)
    assert (np.abs(delays_us - expected) < 0.51 * printed_to_us).all()


@pytest.mark.reference
def test_every_image_up_to_the_fifth_order_is_the_library_s():
    import pyroomacoustics

    room = pyroomacoustics.ShoeBox(SIZE, fs=48000, max_order=5)
    room.add_source(SOURCE)
    room.add_microphone(RECEIVER)
    room.image_source_model()
    away = room.sources[0].images - np.array(RECEIVER)[:, np.newaxis]
    paths = image_paths(SIZE, SOURCE, RECEIVER, RIGID, order=5)
    # The library keeps positions in single precision: 1e-7 of up to 7 m.
    expected = np.sort(np.linalg.norm(away, axis=0))
    np.testing.assert_allclose(paths.path_m, expected, atol=1e-5)
    orders = np.bincount(paths.order)
    np.testing.assert_array_equal(orders, np.bincount(room.sources[0].orders))


def test_a_free_surface_turns_the_sign_at_each_meeting_and_a_rigid_wall_does_not():
    # Pressure reflection from water to air, −0.99944 (impedances), taken as −1.
    surface = ((0.0, 0.0), (0.0, 0.0), (1.0, -1.0))
    paths = image_paths(SIZE, SOURCE, (0.90, 0.35, 0.31), surface, order=2)
    # Source 0.20 and receiver 0.31 above the floor, 0.50 below the surface. Unfolded,
    # the receiver stands this much above the source, and the sign is:
    unfolded_m = {
        0.31 - 0.20: 1,  # straight
        -0.31 - 0.20: 1,  # by the floor
        1.00 - 0.31 - 0.20: -1,  # by the surface
        1.00 + 0.31 - 0.20: -1,  # by floor and surface, either first
        -1.00 + 0.31 - 0.20: -1,
    }
    expected = sorted((np.hypot(np.hypot(0.60, 0.10), h), sign) for h, sign in unfolded_m.items())
    assert paths.path_m == pytest.approx([length for length, _ in expected], abs=1e-12)
    assert paths.reflection.tolist() == [sign for _, sign in expected]


coordinate = st.floats(0.05, 0.95)
place = st.tuples(coordinate, coordinate, coordinate)


@given(source=place, receiver=place)
def test_a_reflected_path_leaves_and_comes_at_equal_angles_to_its_wall(source, receiver):
    only_above = ((0.0, 0.0), (0.0, 0.0), (0.0, -1.0))
    paths = image_paths((1.0, 1.0, 1.0), source, receiver, only_above, order=1)
    (by_wall,) = np.flatnonzero(paths.order == 1)
    leaving, coming = paths.leaving[by_wall], paths.coming[by_wall]
    # The law of reflection; both point up, to the wall.
    assert leaving[2] == pytest.approx(coming[2], abs=1e-12)
    assert leaving[2] > 0
    np.testing.assert_allclose(leaving[:2], -coming[:2], atol=1e-12)


@given(source=place, receiver=place)
def test_a_path_backwards_is_as_long(source, receiver):
    there = image_paths((1.0, 1.0, 1.0), source, receiver, RIGID, order=3)
    back = image_paths((1.0, 1.0, 1.0), receiver, source, RIGID, order=3)
    np.testing.assert_allclose(there.path_m, back.path_m, atol=1e-12)
