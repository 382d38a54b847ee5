"""Air and water, recomputed with CoolProp (IAPWS-95, humid air) and gsw (TEOS-10)."""

from __future__ import annotations

from types import ModuleType

import numpy as np
import pytest

from dsp.physics.impedance import density_kg_m3
from dsp.physics.medium import (
    SOUND_SPEED_ERROR_M_S,
    saturation_mole_fraction,
    sound_speed_air_m_s,
    sound_speed_fresh_water_m_s,
    sound_speed_sea_water_m_s,
)

pytestmark = pytest.mark.reference

ATMOSPHERE_PA = 101325.0
HUMIDITIES = (0.0, 20.0, 50.0, 80.0, 100.0)


def humid_air(coolprop: ModuleType, output: str, temperature: float, humidity: float) -> float:
    state = ("T", temperature + 273.15, "P", ATMOSPHERE_PA, "R", humidity / 100)
    return float(coolprop.HAPropsSI(output, *state))


def water(coolprop: ModuleType, output: str, temperature: float) -> float:
    state = ("T", temperature + 273.15, "P", ATMOSPHERE_PA)
    return float(coolprop.PropsSI(output, *state, "Water"))


def test_the_frozen_speeds_are_what_the_library_prints(coolprop: ModuleType) -> None:
    # Rounding of the frozen values, 5e-5, and a new version's last digits.
    assert humid_air(coolprop, "speed_of_sound", 20.0, 50.0) == pytest.approx(343.9630, abs=1e-3)
    assert water(coolprop, "speed_of_sound", 20.0) == pytest.approx(1482.3462, abs=1e-3)


@pytest.mark.parametrize("humidity", HUMIDITIES)
def test_humid_air_keeps_its_promise_from_minus_20_to_40_degrees(
    coolprop: ModuleType, humidity: float
) -> None:
    # Physics: two descriptions of real air; the promise is the tolerance.
    for temperature in range(-20, 41, 5):
        expected = humid_air(coolprop, "speed_of_sound", temperature, humidity)
        found = sound_speed_air_m_s(temperature, humidity)
        assert found == pytest.approx(expected, abs=SOUND_SPEED_ERROR_M_S["air"]), temperature


@pytest.mark.parametrize("humidity", HUMIDITIES)
def test_humid_air_up_to_50_degrees_is_within_what_its_docstring_says(
    coolprop: ModuleType, humidity: float
) -> None:
    expected = humid_air(coolprop, "speed_of_sound", 50.0, humidity)
    assert sound_speed_air_m_s(50.0, humidity) == pytest.approx(expected, abs=0.12)


def test_fresh_water_keeps_its_promise(coolprop: ModuleType) -> None:
    for temperature in (0.01, *range(1, 41)):
        expected = water(coolprop, "speed_of_sound", temperature)
        found = sound_speed_fresh_water_m_s(temperature)
        assert found == pytest.approx(expected, abs=SOUND_SPEED_ERROR_M_S["fresh-water"])


def test_sea_water_keeps_its_promise(gsw: ModuleType) -> None:
    # 0 to 35 °C, 2 to 40 g/kg, at the surface and at 100 m. Physics: the equation of
    # 1977 and the Gibbs function of 2010 were fitted to different measurements.
    for temperature in range(0, 36, 5):
        for salinity in (2.0, 10.0, 20.0, 35.0, 40.0):
            for pressure_dbar in (0.0, 100.0):
                absolute = salinity * 35.16504 / 35
                conservative = gsw.CT_from_t(absolute, temperature, pressure_dbar)
                expected = float(gsw.sound_speed(absolute, conservative, pressure_dbar))
                found = sound_speed_sea_water_m_s(
                    temperature, salinity, gauge_pressure_pa=1e4 * pressure_dbar
                )
                assert found == pytest.approx(expected, abs=SOUND_SPEED_ERROR_M_S["sea-water"])


def test_the_frozen_sea_water_is_what_the_library_prints(gsw: ModuleType) -> None:
    assert float(gsw.sound_speed(34.7118, 28.7856, 10)) == pytest.approx(1542.4264124, abs=1e-6)
    in_situ = float(gsw.t_from_CT(34.7118, 28.7856, 10))
    assert in_situ == pytest.approx(28.761347, abs=1e-6)


def test_density_of_water_is_that_of_the_library(coolprop: ModuleType, gsw: ModuleType) -> None:
    # Physics: EOS-80 and IAPWS-95 differ by up to 2e-3 kg/m³; sea water by 0.02.
    for temperature in (0.01, 5.0, 10.0, 20.0, 30.0, 40.0):
        expected = water(coolprop, "D", temperature)
        found = density_kg_m3("fresh-water", temperature_c=temperature)
        assert found == pytest.approx(expected, abs=3e-3)
    for salinity in (10.0, 35.0):
        absolute = salinity * 35.16504 / 35
        expected = float(gsw.rho_t_exact(absolute, 20.0, 0.0))
        found = density_kg_m3("sea-water", temperature_c=20.0, salinity_g_kg=salinity)
        assert found == pytest.approx(expected, abs=0.03)


def test_density_of_air_is_that_of_the_library(coolprop: ModuleType) -> None:
    # Physics: real air is up to 7e-4 denser than the ideal gases that are added up here.
    for temperature in (0.01, 10.0, 20.0, 30.0, 40.0):
        for humidity in HUMIDITIES:
            expected = 1 / humid_air(coolprop, "Vha", temperature, humidity)
            found = density_kg_m3("air", temperature_c=temperature, humidity_percent=humidity)
            assert found == pytest.approx(expected, rel=1e-3)


def test_saturated_air_holds_the_water_that_the_library_says(coolprop: ModuleType) -> None:
    # The mole fraction in saturated air; physics: the two differ by below 1e-3 of it.
    temperatures = np.array([0.5, 10.0, 20.0, 30.0, 40.0])
    expected = [humid_air(coolprop, "psi_w", t, 100.0) for t in temperatures]
    found = [saturation_mole_fraction(t, ATMOSPHERE_PA) for t in temperatures]
    np.testing.assert_allclose(found, expected, rtol=1e-3)
