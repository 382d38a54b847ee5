"""Strengths of the tank's bodies against handbook values and exact series."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.tank.bodies import (
    bubble_root_m,
    cloud_depths_m,
    echo_root_m,
    limited_root_m,
    minnaert_hz,
    mirror_root_m,
    rigid_form,
    soft_form,
)
from rig.tank.scene import Bubbles, Cylinder, Medium, Plate, Sphere

AIR = Medium(kind="air", sound_speed_m_s=343.2)
WATER = Medium(kind="fresh-water", sound_speed_m_s=1482.35)
HERE = (1.0, 0.0, 0.0)
KA = np.array([0.1, 0.5, 1, 2, 5, 10, 20])
# |f∞| computed with SciPy's spherical Bessel functions from the series of Anderson 1950
# and Faran 1951.
RIGID = [0.016582064, 0.366263507, 0.938122308, 0.761746432, 1.039809535, 0.978578417, 0.974311106]
SOFT = [1.976909185, 1.550510882, 1.160197975, 1.073237944, 1.021160348, 1.005700589, 1.001533257]


def _db(root_m):
    return 20 * np.log10(np.abs(root_m))


def test_a_soft_sphere_has_the_exact_form_function():
    np.testing.assert_allclose(soft_form(KA), SOFT, atol=1e-9)  # printed to nine places


def test_a_soft_sphere_s_form_function_meets_its_limits_where_the_series_ends():
    # 2 at ka 0: the first partial wave, 2 sin(ka)/ka, with terms in (ka)² beside it. 1 far
    # out: 1 + 0.6/(ka)², to go by the exact values at ka 10 and 20: 1.6e-5 at ka 200.
    joints = soft_form(np.array([0.0, 0.000999, 0.001001, 199.99, 200.01]))
    assert joints[:3] == pytest.approx([2.0, 2.0, 2.0], abs=1e-5)
    assert joints[3:] == pytest.approx([1.0, 1.0], abs=2e-5)


def test_a_rigid_sphere_follows_the_exact_form_function_but_for_its_ripple():
    apart_db = np.abs(_db(rigid_form(KA) / np.array(RIGID)))
    # The creeping wave's ripple, largest at ka 2 where the exact one dips to 0.762:
    # 20·log10(0.988/0.762) = 2.26 dB. From ka 5 on its share is 4 %, 0.34 dB.
    assert (apart_db < 2.3).all()
    assert (apart_db[KA >= 5] < 0.4).all()
    # Rayleigh's limit 5/3 (ka)²; at ka 0.1 the next order is about (ka)²/2.
    assert apart_db[0] < 0.05


def test_a_rigid_ball_of_20_mm_at_40_khz_sends_back_its_geometric_strength():
    ball = Sphere(radius_m=0.02, position_m=HERE)
    # Geometric limit 20·log10(a/2) = −40 dB re 1 m²; the exact series gives −39.830.
    strength_db = _db(echo_root_m(ball, np.array([4e4]), AIR))[0]
    assert strength_db == pytest.approx(-40.0, abs=0.02)
    assert strength_db == pytest.approx(-39.830, abs=0.2)


def test_plate_and_cylinder_have_urick_s_strengths():
    # Urick 1983, table 9.1 (from memory), at λ = 343.2 / 40 000 = 8.58 mm.
    frequency_hz = np.array([4e4])
    plate = Plate(width_m=0.1, height_m=0.1, position_m=HERE)
    assert _db(echo_root_m(plate, frequency_hz, AIR))[0] == pytest.approx(1.33025, abs=1e-5)
    post = Cylinder(radius_m=0.02, length_m=0.3, position_m=HERE)
    expected_db = 10 * math.log10(0.02 * 0.3**2 / (2 * 8.58e-3))
    assert _db(echo_root_m(post, frequency_hz, AIR))[0] == pytest.approx(expected_db, abs=1e-9)


def test_a_soft_body_turns_the_sign_of_its_echo():
    cork = Sphere(radius_m=0.02, surface="soft", position_m=HERE)
    assert (echo_root_m(cork, np.array([1e4, 1e5]), WATER) < 0).all()


def test_a_millimetre_bubble_rings_where_minnaert_said():
    # Minnaert 1933: 3286 Hz at 1 atm in fresh water; the density of water moves it by 2 Hz.
    assert minnaert_hz(0.001) == pytest.approx(3286, abs=2)


def test_a_bubble_is_strongest_at_its_resonance_and_its_own_size_far_above():
    resonance_hz = minnaert_hz(0.001)
    frequency_hz = np.linspace(0.5, 2, 3001) * resonance_hz
    strongest_hz = frequency_hz[bubble_root_m(frequency_hz, 0.001).argmax()]
    # δ shifts the peak of 1/√(((f₀/f)²−1)²+δ²) not at all: it lies where f = f₀.
    assert strongest_hz == pytest.approx(resonance_hz, rel=1e-3)
    # Far above, σ_bs → a²/(1+δ²), δ = 0.1: 0.5 % less in amplitude; (f₀/f)² is 1e-4.
    far = bubble_root_m(np.array([100 * resonance_hz]), 0.001)[0]
    assert far == pytest.approx(0.001 / math.sqrt(1.01), rel=2e-4)


def test_the_largest_plate_sends_back_what_a_mirror_does():
    wall = Plate(width_m=50.0, height_m=50.0, position_m=HERE)
    # A mirror at R shows the source at 2R: 1/(2R) = √σ_bs / R². √σ_bs is 2500/λ here,
    # the bend's fourth power leaves no difference.
    ceiling_m = mirror_root_m(wall, 3.0, 3.0)
    root_m = limited_root_m(echo_root_m(wall, np.array([1e4]), AIR), np.array([ceiling_m]))
    assert root_m[0] / 3.0**2 == pytest.approx(1 / 6.0, rel=1e-9)


@given(out_m=st.floats(0.1, 10), back_m=st.floats(0.1, 10))
def test_a_mirror_of_a_very_thick_cylinder_is_flat_and_of_a_thin_one_is_weaker(out_m, back_m):
    flat = mirror_root_m(Plate(width_m=1.0, height_m=1.0, position_m=HERE), out_m, back_m)
    thick = Cylinder(radius_m=10.0, length_m=1.0, position_m=HERE)
    thin = Cylinder(radius_m=0.01, length_m=1.0, position_m=HERE)
    # Convex mirror: 1/ρ = 1/d₁ + 2/a (textbook optics), the beam narrowed in one plane only.
    for body in (thick, thin):
        rho = 1 / (1 / out_m + 2 / body.radius_m)
        line = math.sqrt(out_m / (out_m + back_m)) * math.sqrt(rho / (rho + back_m)) / out_m
        assert mirror_root_m(body, out_m, back_m) == pytest.approx(line * out_m * back_m, rel=1e-9)
        assert mirror_root_m(body, out_m, back_m) < flat


def test_a_cloud_reaches_no_deeper_than_its_size_and_is_spread_as_a_ball():
    cloud = Bubbles(radius_m=0.1, count=1000, position_m=HERE)
    rng = np.random.default_rng(5)
    depths_m = np.array([cloud_depths_m(cloud, rng) for _ in range(400)])
    assert (depths_m.min(axis=1) == 0).all()
    assert depths_m.max() <= 0.2
    # Along one axis a ball has the density ∝ x(2r − x): variance r²/5 (closed form).
    # 9600 draws: the standard error of a variance is about √(2/9600) = 1.4 %; four of them.
    variance_m2 = depths_m.var(axis=1, ddof=1).mean()
    assert variance_m2 == pytest.approx(0.1**2 / 5, rel=0.06)


def test_one_of_a_cloud_is_a_bubble_in_water_and_a_hard_ball_in_air():
    frequency_hz = np.array([2e4, 1e5])
    cloud = Bubbles(radius_m=0.1, position_m=HERE)
    in_water = echo_root_m(cloud, frequency_hz, WATER)
    # 1 mm, far above its 3286 Hz: its own radius but for δ²/2 = 0.5 % and 2(f₀/f)² = 5 %.
    assert in_water == pytest.approx([0.001, 0.001], rel=0.06)
    ball = Sphere(radius_m=0.01, position_m=HERE)
    np.testing.assert_array_equal(
        echo_root_m(cloud, frequency_hz, AIR), echo_root_m(ball, frequency_hz, AIR)
    )
