"""How strongly a body sends sound back, over frequency.

The echo of a body is the pulse, filtered by √σ_bs(f), the square root of its
backscattering cross-section in metres, without any shift in phase: the echo stands
exactly where the body's front is. A real body adds a little of its own (a wave that
creeps around it, a ring), which comes later; it is left out, so that a body is one
echo and its delay is exact.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from rig.tank.scene import Bubbles, Cylinder, Medium, Plate, Sphere, Target

GEOMETRIC_KA = 200.0
"""From here on a soft sphere is taken as at infinite frequency: |f∞| is 1 within 2e-5."""

ATMOSPHERE_PA = 101325.0
HEAT_RATIO_AIR = 1.4
WATER_DENSITY_KG_M3 = 998.2
BUBBLE_DAMPING = 0.1
"""Damping of a small bubble at resonance: 0.05 to 0.15 for millimetres to tens of
micrometres (C. S. Clay and H. Medwin, *Acoustical Oceanography*, 1977, figure 6.3,
from memory)."""


def echo_root_m(
    target: Target, frequency_hz: NDArray[np.float64], medium: Medium
) -> NDArray[np.float64]:
    """√σ_bs of a body far away, signed as its surface reflects.

    Parameters
    ----------
    target : Target
    frequency_hz : ndarray, shape (bins,)
    medium : Medium

    Returns
    -------
    ndarray of float64, shape (bins,)
        Metres. For a cloud of bubbles, of one bubble alone.

    References
    ----------
    R. J. Urick, *Principles of Underwater Sound*, 3rd ed., 1983, table 9.1
    (from memory): plate at normal incidence (A/λ)², cylinder broadside aL²/(2λ).
    """
    wave_number = 2 * np.pi * frequency_hz / medium.sound_speed_m_s
    if isinstance(target, Sphere):
        ka = wave_number * target.radius_m
        form = rigid_form(ka) if target.surface == "rigid" else -soft_form(ka)
        return target.radius_m / 2 * form
    if isinstance(target, Plate):
        return target.width_m * target.height_m * wave_number / (2 * np.pi)
    if isinstance(target, Cylinder):
        return target.length_m * np.sqrt(target.radius_m * wave_number / (4 * np.pi))
    if medium.kind == "air":
        radius_m = target.bubble_radius_m or 0.01
        return radius_m / 2 * rigid_form(wave_number * radius_m)
    return bubble_root_m(frequency_hz, target.bubble_radius_m or 0.001)


def limited_root_m(
    root_m: NDArray[np.float64], ceiling_m: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Bend √σ_bs so that it stays below a ceiling; 0.13 dB off at half of it."""
    # Two squares and two roots: a power of a broken number takes ten times as long.
    fourth = np.square(np.square(root_m / ceiling_m))
    return np.asarray(root_m / np.sqrt(np.sqrt(1 + fourth)))


def mirror_root_m(
    target: Target, out_m: NDArray[np.float64], back_m: NDArray[np.float64]
) -> NDArray[np.float64]:
    """√σ_bs that a body cannot exceed so near: what a mirror of its curve would send.

    The far-field strengths of a plate and of a cylinder grow without limit as they
    get larger; the sound that comes back from nearby does not.

    Parameters
    ----------
    target : Target
    out_m, back_m : ndarray, shape (paths,)
        From the source to the body, and on to the receiver.

    Returns
    -------
    ndarray of float64, shape (paths,)
    """
    path = out_m + back_m
    if isinstance(target, Cylinder):
        a = target.radius_m
        bend = np.sqrt(a / (path * (a * path + 2 * out_m * back_m)))
        return np.asarray(out_m * back_m * bend)
    return out_m * back_m / path


