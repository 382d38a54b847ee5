"""A recording of a straight way brought into focus: its map, its points, and their limits."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.history import focus_limits
from dsp.history.focus_limits import Face
from dsp.history.focus_points import FEWEST_PINGS, FocusedPoint
from dsp.history.focusing import StraightWay
from dsp.uncertainty import stated
from rig.errors import RecordingError
from rig.measure.focus.kept import KeptProfiles
from rig.measure.focus.mapping import (
    MOST_POINTS,
    MOST_ROWS,
    FocusMap,
    MovedRows,
    alone,
    map_and_peaks,
)
from rig.measure.focus.placing import (
    PlacedPoint,
    is_one,
    placed_at,
    placed_unevenly,
    point_width_along_m,
)
from rig.measure.focus.speed import (
    FoundSpeed,
    found_speed,
    given_speed,
    held_to,
    moved_unevenly,
)
from rig.measure.focus.ways import face_of, too_seldom, way_of
from rig.run.hits import resolution_m
from rig.run.results import PingResult
from rig.run.run import Run

_AWAY = 4.0  # standard deviations by which a given speed is not the sharpest one


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FocusMeasurement:
    """A recording in focus.

    Attributes
    ----------
    way : StraightWay
        At the speed in use.
    face : Face
    moved : {"target", "pair"}
    speed : FoundSpeed
    map : FocusMap
    points : tuple of PlacedPoint
        In order along the way.
    finest_along_m : float
        Half the face, whatever the range.
    finest_range_m : float
        Of the pulse: half-amplitude width of its echo.
    beam_limit_rad, sampling_limit_rad : float
        From how far off the axis pings are added up at the most: by the beam, and by how
        far apart they were sent.
    pings, left_out : int
    cautions : tuple of str
    """

    way: StraightWay
    face: Face
    moved: str
    speed: FoundSpeed
    map: FocusMap
    points: tuple[PlacedPoint, ...]
    finest_along_m: float
    finest_range_m: float
    beam_limit_rad: float
    sampling_limit_rad: float
    pings: int
    left_out: int
    cautions: tuple[str, ...]

    @property
    def limited_by_pings(self) -> bool:
        """Whether pings are so far apart that less than the beam is added up."""
        return too_seldom(self.sampling_limit_rad, self.beam_limit_rad)


def focus_of(
    run: Run,
    *,
    kept: KeptProfiles | None = None,
    speed_m_s: float | None = None,
    u_speed_m_s: float = 0.0,
    moved: str = "target",
    beside: bool = True,
    from_m: float = 0.0,
    to_m: float = math.inf,
) -> FocusMeasurement:
    """Bring a run into focus in which pair or target moved straight on at an even speed.

    Parameters
    ----------
    run : Run
    kept : KeptProfiles, optional
        Of all its pings; of a run that still has all its profiles they are taken from it.
    speed_m_s, u_speed_m_s : float
        Along the way, where it is known; else it is found by sharpness.
    moved : {"target", "pair"}
        Where targets moved, what stood still is taken away first.
    beside : bool
        Whether the way runs along the line from source to receiver, rather than square to it.
    from_m, to_m : float
        Only these ranges, within the plan's.

    Raises
    ------
    RecordingError
        Where nothing can be focused; the message says what is missing.
    """
    receiver = run.receiver
    asked = receiver.plan.receiver
    cell_m = resolution_m(receiver)
    step_m = cell_m / 3
    # At no range at all nothing draws an arch.
    first_m = max(from_m, asked.range_start_m, step_m)
    last_m = min(to_m, asked.range_stop_m)
    if not first_m < last_m:
        raise RecordingError(
            f"focus: found no range from {from_m:g} to {to_m:g} m within the plan's "
            f"{asked.range_start_m:g} to {asked.range_stop_m:g} m; give others"
        )
    if kept is None:
        with _kept_of(run) as its:
            return focus_of(
                run,
                kept=its,
                speed_m_s=speed_m_s,
                u_speed_m_s=u_speed_m_s,
                moved=moved,
                beside=beside,
                from_m=from_m,
                to_m=to_m,
            )
    if kept.pings - kept.left_out < FEWEST_PINGS:
        raise RecordingError(
            f"focus: found {kept.pings - kept.left_out} good pings; it takes at least "
            f"{FEWEST_PINGS} along the way"
        )
    still = kept.still() if moved == "target" else np.zeros(kept.bins, dtype=np.complex64)
    rows = MovedRows(kept, still)
    if speed_m_s is None:
        speed = found_speed(
            run,
            rows.some,
            lambda v: way_of(receiver, v, beside=beside),
            (first_m, last_m),
            face=face_of(receiver),
        )
    else:
        speed = given_speed(speed_m_s, u_speed_m_s)
    way = way_of(receiver, speed.speed_m_s, beside=beside)
    face = face_of(receiver)
    range_m = np.arange(first_m, last_m, max(step_m, (last_m - first_m) / MOST_ROWS))
    lobes_m = receiver.shape.reach_s * receiver.sound_speed_m_s / 2
    mapped, peaks = map_and_peaks(rows, kept.pings, way, face, range_m, cell_m)
    found = alone(peaks, way, face, cell_m, lobes_m)
    points: list[PlacedPoint] = []
    for each in found[:MOST_POINTS]:
        placed = placed_at(run, rows, kept.pings, way, face, speed, each, cell_m)
        # A peak on another's flank climbs to the same top.
        if placed is not None and not any(is_one(placed, p, way, cell_m) for p in points):
            points.append(placed)
    telling_points = [p for p in points if not p.near]
    if speed_m_s is not None and telling_points:
        telling = max(telling_points, key=lambda p: p.point.amplitude * math.sqrt(p.point.pings))
        speed = held_to(
            speed,
            rows.some,
            way,
            telling.point,
            range_scale_m=cell_m,
            u_common_share=math.hypot(
                telling.u_range_m / telling.point.range_m,
                focus_limits.u_speed_by_face(face, way.wavelength_m, telling.point.range_m),
            ),
        )
    if speed.change is not None:
        points = [placed_unevenly(p, speed.change) for p in points]
        speed = moved_unevenly(speed, speed.change)
    points.sort(key=lambda p: p.point.along_m)
    beam_rad = focus_limits.beam_limit_rad(face, way.wavelength_m)
    spaced_rad = focus_limits.sampling_limit_rad(way.spacing_m, way.wavelength_m)
    return FocusMeasurement(
        way=way,
        face=face,
        moved=moved,
        speed=speed,
        map=mapped,
        points=tuple(points),
        finest_along_m=focus_limits.finest_along_m(face),
        finest_range_m=cell_m,
        beam_limit_rad=beam_rad,
        sampling_limit_rad=spaced_rad,
        pings=kept.pings,
        left_out=kept.left_out,
        cautions=_cautions(way, face, speed, points, len(found), beam_rad, spaced_rad),
    )


def widths_over_speed(
    run: Run,
    way: StraightWay,
    face: Face,
    point: FocusedPoint,
    speed_m_s: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Return how wide along the way one point comes out when it is focused at other speeds.

    Returns
    -------
    ndarray of float64, shape (speeds,)
        Half-power widths; NaN where it falls to half nowhere.
    """
    with _kept_of(run) as kept:
        rows = MovedRows(kept, kept.still()).some(0, kept.pings)
    widths = []
    for speed in speed_m_s.tolist():
        at = dataclasses.replace(point, speed_m_s=speed)
        width_m = point_width_along_m(rows, way.at_speed(speed), face, at)
        widths.append(math.nan if width_m is None else width_m)
    return np.array(widths)


