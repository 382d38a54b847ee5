"""Density and impedance of the media, and what a boundary between two sends back."""

from __future__ import annotations

from numpy.polynomial.polynomial import polyval

from dsp.arguments import require_positive, require_within
from dsp.physics.medium import (
    ATMOSPHERE_PA,
    KINDS,
    T68_PER_T90,
    saturation_mole_fraction,
    sound_speed_m_s,
    unknown_kind,
)


def density_kg_m3(
    kind: str,
    *,
    temperature_c: float,
    humidity_percent: float = 50.0,
    salinity_g_kg: float = 35.0,
) -> float:
    """Density of a medium named by its kind, at the standard atmosphere.

    Parameters
    ----------
    kind : {"air", "fresh-water", "sea-water"}
    temperature_c : float
        −20 to 50 °C for air, 0 to 40 °C for water.
    humidity_percent : float
        Used for air only.
    salinity_g_kg : float
        Used for sea water only.

    Raises
    ------
    ValueError
        On an unknown kind, or where an argument lies outside its range.

    References
    ----------
    Air: ideal gases of 28.965 and 18.015 g/mol. Water: F. J. Millero and
    A. Poisson, *Deep-Sea Res.* 28A, 1981, pp. 625–629, as printed in *UNESCO
    Technical Papers in Marine Science* 44, 1983 (coefficients from memory).
    """
    if kind not in KINDS:
        raise unknown_kind(kind)
    if kind == "air":
        require_within("temperature_c", temperature_c, -20, 50, "°C")
        require_within("humidity_percent", humidity_percent, 0, 100, "%")
        share = humidity_percent / 100 * saturation_mole_fraction(temperature_c, ATMOSPHERE_PA)
        molar = 28.965e-3 * (1 - share) + 18.015e-3 * share
        return ATMOSPHERE_PA * molar / (8.314462618 * (temperature_c + 273.15))
    require_within("temperature_c", temperature_c, 0, 40, "°C")
    s = salinity_g_kg if kind == "sea-water" else 0.0
    require_within("salinity_g_kg", s, 0, 42, "g/kg")
    t = temperature_c * T68_PER_T90
    pure = [999.842594, 6.793952e-2, -9.095290e-3, 1.001685e-4, -1.120083e-6, 6.536332e-9]
    salt = [8.24493e-1, -4.0899e-3, 7.6438e-5, -8.2467e-7, 5.3875e-9]
    salt_3_2 = [-5.72466e-3, 1.0227e-4, -1.6546e-6]
    return float(
        polyval(t, pure) + polyval(t, salt) * s + polyval(t, salt_3_2) * s**1.5 + 4.8314e-4 * s**2
    )


def impedance_pa_s_m(
    kind: str,
    *,
    temperature_c: float,
    humidity_percent: float = 50.0,
    salinity_g_kg: float = 35.0,
) -> float:
    """Characteristic impedance of a medium: density times sound speed.

    Raises
    ------
    ValueError
        As :func:`density_kg_m3` and :func:`sound_speed_m_s`.
    """
    state = {
        "temperature_c": temperature_c,
        "humidity_percent": humidity_percent,
        "salinity_g_kg": salinity_g_kg,
    }
    return density_kg_m3(kind, **state) * sound_speed_m_s(kind, **state)


def pressure_reflection(from_pa_s_m: float, to_pa_s_m: float) -> float:
    """Share of the pressure that a flat boundary sends back at normal incidence.

    Negative where the sign flips: at the surface of a tank, seen from below.

    Parameters
    ----------
    from_pa_s_m, to_pa_s_m : float
        Impedance of the medium that the sound comes from, and of the one behind.

    Raises
    ------
    ValueError
        Where an impedance is not above zero.

    References
    ----------
    L. E. Kinsler et al., *Fundamentals of Acoustics*, 4th ed., 2000, eq. 6.2.7
    (cited from memory).

    Examples
    --------
    >>> water = impedance_pa_s_m("fresh-water", temperature_c=20.0)
    >>> air = impedance_pa_s_m("air", temperature_c=20.0)
    >>> round(pressure_reflection(water, air), 5), round(pressure_reflection(air, water), 5)
    (-0.99944, 0.99944)
    """
    require_positive("from_pa_s_m", from_pa_s_m, "Pa s/m")
    require_positive("to_pa_s_m", to_pa_s_m, "Pa s/m")
    return (to_pa_s_m - from_pa_s_m) / (to_pa_s_m + from_pa_s_m)
