"""Sound speed against reference equations of state, frozen (tests/references has them live)."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dsp.physics.medium import (
    KINDS,
    SOUND_SPEED_ERROR_M_S,
    saturation_mole_fraction,
    sound_speed_air_m_s,
    sound_speed_fresh_water_m_s,
    sound_speed_m_s,
    sound_speed_sea_water_m_s,
    u_sound_speed_m_s,
)

# 101 325 Pa, m/s; computed with CoolProp HumidAir.
HUMID_AIR = {
    0.0: {0.0: 331.4368, 10.0: 337.4444, 20.0: 343.3396, 30.0: 349.1275},
    50.0: {0.0: 331.5940, 10.0: 337.7660, 20.0: 343.9630, 30.0: 350.2795},
    100.0: {0.0: 331.7508, 10.0: 338.0867, 20.0: 344.5849, 30.0: 351.4322},
}

# 101 325 Pa, m/s; computed with CoolProp (IAPWS-95).
FRESH_WATER = {
    0.01: 1402.4330,
    5.0: 1426.1694,
    10.0: 1447.2722,
    15.0: 1465.9295,
    20.0: 1482.3462,
    25.0: 1496.7014,
    30.0: 1509.1538,
    35.0: 1519.8454,
    40.0: 1528.9045,
}


@pytest.mark.parametrize(
    ("humidity", "temperature", "expected"),
    [(h, t, c) for h, row in HUMID_AIR.items() for t, c in row.items()],
)
def test_air_is_within_its_promise_of_an_equation_of_state(
    humidity: float, temperature: float, expected: float
) -> None:
    # Physics: two independent descriptions of humid air; the promise is 0.05 m/s.
    found = sound_speed_air_m_s(temperature, humidity)
    assert found == pytest.approx(expected, abs=SOUND_SPEED_ERROR_M_S["air"])


@pytest.mark.parametrize(
    ("temperature", "expected"),
    [(0.0, 331.6035), (10.0, 337.7811), (20.0, 343.9869), (30.0, 350.3102)],
)
def test_air_follows_cramer_at_half_humidity(temperature: float, expected: float) -> None:
    # Cramer 1993, coefficients from memory; 5e-5 is the rounding of the printed values.
    assert sound_speed_air_m_s(temperature, 50.0) == pytest.approx(expected, abs=6e-5)


@pytest.mark.parametrize(
    ("co2_ppm", "expected"),
    [(0.0, 343.3954), (400.0, 343.3595), (1000.0, 343.3056), (10_000.0, 342.5007)],
)
def test_carbon_dioxide_slows_air_as_cramer_says(co2_ppm: float, expected: float) -> None:
    # Cramer 1993, from memory, 20 °C dry; 5e-5 is rounding.
    assert sound_speed_air_m_s(20.0, 0.0, co2_ppm=co2_ppm) == pytest.approx(expected, abs=6e-5)


def test_a_kelvin_at_room_temperature_is_0_584_m_s() -> None:
    # Cramer 1993 in dry air (memory), printed to 0.0005; the central difference over
    # 1 K of a curve with a second derivative of 0.001 m/s/K² errs by far less.
    slope = sound_speed_air_m_s(20.5, 0.0) - sound_speed_air_m_s(19.5, 0.0)
    assert slope == pytest.approx(0.584, abs=0.0005)


@pytest.mark.parametrize(
    ("temperature", "pressure_pa"), [(10.0, 1228.2), (20.0, 2339.3), (30.0, 4247.0)]
)
def test_saturation_is_the_steam_tables_but_for_the_air_on_top(
    temperature: float, pressure_pa: float
) -> None:
    # Saturation pressure of pure water, computed with CoolProp (IAPWS-95), rounded to
    # 0.1 Pa. Physics: air at 1 atm raises it by 0.4 %, known to about 0.05 %.
    found = saturation_mole_fraction(temperature, 101325.0) * 101325.0
    assert found == pytest.approx(1.004 * pressure_pa, rel=1e-3)


@pytest.mark.parametrize(("temperature", "expected"), FRESH_WATER.items())
def test_fresh_water_is_within_its_promise_of_an_equation_of_state(
    temperature: float, expected: float
) -> None:
    # Physics: Marczak's fit lies within 0.034 m/s of IAPWS-95; the promise is 0.05.
    found = sound_speed_fresh_water_m_s(temperature)
    assert found == pytest.approx(expected, abs=SOUND_SPEED_ERROR_M_S["fresh-water"])


@pytest.mark.parametrize(
    ("temperature", "expected"),
    [(5.0, 1427), (10.0, 1448), (20.0, 1483), (25.0, 1497), (30.0, 1509), (40.0, 1529)],
)
def test_fresh_water_is_what_the_older_handbooks_print(temperature: float, expected: float) -> None:
    # Greenspan and Tschiegg 1957, memory, rounded to 1 m/s: 0.5 is rounding, and their
    # values lie up to 0.4 m/s above later ones (memory): physics.
    assert sound_speed_fresh_water_m_s(temperature) == pytest.approx(expected, abs=0.9)


def test_sea_water_gives_the_printed_check_value() -> None:
    # UNESCO Technical Papers in Marine Science 44: S 40, 40 °C on the scale of 1968,
    # 10 000 dbar; 5e-4 is the rounding of the printed value.
    found = sound_speed_sea_water_m_s(40.0 / 1.00024, 40.0, gauge_pressure_pa=1e8)
    assert found == pytest.approx(1731.995, abs=5e-4)


def test_sea_water_is_within_its_promise_of_the_gibbs_function() -> None:
    # gsw.sound_speed(34.7118, 28.7856, 10) = 1542.4264124; that is 28.761347 °C and a
    # practical salinity of 34.548887 (both computed with gsw) under 1e5 Pa.
    found = sound_speed_sea_water_m_s(28.761347, 34.548887, gauge_pressure_pa=1e5)
    assert found == pytest.approx(1542.4264, abs=SOUND_SPEED_ERROR_M_S["sea-water"])


@given(st.floats(0.0, 40.0))
def test_sea_water_without_salt_is_fresh_water(temperature: float) -> None:
    # Two independent fits, each good to about 0.05 m/s.
    fresh = sound_speed_fresh_water_m_s(temperature)
    assert sound_speed_sea_water_m_s(temperature, 0.0) == pytest.approx(fresh, abs=0.05)


@given(st.floats(-20.0, 49.0), st.floats(0.0, 100.0))
def test_warmer_air_is_faster(temperature: float, humidity: float) -> None:
    # √T alone gives at least 0.5 m/s per kelvin.
    warmer = sound_speed_air_m_s(temperature + 1.0, humidity)
    assert warmer > sound_speed_air_m_s(temperature, humidity) + 0.5


@given(st.floats(-20.0, 50.0), st.floats(0.0, 99.0))
def test_damper_air_is_faster(temperature: float, humidity: float) -> None:
    damper = sound_speed_air_m_s(temperature, humidity + 1.0)
    assert damper > sound_speed_air_m_s(temperature, humidity)


@given(st.floats(0.0, 40.0), st.floats(0.0, 41.0), st.floats(0.0, 1e7))
def test_saltier_and_deeper_water_is_faster(
    temperature: float, salinity: float, pressure: float
) -> None:
    here = sound_speed_sea_water_m_s(temperature, salinity, gauge_pressure_pa=pressure)
    salty = sound_speed_sea_water_m_s(temperature, salinity + 1, gauge_pressure_pa=pressure)
    deep = sound_speed_sea_water_m_s(temperature, salinity, gauge_pressure_pa=pressure + 1e5)
    assert salty > here
    assert deep > here


def test_each_kind_is_its_own_formula() -> None:
    found = [
        sound_speed_m_s(kind, temperature_c=18.0, humidity_percent=30.0, salinity_g_kg=20.0)
        for kind in KINDS
    ]
    assert found == [
        sound_speed_air_m_s(18.0, 30.0),
        sound_speed_fresh_water_m_s(18.0),
        sound_speed_sea_water_m_s(18.0, 20.0),
    ]


def test_uncertainty_adds_temperature_humidity_and_formula() -> None:
    # From the frozen table above, by hand: (350.2795 − 337.7660)/20 = 0.6257 m/s/K over
    # 10 to 30 °C and (344.5849 − 343.3396)/100 = 0.01245 m/s/% at 20 °C. Physics: the
    # curve's bend makes the slope at 20 °C differ from the former by below 2 %.
    expected = math.hypot(0.6257 * 0.5, 0.01245 * 5.0, 0.05 / math.sqrt(3))
    found = u_sound_speed_m_s(
        "air", temperature_c=20.0, u_temperature_c=0.5, u_humidity_percent=5.0
    )
    assert found == pytest.approx(expected, rel=0.02)


@pytest.mark.parametrize("kind", KINDS)
def test_a_perfect_sensor_leaves_the_error_of_the_formula(kind: str) -> None:
    # An even spread over ±a has a standard deviation of a/√3 (JCGM 100, 4.3.7).
    found = u_sound_speed_m_s(kind, temperature_c=20.0, u_temperature_c=0.0)
    assert found == pytest.approx(SOUND_SPEED_ERROR_M_S[kind] / math.sqrt(3), rel=1e-12)


@pytest.mark.parametrize(
    ("kind", "temperature", "humidity"),
    [("air", -20.0, 0.0), ("air", 50.0, 100.0), ("fresh-water", 0.0, 50.0), ("sea-water", 40.0, 0)],
)
def test_uncertainty_is_known_at_the_ends_of_the_ranges(
    kind: str, temperature: float, humidity: float
) -> None:
    found = u_sound_speed_m_s(
        kind,
        temperature_c=temperature,
        humidity_percent=humidity,
        u_temperature_c=0.5,
        u_humidity_percent=5.0,
    )
    # Slopes there lie between 0.5 (air) and 5 m/s/K (cold water).
    assert 0.25 < found < 2.6


@given(st.sampled_from(KINDS), st.floats(0.0, 40.0), st.floats(0.0, 5.0))
def test_a_worse_thermometer_is_never_better(kind: str, temperature: float, u: float) -> None:
    worse = u_sound_speed_m_s(kind, temperature_c=temperature, u_temperature_c=u + 0.1)
    assert worse > u_sound_speed_m_s(kind, temperature_c=temperature, u_temperature_c=u)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (
            lambda: sound_speed_air_m_s(293.15, 50),
            "temperature_c: found 293.15 °C; give -20",
        ),
        (lambda: sound_speed_air_m_s(20, 120), "humidity_percent: found 120 %; give 0 to 100"),
        (lambda: sound_speed_air_m_s(20, 50, pressure_pa=1013), "pressure_pa: found 1013 Pa"),
        (lambda: sound_speed_air_m_s(20, 50, co2_ppm=-1), "co2_ppm: found -1"),
        (lambda: sound_speed_fresh_water_m_s(-1), "temperature_c: found -1 °C; give 0 to 95"),
        (lambda: sound_speed_fresh_water_m_s(math.nan), "temperature_c: found nan"),
        (lambda: sound_speed_sea_water_m_s(41, 35), "temperature_c: found 41 °C; give 0 to 40"),
        (lambda: sound_speed_sea_water_m_s(20, 50), "salinity_g_kg: found 50 g/kg; give 0 to 42"),
        (lambda: sound_speed_m_s("oil", temperature_c=20), "kind: found 'oil'; give one of"),
        (
            lambda: u_sound_speed_m_s("air", temperature_c=20, u_temperature_c=-1),
            "u_temperature_c: found -1",
        ),
        (lambda: u_sound_speed_m_s("oil", temperature_c=20, u_temperature_c=1), "kind: found"),
    ],
)
def test_what_no_formula_covers_is_refused(call: object, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        call()  # type: ignore[operator]
