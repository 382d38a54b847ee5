"""One point of a map: where it stands, how wide it is, and how surely."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.history import focus_limits
from dsp.history.focus_limits import Face
from dsp.history.focus_points import ChangeOfSpeed, FocusedPoint, fit_point
from dsp.history.focusing import StraightWay, along_arch
from dsp.uncertainty import within
from rig.measure.focus.mapping import MovedRows
from rig.measure.focus.speed import FoundSpeed
from rig.measure.focus.ways import all_ahead_m, too_seldom
from rig.run.run import Run

_U_FORM = 0.01
"""Of a point's width its place is unsure by, since a face is no true point and a beam no even one:
half an arch at 17 a²/λ was off by half of it (by a sum over the disc's elements)."""

_U_CENTRE = 0.01
"""Of itself an echo's own centre is off the pulse's: a target and a beam's edge have a colour."""
_SHARP = 1.5  # times the width that a lone point is to have: beyond, it is blurred


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacedPoint:
    """One point of the map, with all that its place is unsure by.

    Attributes
    ----------
    point : FocusedPoint
    u_along_m, u_range_m : float
        Standard uncertainties with all terms.
    width_along_m, due_along_m : float or None
        Half-power width along the way as found, and as a lone point here is to have it.
    width_range_m : float or None
    strength_db : float
        Mean over the pings, dB re full scale.
    copies_db : float or None
        How far below it its copies stand; None where pings are close enough for the beam.
    near : bool
        So near that its face is no point to it.
    cut : bool
        The recording begins or ends within its arch.
    """

    point: FocusedPoint
    u_along_m: float
    u_range_m: float
    width_along_m: float | None
    due_along_m: float | None
    width_range_m: float | None
    strength_db: float
    copies_db: float | None
    near: bool
    cut: bool

    @property
    def sharp(self) -> bool:
        """Whether it is as narrow as a lone point is to be, nearly."""
        if self.width_along_m is None or self.due_along_m is None:
            return False
        return self.width_along_m <= _SHARP * self.due_along_m


def placed_at(
    run: Run,
    rows: MovedRows,
    pings: int,
    way: StraightWay,
    face: Face,
    speed: FoundSpeed,
    peak: tuple[float, float, float],
    cell_m: float,
) -> PlacedPoint | None:
    """Fit a peak's place, and say how wide it is and how surely it stands there."""
    time_s, range_m, _ = peak
    reach = way.reach_pings(range_m) + 2
    middle = round(time_s / way.interval_s)
    first = max(middle - reach, 0)
    near = rows.some(first, middle + reach + 1)
    begin_s = first * way.interval_s
    fitted = fit_point(near, way, time_s=time_s - begin_s, range_m=range_m, range_scale_m=cell_m)
    if fitted is None:
        return None
    ping = np.flatnonzero(np.abs(near).any(axis=1))
    ahead_m = np.asarray(way.speed_m_s * (fitted.time_s - ping * way.interval_s))
    _, _, aside_m = way.delays_s(ahead_m, fitted.range_m)
    seen = np.abs(aside_m) <= fitted.range_m * math.tan(way.half_angle_rad)
    half_m = fitted.range_m * math.tan(way.half_angle_rad)
    farthest_m = fitted.range_m / math.cos(way.half_angle_rad)
    budget = run.receiver.range_model.budget(
        delay_s=float(way.path_m(0.0, fitted.range_m)) / way.sound_speed_m_s,
        u_delay_s=0.0,
        u_mark_s=0.0,
        direct=run.plan.geometry.time_zero == "direct",
    )
    due_m = focus_limits.point_width_m(face, way, ahead_m[seen], fitted.range_m)
    copies_db, wavelength_m = None, way.wavelength_m
    if too_seldom(way.half_angle_rad, focus_limits.beam_limit_rad(face, wavelength_m)):
        every_m = all_ahead_m(way, fitted.range_m)
        copies_db = focus_limits.copies_db(face, way, every_m, fitted.range_m)
    time_s = fitted.time_s + begin_s
    point = FocusedPoint(
        time_s=time_s,
        u_time_s=fitted.u_time_s,
        range_m=fitted.range_m,
        u_range_m=fitted.u_range_m,
        speed_m_s=fitted.speed_m_s,
        u_speed_m_s=speed.u_speed_m_s,
        amplitude=fitted.amplitude,
        share=fitted.share,
        pings=fitted.pings,
    )
    by_speed_s, by_speed_m = _by_speed(near, way, speed.u_speed_m_s, fitted, cell_m)
    is_near = fitted.range_m < focus_limits.point_from_m(face, wavelength_m)
    return PlacedPoint(
        point=point,
        # A chirp's middle passes the target earlier or later by that.
        u_along_m=math.hypot(
            point.u_along_m,
            way.speed_m_s * by_speed_s,
            way.speed_m_s * abs(way.coupling_s) * _U_CENTRE,
            (due_m or way.spacing_m) * _U_FORM,
        ),
        u_range_m=math.hypot(fitted.u_range_m, by_speed_m, budget.combined),
        width_along_m=point_width_along_m(near, way, face, fitted),
        due_along_m=due_m,
        width_range_m=_width_in_range_m(near, way, fitted, cell_m),
        strength_db=20 * math.log10(max(fitted.amplitude, 1e-10)),
        copies_db=copies_db,
        near=is_near,
        cut=bool(
            (fitted.time_s + begin_s) * way.speed_m_s < half_m
            or ((pings - 1) * way.interval_s - fitted.time_s - begin_s) * way.speed_m_s < half_m
        )
        or farthest_m > run.plan.receiver.range_stop_m,
    )


def _by_speed(
    near: NDArray[np.complex64],
    way: StraightWay,
    u_speed_m_s: float,
    fitted: FocusedPoint,
    cell_m: float,
) -> tuple[float, float]:
    """Return by how much a point's time and range are off, where the speed is so by its u.

    A narrow band tells a range by the arch's bend, which goes by the speed's square over it.
    """
    if u_speed_m_s == 0:
        return 0.0, 0.0
    faster = fit_point(
        near,
        way.at_speed(way.speed_m_s + u_speed_m_s),
        time_s=fitted.time_s,
        range_m=fitted.range_m,
        range_scale_m=cell_m,
    )
    if faster is None:
        return 0.0, 0.0
    return abs(faster.time_s - fitted.time_s), abs(faster.range_m - fitted.range_m)


def placed_unevenly(placed: PlacedPoint, change: ChangeOfSpeed) -> PlacedPoint:
    """Return a point as surely placed as it is on a way whose speed was not even."""
    point = placed.point
    return dataclasses.replace(
        placed,
        u_along_m=math.hypot(
            placed.u_along_m,
            point.speed_m_s * within(change.time_off_s).u,
            point.time_s * within(change.speed_off_m_s).u,
        ),
        u_range_m=math.hypot(placed.u_range_m, within(change.range_off_m).u),
    )


def is_one(one: PlacedPoint, other: PlacedPoint, way: StraightWay, cell_m: float) -> bool:
    """Say whether two peaks climbed to the same top."""
    apart_m = abs(one.point.along_m - other.point.along_m)
    return (
        apart_m < way.wavelength_m / (8 * math.sin(way.half_angle_rad))
        and abs(one.point.range_m - other.point.range_m) < cell_m / 2
    )


def point_width_along_m(
    rows: NDArray[np.complex64], way: StraightWay, face: Face, point: FocusedPoint
) -> float | None:
    """Return a point's half-power width along the way, off the profiles."""
    ping = np.arange(rows.shape[0])
    ahead_m = np.asarray(way.speed_m_s * (point.time_s - ping * way.interval_s))
    span_m = 3 * max(
        way.wavelength_m / (4 * math.sin(way.half_angle_rad)), focus_limits.finest_along_m(face)
    )
    along = np.linspace(-span_m, span_m, 91)
    high = _heights(rows, way, ping, ahead_m + along[:, np.newaxis], point.range_m)
    return focus_limits.half_power_width_m(along, high)


def _width_in_range_m(
    rows: NDArray[np.complex64], way: StraightWay, point: FocusedPoint, cell_m: float
) -> float | None:
    """Return a point's half-power width in range, off the profiles."""
    ping = np.arange(rows.shape[0])
    ahead_m = np.asarray(way.speed_m_s * (point.time_s - ping * way.interval_s))
    away = np.linspace(-min(2.5 * cell_m, 0.9 * point.range_m), 2.5 * cell_m, 49)
    high = _heights(rows, way, ping, ahead_m, point.range_m + away[:, np.newaxis])
    return focus_limits.half_power_width_m(away, high)


def _heights(
    rows: NDArray[np.complex64],
    way: StraightWay,
    ping: NDArray[np.int64],
    ahead_m: NDArray[np.float64],
    range_m: float | NDArray[np.float64],
) -> NDArray[np.float64]:
    """Return how high the map stands at some places, shape (places, 1) against the pings."""
    delay_s, shown_s, aside_m = way.delays_s(ahead_m, range_m)
    within = np.abs(aside_m) <= range_m * math.tan(way.half_angle_rad)
    return np.asarray(np.abs((along_arch(rows, ping, shown_s, delay_s, way) * within).sum(axis=-1)))
