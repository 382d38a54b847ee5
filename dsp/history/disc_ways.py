"""A straight way fitted to what passed near discs that are no points."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.goodness import goodness
from dsp.history.disc_arches import DiscArch

DISC_SHARE = 0.06
"""Share of a disc's lag that stays unsure: its effective radius is known to 3 % (common
practice, no source), and the lag goes with the radius' square."""

LATE_SHARE = 0.05
"""Share of how the lag changes to which a search finds it in one echo: it takes the echo for
a copy of the pulse, and its neighbours take what is left."""

_BESIDE_MEAN, _BESIDE_DEVIATION = 1 / 3, math.sqrt(1 / 5 - 1 / 9)
"""Of the square of how far beside the axis a target passed, evenly spread within the cone,
whose half width is 1."""

StraightWay = Callable[[float, float, float], NDArray[np.float64]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """A straight way as fitted: its nearest range, its speed, and when it was nearest."""

    range_m: float
    u_range_m: float
    speed_m_s: float
    u_speed_m_s: float
    time_s: float
    u_time_s: float


def way_by_disc(
    time_s: NDArray[np.float64],
    range_m: NDArray[np.float64],
    noise_m: NDArray[np.float64],
    arch: DiscArch,
    *,
    straight_m: StraightWay,
    axis_s: tuple[float, float],
    drift_m: float,
) -> Way | None:
    """Fit a straight way and what discs make of it, by weighted least squares.

    What is known of the discs beforehand is fitted with it, each within its own uncertainty:
    how large they are, when the target was on their axis, and how far beside it.

    Parameters
    ----------
    time_s, range_m, noise_m : ndarray, shape (hits,)
        Of echoes that are one copy of the pulse each.
    arch : DiscArch
        At about the nearest range.
    straight_m : callable
        Ranges at `time_s` of a way, of its nearest range, its speed and its nearest time.
    axis_s : tuple of (float, float)
        When the target was on the beam's axis, with its standard uncertainty.
    drift_m : float
        By how much a drift of the medium may have changed the range, at 95 % and least to
        most.

    Returns
    -------
    Way or None
        None where none fits the ranges to within their own uncertainties. Its uncertainties
        hold the disc's own size, its axis, the target's unknown height beside it, and the
        drift.
    """
    from scipy.optimize import least_squares

    nearest_m = float(range_m.min())
    rise_m = max(float(np.ptp(range_m)), 1e-9)
    # Each number is sought in steps of about its own size: range, speed and time; then what is
    # known beforehand: the lag's share, when it was on the axis, how far beside, squared.
    span_s = float(np.ptp(time_s)) / 2
    speed_m_s = math.sqrt(rise_m * (2 * nearest_m + rise_m)) / span_s
    before = np.array([1.0, 0.0, _BESIDE_MEAN])
    u_before = np.array([DISC_SHARE, max(axis_s[1] / span_s, 1e-6), _BESIDE_DEVIATION])

    def late_m(way: NDArray[np.float64]) -> NDArray[np.float64]:
        along_m = abs(float(way[1])) * speed_m_s * (time_s - axis_s[0] - span_s * float(way[4]))
        beside_m = math.sqrt(max(float(way[5]), 0.0)) * arch.half_power_m
        return float(way[3]) * arch.late_at_m(np.hypot(along_m, beside_m))

    def misfit(way: NDArray[np.float64], noise: NDArray[np.float64]) -> NDArray[np.float64]:
        straight = straight_m(
            max(abs(float(way[0])), 1e-9) * nearest_m,
            abs(float(way[1])) * speed_m_s,
            axis_s[0] + span_s * float(way[2]),
        )
        heard = (straight + late_m(way) - range_m) / noise
        return np.concatenate([heard, (way[3:] - before) / u_before])

    first = np.array([1.0, 1.0, 0.0, *before])
    rough = least_squares(misfit, first, args=(noise_m,), xtol=1e-12)
    aside_m = abs(float(rough.x[1])) * speed_m_s * (time_s - axis_s[0])
    changed_m = arch.late_at_m(aside_m) - arch.late_m[0]
    noise = np.hypot(noise_m * arch.rougher_at(aside_m), LATE_SHARE * changed_m)
    fit = least_squares(misfit, rough.x, args=(noise,), xtol=1e-12)
    left = goodness(fit.fun, fitted=first.size)
    if not left.holds:
        return None
    slope = np.asarray(fit.jac, dtype=np.float64)
    u = np.sqrt(np.maximum(np.diag(np.linalg.pinv(slope.T @ slope)), 0.0)) * left.ratio
    # A drift at both ends and the middle, each by its standard deviation, bends the arch.
    by_drift = math.sqrt(1.5) * drift_m / (2 * math.sqrt(2)) / (2 * rise_m)
    speed = abs(float(fit.x[1]))
    return Way(
        range_m=abs(float(fit.x[0])) * nearest_m,
        u_range_m=float(u[0]) * nearest_m,
        speed_m_s=speed * speed_m_s,
        u_speed_m_s=speed_m_s * math.hypot(float(u[1]), speed * by_drift),
        time_s=axis_s[0] + span_s * float(fit.x[2]),
        u_time_s=float(u[2]) * span_s,
    )


def between(ways: Sequence[Way]) -> Way:
    """Return the middle of some ways of which any may be the one."""
    if len(ways) == 1:
        return ways[0]
    told = {}
    for name in ("range_m", "speed_m_s", "time_s"):
        values = [getattr(way, name) for way in ways]
        half = (max(values) - min(values)) / 2
        told[name] = min(values) + half
        told[f"u_{name}"] = math.hypot(max(getattr(way, f"u_{name}") for way in ways), half)
    return Way(**told)
