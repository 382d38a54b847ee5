"""Densities against printed check values; the surface's reflection against the handbook's."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dsp.physics.impedance import density_kg_m3, impedance_pa_s_m, pressure_reflection


@pytest.mark.parametrize(
    ("temperature_1968", "salinity", "expected"),
    [(5.0, 0.0, 999.96675), (5.0, 35.0, 1027.67547), (25.0, 35.0, 1023.34306)],
)
def test_sea_water_gives_the_printed_densities(
    temperature_1968: float, salinity: float, expected: float
) -> None:
    # UNESCO Technical Papers in Marine Science 44, check values (memory), temperatures
    # on the scale of 1968; 5e-6 is rounding.
    found = density_kg_m3(
        "sea-water", temperature_c=temperature_1968 / 1.00024, salinity_g_kg=salinity
    )
    assert found == pytest.approx(expected, abs=6e-6)


def test_air_has_its_handbook_density() -> None:
    # The standard atmosphere's 1.2250 kg/m³ at 15 °C, dry (ISO 2533, memory). Physics:
    # 0.01 % in molar mass (28.964 to 28.966 g/mol, with the carbon dioxide).
    found = density_kg_m3("air", temperature_c=15.0, humidity_percent=0.0)
    assert found == pytest.approx(1.2250, rel=2e-4)


def test_the_surface_of_a_tank_flips_the_sign() -> None:
    # Normal incidence, water to air at 20 °C: −0.99944 (memory); 5e-6 is rounding.
    water = impedance_pa_s_m("fresh-water", temperature_c=20.0)
    air = impedance_pa_s_m("air", temperature_c=20.0)
    assert pressure_reflection(water, air) == pytest.approx(-0.99944, abs=5e-6)


def test_water_has_its_handbook_impedance() -> None:
    # 1.48 MPa s/m at 20 °C (common handbook value, memory), rounded to 0.005.
    assert impedance_pa_s_m("fresh-water", temperature_c=20.0) == pytest.approx(1.48e6, abs=5e3)


@given(st.floats(1.0, 1e8), st.floats(1.0, 1e8))
def test_seen_from_the_other_side_the_sign_is_the_other(one: float, other: float) -> None:
    there, back = pressure_reflection(one, other), pressure_reflection(other, one)
    assert there == -back
    assert abs(there) < 1
    # Energy: what is not sent back goes through, 1 − r² = 4 Z₁Z₂/(Z₁ + Z₂)²; rounding.
    assert 1 - there**2 == pytest.approx(4 * one * other / (one + other) ** 2, abs=1e-14)


def test_salt_means_nothing_to_fresh_water() -> None:
    assert density_kg_m3("fresh-water", temperature_c=10.0, salinity_g_kg=35.0) == density_kg_m3(
        "sea-water", temperature_c=10.0, salinity_g_kg=0.0
    )


@given(st.floats(0.0, 40.0), st.floats(0.0, 99.0))
def test_damper_air_is_lighter(temperature: float, humidity: float) -> None:
    damp, damper = (
        density_kg_m3("air", temperature_c=temperature, humidity_percent=h)
        for h in (humidity, humidity + 1.0)
    )
    assert damper < damp


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: density_kg_m3("oil", temperature_c=20), "kind: found 'oil'"),
        (lambda: density_kg_m3("air", temperature_c=99), "temperature_c: found 99 °C"),
        (lambda: density_kg_m3("fresh-water", temperature_c=99), "temperature_c: found 99 °C"),
        (
            lambda: density_kg_m3("sea-water", temperature_c=9, salinity_g_kg=99),
            "salinity_g_kg: found 99",
        ),
        (lambda: pressure_reflection(0.0, 1.0), "from_pa_s_m: found 0"),
        (lambda: pressure_reflection(1.0, -1.0), "to_pa_s_m: found -1"),
    ],
)
def test_densities_refuse_what_they_do_not_cover(call: object, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        call()  # type: ignore[operator]
