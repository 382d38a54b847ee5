"""Beams of a round disc and of a line: how wide, how deep, how far.

Both faces are held to move evenly all over. "piston" is a round disc in a wide
baffle, its size the radius; "line" is a straight strip, its size the length, and
the angle is counted from the plane across it. `ways` is 1 for sending or hearing
alone, and 2 for an echo, which passes the same beam twice.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

from dsp.arguments import require_positive, require_within

SIDE_LOBE_DB = {"piston": -17.570150, "line": -13.261459}
"""Highest side lobe, one way, dB re the beam's axis (computed with scipy)."""

_Wave = TypeVar("_Wave", float, NDArray[np.float64])

# Where the beam falls to half power, by ways, and to its first null, as
# ka·sin θ of a piston and (L/λ)·sin θ of a line (computed with scipy).
_HALF_POWER = {
    ("piston", 1): 1.6163399,
    ("piston", 2): 1.1602860,
    ("line", 1): 0.4429465,
    ("line", 2): 0.3189167,
}
_NULL = {"piston": 3.8317060, "line": 1.0}


def beam_amplitude(
    shape: str,
    size_m: float,
    wavelength_m: ArrayLike,
    angle_rad: ArrayLike,
    *,
    ways: int = 1,
) -> NDArray[np.float64]:
    """Far-field amplitude relative to the axis; negative in every other side lobe.

    Parameters
    ----------
    shape : {"piston", "line"}
    size_m : float
        Radius of a piston, length of a line.
    wavelength_m : array_like
    angle_rad : array_like
        From the axis; of a shape that goes with that of `wavelength_m`.
    ways : {1, 2}

    Returns
    -------
    ndarray of float64, the shape of the two together

    Raises
    ------
    ValueError
        On an unknown shape, or a size or wavelength not above zero.

    References
    ----------
    L. E. Kinsler et al., *Fundamentals of Acoustics*, 4th ed., 2000, eqs. 7.4.17
    and 7.3.4 (cited from memory): 2 J₁(ka sin θ) / (ka sin θ), and sin x / x with
    x = (kL/2) sin θ.
    """
    scale = _scale(shape, size_m, np.asarray(wavelength_m, dtype=np.float64))
    _require_ways(ways)
    argument = scale * np.sin(np.asarray(angle_rad, dtype=np.float64))
    if shape == "line":
        one_way = np.sinc(argument)
    else:
        # J₁(x)/x runs to 1/2 as x falls to 0; below 1e-8 it is that to the last digit.
        small = np.abs(argument) < 1e-8
        one_way = np.where(
            small, 1.0, 2 * scipy.special.j1(argument) / np.where(small, 1.0, argument)
        )
    return np.asarray(one_way**ways)


def half_power_half_angle_rad(
    shape: str, size_m: float, wavelength_m: float, *, ways: int = 2
) -> float:
    """Angle from the axis at which the power has fallen to half.

    π/2 where the face is so small against the wave that it sends everywhere: then
    there is no cone.

    Raises
    ------
    ValueError
        As :func:`beam_amplitude`.

    Examples
    --------
    A 16 mm disc at 40 kHz in air; at 20 kHz the same disc is wider.

    >>> wide = half_power_half_angle_rad("piston", 0.008, 343.2 / 20e3, ways=1)
    >>> narrow = half_power_half_angle_rad("piston", 0.008, 343.2 / 40e3, ways=1)
    >>> round(math.degrees(wide), 2), round(math.degrees(narrow), 2)
    (33.49, 16.02)
    """
    scale = _scale(shape, size_m, wavelength_m)
    _require_ways(ways)
    return math.asin(min(1.0, _HALF_POWER[shape, ways] / scale))


def first_null_rad(shape: str, size_m: float, wavelength_m: float) -> float:
    """Angle from the axis of the first null; π/2 where there is none.

    Raises
    ------
    ValueError
        As :func:`beam_amplitude`.
    """
    return math.asin(min(1.0, _NULL[shape] / _scale(shape, size_m, wavelength_m)))


def directivity_index_db(shape: str, size_m: float, wavelength_m: float) -> float:
    """Intensity on the axis over that of a point sending the same power all round, dB.

    Exact at any size: a small piston comes to 3 dB, as its baffle halves the space
    that it sends into; a small line to 0 dB.

    Raises
    ------
    ValueError
        As :func:`beam_amplitude`.

    References
    ----------
    Piston: (ka)² / (1 − J₁(2ka)/ka); L. E. Kinsler et al., *Fundamentals of
    Acoustics*, 4th ed., 2000, eq. 7.6.9 (cited from memory). Line: the integral of
    (sin x / x)² over the sphere, x Si(2x) − sin² x over x², inverted.
    """
    scale = _scale(shape, size_m, wavelength_m)
    if shape == "piston":
        # Below ka = 1e-3 the difference in the denominator is (ka)²/2 to 1e-7.
        factor = (
            2.0 if scale < 1e-3 else scale**2 / (1 - float(scipy.special.j1(2 * scale)) / scale)
        )
    else:
        x = math.pi * scale
        sine_integral = float(scipy.special.sici(2 * x)[0])
        factor = x**2 / (x * sine_integral - math.sin(x) ** 2)
    return 10 * math.log10(factor)


