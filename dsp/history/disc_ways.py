"""A straight way fitted to what passed near discs that are no points."""

from __future__ import annotations

import dataclasses
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

_LATE_SHARE = 0.05
"""Share of how the lag changes to which a search finds it in one echo: it takes the echo for
a copy of the pulse, and its neighbours take what is left."""

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


@dataclass(frozen=True, slots=True, kw_only=True)
class _Turned:
    """What is common to all hits of a fit, as it is taken, or as it may be instead.

    `late` counts the lags, `axis_s` is when the target was on the axis, `above_m` how far
    beside the axis it then was.
    """

    late: float = 1.0
    axis_s: float
    above_m: float = 0.0


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
    nearest_m = float(range_m.min())
    rise_m = max(float(np.ptp(range_m)), 1e-9)
    # Each of the three is sought in steps of about its own size.
    span_s = float(np.ptp(time_s)) / 2
    speed_m_s = math.sqrt(rise_m * (2 * nearest_m + rise_m)) / span_s

    def lateness_m(way: NDArray[np.float64], turned: _Turned) -> NDArray[np.float64]:
        beside_m = abs(float(way[1])) * speed_m_s * (time_s - turned.axis_s)
        return turned.late * arch.late_at_m(np.hypot(beside_m, turned.above_m))

    def found(
        noise: NDArray[np.float64], first: NDArray[np.float64], turned: _Turned
    ) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        from scipy.optimize import least_squares

        def misfit(way: NDArray[np.float64]) -> NDArray[np.float64]:
            straight = straight_m(
                max(abs(float(way[0])), 1e-9) * nearest_m,
                abs(float(way[1])) * speed_m_s,
                axis_s[0] + span_s * float(way[2]),
            )
            return np.asarray((straight + lateness_m(way, turned) - range_m) / noise)

        fit = least_squares(misfit, first, xtol=1e-12)
        return np.asarray(fit.x), np.asarray(fit.fun), np.asarray(fit.jac, dtype=np.float64)

    taken = _Turned(axis_s=axis_s[0])
    rough, _, _ = found(noise_m, np.array([1.0, 1.0, 0.0]), taken)
    late_m = lateness_m(rough, taken)
    noise = np.hypot(noise_m, _LATE_SHARE * (late_m - arch.late_m[0]))
    fit, residuals, slope = found(noise, rough, taken)
    left = goodness(residuals, fitted=3)
    if not left.holds:
        return None
    spread = np.diag(np.linalg.pinv(slope.T @ slope)) * left.ratio**2
    for other in (
        dataclasses.replace(taken, late=1 + DISC_SHARE),
        dataclasses.replace(taken, axis_s=axis_s[0] + axis_s[1]),
        # Nobody knows how far beside the axis it went, within the cone: evenly spread over
        # its square.
        dataclasses.replace(taken, above_m=arch.half_power_m / math.sqrt(2)),
    ):
        moved, _, _ = found(noise, fit, other)
        spread = spread + (moved - fit) ** 2
    u = np.sqrt(np.maximum(spread, 0.0))
    # A drift at both ends and the middle, each by its standard deviation, bends the arch.
    by_drift = math.sqrt(1.5) * drift_m / (2 * math.sqrt(2)) / (2 * rise_m)
    speed = abs(float(fit[1]))
    return Way(
        range_m=abs(float(fit[0])) * nearest_m,
        u_range_m=math.hypot(float(u[0]) * nearest_m, DISC_SHARE * float(arch.late_m[0])),
        speed_m_s=speed * speed_m_s,
        u_speed_m_s=speed_m_s * math.hypot(float(u[1]), speed * by_drift),
        time_s=axis_s[0] + span_s * float(fit[2]),
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
