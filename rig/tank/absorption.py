"""What the medium takes from a sound on its way."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rig.tank.scene import Medium

NEPER_DB = 20 / np.log(10)


def absorption_db_m(medium: Medium, frequency_hz: ArrayLike) -> NDArray[np.float64]:
    """Absorption of a plane wave.

    Parameters
    ----------
    medium : Medium
    frequency_hz : array_like

    Returns
    -------
    ndarray of float64, the shape of `frequency_hz`
        dB/m.
    """
    frequency = np.asarray(frequency_hz, dtype=np.float64)
    if medium.kind == "air":
        return air_db_m(frequency, medium.temperature_c, medium.humidity_percent)
    salinity = medium.salinity_g_kg if medium.kind == "sea-water" else 0.0
    return water_db_m(frequency, medium.temperature_c, salinity)


def air_db_m(
    frequency_hz: NDArray[np.float64], temperature_c: float, humidity_percent: float
) -> NDArray[np.float64]:
    """Absorption of still air at 101.325 kPa, dB/m.

    References
    ----------
    ISO 9613-1:1993, equations 3 to 5 and annex B (from memory).
    """
    kelvin = temperature_c + 273.15
    warm = kelvin / 293.15
    vapour = humidity_percent * 10 ** (4.6151 - 6.8346 * (273.16 / kelvin) ** 1.261)
    oxygen_hz = 24 + 4.04e4 * vapour * (0.02 + vapour) / (0.391 + vapour)
    nitrogen_hz = (9 + 280 * vapour * np.exp(-4.170 * (warm ** (-1 / 3) - 1))) / np.sqrt(warm)
    square = frequency_hz**2
    oxygen = 0.01275 * np.exp(-2239.1 / kelvin) / (oxygen_hz + square / oxygen_hz)
    nitrogen = 0.1068 * np.exp(-3352.0 / kelvin) / (nitrogen_hz + square / nitrogen_hz)
    classical = 1.84e-11 * np.sqrt(warm)
    loss: NDArray[np.float64] = NEPER_DB * square * (classical + warm**-2.5 * (oxygen + nitrogen))
    return loss


def water_db_m(
    frequency_hz: NDArray[np.float64], temperature_c: float, salinity_g_kg: float
) -> NDArray[np.float64]:
    """Absorption of water at the surface and pH 8, dB/m; fresh where the salinity is 0.

    References
    ----------
    R. E. Francois and G. R. Garrison, "Sound absorption based on ocean
    measurements, part II", *J. Acoust. Soc. Am.* 72, 1982, pp. 1879–1890 (from memory).
    """
    t, salt = temperature_c, salinity_g_kg
    square = (frequency_hz / 1e3) ** 2
    speed = 1412 + 3.21 * t + 1.19 * salt
    boric_khz = 2.8 * np.sqrt(salt / 35) * 10 ** (4 - 1245 / (273 + t))
    magnesium_khz = 8.17 * 10 ** (8 - 1990 / (273 + t)) / (1 + 0.0018 * (salt - 35))
    if t <= 20:
        viscous = 4.937e-4 - 2.59e-5 * t + 9.11e-7 * t**2 - 1.50e-8 * t**3
    else:
        viscous = 3.964e-4 - 1.146e-5 * t + 1.45e-7 * t**2 - 6.5e-10 * t**3
    boric = 8.86 / speed * 10 ** (0.78 * 8 - 5) * boric_khz / (square + boric_khz**2 + 1e-300)
    magnesium = 21.44 * salt / speed * (1 + 0.025 * t) * magnesium_khz / (square + magnesium_khz**2)
    loss: NDArray[np.float64] = square * (boric + magnesium + viscous) / 1e3
    return loss
