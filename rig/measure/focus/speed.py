"""The speed along the way: given, or the one at which what passed is sharpest."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.history.focus_limits import Face, point_from_m, u_speed_by_face
from dsp.history.focus_points import (
    FEWEST_PINGS,
    ChangeOfSpeed,
    FocusedPoint,
    change_of_speed,
    fit_point,
    sharpness,
    speed_lobe,
)
from dsp.history.focusing import StraightWay
from dsp.uncertainty import within
from rig.errors import RecordingError
from rig.measure.passes.following import passings_of
from rig.measure.passes.judging import u_speed_share
from rig.measure.passes.passing import Passing
from rig.run.hits import resolution_m
from rig.run.run import Run

WRONG_BY = 1.6
"""A speed that the ranges gave is looked for again up to so many times it, and down to so many
times less: near a large face they give it up to 36 % too low."""

_MOST_SPEEDS = 400
_PASSED = ("pass", "half")
_CHANGED = 4.0  # standard deviations by which a speed is not even


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FoundSpeed:
    """The speed along the way.

    Attributes
    ----------
    speed_m_s, u_speed_m_s : float
        With all terms.
    found : bool
        By sharpness, and not given.
    tried_m_s, sharp : ndarray of float64, shape (speeds,)
        How sharp one point was at other speeds: the one that tells most of the speed.
    sharpest_m_s, u_sharpest_m_s : float or None
        Where it was sharpest, and how surely; None where it is so at none of them.
    by_ranges_m_s, u_by_ranges_m_s : float or None
        What its ranges alone had said.
    change : ChangeOfSpeed or None
        Where the point is clearly sharper on a way of which the speed changes: what is told for
        an even one is unsure by that (:func:`moved_unevenly`).
    """

    speed_m_s: float
    u_speed_m_s: float
    found: bool
    tried_m_s: NDArray[np.float64]
    sharp: NDArray[np.float64]
    sharpest_m_s: float | None = None
    u_sharpest_m_s: float | None = None
    by_ranges_m_s: float | None = None
    u_by_ranges_m_s: float | None = None
    change: ChangeOfSpeed | None = None


def given_speed(speed_m_s: float, u_speed_m_s: float) -> FoundSpeed:
    """Return a speed that is known."""
    nothing = np.empty(0)
    return FoundSpeed(
        speed_m_s=speed_m_s, u_speed_m_s=u_speed_m_s, found=False, tried_m_s=nothing, sharp=nothing
    )


def moved_unevenly(speed: FoundSpeed, change: ChangeOfSpeed) -> FoundSpeed:
    """Return a speed that holds all those there were while the point was seen."""
    u_m_s = math.hypot(speed.u_speed_m_s, within(change.speed_off_m_s).u)
    return dataclasses.replace(speed, u_speed_m_s=u_m_s)


def held_to(
    speed: FoundSpeed,
    rows: Callable[[int, int], NDArray[np.complex64]],
    way: StraightWay,
    point: FocusedPoint,
    *,
    range_scale_m: float,
    u_common_share: float,
) -> FoundSpeed:
    """Return a speed that was given, with how sharp a point is at others.

    Parameters
    ----------
    speed : FoundSpeed
    rows : callable
        From a first and a last ping to their profiles.
    way : StraightWay
        At that speed.
    point : FocusedPoint
        That tells most of the speed.
    range_scale_m : float
        Width of an echo in range.
    u_common_share : float
        What a speed is unsure by, as a share, that no echo tells: as its range is, by the sound
        speed and time zero.
    """
    near, first = _around(rows, way, point.time_s, point.range_m)
    tried, sharp, fitted = _sharpest(
        near,
        way,
        time_s=point.time_s - first * way.interval_s,
        range_m=point.range_m,
        slack_s=0.0,
        range_scale_m=range_scale_m,
    )
    speed = dataclasses.replace(speed, tried_m_s=tried, sharp=sharp)
    if fitted is None:
        return speed
    return dataclasses.replace(
        speed,
        sharpest_m_s=fitted.speed_m_s,
        u_sharpest_m_s=math.hypot(fitted.u_speed_m_s, fitted.speed_m_s * u_common_share),
        change=_clear_change(
            near, way, fitted, range_scale_m=range_scale_m, u_common_share=u_common_share
        ),
    )


def found_speed(
    run: Run,
    rows: Callable[[int, int], NDArray[np.complex64]],
    way_at: Callable[[float], StraightWay],
    ranges_m: tuple[float, float],
    *,
    face: Face,
) -> FoundSpeed:
    """Find the speed at which the clearest pass is sharpest.

    Parameters
    ----------
    run : Run
    rows : callable
        From a first and a last ping to their profiles.
    way_at : callable
        From a speed to the way.
    ranges_m : tuple of float
        Only what passed between these ranges.
    face : Face
        Where it is no point to what it hears, an arch tells no speed.

    Raises
    ------
    RecordingError
        Where nothing passed, or it is sharp at no speed.
    """
    wavelength_m = run.receiver.wavelength_m
    begin = _clearest(run, ranges_m, point_from_m(face, wavelength_m))
    way = way_at(begin.speed_m_s)
    near, first = _around(rows, way, begin.time_s, begin.range_m)
    tried, sharp, fitted = _sharpest(
        near,
        way,
        time_s=begin.time_s - first * way.interval_s,
        range_m=begin.range_m,
        slack_s=begin.slack_s,
        range_scale_m=resolution_m(run.receiver),
    )
    if fitted is None:
        raise RecordingError(
            f"focus: found no speed between {tried[0]:.3g} and {tried[-1]:.3g} m/s at which what "
            f"passed at {begin.range_m:.3f} m is sharp; draw it straight and evenly, or "
            "give --speed-m-s"
        )
    by_common = math.hypot(
        u_speed_share(run.receiver, begin.passing),
        u_speed_by_face(face, wavelength_m, fitted.range_m),
    )
    told = begin.passing.passage
    change = _clear_change(
        near, way, fitted, range_scale_m=resolution_m(run.receiver), u_common_share=by_common
    )
    u_speed_m_s = math.hypot(fitted.u_speed_m_s, fitted.speed_m_s * by_common)
    return FoundSpeed(
        speed_m_s=fitted.speed_m_s,
        u_speed_m_s=u_speed_m_s,
        found=True,
        tried_m_s=tried,
        sharp=sharp,
        change=change,
        sharpest_m_s=fitted.speed_m_s,
        u_sharpest_m_s=u_speed_m_s,
        by_ranges_m_s=told.crossing_speed_m_s,
        u_by_ranges_m_s=told.u_crossing_speed_m_s,
    )


def _around(
    rows: Callable[[int, int], NDArray[np.complex64]],
    way: StraightWay,
    time_s: float,
    range_m: float,
) -> tuple[NDArray[np.complex64], int]:
    """Return the pings that may see a place at any speed tried, and the first one's number."""
    reach = math.ceil(WRONG_BY * way.reach_pings(range_m))
    middle = round(time_s / way.interval_s)
    first = max(middle - reach, 0)
    return rows(first, middle + reach + 1), first


