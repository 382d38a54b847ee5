"""A recording of a straight way brought into focus: its map, its points, and their limits."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.history import focus_limits
from dsp.history.focus_limits import Face
from dsp.history.focus_points import FEWEST_PINGS, FocusedPoint, fit_point
from dsp.history.focusing import WIDEST_RAD, StraightWay, along_arch, focused
from dsp.uncertainty import stated
from rig.errors import RecordingError
from rig.measure.beam.setting import setting_of
from rig.measure.focus.kept import KeptProfiles
from rig.measure.focus.speed import FoundSpeed, found_speed, given_speed, held_to
from rig.run.hits import resolution_m
from rig.run.receiver import Receiver
from rig.run.results import PingResult
from rig.run.run import Run

PIECE_PINGS = 4096
"""So many pings are focused at once, whatever the recording's length: memory is then bounded."""

MOST_ROWS = 500
"""Of ranges in the map."""

MOST_PLACES = 1200
"""Of places along the way that are kept of a long map, each the strongest of its stretch."""

MOST_POINTS = 40
"""Points that are told, the strongest first."""

FAINT_DB = 20.0
"""What lies so far below a point whose arch or side lobes cross there is not told as another."""

_UNSURE_DB = 4.0  # to which copies are foretold: each pulse's own band smears them
_LOBES_DB = 30.0
"""So far below a point is what its pulse's side lobes may still make, as far as they reach."""

_CHANCE = 1e-3  # of taking noise for a point, in a whole map
_U_FORM = 0.01
"""Of a point's width its place is unsure by, since a face is no true point and a beam no even one:
half an arch at 17 a²/λ was off by half of it (by a sum over the disc's elements)."""

_U_CENTRE = 0.01
"""Of itself an echo's own centre is off the pulse's: a target and a beam's edge have a colour."""

_NEARLY = 0.95
"""Pings that leave so much of the beam's sine leave all of it that is heard."""

_AWAY = 4.0  # standard deviations by which a given speed is not the sharpest one
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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FocusMap:
    """Places along the way by range.

    Attributes
    ----------
    along_m : ndarray of float64, shape (places,)
        Middle of each stretch, from where the pair stood as the first ping left.
    range_m : ndarray of float64, shape (ranges,)
    amplitude : ndarray of float32, shape (places, ranges)
        Re full scale.
    """

    along_m: NDArray[np.float64]
    range_m: NDArray[np.float64]
    amplitude: NDArray[np.float32]


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
        return _too_seldom(self.sampling_limit_rad, self.beam_limit_rad)


def _too_seldom(spaced_rad: float, beam_rad: float) -> bool:
    return math.sin(spaced_rad) < _NEARLY * math.sin(beam_rad)


def face_of(receiver: Receiver) -> Face:
    """Return the plan's face, and the frequencies that stand for its pulse."""
    setting, its = setting_of(receiver), receiver.plan.transducer
    return Face(
        shape=its.shape,
        size_m=its.size_m,
        frequency_hz=setting.frequency_hz,
        share=setting.share,
    )


