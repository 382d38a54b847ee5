"""Sound speed of air, fresh and sea water.

The temperature that a sensor shows is that at the sensor only: what the path's
mean may differ from it is no part of what is stated here, but of a range's budget.
"""

from __future__ import annotations

import math

from numpy.polynomial.polynomial import polyval, polyval2d

from dsp.arguments import require_within

ATMOSPHERE_PA = 101325.0
"""The standard atmosphere."""

SOUND_SPEED_ERROR_M_S = {"air": 0.05, "fresh-water": 0.05, "sea-water": 0.3}
"""Largest difference of each formula from the reference equations of state, as
seen against CoolProp (air from −20 to 40 °C, fresh water from 0 to 40 °C) and gsw
(sea water from 0 to 35 °C, up to 40 g/kg)."""

T68_PER_T90 = 1.00024
"""Celsius temperature on the scale of 1968, which the sea water equations use, over
today's."""

KINDS = ("air", "fresh-water", "sea-water")


def sound_speed_air_m_s(
    temperature_c: float,
    humidity_percent: float,
    *,
    pressure_pa: float = ATMOSPHERE_PA,
    co2_ppm: float = 400.0,
) -> float:
    """Sound speed of humid air.

    Made for 0 to 30 °C. Carried on to −20 to 50 °C it stays within 0.04 m/s of
    CoolProp's humid air up to 40 °C, and within 0.12 m/s at 50 °C and 100 %, all
    at the standard atmosphere.

    Parameters
    ----------
    temperature_c : float
        −20 to 50 °C.
    humidity_percent : float
        Relative humidity, 0 to 100.
    pressure_pa : float
        75 000 to 105 000 Pa.
    co2_ppm : float
        Carbon dioxide by volume, 0 to 10 000.

    Raises
    ------
    ValueError
        Where an argument lies outside the range given above.

    References
    ----------
    O. Cramer, "The variation of the specific heat ratio and the speed of sound in
    air with temperature, pressure, humidity, and CO2 concentration", *J. Acoust.
    Soc. Am.* 93, 1993, pp. 2510–2516, eq. 15 (coefficients from memory). Its
    saturation vapour pressure is replaced by that of R. S. Davis, *Metrologia* 29,
    1992, pp. 67–70, which is on today's temperature scale; at 30 °C this moves the
    speed by less than 0.001 m/s.

    Examples
    --------
    Ten kelvin change a range by 1.8 %; humidity by a tenth of that.

    >>> [round(sound_speed_air_m_s(t, 50.0), 2) for t in (10.0, 20.0)]
    [337.78, 343.99]
    >>> [round(sound_speed_air_m_s(20.0, h), 2) for h in (0.0, 100.0)]
    [343.36, 344.61]
    """
    require_within("temperature_c", temperature_c, -20, 50, "°C")
    require_within("humidity_percent", humidity_percent, 0, 100, "%")
    require_within("pressure_pa", pressure_pa, 75e3, 105e3, "Pa")
    require_within("co2_ppm", co2_ppm, 0, 10e3, "ppm")
    t, p, c = temperature_c, pressure_pa, co2_ppm * 1e-6
    w = humidity_percent / 100 * saturation_mole_fraction(t, p)
    speed = (
        polyval(t, [331.5024, 0.603055, -0.000528])
        + polyval(t, [51.471935, 0.1495874, -0.000782]) * w
        + polyval(t, [-1.82e-7, 3.73e-8, -2.93e-10]) * p
        + polyval(t, [-85.20931, -0.228525, 5.91e-5]) * c
        - 2.835149 * w**2
        - 2.15e-13 * p**2
        + 29.179762 * c**2
        + 0.000486 * w * p * c
    )
    return float(speed)


def sound_speed_fresh_water_m_s(temperature_c: float) -> float:
    """Sound speed of pure water at the standard atmosphere; holds for tap water too.

    Parameters
    ----------
    temperature_c : float
        0 to 95 °C.

    Raises
    ------
    ValueError
        Where the temperature lies outside.

    References
    ----------
    W. Marczak, "Water as a standard in the measurements of speed of sound in
    liquids", *J. Acoust. Soc. Am.* 102, 1997, pp. 2776–2779 (coefficients from
    memory).

    Examples
    --------
    >>> round(sound_speed_fresh_water_m_s(20.0), 1)
    1482.4
    """
    require_within("temperature_c", temperature_c, 0, 95, "°C")
    fit = [1402.385, 5.038813, -5.799136e-2, 3.287156e-4, -1.398845e-6, 2.787860e-9]
    return float(polyval(temperature_c, fit))


