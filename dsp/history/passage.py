"""How one target went by, and the range that a straight way draws."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from dsp.arguments import require_positive, require_within

Kind = Literal["pass", "half", "stay", "cannot-tell"]

HEADING_MEAN, HEADING_DEVIATION = 0.5, math.sqrt(1 / 8)  # of cos² ψ, ψ even over the circle


@dataclass(frozen=True, slots=True, kw_only=True)
class Passage:
    """How one target went by. None stands for what cannot be told.

    Standard uncertainties (`u_…`) hold the echoes' noise and the unknown heading;
    what is common to all ranges, such as the sound speed, is the caller's to add.

    Attributes
    ----------
    kind : {"pass", "half", "stay", "cannot-tell"}
    reason : str
        Why it cannot be told; else empty.
    hits : int
    first_s, last_s : float
        Time of the first and of the last hit.
    closest_range_m, u_closest_range_m : float or None
        Of a target that stays: its mean range.
    crossing_speed_m_s, u_crossing_speed_m_s : float or None
    closest_time_s, u_closest_time_s : float or None
    tilt_rad, u_tilt_rad : float or None
        From the closest point to where the echo is strongest, seen from the
        transducers; positive where it is strongest after the closest point.
    width_m : float or None
        Length of the way over which the echo is within half of its strongest power:
        the speed times the time that it took.
    strong_hits : int or None
        Hits over that length.
    """

    kind: Kind
    reason: str = ""
    hits: int
    first_s: float
    last_s: float
    closest_range_m: float | None = None
    u_closest_range_m: float | None = None
    crossing_speed_m_s: float | None = None
    u_crossing_speed_m_s: float | None = None
    closest_time_s: float | None = None
    u_closest_time_s: float | None = None
    tilt_rad: float | None = None
    u_tilt_rad: float | None = None
    width_m: float | None = None
    strong_hits: int | None = None


def passing_range_m(
    time_s: ArrayLike,
    *,
    closest_range_m: float,
    crossing_speed_m_s: float,
    closest_time_s: float,
    baseline_m: float = 0.0,
    along_baseline: float = 0.0,
) -> NDArray[np.float64]:
    """Range that a straight way draws, as √((L/2)² − (b/2)²) of its exact path L.

    Parameters
    ----------
    time_s : array_like
        When the sound meets the target.
    closest_range_m, crossing_speed_m_s, closest_time_s : float
    baseline_m : float
        From source to receiver; the closest point lies square to its middle.
    along_baseline : float
        cos² of the angle between way and baseline: 1 along it, 0 across it.

    Returns
    -------
    ndarray of float64, the shape of `time_s`

    Raises
    ------
    ValueError
        On a range not above zero, a negative baseline, or a cos² outside 0 to 1.

    Notes
    -----
    Points of one path lie on an ellipsoid about source and receiver with the half
    axes L/2 along the baseline and r across: y²/(r² + b²/4) + (R₀² + z²)/r² = 1.

    Examples
    --------
    >>> float(passing_range_m(4.0, closest_range_m=3.0, crossing_speed_m_s=1.0, closest_time_s=0.0))
    5.0
    """
    require_positive("closest_range_m", closest_range_m, "m")
    require_within("baseline_m", baseline_m, 0, math.inf, "m")
    require_within("along_baseline", along_baseline, 0, 1)
    way_m = crossing_speed_m_s * (np.asarray(time_s, dtype=np.float64) - closest_time_s)
    square, quarter = closest_range_m**2 + way_m**2, baseline_m**2 / 4
    across = closest_range_m**2 + (1 - along_baseline) * way_m**2
    half = (square - quarter) / 2
    return np.asarray(np.sqrt(half + np.sqrt(half**2 + quarter * across)))


def fitted_range_m(
    passage: Passage, time_s: ArrayLike, *, baseline_m: float = 0.0
) -> NDArray[np.float64] | None:
    """Range on the curve that was fitted to a track; None where none was.

    Parameters
    ----------
    passage : Passage
    time_s : array_like
        When the sound meets the target.
    baseline_m : float
        From source to receiver, as it was given to :func:`passage_of`.

    Examples
    --------
    >>> told = Passage(kind="pass", hits=9, first_s=0.0, last_s=8.0, closest_range_m=3.0,
    ...     crossing_speed_m_s=1.0, closest_time_s=4.0)
    >>> fitted_range_m(told, [0.0, 4.0]).tolist()
    [5.0, 3.0]
    """
    if passage.closest_range_m is None:
        return None
    if passage.crossing_speed_m_s is None or passage.closest_time_s is None:
        return np.full(np.shape(time_s), passage.closest_range_m)
    return passing_range_m(
        time_s,
        closest_range_m=passage.closest_range_m,
        crossing_speed_m_s=passage.crossing_speed_m_s,
        closest_time_s=passage.closest_time_s,
        baseline_m=baseline_m,
        along_baseline=HEADING_MEAN,
    )