def way_of(receiver: Receiver, speed_m_s: float, *, beside: bool = True) -> StraightWay:
    """Return how a plan's pings stand to each other at a speed along the way.

    Raises
    ------
    RecordingError
        Where phases mean nothing, without which nothing can be brought into focus.
    """
    plan, shape = receiver.plan, receiver.shape
    if plan.timing.band_sampling or receiver.info.edge_step_s is not None:
        raise RecordingError(
            "focus: found a device that hands on no phase of its echoes (edge times, or a band "
            "folded down); record with samples of the whole band"
        )
    face = face_of(receiver)
    interval_s = plan.interval_samples / receiver.info.sample_rate_hz
    beam_rad = focus_limits.beam_limit_rad(face, receiver.wavelength_m)
    spaced_rad = focus_limits.sampling_limit_rad(speed_m_s * interval_s, receiver.wavelength_m)
    return StraightWay(
        speed_m_s=speed_m_s,
        interval_s=interval_s,
        sound_speed_m_s=receiver.sound_speed_m_s,
        baseline_m=plan.geometry.baseline_m,
        along_baseline=1.0 if beside else 0.0,
        pulse_s=plan.pulse.duration_s,
        coupling_s=plan.pulse.coupling_s,
        bin_s=shape.bin_s,
        carrier_hz=shape.carrier_hz,
        centre_hz=shape.centre_hz,
        half_angle_rad=min(beam_rad, spaced_rad),
    )


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
    rows = _Rows(kept, still)
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
    mapped, peaks = _map_and_peaks(rows, kept.pings, way, face, range_m, cell_m)
    found = _alone(peaks, way, face, cell_m, lobes_m)
    points: list[PlacedPoint] = []
    for each in found[:MOST_POINTS]:
        placed = _placed(run, rows, kept.pings, way, face, speed, each, cell_m)
        # A peak on another's flank climbs to the same top.
        if placed is not None and not any(_is_one(placed, p, way, cell_m) for p in points):
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
        rows = _Rows(kept, kept.still()).some(0, kept.pings)
    widths = []
    for speed in speed_m_s.tolist():
        at = dataclasses.replace(point, speed_m_s=speed)
        width_m = _width_along_m(rows, way.at_speed(speed), face, at)
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


class _Rows:
    """Profiles without what stood still."""

    def __init__(self, kept: KeptProfiles, still: NDArray[np.complex64]) -> None:
        self._kept, self._still = kept, still

    def some(self, first: int, last: int) -> NDArray[np.complex64]:
        """Return those of some pings, shape (pings, bins); a lost ping's stay silent."""
        rows = self._kept.rows(max(first, 0), last).copy()
        rows[np.abs(rows).any(axis=1)] -= self._still
        return rows


