"""The tank's own absorption against the standards."""

import numpy as np
import pytest

from rig.tank.absorption import absorption_db_m, air_db_m, water_db_m
from rig.tank.scene import Medium

# ISO 9613-2:1996, table 2 (from memory): dB/km in octaves from 63 Hz to 8 kHz.
ISO_9613_2 = {
    (10, 70): (0.1, 0.4, 1.0, 1.9, 3.7, 9.7, 32.8, 117),
    (20, 70): (0.1, 0.3, 1.1, 2.8, 5.0, 9.0, 22.9, 76.6),
    (30, 70): (0.1, 0.3, 1.0, 3.1, 7.4, 12.7, 23.1, 59.3),
    (15, 20): (0.3, 0.6, 1.2, 2.7, 8.2, 28.2, 88.8, 202),
    (15, 50): (0.1, 0.5, 1.2, 2.2, 4.2, 10.8, 36.2, 129),
}


@pytest.mark.parametrize(("air", "table_db_km"), ISO_9613_2.items())
def test_air_absorbs_as_the_table_of_iso_9613_2_says(air, table_db_km):
    midbands_hz = 1000 * 10 ** (3 * np.arange(-4, 4) / 10)
    found_db_km = 1e3 * air_db_m(midbands_hz, *air)
    # The table is rounded to 0.1 dB/km, and to three digits: 0.06 dB/km or 1 %.
    allowed = np.maximum(0.06, 0.01 * np.array(table_db_km))
    assert (np.abs(found_db_km - table_db_km) < allowed).all()


def test_air_at_20_degrees_absorbs_as_the_formula_of_iso_9613_1_gives():
    # ISO 9613-1:1993 (formula from memory, worked out apart), dB/km. The standard rounds
    # 20/ln 10 to 8.686, by 1.3 parts in 100 000.
    frequency_hz = np.array([1e3, 1e4, 4e4])
    expected_db_km = [4.66473, 158.83856, 1318.24174]
    found_db_m = air_db_m(frequency_hz, 20.0, 50.0)
    np.testing.assert_allclose(1e3 * found_db_m, expected_db_km, rtol=2e-5)


def test_water_absorbs_as_francois_and_garrison_found():
    # Francois and Garrison 1982 (from memory), dB/km; the values have four digits.
    fresh = 1e3 * water_db_m(np.array([2e4, 4e4, 1e5, 2e5]), 20.0, 0.0)
    np.testing.assert_allclose(fresh, [0.0880, 0.3522, 2.201, 8.804], rtol=6e-4)
    sea = 1e3 * water_db_m(np.array([3.8e4, 1e5, 2e5]), 10.0, 35.0)
    np.testing.assert_allclose(sea, [10.1658, 33.6303, 54.4462], rtol=1e-5)
    assert 1e3 * water_db_m(np.array([3.8e4]), 20.0, 35.0) == pytest.approx(7.9715, rel=1e-5)


def test_the_medium_s_kind_picks_the_formula():
    frequency_hz = np.array([4e4])
    loss = {
        kind: absorption_db_m(Medium(kind=kind, sound_speed_m_s=343.0), frequency_hz)[0]
        for kind in ("air", "fresh-water", "sea-water")
    }
    assert loss["air"] == pytest.approx(1.31824174, rel=2e-5)
    assert loss["fresh-water"] == pytest.approx(0.3522e-3, rel=6e-4)
    assert loss["fresh-water"] < loss["sea-water"] < loss["air"]


def test_absorption_along_a_tank_of_water_is_negligible():
    # Out and back over 2 m at 200 kHz, against the 0.1 dB that can be read off a picture.
    assert 4 * water_db_m(np.array([2e5]), 20.0, 0.0)[0] < 0.1
