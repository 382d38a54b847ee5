"""A disc's sound nearby, where its parts are heard at different times.

Far off a disc is a point with a pattern: all of its parts are as far away, but for a lag
that grows evenly across it. Nearby the lag bends. A short pulse then comes as a sum of
copies that is longer than the pulse, and earlier or later than one from the middle.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from rig.tank.sampling import turns

POINT_FROM = 10.0
"""From so many a²/λ on a disc is a point: on its axis, where it does most, the rest makes
an echo late by λ/40 of range and weaker by 0.1 %."""

GONE_AT = 20.0
"""So far out nothing is left of a disc's parts; in between they fade, so that no body jumps
on its way out."""

_ORDERS = 32
"""Of the rim's sum, beyond the wave numbers across it; converged to 1e-9 from 5 cm on
(``tests/rig/tank/test_tank_discs.py``)."""


def nearness(
    radius_m: float, wavelength_m: float, distance_m: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return how much a disc's parts count: 1 as far as :data:`POINT_FROM`, 0 from where it ends.

    Parameters
    ----------
    radius_m, wavelength_m : float
    distance_m : ndarray, shape (paths,)
        From the disc's middle.
    """
    in_fields = distance_m * wavelength_m / radius_m**2
    return np.asarray(np.clip((GONE_AT - in_fields) / (GONE_AT - POINT_FROM), 0.0, 1.0))


def near_beam(
    radius_m: float,
    distance_m: float,
    cosine: float,
    sound_speed_m_s: float,
    *,
    samples: int,
    sample_rate_hz: float,
) -> NDArray[np.complex128]:
    """Sound that a disc in a wall sends to a place, or takes from it.

    Relative to a point in its middle that sends as much: without the pulse's way there, and
    1 far away on the axis.

    Parameters
    ----------
    radius_m : float
    distance_m, cosine : float
        From the disc's middle to the place, and of the angle from its axis; not negative.
    sound_speed_m_s : float
    samples : int
        Of the block that it filters.
    sample_rate_hz : float

    Returns
    -------
    ndarray of complex128, shape (samples // 2 + 1,)

    Notes
    -----
    The sum of e^{−ikR}/R over the elements of the disc. Seen from the foot of the place on
    the disc's plane, at a height z, an element ρ dρ dψ of that sum is e^{−ikR} dR dψ, since
    R² = z² + ρ². Along ρ it is thus summed without a remainder, from the foot to the rim:
    2 e^{−ik(R+z)/2} sin(k(R−z)/2)/k. Around the rim ψ turns by a (a − y cos φ)/ρ² for each
    step in φ, where y is the foot's place from the middle, and ρ² = (R−z)(R+z). What is left
    is smooth and even in φ: equal steps sum it to the last digits.

    References
    ----------
    Lord Rayleigh, *The Theory of Sound*, 2nd ed., 1896, §278 and §302 (from memory): the sum
    over a disc in a wall, and that it can be turned into one around the rim.
    """
    height_m = distance_m * cosine
    aside_m = distance_m * math.sqrt(max(1.0 - cosine**2, 0.0))
    # Of each bin, and of the highest.
    step = 2 * math.pi * sample_rate_hz / samples / sound_speed_m_s
    bins = samples // 2 + 1
    across = step * (bins - 1) * radius_m * aside_m / distance_m
    # Midpoints of half the rim: the other half is its mirror image.
    steps = math.ceil((across + _ORDERS) / 2 * max(1.0, 2 * radius_m / distance_m))
    turn = (np.arange(steps) + 0.5) * (np.pi / steps)
    inward_m = radius_m - aside_m * np.cos(turn)
    square = height_m**2 + inward_m**2 + (aside_m * np.sin(turn)) ** 2
    rim_m = np.sqrt(square)
    weight = 2 * distance_m * inward_m / (radius_m * (rim_m + height_m) * steps)
    late_m = (rim_m + height_m) / 2 - distance_m
    in_samples = sample_rate_hz / sound_speed_m_s
    spread_m = np.maximum((rim_m - height_m) / 2, 1e-12)
    level = -turns(in_samples * spread_m, samples).imag
    level[:, 1:] /= np.multiply.outer(spread_m, step * np.arange(1, bins))
    level[:, 0] = 1.0
    level *= weight[:, np.newaxis]
    copies = turns(in_samples * late_m, samples)
    copies *= level
    return np.asarray(copies.sum(axis=0))
