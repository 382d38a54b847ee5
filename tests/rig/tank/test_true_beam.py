"""Where a scene's pair of faces really sends and hears."""

import math

import pytest

from rig.tank.scene import scene_from_table
from rig.tank.true_beam import true_beam

# Half power out and back is 2 J₁(x)/x = 2^(−1/4), at x = 1.160286 (solved with SciPy's brentq, for
# Kinsler et al., Fundamentals of Acoustics, 4th ed., chapter 7: the pattern of a piston).
X = 1.160286
# Between two angles 0.05° apart a straight line stands for the pattern: off by an eighth of the
# step squared times its bend, 2e-7 rad at 1/10 rad of beam; the tilted one's middle is one of them.
BEND_RAD = 1e-6
STEP_RAD = math.radians(0.05)


def edge_rad(radius_m, frequency_hz, speed_m_s):
    return math.asin(X * speed_m_s / (2 * math.pi * frequency_hz * radius_m))


def scene_of(**tables):
    return scene_from_table({"medium": {"sound_speed_m_s": 343.0}, **tables})


def test_two_like_pistons_have_the_textbook_s_cone():
    beam = true_beam(scene_of(transducer={"radius_m": 0.03}), 8000.0)
    expected = edge_rad(0.03, 8000.0, 343.0)
    assert beam.high_rad == pytest.approx(expected, abs=BEND_RAD)
    assert beam.low_rad == pytest.approx(-expected, abs=BEND_RAD)
    assert beam.across_rad == pytest.approx(expected, abs=BEND_RAD)


def test_a_tilted_pair_s_cone_is_tilted():
    beam = true_beam(scene_of(transducer={"radius_m": 0.03, "tilt_deg": 12.0}), 8000.0)
    expected, tilt = edge_rad(0.03, 8000.0, 343.0), math.radians(12.0)
    assert beam.high_rad == pytest.approx(tilt + expected, abs=BEND_RAD)
    assert beam.low_rad == pytest.approx(tilt - expected, abs=BEND_RAD)
    assert beam.across_rad == pytest.approx(expected, abs=STEP_RAD)


def test_an_upright_line_ends_above_and_below_and_not_across():
    beam = true_beam(scene_of(transducer={"shape": "line", "length_m": 0.2}), 8000.0)
    # sin(x)/x = 2^(−1/4) at x = 1.001906 (SciPy's brentq), x = ½ k L sin θ.
    expected = math.asin(1.001906 * 343.0 / (math.pi * 8000.0 * 0.2))
    assert beam.high_rad == pytest.approx(expected, abs=BEND_RAD)
    assert beam.across_rad == pytest.approx(math.pi / 2, abs=STEP_RAD)


def test_a_scene_without_a_transducer_has_no_cone():
    assert true_beam(scene_of(), 8000.0) is None
