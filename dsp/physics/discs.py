"""A disc that is no point: what it sends to a place nearby, or hears from it."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from dsp.arguments import require_positive, require_within
from dsp.physics.beams import near_field_m
from dsp.quadrature import gauss_legendre

POINT_FROM = 10.0
"""So many a²/λ away a disc is a point: on its axis, where they do most, its parts make an
echo late by λ/40 of range, and weaker by 0.1 %."""

_RINGS_A_WAVE, _SPOKES_A_WAVE = 4.0, 8.0
_FEWEST_RINGS, _FEWEST_SPOKES = 6, 8


def disc_points_from_m(radius_m: float, wavelength_m: float) -> float:
    """Range from which a disc is a point that has a beam: :data:`POINT_FROM` a²/λ.

    Nearer, its parts hear a short pulse at different times. The arch of what passes is then
    flatter than a point's, and the pulse no longer comes whole towards the edge of the beam.

    Raises
    ------
    ValueError
        Where an argument is not above zero.

    Examples
    --------
    A disc of 30 mm in radius at 210 kHz in water.

    >>> round(disc_points_from_m(0.03, 1482.0 / 210e3), 2)
    1.28
    """
    return POINT_FROM * near_field_m(radius_m, wavelength_m)


def disc_response(
    radius_m: float, wavelength_m: ArrayLike, along_m: ArrayLike, aside_m: ArrayLike
) -> NDArray[np.complex128]:
    """Sound of a disc in a wall at some places, over that of a point in its middle.

    Parameters
    ----------
    radius_m : float
    wavelength_m : array_like, shape (waves,)
    along_m, aside_m : array_like, shape (places,)
        Along the axis from the disc's middle, and off the axis; along it above zero.

    Returns
    -------
    ndarray of complex128, shape (places, waves)
        1 far away on the axis. Its angle is by what the sound comes later than from the
        middle, as e^{−iωt}.

    Raises
    ------
    ValueError
        Where a radius, a wave or a way along the axis is not above zero.

    References
    ----------
    Rayleigh's integral: L. E. Kinsler et al., *Fundamentals of Acoustics*, 4th ed., 2000,
    section 7.4 (cited from memory). Each element of the face adds e^{−ikR}/R; here they stand
    on rings by Gauss's rule in the radius' square, and evenly around each.

    Examples
    --------
    On the axis at a²/λ and far out: as :func:`dsp.physics.beams.near_field_factor`.

    >>> abs(disc_response(0.03, [0.007], [0.1286, 100.0], [0.0, 0.0])).round(3).ravel().tolist()
    [0.637, 1.0]
    """
    require_positive("radius_m", radius_m, "m")
    wave_number = 2 * np.pi / np.asarray(wavelength_m, dtype=np.float64)
    require_positive("wavelength_m", wavelength_m, "m")
    require_positive("along_m", along_m, "m")
    require_within("aside_m", aside_m, -math.inf, math.inf, "m")
    along = np.atleast_1d(np.asarray(along_m, dtype=np.float64))
    aside = np.atleast_1d(np.abs(np.asarray(aside_m, dtype=np.float64)))
    middle_m = np.hypot(along, aside)
    # Lags across the face, in waves of the shortest: of its tilt and of its bend.
    shortest_m = 2 * np.pi / float(np.max(wave_number))
    tilted = 2 * radius_m * float(np.max(aside / middle_m)) / shortest_m
    bent = radius_m**2 / (2 * float(np.min(middle_m))) / shortest_m
    rings = _FEWEST_RINGS + math.ceil(_RINGS_A_WAVE * (tilted / 2 + bent))
    spokes = _FEWEST_SPOKES + math.ceil(_SPOKES_A_WAVE * tilted)
    point, weight = gauss_legendre(rings)
    out_m = radius_m * np.sqrt((1 + point) / 2)
    turn = (np.arange(spokes) + 0.5) * np.pi / spokes
    across = aside[:, np.newaxis, np.newaxis] * np.outer(out_m, np.cos(turn))
    way_m = np.sqrt(
        middle_m[:, np.newaxis, np.newaxis] ** 2 + out_m[:, np.newaxis] ** 2 - 2 * across
    )
    late_m = way_m - middle_m[:, np.newaxis, np.newaxis]
    share = np.repeat(weight / (2 * spokes), spokes) * (
        middle_m[:, np.newaxis] / way_m.reshape(middle_m.size, -1)
    )
    late = np.multiply.outer(late_m.reshape(middle_m.size, -1), wave_number)
    return np.asarray(np.einsum("pe,pew->pw", share, np.exp(-1j * late)))
