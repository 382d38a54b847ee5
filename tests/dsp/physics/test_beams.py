"""Beams against the textbook's constants, and against integrals that share none of them."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dsp.physics.beams import (
    SIDE_LOBE_DB,
    beam_amplitude,
    directivity_index_db,
    first_null_rad,
    footprint_diameter_m,
    half_power_half_angle_rad,
    near_field_factor,
    near_field_m,
    straight_pass,
)

SHAPES = st.sampled_from(["piston", "line"])
SIZES = st.floats(1e-3, 1.0)
WAVES = st.floats(1e-3, 1.0)


def piston_at(ka_sine: float, *, ways: int = 1) -> float:
    """Amplitude of a piston of ka = 20 at a given ka sin θ."""
    angle = math.asin(ka_sine / 20)
    return float(beam_amplitude("piston", 20 / (2 * math.pi), 1.0, angle, ways=ways))


@pytest.mark.parametrize(
    ("ka_sine", "ways", "expected"),
    [
        (1.6163399, 1, math.sqrt(0.5)),
        (1.1602860, 2, math.sqrt(0.5)),
        (2.2150894, 1, 0.5),
        (3.8317060, 1, 0.0),
    ],
)
def test_a_piston_falls_where_the_bessel_function_does(
    ka_sine: float, ways: int, expected: float
) -> None:
    # Computed with scipy; 5e-8 of rounding in ka sin θ, where the slope is below 1.
    assert piston_at(ka_sine, ways=ways) == pytest.approx(expected, abs=5e-8)


def test_a_line_falls_where_the_sine_over_its_argument_does() -> None:
    # Computed with scipy; 5e-8 of rounding in (L/λ) sin θ, where the slope is below 2.
    for sine, ways in ((0.4429465, 1), (0.3189167, 2)):
        found = beam_amplitude("line", 2.0, 1.0, math.asin(sine / 2), ways=ways)
        assert float(found) == pytest.approx(math.sqrt(0.5), abs=1e-7)


@pytest.mark.parametrize(("shape", "size_m"), [("piston", 3.0), ("line", 5.0)])
def test_the_highest_side_lobe_is_the_one_stated(shape: str, size_m: float) -> None:
    null = first_null_rad(shape, size_m, 1.0)
    angle = np.linspace(null, math.pi / 2, 200_001)
    highest = np.abs(beam_amplitude(shape, size_m, 1.0, angle)).max()
    # The grid misses the flat top by below 1e-8 of it; 5e-7 dB is rounding.
    assert 20 * math.log10(highest) == pytest.approx(SIDE_LOBE_DB[shape], abs=2e-6)


def test_a_piston_has_the_side_lobes_of_the_textbook() -> None:
    # Computed with scipy: −17.570150 dB at 5.1356223, then −23.811 and −27.957 dB.
    assert 20 * math.log10(-piston_at(5.1356223)) == pytest.approx(-17.570150, abs=1e-6)
    for low, high, expected in ((7.0156, 10.1735, -23.811), (10.1735, 13.3237, -27.957)):
        peak = max(abs(piston_at(x)) for x in np.linspace(low, high, 2001))
        # 5e-4 dB is rounding; the grid of 1.6e-3 misses the top by below 1e-6.
        assert 20 * math.log10(peak) == pytest.approx(expected, abs=6e-4)


@pytest.mark.parametrize(
    ("ka", "expected_db"),
    [(1, 3.73377), (2, 5.87951), (5, 14.01733), (10, 20.02912), (20, 26.04806)],
)
def test_directivity_index_of_a_piston_is_exact(ka: float, expected_db: float) -> None:
    # Computed with scipy from the closed form; 5e-6 dB is rounding.
    found = directivity_index_db("piston", ka / (2 * math.pi), 1.0)
    assert found == pytest.approx(expected_db, abs=6e-6)


@pytest.mark.parametrize("size_m", [0.05, 0.3, 1.0, 4.0])
@pytest.mark.parametrize("shape", ["piston", "line"])
def test_directivity_index_is_the_beam_integrated_over_the_sphere(
    shape: str, size_m: float
) -> None:
    from scipy import integrate

    def around(angle: float) -> float:
        # A piston's rings lie about the axis, a line's about the line itself.
        ring = math.sin(angle) if shape == "piston" else math.cos(angle)
        return float(beam_amplitude(shape, size_m, 1.0, angle)) ** 2 * ring / 2

    low = 0.0 if shape == "piston" else -math.pi / 2
    share, error = integrate.quad(around, low, math.pi / 2, limit=200)
    expected_db = -10 * math.log10(share)
    tolerance = 10 / math.log(10) * error / share + 1e-9
    assert directivity_index_db(shape, size_m, 1.0) == pytest.approx(expected_db, abs=tolerance)


def test_faces_far_smaller_than_the_wave_send_everywhere() -> None:
    # A baffle halves the space: 3.0103 dB. The next term is of the order (ka)².
    assert directivity_index_db("piston", 1e-6, 1.0) == pytest.approx(3.0103, abs=1e-4)
    assert directivity_index_db("line", 1e-6, 1.0) == pytest.approx(0.0, abs=1e-4)
    for shape in ("piston", "line"):
        assert half_power_half_angle_rad(shape, 0.01, 1.0) == math.pi / 2
        assert first_null_rad(shape, 0.01, 1.0) == math.pi / 2


def test_directivity_index_has_no_step_where_its_series_takes_over() -> None:
    # ka = 1e-3: the true change over 2e-6 of it is 1e-12; cancellation leaves 1e-10/1e-6.
    below, above = (directivity_index_db("piston", ka / (2 * math.pi), 1) for ka in (999e-6, 1e-3))
    assert above == pytest.approx(below, abs=2e-3)


def test_small_disc_at_40_khz_in_air() -> None:
    # 16 mm across, c 343.2: half-angle 16.0156° one way (computed with scipy).
    found = half_power_half_angle_rad("piston", 0.008, 343.2 / 40e3, ways=1)
    assert math.degrees(found) == pytest.approx(16.0156, abs=6e-5)


def test_disc_at_200_khz_in_water() -> None:
    # 50 mm across, c 1482.35: half-angle 4.37399°, null 10.41621°, a²/λ 84.326 mm
    # (computed with scipy). Rounding: the speed is given to 0.005 m/s, a share of
    # 3.4e-6 of each, and half of the last digit comes on top.
    wavelength = 1482.35 / 200e3
    half = half_power_half_angle_rad("piston", 0.025, wavelength, ways=1)
    assert math.degrees(half) == pytest.approx(4.37399, abs=2.0e-5)
    null = first_null_rad("piston", 0.025, wavelength)
    assert math.degrees(null) == pytest.approx(10.41621, abs=4.1e-5)
    assert near_field_m(0.025, wavelength) == pytest.approx(84.326e-3, abs=8e-7)


@pytest.mark.parametrize(("multiple", "expected"), [(1, 0.63654), (2, 0.89856), (4, 0.97392)])
def test_near_field_factor_on_the_axis(multiple: int, expected: float) -> None:
    # a = 5λ, at multiples of a²/λ (computed with numpy); 5e-6 is rounding.
    range_m = multiple * near_field_m(5.0, 1.0)
    assert float(near_field_factor(5.0, 1.0, range_m)) == pytest.approx(expected, abs=6e-6)


def test_near_field_factor_is_the_disc_summed_point_by_point() -> None:
    # Rayleigh's integral over rings of the disc, which the closed form does not share.
    radius, range_m, k = 3.0, 4.3, 2 * math.pi
    ring = (np.arange(20_000) + 0.5) / 20_000 * radius
    distance = np.hypot(range_m, ring)
    total = abs(np.sum(np.exp(1j * k * distance) / distance * ring)) * radius / 20_000
    far = radius**2 / 2 / range_m
    # The midpoint rule over a phase of k·1 rad errs by (k/20 000)²/24, below 1e-8.
    assert float(near_field_factor(radius, 1.0, range_m)) == pytest.approx(total / far, rel=1e-7)


@given(SHAPES, SIZES, WAVES, st.sampled_from([1, 2]))
def test_a_higher_frequency_never_widens_the_cone(
    shape: str, size: float, wave: float, ways: int
) -> None:
    here = half_power_half_angle_rad(shape, size, wave, ways=ways)
    higher = half_power_half_angle_rad(shape, size, wave / 1.1, ways=ways)
    assert higher < here or here == math.pi / 2


@given(SHAPES, SIZES, WAVES)
def test_heard_through_the_beam_again_the_cone_is_narrower(
    shape: str, size: float, wave: float
) -> None:
    one, two = (half_power_half_angle_rad(shape, size, wave, ways=ways) for ways in (1, 2))
    assert two < one or two == math.pi / 2
    assert one <= first_null_rad(shape, size, wave)


@given(SHAPES, SIZES, WAVES, st.sampled_from([1, 2]))
@settings(deadline=None)
def test_power_at_the_half_angle_is_half(shape: str, size: float, wave: float, ways: int) -> None:
    angle = half_power_half_angle_rad(shape, size, wave, ways=ways)
    power = float(beam_amplitude(shape, size, wave, angle, ways=ways)) ** 2
    # 5e-8 of rounding in the constants, times a slope of power below 4.
    if angle < math.pi / 2:
        assert power == pytest.approx(0.5, abs=2e-7)
    else:
        assert power >= 0.5 - 2e-7


@given(SHAPES, SIZES, WAVES, st.floats(-math.pi / 2, math.pi / 2))
@settings(deadline=None)
def test_no_direction_is_louder_than_the_axis_nor_unlike_its_mirror(
    shape: str, size: float, wave: float, angle: float
) -> None:
    left, axis, right = beam_amplitude(shape, size, wave, [-angle, 0.0, angle])
    assert axis == 1.0
    assert left == right
    # Near the axis J₁(x) is x/2 but for rounding: a last digit of it, and one of the quotient.
    assert abs(right) <= 1.0 + 4 * np.finfo(float).eps


@given(SHAPES, SIZES, WAVES, st.floats(-math.pi / 2, math.pi / 2))
@settings(deadline=None)
def test_two_ways_are_the_square_of_one(shape: str, size: float, wave: float, angle: float) -> None:
    one, two = (float(beam_amplitude(shape, size, wave, angle, ways=w)) for w in (1, 2))
    assert two == pytest.approx(one**2, rel=1e-12)


def test_constants_are_the_roots_that_scipy_finds() -> None:
    from scipy import optimize, special

    def piston(level: float) -> float:
        return float(optimize.brentq(lambda x: 2 * special.j1(x) / x - level, 1e-3, 3.5))

    # The constants are given to 5e-8.
    for ways, level in ((1, 0.5**0.5), (2, 0.5**0.25)):
        sine = math.sin(half_power_half_angle_rad("piston", 10 / (2 * math.pi), 1.0, ways=ways))
        assert 10 * sine == pytest.approx(piston(level), abs=6e-8)
    null = math.sin(first_null_rad("piston", 10 / (2 * math.pi), 1.0))
    assert 10 * null == pytest.approx(float(special.jn_zeros(1, 1)[0]), abs=6e-8)


@pytest.mark.parametrize(
    ("closest_m", "half_angle_deg", "speed_m_s", "chord_m", "dwell_s", "edge_range_m"),
    [
        (2.0, 5.0, 0.1, 0.349954654, 3.499546541, 2.007639675),
        (1.0, 10.0, 0.2, 0.352653961, 1.763269807, 1.015426612),
    ],
)
def test_a_straight_pass_is_a_triangle(
    closest_m: float,
    half_angle_deg: float,
    speed_m_s: float,
    chord_m: float,
    dwell_s: float,
    edge_range_m: float,
) -> None:
    # By trigonometry, printed to 1e-9: rounding 5e-10.
    found = straight_pass(closest_m, math.radians(half_angle_deg), speed_m_s)
    assert found.chord_m == pytest.approx(chord_m, abs=6e-10)
    assert found.dwell_s == pytest.approx(dwell_s, abs=6e-10)
    assert found.edge_range_m == pytest.approx(edge_range_m, abs=6e-10)
    # Pythagoras, which the code does not use.
    assert found.edge_range_m == pytest.approx(math.hypot(closest_m, chord_m / 2), rel=1e-9)


@given(st.floats(0.1, 100.0), st.floats(1e-3, 1.5))
def test_further_out_the_cone_is_wider(range_m: float, half_angle: float) -> None:
    near, far = footprint_diameter_m([range_m, 2 * range_m], half_angle)
    assert far == pytest.approx(2 * near, rel=1e-12)
    assert near > 0


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: beam_amplitude("horn", 1, 1, 0), "shape: found 'horn'; give"),
        (lambda: beam_amplitude("line", 1, 1, 0, ways=3), "ways: found 3; give 1 or 2"),
        (lambda: half_power_half_angle_rad("line", 1, 1, ways=0), "ways: found 0"),
        (lambda: first_null_rad("piston", -1, 1), "size_m: found -1 m"),
        (lambda: directivity_index_db("piston", 1, math.nan), "wavelength_m: found nan"),
        (lambda: near_field_factor(1, 1, [1, 0]), "range_m: found 0 m"),
        (lambda: near_field_m(0, 1), "radius_m: found 0 m"),
        (lambda: footprint_diameter_m(1, math.pi / 2), "half_angle_rad: found 1.5708 rad"),
        (lambda: straight_pass(1, 0.1, 0), "speed_m_s: found 0 m/s"),
    ],
)
def test_beams_refuse_what_makes_none(call: object, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        call()  # type: ignore[operator]


@pytest.mark.parametrize("shape", ["piston", "line"])
def test_many_wavelengths_at_once_are_each_as_alone(shape):
    wavelengths_m, angles_rad = np.array([0.02, 0.034, 0.05]), np.linspace(-1.2, 1.2, 7)
    together = beam_amplitude(shape, 0.06, wavelengths_m, angles_rad[:, np.newaxis], ways=2)
    alone = [beam_amplitude(shape, 0.06, float(one), angles_rad, ways=2) for one in wavelengths_m]
    assert (together == np.stack(alone, axis=-1)).all()
