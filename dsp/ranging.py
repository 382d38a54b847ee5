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


def path_from_range_m(range_m: ArrayLike, baseline_m: float) -> NDArray[np.float64]:
    """Path out and back to a target on the axis at `range_m`; the inverse of the above."""
    if not (math.isfinite(baseline_m) and baseline_m >= 0):
        raise ValueError(f"baseline_m: found {baseline_m:g}; give 0 or more")
    return np.hypot(2 * np.asarray(range_m, dtype=np.float64), baseline_m)


def u_range_m(
    *,
    path_m: float,
    baseline_m: float,
    sound_speed_m_s: float,
    u_delay_s: float,
    u_time_zero_s: float,
    u_sound_speed_m_s: float,
    u_baseline_m: float,
    direct: bool,
    u_clock_ratio: float = 0.0,
) -> float:
    """Return the standard uncertainty of a range, from those of what it is computed from.

    First-order propagation of R = √((L/2)² − (b/2)²). With the direct sound as
    time zero the delay is counted from its arrival, L = c Δ + b; otherwise from
    the pulse's leaving, L = c Δ.

    Parameters
    ----------
    path_m, baseline_m : float
        L and b.
    sound_speed_m_s : float
        c.
    u_delay_s : float
        Of the echo's arrival.
    u_time_zero_s : float
        Of the direct sound's arrival, or of the pulse's leaving.
    u_sound_speed_m_s, u_baseline_m : float
    direct : bool
        Whether the direct sound is time zero.
    u_clock_ratio : float
        Of the clock's rate over its nominal one.

    References
    ----------
    JCGM 100:2008, section 5.1.2.
    """
    range_m = float(range_from_path_m(path_m, baseline_m))
    if range_m == 0:
        return math.inf
    own_path_m = path_m - baseline_m if direct else path_m
    by_path = path_m / (4 * range_m)
    by_baseline = (by_path if direct else 0.0) - baseline_m / (4 * range_m)
    return math.hypot(
        by_path * sound_speed_m_s * u_delay_s,
        by_path * sound_speed_m_s * u_time_zero_s,
        by_path * own_path_m / sound_speed_m_s * u_sound_speed_m_s,
        by_baseline * u_baseline_m,
        by_path * own_path_m * u_clock_ratio,
    )