def _sharpest(
    near: NDArray[np.complex64],
    way: StraightWay,
    *,
    time_s: float,
    range_m: float,
    slack_s: float,
    range_scale_m: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64], FocusedPoint | None]:
    """Try speeds; return them, how sharp a place is at each, and it at the sharpest, fitted."""
    aperture_m = _aperture_m(way, range_m, time_s, near.shape[0])
    lobe = speed_lobe(way, range_m, aperture_m)
    count = min(math.ceil(2 * math.log(WRONG_BY) / (0.3 * lobe)), _MOST_SPEEDS)
    tried = way.speed_m_s * WRONG_BY ** np.linspace(-1, 1, 2 * (count // 2) + 1)
    sharp, times_s = sharpness(near, way, tried, time_s=time_s, range_m=range_m, slack_s=slack_s)
    best = int(np.argmax(sharp))
    if best in (0, tried.size - 1):
        return tried, sharp, None
    fitted = fit_point(
        near,
        way.at_speed(float(tried[best])),
        time_s=float(times_s[best]),
        range_m=range_m,
        range_scale_m=range_scale_m,
        fit_speed=True,
    )
    return tried, sharp, fitted


def _clear_change(
    near: NDArray[np.complex64],
    way: StraightWay,
    fitted: FocusedPoint,
    *,
    range_scale_m: float,
    u_common_share: float,
) -> ChangeOfSpeed | None:
    """Return by how much the speed changed past a point, where that is clear."""
    found = change_of_speed(near, way, fitted, range_scale_m=range_scale_m)
    if found is None or abs(found.change_m_s2) < _CHANGED * found.u_change_m_s2:
        return None
    u_m_s2 = math.hypot(found.u_change_m_s2, found.change_m_s2 * u_common_share)
    return dataclasses.replace(found, u_change_m_s2=u_m_s2)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Begin:
    """Where a search for the speed begins.

    Attributes
    ----------
    passing : Passing
    speed_m_s, time_s, range_m : float
        By its ranges.
    slack_s : float
        It may have been nearest so much earlier or later.
    """

    passing: Passing
    speed_m_s: float
    time_s: float
    range_m: float
    slack_s: float


def _clearest(run: Run, ranges_m: tuple[float, float], least_m: float) -> _Begin:
    """Return what tells most of the speed: a pass, or else an arch that fits none to the last."""
    begins = [begin for p in passings_of(run) if (begin := _begin(run, p)) is not None]
    within = [begin for begin in begins if ranges_m[0] <= begin.range_m <= ranges_m[1]]
    if not within:
        raise RecordingError(
            "focus: found nothing that passed, by which a speed could be found; give --speed-m-s, "
            "or record something that is drawn straight past the pair"
        )
    far = [begin for begin in within if begin.range_m >= least_m]
    if not far:
        raise RecordingError(
            f"focus: found nothing that passed beyond {least_m:.2f} m, and nearer this face "
            "is no point to what it hears: an arch there tells no speed; give --speed-m-s, or draw "
            "it past farther away"
        )
    return max(far, key=lambda b: (b.passing.passage.kind in _PASSED, _tells(b.passing)))


def _begin(run: Run, passing: Passing) -> _Begin | None:
    told = passing.passage
    if (
        told.crossing_speed_m_s is not None
        and told.closest_range_m is not None
        and told.closest_time_s is not None
    ):
        return _Begin(
            passing=passing,
            speed_m_s=told.crossing_speed_m_s,
            time_s=told.closest_time_s,
            range_m=told.closest_range_m,
            slack_s=3 * (told.u_closest_time_s or 0.0),
        )
    if told.kind == "stay" or told.hits < FEWEST_PINGS:
        return None
    # Squared, the ranges of a straight way are a parabola, however roughly they fit it.
    middle_s = float(passing.time_s.mean())
    bend, slope, height = np.polyfit(passing.time_s - middle_s, passing.range_m**2, 2).tolist()
    if bend <= 0 or height <= slope**2 / (4 * bend):
        return None
    time_s, range_m = middle_s - slope / (2 * bend), math.sqrt(height - slope**2 / (4 * bend))
    # Half a wave nearer in the middle than at an end: less is no arch, whatever it fits.
    if float(passing.range_m.max()) - range_m < run.receiver.wavelength_m / 2:
        return None
    if not told.first_s <= time_s <= told.last_s:
        return None
    return _Begin(
        passing=passing,
        speed_m_s=math.sqrt(bend),
        time_s=time_s,
        range_m=range_m,
        slack_s=0.05 * (told.last_s - told.first_s),
    )


def _tells(passing: Passing) -> float:
    """Return how much a pass tells of the speed, in any unit.

    The farther off, the longer is its way through the beam, and the sooner it is blurred.
    """
    level_db, range_m = passing.strength_db, float(passing.range_m.min())
    level = 1.0 if level_db is None else float(10 ** (np.percentile(level_db, 90) / 20))
    return level * math.sqrt(passing.passage.hits) * range_m


def _aperture_m(way: StraightWay, range_m: float, time_s: float, pings: int) -> float:
    """Return the way over which a point is heard: within the beam, and within the pings."""
    half_m = range_m * math.tan(way.half_angle_rad)
    before_m = min(time_s * way.speed_m_s, half_m)
    after_m = min(((pings - 1) * way.interval_s - time_s) * way.speed_m_s, half_m)
    return max(before_m + after_m, 4 * way.spacing_m)