# Rows: powers of the gauge pressure in bar; columns: powers of temperature.
_WATER = [
    [1402.388, 5.03711, -5.80852e-2, 3.3420e-4, -1.47800e-6, 3.1464e-9],
    [0.153563, 6.8982e-4, -8.1788e-6, 1.3621e-7, -6.1185e-10, 0],
    [3.1260e-5, -1.7107e-6, 2.5974e-8, -2.5335e-10, 1.0405e-12, 0],
    [-9.7729e-9, 3.8504e-10, -2.3643e-12, 0, 0, 0],
]
_SALT = [
    [1.389, -1.262e-2, 7.164e-5, 2.006e-6, -3.21e-8],
    [9.4742e-5, -1.2580e-5, -6.4885e-8, 1.0507e-8, -2.0122e-10],
    [-3.9064e-7, 9.1041e-9, -1.6002e-10, 7.988e-12, 0],
    [1.100e-10, 6.649e-12, -3.389e-13, 0, 0],
]
_SALT_3_2 = [[-1.922e-2, -4.42e-5], [7.3637e-5, 1.7945e-7]]


def sound_speed_sea_water_m_s(
    temperature_c: float, salinity_g_kg: float, *, gauge_pressure_pa: float = 0.0
) -> float:
    """Sound speed of sea water, or of a tank filled with salt water.

    Parameters
    ----------
    temperature_c : float
        0 to 40 °C.
    salinity_g_kg : float
        0 to 42; the equation was fitted up to 40.
    gauge_pressure_pa : float
        Above the atmosphere, 0 to 1e8 Pa; a metre of water is about 1e4 Pa.

    Raises
    ------
    ValueError
        Where an argument lies outside the range given above.

    References
    ----------
    C.-T. Chen and F. J. Millero, "Speed of sound in seawater at high pressures",
    *J. Acoust. Soc. Am.* 62, 1977, pp. 1129–1135, as printed with its check value in
    N. P. Fofonoff and R. C. Millard, *UNESCO Technical Papers in Marine Science* 44,
    1983 (coefficients from memory). Its temperatures are on the scale of 1968.
    """
    require_within("temperature_c", temperature_c, 0, 40, "°C")
    require_within("salinity_g_kg", salinity_g_kg, 0, 42, "g/kg")
    require_within("gauge_pressure_pa", gauge_pressure_pa, 0, 1e8, "Pa")
    t, s, p = temperature_c * T68_PER_T90, salinity_g_kg, gauge_pressure_pa / 1e5
    speed = (
        polyval2d(p, t, _WATER)
        + polyval2d(p, t, _SALT) * s
        + polyval2d(p, t, _SALT_3_2) * s**1.5
        + polyval(p, [1.727e-3, -7.9836e-6]) * s**2
    )
    return float(speed)


def sound_speed_m_s(
    kind: str,
    *,
    temperature_c: float,
    humidity_percent: float = 50.0,
    salinity_g_kg: float = 35.0,
) -> float:
    """Sound speed of a medium named by its kind, at the standard atmosphere.

    Parameters
    ----------
    kind : {"air", "fresh-water", "sea-water"}
    temperature_c : float
    humidity_percent : float
        Used for air only.
    salinity_g_kg : float
        Used for sea water only.

    Raises
    ------
    ValueError
        On an unknown kind, or where the kind's own formula does not hold.
    """
    if kind == "air":
        return sound_speed_air_m_s(temperature_c, humidity_percent)
    if kind == "fresh-water":
        return sound_speed_fresh_water_m_s(temperature_c)
    if kind == "sea-water":
        return sound_speed_sea_water_m_s(temperature_c, salinity_g_kg)
    raise unknown_kind(kind)


def u_sound_speed_m_s(
    kind: str,
    *,
    temperature_c: float,
    humidity_percent: float = 50.0,
    salinity_g_kg: float = 35.0,
    u_temperature_c: float,
    u_humidity_percent: float = 0.0,
    u_salinity_g_kg: float = 0.0,
) -> float:
    """Return the standard uncertainty of :func:`sound_speed_m_s`.

    The root sum of squares of :func:`sound_speed_terms_m_s`.

    Raises
    ------
    ValueError
        As :func:`sound_speed_m_s`, and on a negative uncertainty.

    Examples
    --------
    >>> round(u_sound_speed_m_s("air", temperature_c=20.0, u_temperature_c=0.5), 2)
    0.31
    """
    terms = sound_speed_terms_m_s(
        kind,
        temperature_c=temperature_c,
        humidity_percent=humidity_percent,
        salinity_g_kg=salinity_g_kg,
        u_temperature_c=u_temperature_c,
        u_humidity_percent=u_humidity_percent,
        u_salinity_g_kg=u_salinity_g_kg,
    )
    return math.hypot(*terms.values())