def _map_and_peaks(
    rows: _Rows,
    pings: int,
    way: StraightWay,
    face: Face,
    range_m: NDArray[np.float64],
    cell_m: float,
) -> tuple[FocusMap, list[tuple[float, float, float]]]:
    """Focus piece after piece; return the map and its peaks: time, range, amplitude."""
    margin = way.reach_pings(float(range_m[-1]))
    finest_m = max(focus_limits.finest_along_m(face) / 2, 0.6 * way.spacing_m)
    finer = max(1, min(4, math.ceil(2.5 * way.spacing_m / finest_m)))
    piece = max(PIECE_PINGS - 2 * margin, PIECE_PINGS // 2)
    together = max(1, -(-finer * pings // MOST_PLACES))
    parts, peaks = [], []
    for first in range(0, pings, piece):
        last = min(first + piece, pings)
        begin = max(first - margin, 0)
        part = np.abs(focused(rows.some(begin, last + margin), way, range_m, finer=finer))
        own = part[finer * (first - begin) : finer * (last - begin)]
        step_s = way.interval_s / finer
        for at, row, high in _peaks(own, range_m, finer, cell_m):
            peaks.append((first * way.interval_s + at * step_s, float(range_m[row]), high))
        ends = np.arange(0, own.shape[0], together)
        parts.append(np.maximum.reduceat(own, ends, axis=0))
    amplitude = np.concatenate(parts)
    middles = (np.arange(amplitude.shape[0]) + 0.5) * together - 0.5
    along_m = np.asarray(middles * (way.spacing_m / finer))
    peaks.sort(key=lambda p: -p[2])
    return FocusMap(along_m=along_m, range_m=range_m, amplitude=amplitude), peaks


def _peaks(
    part: NDArray[np.float32],
    range_m: NDArray[np.float64],
    finer: int,
    cell_m: float,
) -> list[tuple[int, int, float]]:
    """Return places that stand above all around them, and above what noise reaches."""
    from scipy.ndimage import maximum_filter

    high = max(1, round(cell_m / float(range_m[1] - range_m[0])) if range_m.size > 1 else 1)
    top = maximum_filter(part, size=(2 * finer + 1, 2 * high + 1), mode="nearest")
    # Of Rayleigh's noise the middle is √ln 2, and one of n cells exceeds √ln(n/p) by chance p.
    noise = np.median(part, axis=0) / math.sqrt(math.log(2))
    least = noise * math.sqrt(math.log(part.size / _CHANCE))
    at, row = np.nonzero((part == top) & (part > least) & (part > 0))
    order = np.argsort(-part[at, row])[: 20 * MOST_POINTS]
    return [(int(at[i]), int(row[i]), float(part[at[i], row[i]])) for i in order]


def _alone(
    peaks: list[tuple[float, float, float]],
    way: StraightWay,
    face: Face,
    cell_m: float,
    lobes_m: float,
) -> list[tuple[float, float, float]]:
    """Leave out what a stronger point's side lobes, arch, blur or copies may have made."""
    kept: list[tuple[float, float, float]] = []
    faint, lobes = 10 ** (-FAINT_DB / 20), 10 ** (-_LOBES_DB / 20)
    width_m = max(way.wavelength_m / (4 * math.sin(way.half_angle_rad)), way.spacing_m)
    reach = 2 * math.tan(way.half_angle_rad)
    widest_rad = way.half_angle_rad
    sine = way.wavelength_m / (2 * way.spacing_m)
    if peaks and sine < math.sin(WIDEST_RAD):
        # Copies stand so far aside, and as far behind as their own angle's arch.
        _, range_m, _ = peaks[0]
        copies_db = focus_limits.copies_db(face, way, _all_ahead_m(way, range_m), range_m)
        if copies_db is not None:
            faint = max(faint, 10 ** ((copies_db + _UNSURE_DB) / 20))
            widest_rad = max(widest_rad, math.asin(sine))
            reach = max(reach, 1.6 * math.tan(widest_rad))
    for time_s, range_m, high in peaks:
        for other_s, other_m, other in kept:
            along_m = abs(time_s - other_s) * way.speed_m_s
            beside = along_m < 2 * width_m and abs(range_m - other_m) < 2 * cell_m
            # Farther than its arch reaches, and nearer than it stands, it has only lobes.
            foot_m = other_m * (1 / math.cos(widest_rad) - 1) + 4 * cell_m
            away_m, within = abs(range_m - other_m), along_m < other_m * reach
            shadowed = within and away_m < foot_m and high < faint * other
            lobe = within and away_m < foot_m + lobes_m and high < lobes * other
            if beside or shadowed or lobe:
                break
        else:
            kept.append((time_s, range_m, high))
    return kept


def _placed(
    run: Run,
    rows: _Rows,
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
    if _too_seldom(way.half_angle_rad, focus_limits.beam_limit_rad(face, wavelength_m)):
        every_m = _all_ahead_m(way, fitted.range_m)
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
    is_near = fitted.range_m < focus_limits.point_from_m(face, wavelength_m)
    return PlacedPoint(
        point=point,
        # A chirp's middle passes the target earlier or later by that.
        u_along_m=math.hypot(
            point.u_along_m,
            way.speed_m_s * abs(way.coupling_s) * _U_CENTRE,
            (due_m or way.spacing_m) * _U_FORM,
        ),
        u_range_m=math.hypot(fitted.u_range_m, budget.combined),
        width_along_m=_width_along_m(near, way, face, fitted),
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


def _is_one(one: PlacedPoint, other: PlacedPoint, way: StraightWay, cell_m: float) -> bool:
    apart_m = abs(one.point.along_m - other.point.along_m)
    return (
        apart_m < way.wavelength_m / (8 * math.sin(way.half_angle_rad))
        and abs(one.point.range_m - other.point.range_m) < cell_m / 2
    )


def _all_ahead_m(way: StraightWay, range_m: float) -> NDArray[np.float64]:
    """Return where a point stands ahead in all pings of a long way past it."""
    count = math.ceil(2 * range_m / way.spacing_m)
    return np.asarray(np.arange(-count, count + 1) * way.spacing_m)


def _width_along_m(
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
    if _too_seldom(spaced_rad, beam_rad):
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
