"""How much of a tone the medium itself swallows on its way: air, fresh and sea water."""

from __future__ import annotations

import math

import numpy as np
from numpy.polynomial.polynomial import polyval
from numpy.typing import ArrayLike, NDArray

from dsp.arguments import require_positive, require_within
from dsp.physics.medium import ATMOSPHERE_PA, unknown_kind


def absorption_db_m(
    kind: str,
    frequency_hz: ArrayLike,
    *,
    temperature_c: float,
    humidity_percent: float = 50.0,
    salinity_g_kg: float = 35.0,
) -> NDArray[np.float64]:
    """Absorption of a tone by a medium named by its kind, dB a metre, at its surface.

    Parameters
    ----------
    kind : {"air", "fresh-water", "sea-water"}
    frequency_hz : array_like
    temperature_c : float
    humidity_percent : float
        Used for air only.
    salinity_g_kg : float
        Used for sea water only.

    Returns
    -------
    ndarray of float64, the shape of `frequency_hz`

    Raises
    ------
    ValueError
        On an unknown kind, or where the kind's own formula does not hold.
    """
    if kind == "air":
        return absorption_air_db_m(frequency_hz, temperature_c, humidity_percent)
    if kind == "fresh-water":
        return absorption_water_db_m(frequency_hz, temperature_c, 0.0)
    if kind == "sea-water":
        return absorption_water_db_m(frequency_hz, temperature_c, salinity_g_kg)
    raise unknown_kind(kind)


def absorption_air_db_m(
    frequency_hz: ArrayLike,
    temperature_c: float,
    humidity_percent: float,
    pressure_pa: float = ATMOSPHERE_PA,
) -> NDArray[np.float64]:
    """Absorption of a tone by still air, dB a metre.

    Parameters
    ----------
    frequency_hz : array_like
    temperature_c : float
        −20 to 50 °C.
    humidity_percent : float
        0 to 100. The standard asks for a mole fraction of water of 0.05 % at the
        least; drier air is computed as well, less surely.
    pressure_pa : float
        Up to 200 000 Pa.

    Returns
    -------
    ndarray of float64, the shape of `frequency_hz`

    Raises
    ------
    ValueError
        Where an argument lies outside the range given above.

    References
    ----------
    ISO 9613-1:1993, eqs. 3 to 5, B.1 and B.2 (formula from memory).

    Examples
    --------
    An audible tone hardly notices the room's air; 40 kHz loses 1.3 dB a metre.

    >>> absorption_air_db_m([1e3, 40e3], 20.0, 50.0).round(4).tolist()
    [0.0047, 1.3182]
    """
    require_positive("frequency_hz", frequency_hz, "Hz")
    require_within("temperature_c", temperature_c, -20, 50, "°C")
    require_within("humidity_percent", humidity_percent, 0, 100, "%")
    require_within("pressure_pa", pressure_pa, 1e3, 200e3, "Pa")
    f = np.asarray(frequency_hz, dtype=np.float64)
    kelvin = temperature_c + 273.15
    warm, p = kelvin / 293.15, pressure_pa / ATMOSPHERE_PA
    saturation = 10 ** (-6.8346 * (273.16 / kelvin) ** 1.261 + 4.6151)
    h = humidity_percent * saturation / p
    oxygen_hz = p * (24 + 4.04e4 * h * (0.02 + h) / (0.391 + h))
    nitrogen_hz = p / math.sqrt(warm) * (9 + 280 * h * math.exp(-4.170 * (warm ** (-1 / 3) - 1)))
    relaxation = 0.01275 * math.exp(-2239.1 / kelvin) / (oxygen_hz + f**2 / oxygen_hz)
    relaxation = relaxation + 0.1068 * math.exp(-3352.0 / kelvin) / (
        nitrogen_hz + f**2 / nitrogen_hz
    )
    loss = 8.686 * f**2 * (1.84e-11 / p * math.sqrt(warm) + warm**-2.5 * relaxation)
    return np.asarray(loss)


def absorption_water_db_m(
    frequency_hz: ArrayLike,
    temperature_c: float,
    salinity_g_kg: float,
    depth_m: float = 0.0,
    ph: float = 8.0,
) -> NDArray[np.float64]:
    """Absorption of a tone by fresh or sea water, dB a metre.

    Parameters
    ----------
    frequency_hz : array_like
    temperature_c : float
        −2 to 40 °C; the boric acid and magnesium terms were fitted up to 22 °C.
    salinity_g_kg : float
        0 to 42; 0 leaves pure water.
    depth_m : float
        0 to 7000 m.
    ph : float
        7 to 9.

    Returns
    -------
    ndarray of float64, the shape of `frequency_hz`

    Raises
    ------
    ValueError
        Where an argument lies outside the range given above.

    References
    ----------
    R. E. Francois and G. R. Garrison, "Sound absorption based on ocean
    measurements. Part II", *J. Acoust. Soc. Am.* 72, 1982, pp. 1879–1890
    (coefficients from memory).

    Examples
    --------
    Over the 2 m of path in a tank, 200 kHz loses 0.02 dB: nothing.

    >>> round(2.0 * float(absorption_water_db_m(200e3, 20.0, 0.0)), 3)
    0.018
    """
    require_positive("frequency_hz", frequency_hz, "Hz")
    require_within("temperature_c", temperature_c, -2, 40, "°C")
    require_within("salinity_g_kg", salinity_g_kg, 0, 42, "g/kg")
    require_within("depth_m", depth_m, 0, 7000, "m")
    require_within("ph", ph, 7, 9)
    f = np.asarray(frequency_hz, dtype=np.float64) / 1e3
    t, s, z = temperature_c, salinity_g_kg, depth_m
    kelvin = 273.0 + t
    speed = 1412 + 3.21 * t + 1.19 * s + 0.0167 * z

    boric_khz = 2.8 * math.sqrt(s / 35) * 10 ** (4 - 1245 / kelvin)
    boric = 8.86 / speed * 10 ** (0.78 * ph - 5) * boric_khz / (boric_khz**2 + f**2)
    sulphate_khz = 8.17 * 10 ** (8 - 1990 / kelvin) / (1 + 0.0018 * (s - 35))
    strength = 21.44 * s / speed * (1 + 0.025 * t) * polyval(z, [1, -1.37e-4, 6.2e-9])
    sulphate = strength * sulphate_khz / (sulphate_khz**2 + f**2)
    cool, warm = [4.937e-4, -2.59e-5, 9.11e-7, -1.50e-8], [3.964e-4, -1.146e-5, 1.45e-7, -6.5e-10]
    viscous = polyval(t, cool if t <= 20 else warm) * polyval(z, [1, -3.83e-5, 4.9e-10])
    return np.asarray((boric + sulphate + viscous) * f**2 / 1e3)