def sound_speed_terms_m_s(
    kind: str,
    *,
    temperature_c: float,
    humidity_percent: float = 50.0,
    salinity_g_kg: float = 35.0,
    u_temperature_c: float,
    u_humidity_percent: float = 0.0,
    u_salinity_g_kg: float = 0.0,
) -> dict[str, float]:
    """Return what each input, by its name, adds to the uncertainty of the sound speed.

    First order: each input's uncertainty times the slope there. The formula's own
    error is taken as evenly spread over ± :data:`SOUND_SPEED_ERROR_M_S`.

    Returns
    -------
    dict of str to float
        "temperature"; "humidity" for air; "salinity" for sea water; "formula".

    Raises
    ------
    ValueError
        As :func:`sound_speed_m_s`, and on a negative uncertainty.

    References
    ----------
    JCGM 100:2008, "Guide to the expression of uncertainty in measurement", 5.1.2
    and 4.3.7.
    """
    require_within("u_temperature_c", u_temperature_c, 0, math.inf, "°C")
    require_within("u_humidity_percent", u_humidity_percent, 0, math.inf, "%")
    require_within("u_salinity_g_kg", u_salinity_g_kg, 0, math.inf, "g/kg")
    slopes = sound_speed_slopes(
        kind,
        temperature_c=temperature_c,
        humidity_percent=humidity_percent,
        salinity_g_kg=salinity_g_kg,
    )
    u = {
        "temperature": u_temperature_c,
        "humidity": u_humidity_percent,
        "salinity": u_salinity_g_kg,
    }
    terms = {name: abs(slope) * u[name] for name, slope in slopes.items()}
    return {**terms, "formula": SOUND_SPEED_ERROR_M_S[kind] / math.sqrt(3)}


def sound_speed_slopes(
    kind: str,
    *,
    temperature_c: float,
    humidity_percent: float = 50.0,
    salinity_g_kg: float = 35.0,
) -> dict[str, float]:
    """Return how much the sound speed changes with each input that it depends on.

    By a difference to both sides; to one side at the end of a range.

    Returns
    -------
    dict of str to float
        "temperature", m/s per °C; "humidity", m/s per %, for air; "salinity",
        m/s per g/kg, for sea water.

    Raises
    ------
    ValueError
        As :func:`sound_speed_m_s`.

    Examples
    --------
    >>> slopes = sound_speed_slopes("air", temperature_c=20.0)
    >>> {name: round(slope, 2) for name, slope in slopes.items()}
    {'temperature': 0.62, 'humidity': 0.01}
    """
    at = {"temperature": temperature_c, "humidity": humidity_percent, "salinity": salinity_g_kg}

    def speed(values: dict[str, float]) -> float:
        return sound_speed_m_s(
            kind,
            temperature_c=values["temperature"],
            humidity_percent=values["humidity"],
            salinity_g_kg=values["salinity"],
        )

    speed(at)  # refuses what the formula refuses
    slopes = {}
    for name, (step, low, high) in _STEPS[kind].items():
        before, after = max(at[name] - step, low), min(at[name] + step, high)
        rise = speed({**at, name: after}) - speed({**at, name: before})
        slopes[name] = rise / (after - before)
    return slopes


# For each input of a kind: the step of a difference, and the ends of its range.
_STEPS = {
    "air": {"temperature": (0.1, -20.0, 50.0), "humidity": (1.0, 0.0, 100.0)},
    "fresh-water": {"temperature": (0.1, 0.0, 95.0)},
    "sea-water": {"temperature": (0.1, 0.0, 40.0), "salinity": (0.1, 0.0, 42.0)},
}


def saturation_mole_fraction(temperature_c: float, pressure_pa: float) -> float:
    """Return the mole fraction of water in saturated air.

    References
    ----------
    R. S. Davis, "Equation for the determination of the density of moist air
    (1981/91)", *Metrologia* 29, 1992, pp. 67–70 (coefficients from memory).
    """
    kelvin = temperature_c + 273.15
    vapour_pa = math.exp(
        1.2378847e-5 * kelvin**2 - 1.9121316e-2 * kelvin + 33.93711047 - 6.3431645e3 / kelvin
    )
    enhancement = 1.00062 + 3.14e-8 * pressure_pa + 5.6e-7 * temperature_c**2
    return enhancement * vapour_pa / pressure_pa


def unknown_kind(kind: str) -> ValueError:
    """Return the error for a medium that is not one of :data:`KINDS`."""
    names = ", ".join(f'"{name}"' for name in KINDS)
    return ValueError(f"kind: found {kind!r}; give one of {names}")
