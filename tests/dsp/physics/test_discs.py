"""A disc that is no point, against closed forms."""

import math

import numpy as np
import pytest

from dsp.physics.beams import beam_amplitude, near_field_factor
from dsp.physics.discs import POINT_FROM, disc_points_from_m, disc_response

RADIUS_M, WAVE_M = 0.03, 0.00705


@pytest.mark.parametrize("in_fields", [0.4, 1.0, 4.0, 10.0])
def test_on_the_axis_it_is_the_closed_form_with_its_lag(in_fields):
    # L. E. Kinsler et al., Fundamentals of Acoustics, 4th ed., 2000, eq. 7.4.3 (from memory):
    # e^{−ikr} − e^{−ik√(r²+a²)}, over its far field ik a²/(2r) e^{−ikr}.
    range_m = in_fields * RADIUS_M**2 / WAVE_M
    k = 2 * math.pi / WAVE_M
    lead_m = math.hypot(range_m, RADIUS_M) - range_m
    expected = (1 - np.exp(-1j * k * lead_m)) / (1j * k * RADIUS_M**2 / (2 * range_m))
    (found,) = disc_response(RADIUS_M, [WAVE_M], range_m, 0.0)[0]
    assert found == pytest.approx(expected, abs=1e-9)
    assert abs(found) == pytest.approx(
        float(near_field_factor(RADIUS_M, WAVE_M, range_m)), abs=1e-9
    )


def test_far_away_it_is_the_pattern_of_a_point_with_a_beam():
    # What is left: the lags' bend, π/1000 at a thousand times a²/λ.
    angle_rad = np.radians([0.0, 2.0, 5.0, 10.0, 30.0])
    range_m = 1000 * RADIUS_M**2 / WAVE_M
    found = disc_response(
        RADIUS_M, [WAVE_M], range_m * np.cos(angle_rad), range_m * np.sin(angle_rad)
    )[:, 0]
    pattern = beam_amplitude("piston", RADIUS_M, WAVE_M, angle_rad)
    np.testing.assert_allclose(found, pattern, atol=math.pi / 1000)


def test_where_a_disc_is_a_point_its_parts_do_what_is_said():
    # Late by a²/(4r) on the axis out and back each, as range: λ/40 at ten times a²/λ; weaker by
    # 1 − (sin x/x)², x = ka²/(4r) = π/20: 0.8 % of the power, of an amplitude out 0.4 %.
    range_m = disc_points_from_m(RADIUS_M, WAVE_M)
    assert range_m == pytest.approx(POINT_FROM * RADIUS_M**2 / WAVE_M, rel=1e-12)
    (found,) = disc_response(RADIUS_M, [WAVE_M], range_m, 0.0)[0]
    late_m = -np.angle(found) / (2 * math.pi) * WAVE_M
    # Next to a²/(4r) stands −a⁴/(8r³)/2: a part (a/r)²/4 of it, 1.4e-4.
    assert late_m == pytest.approx(WAVE_M / 40, rel=2e-4)
    # And the parts are further away by (a/r)²/4 in the mean.
    weaker = math.sin(math.pi / 20) / (math.pi / 20) * (1 - (RADIUS_M / range_m) ** 2 / 4)
    assert abs(found) == pytest.approx(weaker, rel=1e-5)


def test_it_has_converged_and_is_the_same_on_both_sides():
    # A wave a hundredth as long as the longest asks for many more elements: the longest's
    # answer then comes from those.
    places = (np.array([0.1, 0.3]), np.array([0.05, -0.08]))
    alone = disc_response(RADIUS_M, [WAVE_M], *places)[:, 0]
    beside = disc_response(RADIUS_M, [WAVE_M, WAVE_M / 4], *places)[:, 0]
    np.testing.assert_allclose(alone, beside, atol=1e-6)
    mirrored = disc_response(RADIUS_M, [WAVE_M], places[0], -places[1])[:, 0]
    np.testing.assert_allclose(alone, mirrored, atol=1e-12)


def test_what_cannot_be_is_refused():
    with pytest.raises(ValueError, match="radius_m: found 0"):
        disc_response(0.0, [WAVE_M], 1.0, 0.0)
    with pytest.raises(ValueError, match="wavelength_m: found -1"):
        disc_response(RADIUS_M, [-1.0], 1.0, 0.0)
    with pytest.raises(ValueError, match="along_m: found 0"):
        disc_response(RADIUS_M, [WAVE_M], 0.0, 0.1)