def _kept_of(run: Run) -> KeptProfiles:
    results: list[PingResult] = list(run.results)
    if any(result.alone is None and not result.lost for result in results):
        raise RecordingError(
            f"focus: found a run of {len(results)} pings, of whose first ones the profiles are no "
            "longer at hand; keep them as they come (KeptProfiles), as the command does"
        )
    kept = KeptProfiles(run.receiver, run.plan.receiver.range_stop_m)
    for result in results:
        kept.take(result)
    return kept


def _cautions(
    way: StraightWay,
    face: Face,
    speed: FoundSpeed,
    points: list[PlacedPoint],
    found: int,
    beam_rad: float,
    spaced_rad: float,
) -> tuple[str, ...]:
    """Say what speaks against the map."""
    words = []
    if too_seldom(spaced_rad, beam_rad):
        most_mm = 1e3 * way.wavelength_m / (4 * math.sin(beam_rad))
        words.append(
            f"pings are {1e3 * way.spacing_m:.1f} mm apart along the way, and the beam asks for "
            f"{most_mm:.1f} mm or less: only what lies within ±{math.degrees(spaced_rad):.0f}° is "
            "added up, nothing is finer than their spacing, and a strong point has copies of "
            "itself to both sides; move more slowly, or ping faster"
        )
    if not speed.found and speed.sharpest_m_s is not None and speed.u_sharpest_m_s is not None:
        away_m_s = abs(speed.sharpest_m_s - speed.speed_m_s)
        if away_m_s > _AWAY * math.hypot(speed.u_sharpest_m_s, speed.u_speed_m_s):
            words.append(
                f"it is sharpest at {stated(speed.sharpest_m_s, speed.u_sharpest_m_s)} m/s, and "
                f"was focused at {speed.speed_m_s:.4g}: places along the way are off by as much"
            )
    if speed.change is not None:
        change = stated(speed.change.change_m_s2, speed.change.u_change_m_s2)
        words.append(
            f"its way was not even: it is sharper where the speed changes by {change} m/s each "
            "second (or it was not straight, or several points stand together); focused at an even "
            "speed, all places and the speed are the less sure"
        )
    if any(p.near for p in points):
        words.append(
            f"nearer than {focus_limits.point_from_m(face, way.wavelength_m):.2f} m this "
            "face is no point to what it hears: arches there are flatter, and places and "
            "widths along the way are not claimed"
        )
    if points and not any(p.sharp for p in points if not p.near):
        words.append(
            "no point is as sharp as a lone one is to be: the speed is wrong, the way was not "
            "straight and even, or there are many points together"
        )
    if not points:
        words.append("no point stands out of the noise")
    if found > MOST_POINTS:
        words.append(f"{found} points were found; the strongest {MOST_POINTS} are told")
    return tuple(words)
