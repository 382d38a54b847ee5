"""Target strength of simple bodies: how much of the sound comes straight back.

Target strength is dB re 1 m² of backscattering cross-section σ: at 1 m from the
target the echo's pressure is √σ (in metres) times that of the sound that meets it.
"""

from __future__ import annotations

import math

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

from dsp.arguments import require_positive


def sphere_form_function(ka: ArrayLike, *, surface: str = "rigid") -> NDArray[np.complex128]:
    """Far-field backscatter of a sphere that lets no sound in, over that of its shadow.

    Parameters
    ----------
    ka : array_like
        2π times radius over wavelength, above zero.
    surface : {"rigid", "soft"}
        "rigid" does not give way, as steel in air; "soft" holds no pressure, as a
        float of cork or air in water.

    Returns
    -------
    ndarray of complex128, the shape of `ka`
        σ = (radius/2)² |f|²; the magnitude nears 1 as `ka` grows.

    Raises
    ------
    ValueError
        On an unknown surface, or a `ka` not above zero.

    References
    ----------
    V. C. Anderson, "Sound scattering from a fluid sphere", *J. Acoust. Soc. Am.* 22,
    1950, pp. 426–431, in its two limits.
    """
    if surface not in ("rigid", "soft"):
        raise ValueError(f'surface: found {surface!r}; give "rigid" or "soft"')
    x, order = _orders(ka)
    j, y, dj, dy = _bessel(order, x)
    if surface == "rigid":
        return _sum_of_modes(x, order, dj, dy)
    return _sum_of_modes(x, order, j, y)


def elastic_sphere_form_function(
    ka: ArrayLike, *, density_ratio: float, compression_ratio: float, shear_ratio: float
) -> NDArray[np.complex128]:
    """Far-field backscatter of a solid sphere that rings, over that of its shadow.

    Parameters
    ----------
    ka : array_like
        2π times radius over wavelength in the medium, above zero.
    density_ratio : float
        The sphere's density over the medium's.
    compression_ratio, shear_ratio : float
        Speeds of the sphere's two waves over the medium's sound speed.

    Returns
    -------
    ndarray of complex128, the shape of `ka`
        σ = (radius/2)² |f|²

    Raises
    ------
    ValueError
        Where an argument is not above zero.

    References
    ----------
    J. J. Faran, "Sound scattering by solid cylinders and spheres", *J. Acoust. Soc.
    Am.* 23, 1951, pp. 405–418, in the form of D. N. MacLennan, *Scottish Fisheries
    Research Report* 22, 1981 (both from memory).
    """
    require_positive("density_ratio", density_ratio)
    require_positive("compression_ratio", compression_ratio)
    require_positive("shear_ratio", shear_ratio)
    x, n = _orders(ka)
    x1, x2 = x / compression_ratio, x / shear_ratio
    j, y, dj, dy = _bessel(n, x)
    j1, _, dj1, _ = _bessel(n, x1)
    j2, _, dj2, _ = _bessel(n, x2)
    # Bessel's own equation gives the second derivatives.
    ddj1 = -2 / x1 * dj1 + (n * (n + 1) / x1**2 - 1) * j1
    ddj2 = -2 / x2 * dj2 + (n * (n + 1) / x2**2 - 1) * j2
    alpha = 2 * density_ratio * shear_ratio**2
    beta = density_ratio * compression_ratio**2 - alpha
    a2 = (n * n + n - 2) * j2 + x2**2 * ddj2
    a1 = 2 * n * (n + 1) * (x1 * dj1 - j1)
    b2 = a2 * x1**2 * (beta * j1 - alpha * ddj1) - a1 * alpha * (j2 - x2 * dj2)
    b1 = x * (a2 * x1 * dj1 - a1 * j2)
    return _sum_of_modes(x, n, b2 * dj - b1 * j, b2 * dy - b1 * y)


def sphere_target_strength_db(
    radius_m: float, wavelength_m: ArrayLike, *, surface: str = "rigid"
) -> NDArray[np.float64]:
    """Target strength of a rigid or soft sphere, dB re 1 m².

    Raises
    ------
    ValueError
        As :func:`sphere_form_function`.

    Examples
    --------
    A ball of 20 mm radius in air, at 8 and 40 kHz; a large one comes to a²/4.

    >>> sphere_target_strength_db(0.02, [343.2 / 8e3, 343.2 / 40e3]).round(2).tolist()
    [-42.19, -39.83]
    """
    require_positive("radius_m", radius_m, "m")
    require_positive("wavelength_m", wavelength_m, "m")
    ka = 2 * np.pi * radius_m / np.asarray(wavelength_m, dtype=np.float64)
    form = np.abs(sphere_form_function(ka, surface=surface))
    return np.asarray(20 * np.log10(radius_m / 2 * form))