def rigid_form(ka: NDArray[np.float64]) -> NDArray[np.float64]:
    """Magnitude of a rigid sphere's form function |f∞|, of the echo from its front alone.

    It rises as 5/3 (ka)², as the exact one does, and ends at 1, the geometric echo of
    σ_bs = (a/2)² |f∞|². The wave that creeps around the sphere makes the exact one
    ripple, by 2.3 dB at ka 2 and by less than 0.4 dB from ka 5 on.

    Parameters
    ----------
    ka : ndarray, shape (bins,)
        Wave number times radius.

    Returns
    -------
    ndarray of float64, shape (bins,)

    References
    ----------
    R. K. Johnson, "Sound scattering from a fluid sphere revisited", *J. Acoust. Soc.
    Am.* 61, 1977, pp. 375–377 (from memory): strength as a high-pass; here with a
    bend of second order, which is nearer to the exact form at ka 1.
    """
    rise = 5 / 3 * np.asarray(ka, dtype=np.float64) ** 2
    return np.asarray(rise / np.sqrt(1 + rise**2))


def soft_form(ka: NDArray[np.float64]) -> NDArray[np.float64]:
    """Magnitude of a pressure-release sphere's form function |f∞|, exact.

    It falls smoothly from 2 to 1; hardly any wave creeps around such a sphere.

    Parameters
    ----------
    ka : ndarray, shape (bins,)
        Wave number times radius.

    Returns
    -------
    ndarray of float64, shape (bins,)

    References
    ----------
    V. C. Anderson, "Sound scattering from a fluid sphere", *J. Acoust. Soc. Am.* 22,
    1950, pp. 426–431: the series of partial waves, without pressure at the surface.
    """
    from scipy.special import spherical_jn, spherical_yn

    ka = np.asarray(ka, dtype=np.float64)
    # Near 0 the Neumann functions overflow and |f∞| is 2; far out it is 1.
    form = np.where(ka < 1e-3, 2.0, 1.0)
    within = (ka >= 1e-3) & (ka < GEOMETRIC_KA)
    x = ka[within]
    if x.size == 0:
        return form
    total = np.zeros(x.size, dtype=np.complex128)
    for n in range(int(x.max() + 4 * np.cbrt(x.max()) + 10)):
        j, y = spherical_jn(n, x), spherical_yn(n, x)
        # Where y overflows, the partial wave is nil.
        y = np.where(np.isfinite(y), y, -1e300)
        total += (-1) ** n * (2 * n + 1) * j / (j + 1j * y)
    form[within] = 2 / x * np.abs(total)
    return form


def bubble_root_m(frequency_hz: NDArray[np.float64], radius_m: float) -> NDArray[np.float64]:
    """√σ_bs of one gas bubble in water, resonance included.

    References
    ----------
    C. S. Clay and H. Medwin, *Acoustical Oceanography*, 1977, equation 6.2.14
    (from memory): σ_bs = a² / (((f₀/f)² − 1)² + δ²).
    """
    ratio = minnaert_hz(radius_m) / np.maximum(frequency_hz, 1e-9)
    root: NDArray[np.float64] = radius_m / np.sqrt((ratio**2 - 1) ** 2 + BUBBLE_DAMPING**2)
    return root


def minnaert_hz(radius_m: float) -> float:
    """Frequency at which a bubble in shallow fresh water rings.

    References
    ----------
    M. Minnaert, "On musical air-bubbles and the sounds of running water",
    *Phil. Mag.* 16, 1933, pp. 235–248.
    """
    stiffness = 3 * HEAT_RATIO_AIR * ATMOSPHERE_PA / WATER_DENSITY_KG_M3
    return math.sqrt(stiffness) / (2 * math.pi * radius_m)


GRAINS = 24
"""So many points stand for a cloud: enough for its echo to flicker as a sum of many
waves does."""


def cloud_depths_m(target: Bubbles, random: np.random.Generator) -> NDArray[np.float64]:
    """Draw how far behind the nearest of them the parts of a cloud lie.

    Returns
    -------
    ndarray of float64, shape (min(count, GRAINS),)
        The least is 0, the most twice the radius; spread as in a ball.
    """
    grains = min(target.count, GRAINS)
    depths_m = 2 * target.radius_m * random.beta(2.0, 2.0, grains)
    return np.asarray(depths_m - depths_m.min())
