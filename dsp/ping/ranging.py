"""From delay to range and back, for a source and a receiver that stand apart."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray


def range_from_path_m(path_m: ArrayLike, baseline_m: float) -> NDArray[np.float64]:
    """Range of a target on the axis, from midway between source and receiver.

    Parameters
    ----------
    path_m : array_like
        Out and back: from the source over the target to the receiver.
    baseline_m : float
        From source to receiver.

    Returns
    -------
    ndarray of float64, the shape of `path_m`
        √((L/2)² − (b/2)²); 0 where the path is no longer than the baseline,
        which no echo's can be.

    Examples
    --------
    >>> float(range_from_path_m(2.0, 0.0))
    1.0
    >>> float(range_from_path_m(0.5, 0.3))  # a triangle of sides 3, 4, 5
    0.2
    """
    if not (math.isfinite(baseline_m) and baseline_m >= 0):
        raise ValueError(f"baseline_m: found {baseline_m:g}; give 0 or more")
    path = np.asarray(path_m, dtype=np.float64)
    # As a product of sum and difference, which keeps the digits of a path that
    # is hardly longer than the baseline.
    return np.sqrt(np.maximum((path - baseline_m) * (path + baseline_m), 0)) / 2


def _range_m(path_m: float, baseline_m: float) -> float:
    """Return the range of one path, as :func:`range_from_path_m`, for the time of one."""
    return math.sqrt(max((path_m - baseline_m) * (path_m + baseline_m), 0.0)) / 2


def path_from_range_m(range_m: ArrayLike, baseline_m: float) -> NDArray[np.float64]:
    """Path out and back to a target on the axis at `range_m`; the inverse of the above."""
    if not (math.isfinite(baseline_m) and baseline_m >= 0):
        raise ValueError(f"baseline_m: found {baseline_m:g}; give 0 or more")
    return np.hypot(2 * np.asarray(range_m, dtype=np.float64), baseline_m)


def late_by_faces_m(range_m: float, mean_square_m2: float) -> float:
    """Return by how much a range seems too long, as source and receiver are faces.

    The parts of a face are not as far from a thing as its middle is. On a disc's axis its sound is
    that of the middle and that of the rim, of which the mean comes later than from the middle by
    (√(R² + a²) − R)/2 of way, out and back alike: by as much range. That is a²/(4R) far away.

    Parameters
    ----------
    range_m : float
    mean_square_m2 : float
        Of the distances of a face's parts from its middle: a²/2 of a disc, L²/12 of a line.

    Notes
    -----
    The most that it can be: a thing aside is nearer to one rim by what it is farther from the
    other, and of a mirror's echo each face hears half as much of it.

    References
    ----------
    L. E. Kinsler et al., *Fundamentals of Acoustics*, 4th ed., 2000, section 7.4 (cited from
    memory): the sound on a piston's axis. Of a line by its mean square alone, to first order.

    Examples
    --------
    A disc of 30 mm in radius at 0.3 m, in mm.

    >>> round(1e3 * late_by_faces_m(0.3, 0.03**2 / 2), 2)
    0.75
    """
    return (math.sqrt(range_m**2 + 2 * mean_square_m2) - range_m) / 2


def u_off_axis_m(path_m: float, baseline_m: float, half_angle_rad: float) -> float:
    """Return what a range is unsure by, as the target may stand anywhere in the cone.

    All targets of one path L lie on an ellipsoid about source and receiver. Where one
    stands off the axis by ψ towards either of them, its distance from midway is
    1/√(1 − (b sin ψ / L)²) times the range on the axis; across the baseline nothing
    changes. The range is given as if on the axis, and may so be too short, never too
    long. This is the root mean square of by how much, for directions evenly spread
    over the cone: to second order in b/L, the most that it can be over √8.

    Parameters
    ----------
    path_m, baseline_m : float
        L and b; L is above b.
    half_angle_rad : float
        Of the cone; π/2 where the transducer sends everywhere.

    Raises
    ------
    ValueError
        Where the path is no longer than the baseline.

    References
    ----------
    Geometry. JCGM 100:2008, F.2.4.5 (from memory), for what is known but
    not corrected.

    Examples
    --------
    >>> round(1e3 * u_off_axis_m(2.0, 0.12, 0.27), 3)  # mm, at 1 m
    0.045
    """
    if not path_m > baseline_m:
        raise ValueError(f"path_m: found {path_m:g}; give more than baseline_m = {baseline_m:g}")
    range_m = _range_m(path_m, baseline_m)
    flattening = (baseline_m / path_m * math.sin(half_angle_rad)) ** 2
    return range_m * (1 / math.sqrt(1 - flattening) - 1) / math.sqrt(8)