def plate_target_strength_db(area_m2: float, wavelength_m: ArrayLike) -> NDArray[np.float64]:
    """Target strength of a large flat plate struck square on, (A/λ)², dB re 1 m².

    It holds in the plate's far field, further off than about A/λ; a plate struck
    aslant sends its echo elsewhere.

    Raises
    ------
    ValueError
        Where an argument is not above zero.

    References
    ----------
    R. J. Urick, *Principles of Underwater Sound*, 3rd ed., 1983, table 9.1 (memory).
    """
    require_positive("area_m2", area_m2, "m²")
    require_positive("wavelength_m", wavelength_m, "m")
    return np.asarray(20 * np.log10(area_m2 / np.asarray(wavelength_m, dtype=np.float64)))


def cylinder_target_strength_db(
    radius_m: float, length_m: float, wavelength_m: ArrayLike
) -> NDArray[np.float64]:
    """Target strength of a large cylinder struck broadside, a L²/(2λ), dB re 1 m².

    Raises
    ------
    ValueError
        Where an argument is not above zero.

    References
    ----------
    R. J. Urick, *Principles of Underwater Sound*, 3rd ed., 1983, table 9.1 (memory).
    """
    require_positive("radius_m", radius_m, "m")
    require_positive("length_m", length_m, "m")
    require_positive("wavelength_m", wavelength_m, "m")
    wave = np.asarray(wavelength_m, dtype=np.float64)
    return np.asarray(10 * np.log10(radius_m * length_m**2 / (2 * wave)))


def bubble_resonance_hz(
    radius_m: float, *, pressure_pa: float = 101325.0, density_kg_m3: float = 998.2
) -> float:
    """Frequency at which an air bubble in water rings.

    Surface tension and loss of heat are left out: right to some per cent for
    bubbles of 0.1 mm radius and more.

    Raises
    ------
    ValueError
        Where an argument is not above zero.

    References
    ----------
    M. Minnaert, "On musical air-bubbles and the sounds of running water",
    *Phil. Mag.* 16, 1933, pp. 235–248.

    Examples
    --------
    >>> round(bubble_resonance_hz(1e-3))
    3286
    """
    require_positive("radius_m", radius_m, "m")
    require_positive("pressure_pa", pressure_pa, "Pa")
    require_positive("density_kg_m3", density_kg_m3, "kg/m³")
    heat_ratio = 1.4
    return math.sqrt(3 * heat_ratio * pressure_pa / density_kg_m3) / (2 * math.pi * radius_m)


def _orders(ka: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Return `ka` with an axis for the orders behind it, and enough orders."""
    require_positive("ka", ka)
    x = np.asarray(ka, dtype=np.float64)[..., np.newaxis]
    # Beyond order ka + 4 ka^(1/3) a mode is below 1e-8; 10 more serve small ka.
    most = float(x.max()) if x.size else 0.0
    return x, np.arange(math.ceil(most + 4 * most ** (1 / 3)) + 10)


def _bessel(order: NDArray[np.int64], x: NDArray[np.float64]) -> tuple[NDArray[np.float64], ...]:
    """Spherical Bessel functions of both kinds, then their derivatives.

    Where an order far exceeds `x` the second kind overflows. It is held at 1e150, so
    that products with it stay finite; that mode is then nothing, as it should be.
    """
    with np.errstate(all="ignore"):
        y = scipy.special.spherical_yn(order, x)
        dy = scipy.special.spherical_yn(order, x, derivative=True)
    y = np.nan_to_num(np.clip(y, -1e150, 1e150), nan=-1e150)
    dy = np.nan_to_num(np.clip(dy, -1e150, 1e150), nan=1e150)
    j = scipy.special.spherical_jn(order, x)
    dj = scipy.special.spherical_jn(order, x, derivative=True)
    return j, y, dj, dy


def _sum_of_modes(
    x: NDArray[np.float64],
    order: NDArray[np.int64],
    even: NDArray[np.float64],
    odd: NDArray[np.float64],
) -> NDArray[np.complex128]:
    """Add up the modes even / (even + i odd), with time as exp(−iωt)."""
    sign = 1 - 2 * (order % 2)
    whole = even + 1j * odd
    # An order so high that both have underflowed adds nothing.
    mode = np.divide(even, whole, out=np.zeros_like(whole), where=whole != 0)
    total = (sign * (2 * order + 1) * mode).sum(axis=-1)
    return np.asarray(2j / x[..., 0] * total)