def footprint_diameter_m(range_m: ArrayLike, half_angle_rad: float) -> NDArray[np.float64]:
    """Width of the cone at a range: further out the cone is wider.

    Raises
    ------
    ValueError
        Where the half angle is not below π/2: then there is no cone.
    """
    _require_cone(half_angle_rad)
    return np.asarray(2 * np.asarray(range_m, dtype=np.float64) * math.tan(half_angle_rad))


def near_field_m(radius_m: float, wavelength_m: float) -> float:
    """Range a²/λ of a piston: nearer than this the beam is not yet a cone.

    Raises
    ------
    ValueError
        Where an argument is not above zero.

    References
    ----------
    L. E. Kinsler et al., *Fundamentals of Acoustics*, 4th ed., 2000, sec. 7.4
    (cited from memory): beyond it the pressure on the axis only falls.
    """
    require_positive("radius_m", radius_m, "m")
    require_positive("wavelength_m", wavelength_m, "m")
    return radius_m**2 / wavelength_m


def near_field_factor(
    radius_m: float, wavelength_m: float, range_m: ArrayLike
) -> NDArray[np.float64]:
    """Pressure on a piston's axis over what the far field's 1/range law gives there.

    Returns
    -------
    ndarray of float64, the shape of `range_m`
        Towards 1 far out.

    Raises
    ------
    ValueError
        Where an argument is not above zero.

    References
    ----------
    L. E. Kinsler et al., *Fundamentals of Acoustics*, 4th ed., 2000, eq. 7.4.5
    (cited from memory): |2 sin(k/2 (√(r² + a²) − r))| over k a²/(2r).
    """
    require_positive("radius_m", radius_m, "m")
    require_positive("wavelength_m", wavelength_m, "m")
    require_positive("range_m", range_m, "m")
    r = np.asarray(range_m, dtype=np.float64)
    # √(r² + a²) − r, in a form that loses no digits far out.
    lead_m = radius_m**2 / (np.hypot(r, radius_m) + r)
    k = 2 * math.pi / wavelength_m
    return np.asarray(np.abs(2 * np.sin(k / 2 * lead_m)) / (k * radius_m**2 / (2 * r)))


@dataclass(frozen=True, slots=True, kw_only=True)
class StraightPass:
    """A target's way straight across a cone, through its axis.

    Attributes
    ----------
    chord_m : float
        Length of the way inside the cone.
    dwell_s : float
        Time spent inside.
    edge_range_m : float
        Range at the cone's edge: how far the arch on the history dips down.
    """

    chord_m: float
    dwell_s: float
    edge_range_m: float


def straight_pass(closest_m: float, half_angle_rad: float, speed_m_s: float) -> StraightPass:
    """Follow a target that crosses the axis at right angles.

    Parameters
    ----------
    closest_m : float
        Range where it crosses the axis.
    half_angle_rad : float
        Of the cone, below π/2.
    speed_m_s : float

    Raises
    ------
    ValueError
        Where a range or speed is not above zero, or the angle makes no cone.

    Examples
    --------
    >>> straight_pass(2.0, math.radians(5.0), 0.1).dwell_s.__round__(2)
    3.5
    """
    require_positive("closest_m", closest_m, "m")
    require_positive("speed_m_s", speed_m_s, "m/s")
    _require_cone(half_angle_rad)
    chord_m = 2 * closest_m * math.tan(half_angle_rad)
    return StraightPass(
        chord_m=chord_m,
        dwell_s=chord_m / speed_m_s,
        edge_range_m=closest_m / math.cos(half_angle_rad),
    )


def _scale(shape: str, size_m: float, wavelength_m: _Wave) -> _Wave:
    """Size over wave as each shape counts it: ka of a piston, L/λ of a line."""
    require_positive("size_m", size_m, "m")
    require_positive("wavelength_m", wavelength_m, "m")
    if shape == "piston":
        return 2 * math.pi * size_m / wavelength_m
    if shape == "line":
        return size_m / wavelength_m
    raise ValueError(f'shape: found {shape!r}; give "piston" or "line"')


def _require_ways(ways: int) -> None:
    if ways not in (1, 2):
        raise ValueError(f"ways: found {ways!r}; give 1 or 2")


def _require_cone(half_angle_rad: float) -> None:
    require_within("half_angle_rad", half_angle_rad, 0, math.nextafter(math.pi / 2, 0), "rad")
