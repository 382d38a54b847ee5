"""Target strengths against series printed elsewhere, limits known in closed form, tables."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dsp.physics.targets import (
    bubble_resonance_hz,
    cylinder_target_strength_db,
    elastic_sphere_form_function,
    plate_target_strength_db,
    sphere_form_function,
    sphere_target_strength_db,
)

KA = (0.1, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0)
# Computed with scipy's spherical Bessel functions from the series of Anderson 1950
# and Faran 1951.
RIGID = (
    0.016582064,
    0.366263507,
    0.938122308,
    0.761746432,
    1.039809535,
    0.978578417,
    0.974311106,
)
SOFT = (
    1.976909185,
    1.550510882,
    1.160197975,
    1.073237944,
    1.021160348,
    1.005700589,
    1.001533257,
)


@pytest.mark.parametrize(("surface", "expected"), [("rigid", RIGID), ("soft", SOFT)])
def test_a_sphere_gives_the_series_of_the_literature(
    surface: str, expected: tuple[float, ...]
) -> None:
    found = np.abs(sphere_form_function(KA, surface=surface))
    np.testing.assert_allclose(found, expected, atol=6e-10)  # 5e-10 is rounding


def test_a_tiny_rigid_sphere_scatters_as_rayleigh_says() -> None:
    # |f| → (5/3)(ka)² (Rayleigh; memory); the next term is of the relative order (ka)².
    ka = np.array([1e-4, 1e-3, 1e-2])
    np.testing.assert_allclose(np.abs(sphere_form_function(ka)), 5 / 3 * ka**2, rtol=1e-4)


def test_a_tiny_soft_sphere_scatters_all_round() -> None:
    # σ → a², so |f| → 2, whatever the wave (memory); the next term is of the order ka.
    assert abs(sphere_form_function(1e-4, surface="soft")) == pytest.approx(2.0, abs=1e-3)


def test_a_large_sphere_sends_back_a_quarter_of_its_radius_squared() -> None:
    # Urick's table (memory): σ = a²/4, so |f| → 1. The creeping wave of a rigid sphere
    # still makes some per cent at ka 100, and falls; the soft one nears as 1/(ka)².
    rigid, soft = (abs(sphere_form_function(100.0, surface=s)) for s in ("rigid", "soft"))
    assert rigid == pytest.approx(1.0, abs=0.03)
    assert soft == pytest.approx(1.0, abs=1e-3)


def test_a_soft_face_flips_the_sign_and_a_rigid_one_does_not() -> None:
    # Reflected at the near side, the phase is that of a way shorter by 2a; at ka 100 the
    # curved face changes it by the order of 1/ka.
    turn = np.exp(2j * 100.0)
    assert abs(sphere_form_function(100.0, surface="rigid") * turn - 1) < 0.04
    assert abs(sphere_form_function(100.0, surface="soft") * turn + 1) < 0.04


@pytest.mark.parametrize(("frequency_hz", "expected_db"), [(8e3, -42.185), (40e3, -39.830)])
def test_a_ball_of_20_mm_radius_in_air(frequency_hz: float, expected_db: float) -> None:
    # Computed with scipy, c 343.2; 5e-4 dB is rounding.
    found = float(sphere_target_strength_db(0.02, 343.2 / frequency_hz))
    assert found == pytest.approx(expected_db, abs=6e-4)


def test_a_tungsten_carbide_ball_in_fresh_water() -> None:
    # 38.1 mm across, 38 kHz: −42.37 dB (elastic series, computed). Carbide 14 900 kg/m³,
    # 6853 and 4171 m/s (MacLennan 1981, memory); water at 20 °C. 5e-3 dB is rounding.
    speed = 1482.35
    ka = 2 * math.pi * 38e3 / speed * 0.01905
    form = elastic_sphere_form_function(
        ka,
        density_ratio=14900 / 998.2,
        compression_ratio=6853 / speed,
        shear_ratio=4171 / speed,
    )
    assert 20 * math.log10(0.01905 / 2 * abs(form)) == pytest.approx(-42.37, abs=6e-3)


def test_a_heavy_stiff_sphere_is_rigid() -> None:
    # 1e6 times as dense and 1e3 times as fast: the surface gives way by about 1e-6, the
    # ratio of densities.
    ka = np.array([0.1, 1.0, 5.0, 20.0])
    found = elastic_sphere_form_function(
        ka, density_ratio=1e6, compression_ratio=1e3, shear_ratio=6e2
    )
    np.testing.assert_allclose(found, sphere_form_function(ka), rtol=1e-4)


@given(st.floats(1.5, 20.0), st.floats(2.0, 6.0), st.floats(0.3, 0.6))
@settings(deadline=None)
def test_a_tiny_solid_sphere_scatters_by_its_bulk_and_weight(
    density: float, speed: float, shear_share: float
) -> None:
    # Rayleigh's limit for a solid (memory): f = 2(ka)² |(1 − e)/(3e) + (1 − g)/(1 + 2g)|,
    # g the ratio of densities and e that of bulk moduli, g (h² − 4/3 hₛ²). The next term
    # is of the relative order (ka)² = 1e-4; factors of up to some ten stand before it.
    shear = shear_share * speed
    bulk = density * (speed**2 - 4 / 3 * shear**2)
    expected = 2e-4 * abs((1 - bulk) / (3 * bulk) + (1 - density) / (1 + 2 * density))
    found = elastic_sphere_form_function(
        1e-2, density_ratio=density, compression_ratio=speed, shear_ratio=shear
    )
    assert abs(found) == pytest.approx(expected, rel=2e-3)


def test_a_plate_of_a_tenth_metre_square() -> None:
    # Urick's table (memory), λ 8.58 mm: +1.33025 dB; 5e-6 is rounding.
    assert float(plate_target_strength_db(0.01, 8.58e-3)) == pytest.approx(1.33025, abs=6e-6)


def test_a_cylinder_broadside() -> None:
    # Urick's table (memory) by hand: 0.02 · 0.5² / (2 · 0.01) = 0.25 m², −6.0206 dB.
    found = float(cylinder_target_strength_db(0.02, 0.5, 0.01))
    assert found == pytest.approx(-6.0206, abs=6e-5)


def test_a_millimetre_bubble_rings_at_3_286_khz() -> None:
    # Minnaert 1933 (memory): radius 1 mm, 1 atm, fresh water, 3286 Hz; 0.5 is rounding.
    assert bubble_resonance_hz(1e-3) == pytest.approx(3286, abs=0.5)


@given(st.floats(1e-4, 1e-2), st.floats(1e5, 1e6))
def test_smaller_and_deeper_bubbles_ring_higher(radius: float, pressure: float) -> None:
    here = bubble_resonance_hz(radius, pressure_pa=pressure)
    assert bubble_resonance_hz(radius / 2, pressure_pa=pressure) == pytest.approx(2 * here)
    assert bubble_resonance_hz(radius, pressure_pa=4 * pressure) == pytest.approx(2 * here)


@given(st.floats(1e-3, 60.0), st.sampled_from(["rigid", "soft"]))
@settings(deadline=None)
def test_more_values_at_once_change_none(ka: float, surface: str) -> None:
    # The highest ka sets how many orders all are summed over; the further ones are
    # below 1e-8 of the whole.
    alone = sphere_form_function(ka, surface=surface)
    among = sphere_form_function([ka, 80.0], surface=surface)[0]
    assert abs(among - alone) <= 1e-7 * abs(alone)


def test_form_functions_keep_the_shape() -> None:
    found = sphere_form_function(np.ones((2, 3)))
    assert (found.shape, found.dtype) == ((2, 3), np.complex128)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: sphere_form_function([1.0, 0.0]), "ka: found 0"),
        (lambda: sphere_form_function(1.0, surface="wet"), "surface: found 'wet'"),
        (lambda: sphere_target_strength_db(-1, 1), "radius_m: found -1 m"),
        (lambda: plate_target_strength_db(1, 0), "wavelength_m: found 0 m"),
        (lambda: cylinder_target_strength_db(1, math.inf, 1), "length_m: found inf m"),
        (lambda: bubble_resonance_hz(1e-3, pressure_pa=0), "pressure_pa: found 0 Pa"),
        (
            lambda: elastic_sphere_form_function(
                1, density_ratio=1, compression_ratio=1, shear_ratio=0
            ),
            "shear_ratio: found 0",
        ),
    ],
)
def test_targets_refuse_what_is_no_body(call: object, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        call()  # type: ignore[operator]
