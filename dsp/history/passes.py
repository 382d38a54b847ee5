"""What a track of echoes says of its target: it passed, it stayed, or nobody can tell.

A target on a straight way at an even speed draws R(t) = √(R₀² + v² (t − t₀)²): an
arch on the history. One that stays draws a streak. Where the beam looks aside, or
the target comes or goes at its nearest point, one half of the arch is missing. A
target that comes straight on draws a slanted line, which is none of these.

References
----------
Straight-way geometry; weighted least squares and its covariance as in JCGM
100:2008, annex H.3, and P. R. Bevington, *Data Reduction and Error Analysis for the
Physical Sciences*, 1969, ch. 11 (cited from memory).
"""

from __future__ import annotations

import dataclasses
import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from dsp.arguments import require_positive, require_within
from dsp.goodness import Goodness, goodness
from dsp.history.disc_arches import DiscArch
from dsp.history.disc_ways import DISC_SHARE, Way, between, way_by_disc

Kind = Literal["pass", "half", "stay", "cannot-tell"]

FEWEST_HITS = 6
"""With three numbers to fit, fewer hits leave nothing to judge the fit by."""

LEAST_SNR_DB = 13.5
"""2E/N0 where a track is strongest. From 15 dB on one echo's range can be trusted;
the strength of a few hits is uncertain by 1.5 dB."""

LESSER_SHARE = 0.2
"""An arch with less than this of its echo energy, or of its length, on one side is half
an arch. A beam turned aside by 0.7 of its half-power angle leaves so much energy."""

_UNFIT = "no straight way fits its ranges to within their own uncertainties"
_SURE = 3.0  # standard deviations from which a curve, or a change, is taken as real
_STRANGE = 4.5  # robust deviations from which a hit is not the track's
_LIKELY = 1.645  # one-sided, 95 %
_CHANCE = 1e-3  # of taking noise for a change
_HALF_POWER_DB = 10 * math.log10(2)
_BEAM_DB = 0.1  # to which a parabola is any beam's level near its axis
_HEADING_MEAN, _HEADING_DEVIATION = 0.5, math.sqrt(1 / 8)  # of cos² ψ, ψ even over the circle


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
        along_baseline=_HEADING_MEAN,
    )


def passage_of(
    time_s: ArrayLike,
    range_m: ArrayLike,
    noise_m: ArrayLike,
    strength_db: ArrayLike,
    snr_db: ArrayLike,
    *,
    baseline_m: float = 0.0,
    half_angle_rad: float | None = None,
    drift_m: float = 0.0,
    turned: tuple[bool, bool] = (False, False),
    arches: Sequence[DiscArch] = (),
) -> Passage:
    """Judge one track and fit its way.

    Parameters
    ----------
    time_s : array_like, shape (hits,)
        When the sound met the target, rising.
    range_m, noise_m : array_like, shape (hits,)
        Ranges, free of what the target's speed does to them
        (:func:`uncoupled_range_m`), and their standard deviations from ping to ping.
    strength_db, snr_db : array_like, shape (hits,)
        Amplitudes, dB re anything, and 2E/N0. NaN where a device hands on no strength.
    baseline_m : float
        From source to receiver.
    half_angle_rad : float, optional
        Of the cone: a pass through it would have raised the range by so much that a
        range which kept still is a stay, whatever its strength did; and one that drew an
        arch while its strength kept steady did not go through that cone.
    drift_m : float
        By how much a drift of medium, clock or sensor may have changed its range, from its
        least to its most. No pass is told of less; a stay within it holds it in its
        uncertainty.
    turned : tuple of (bool, bool)
        Whether it turned back where the track begins, and where it ends
        (:class:`dsp.history.tracking.Track`): what did so within the beam swings.
    arches : sequence of DiscArch
        What the parts of large discs do at its nearest range, one for each heading that the
        way may have; empty where they are points. Only hits whose echo is one copy of the
        pulse are then fitted, and ranges should not have been sharpened by phase, which the
        parts turn.

    Raises
    ------
    ValueError
        On a range or noise not above zero, a negative drift, or arrays of different
        lengths.
    """
    track = _Track(time_s, range_m, noise_m, strength_db, snr_db)
    require_within("drift_m", drift_m, 0, math.inf, "m")
    if track.time_s.size < FEWEST_HITS:
        return track.untold(f"{track.time_s.size} hits; it takes at least {FEWEST_HITS}")
    if track.has_strength and track.strongest_snr_db() < LEAST_SNR_DB:
        return track.untold("the echo is too weak to trust its range")
    moved = track.trend(track.range_m, track.noise_m)
    strength = track.trend(track.strength_db, track.u_strength_db)
    steady = track.has_strength and strength.most < _HALF_POWER_DB
    wander_m = track.wander_m(moved)
    if wander_m <= drift_m:
        # A pass through the cone changes strength and range; what changed neither stayed.
        rise_m = 0.0
        if half_angle_rad is not None:
            rise_m = float(track.range_m.min()) * (1 / math.cos(half_angle_rad) - 1)
        if steady or moved.most < rise_m / 2:
            return _freed_of_discs(track.stay(wander_m), arches)
        if wander_m > 0:
            return track.untold("a drift of the medium would change its range by as much")
        return track.untold("a stay and a shallow pass would look alike")
    if track.turned_within_the_beam(turned):
        return track.untold("it turned back within the beam: it swings, and is on no straight way")
    # A range that seems to move while the strength keeps steady needs better proof.
    if moved.chance >= (_CHANCE**2 if steady else _CHANCE):
        return track.untold(f"its range wandered by {1e3 * wander_m:.1f} mm, and on no way")
    if moved.bend <= _SURE * moved.u_bend:
        return track.untold("its range changed without a curve: it came nearer or went away")
    if steady and half_angle_rad is not None:
        return track.untold(
            f"its range changed by {1e3 * wander_m:.1f} mm, and its strength not as a way "
            "through the beam would change it"
        )
    if moved.bend - _LIKELY * moved.u_bend <= drift_m:
        return track.untold("a drift of the medium would bend its way by as much")
    if arches:
        return _by_discs(track, baseline_m, drift_m, arches)
    way = _fitted(track, baseline_m)
    if way is None:
        return track.untold(_UNFIT)
    return _arch(track, way)


def _by_discs(
    track: _Track, baseline_m: float, drift_m: float, arches: Sequence[DiscArch]
) -> Passage:
    """Judge a pass near discs, by those hits that are clear echoes."""
    near = "so near, the discs are no points, and "
    if not track.has_strength:
        return track.untold(near + "without strengths nobody knows where their axis is")
    ways, fitted = [], []
    for arch in arches:
        clear = track.only(track.clear(arch))
        axis = clear.on_axis_s()
        if clear.time_s.size < FEWEST_HITS or axis is None:
            return track.untold(near + "too few of its echoes come as one copy of the pulse")
        way = way_by_disc(
            clear.time_s,
            clear.range_m,
            clear.noise_m,
            arch,
            straight_m=functools.partial(_straight_m, clear.time_s, baseline_m),
            axis_s=axis,
            drift_m=drift_m,
        )
        if way is not None:
            ways.append(way)
            fitted.append(clear)
    if not ways:
        return track.untold(_UNFIT)
    way = between(ways)
    u_speed = math.hypot(way.u_speed_m_s, way.speed_m_s * _by_heading(way.range_m, baseline_m))
    return _arch(fitted[0], dataclasses.replace(way, u_speed_m_s=u_speed))


def _straight_m(
    time_s: NDArray[np.float64], baseline_m: float, range_m: float, speed_m_s: float, at_s: float
) -> NDArray[np.float64]:
    return passing_range_m(
        time_s,
        closest_range_m=range_m,
        crossing_speed_m_s=speed_m_s,
        closest_time_s=at_s,
        baseline_m=baseline_m,
        along_baseline=_HEADING_MEAN,
    )


def _by_heading(range_m: float, baseline_m: float) -> float:
    """Share of a speed that a heading leaves unsure which nobody said."""
    # Along the baseline the path opens more slowly than across it.
    lag = baseline_m**2 / 4 / (range_m**2 + baseline_m**2 / 4)
    return lag / 2 / (1 - _HEADING_MEAN * lag) * _HEADING_DEVIATION


def _freed_of_discs(passage: Passage, arches: Sequence[DiscArch]) -> Passage:
    """Take from a range that stayed what discs do to it, wherever in the beam it is."""
    if not arches or passage.closest_range_m is None or passage.u_closest_range_m is None:
        return passage
    within = [arch.late_m[arch.aside_m <= arch.half_power_m] for arch in arches]
    least_m, most_m = min(map(np.min, within)), max(map(np.max, within))
    u_late_m = math.hypot((most_m - least_m) / math.sqrt(12), DISC_SHARE * most_m)
    return dataclasses.replace(
        passage,
        closest_range_m=passage.closest_range_m - float(least_m + most_m) / 2,
        u_closest_range_m=math.hypot(passage.u_closest_range_m, u_late_m),
    )


def _arch(track: _Track, way: Way) -> Passage:
    """Tell a whole arch from half of one."""
    span_s = float(np.ptp(track.time_s))
    outside_s = max(track.time_s[0] - way.time_s, way.time_s - track.time_s[-1])
    nearest_m = float(track.range_m.min())
    if outside_s > span_s / 2 or way.u_time_s > span_s / 4 or nearest_m > 1.1 * way.range_m:
        return track.untold("its closest point was not seen")
    lesser = [track.lesser_share(way.time_s + step * way.u_time_s) for step in (-1.0, 0.0, 1.0)]
    if min(lesser) < LESSER_SHARE <= max(lesser):
        return track.untold("whole arch or half: its closest point is too near the end to say")
    return track.told("pass" if lesser[1] >= LESSER_SHARE else "half", way)


def uncoupled_range_m(
    time_s: ArrayLike, range_m: ArrayLike, noise_m: ArrayLike, coupling_s: float
) -> NDArray[np.float64]:
    """Take from the ranges of one track what its target's speed did to them.

    Parameters
    ----------
    time_s, range_m, noise_m : array_like, shape (hits,)
        As for :func:`passage_of`; at least four hits.
    coupling_s : float
        The range that is measured is the one the target has so much later:
        :func:`dsp.physics.doppler.chirp_coupling_s`.

    Returns
    -------
    ndarray of float64, shape (hits,)
        The range at `time_s`, not the one so much later. The speed is that of a
        parabola in the squared range: exact for a straight way.
    """
    time, measured_m = np.asarray(time_s, dtype=float), np.asarray(range_m, dtype=float)
    span_s, place = max(float(np.ptp(time)) / 2, 1e-12), _place(time)
    curve, _, _ = _parabola(place, measured_m**2, 2 * measured_m * np.asarray(noise_m))
    rate_m_s = (curve[1] + 2 * curve[2] * place) / (2 * measured_m * span_s)
    return np.asarray(measured_m - coupling_s * rate_m_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Trend:
    """How a quantity changed over a track, by its parabola.

    Attributes
    ----------
    chance : float
        Of so much change where there was none.
    least, most : float
        Between which the largest change from start to middle to end lies.
    bend, u_bend : float
        Rise of both ends over the middle.
    """

    chance: float
    least: float
    most: float
    bend: float
    u_bend: float


class _Track:
    """One track's numbers, and the questions asked of them."""

    def __init__(
        self,
        time_s: ArrayLike,
        range_m: ArrayLike,
        noise_m: ArrayLike,
        strength_db: ArrayLike,
        snr_db: ArrayLike,
    ) -> None:
        rows = [
            np.asarray(a, dtype=np.float64) for a in (time_s, range_m, noise_m, strength_db, snr_db)
        ]
        if len({row.shape for row in rows}) > 1 or rows[0].ndim != 1 or not rows[0].size:
            shapes = ", ".join(str(row.shape) for row in rows)
            raise ValueError(f"time_s and the others: found shapes {shapes}; give rows of one size")
        require_positive("range_m", rows[1], "m")
        require_positive("noise_m", rows[2], "m")
        own = _own(*rows[:3])
        self._rows = [row[own] for row in rows]
        self.time_s, self.range_m, self.noise_m, self.strength_db, snr_db_ = (r[own] for r in rows)
        self.has_strength = bool(np.isfinite([self.strength_db, snr_db_]).all())
        # The mean of a noisy 2E/N0 is 2 above the true one. Where there is none, all
        # hits weigh the same.
        self.snr = np.full(self.time_s.size, 10 ** (LEAST_SNR_DB / 10))
        if self.has_strength:
            self.snr = np.maximum(10 ** (snr_db_ / 10) - 2, 1.0)
        self.u_strength_db = 20 / math.log(10) / np.sqrt(self.snr)
        self._place = _place(self.time_s)

    def only(self, own: NDArray[np.bool_]) -> _Track:
        """Return a track of some of the hits."""
        return _Track(*(row[own] for row in self._rows))

    def clear(self, arch: DiscArch) -> NDArray[np.bool_]:
        """Which hits, in a row about the strongest, are one copy of the pulse each."""
        top_db = float(np.sort(self.strength_db)[-3:].mean())
        weak = np.flatnonzero(self.strength_db < top_db + arch.weakest_db)
        strongest = int(np.argmax(self.strength_db))
        at = int(np.searchsorted(weak, strongest))
        first = weak[at - 1] + 1 if at > 0 else 0
        last = weak[at] if at < weak.size else self.strength_db.size
        own = np.zeros(self.strength_db.size, dtype=bool)
        own[first:last] = True
        return own

    def on_axis_s(self) -> tuple[float, float] | None:
        """Return when it was on the beam's axis, and its uncertainty, by its levels."""
        level_db = self.strength_db + 40 * np.log10(self.range_m / self.range_m.min())
        near = level_db > level_db.max() - 4 * _HALF_POWER_DB
        if np.count_nonzero(near) < 4:
            return None
        time_s, span_s = self.time_s[near], float(np.ptp(self.time_s[near])) / 2
        u_db = np.hypot(self.u_strength_db[near], _BEAM_DB)
        curve, spread, left = _parabola(_place(time_s), level_db[near], u_db)
        if curve[2] >= 0:
            return None
        top = -curve[1] / (2 * curve[2])
        slope = np.array([0.0, 1.0, 2 * top]) / (2 * curve[2])
        u_top = left.ratio * math.sqrt(float(slope @ spread @ slope))
        return float((time_s[0] + time_s[-1]) / 2 + top * span_s), u_top * span_s

    def strongest_snr_db(self) -> float:
        """2E/N0 where the track is strongest, smoothed over its hits."""
        level_db = 10 * np.log10(self.snr)
        curve, _, _ = _parabola(self._place, level_db, self.u_strength_db)
        return min(float(np.max(_along(self._place) @ curve)), float(level_db.max()))

    def trend(self, values: NDArray[np.float64], u_values: NDArray[np.float64]) -> _Trend:
        """Fit a parabola from −1, the first hit, to 1, the last."""
        curve, spread, left = _parabola(self._place, values, u_values)
        spread = spread * left.ratio**2
        chi2 = float(curve[1:] @ np.linalg.solve(spread[1:, 1:], curve[1:]))
        # From the middle to the start and to the end, and from start to end.
        step = np.array([[0.0, -1.0, 1.0], [0.0, 1.0, 1.0], [0.0, 2.0, 0.0]])
        change = np.abs(step @ curve)
        u_change = np.sqrt(np.einsum("ij,jk,ik->i", step, spread, step))
        return _Trend(
            chance=math.exp(-chi2 / 2),
            least=float(np.max(change)),
            most=float(np.max(change + _LIKELY * u_change)),
            bend=float(curve[2]),
            u_bend=math.sqrt(spread[2, 2]),
        )

    def within_the_beam(self) -> NDArray[np.bool_]:
        """Which hits are as strong as half of the strongest power, out and back each."""
        if not self.has_strength:
            return np.ones(self.time_s.size, dtype=bool)
        strong_db = float(np.percentile(self.strength_db, 90)) - 2 * _HALF_POWER_DB
        return np.asarray(self.strength_db > strong_db)

    def turned_within_the_beam(self, turned: tuple[bool, bool]) -> bool:
        """Say whether it was within the beam where it turned back.

        Two targets on ways that join are weak there, as one has left the beam and the
        other has not yet come.
        """
        ends = [own for own, at in zip((slice(3), slice(-3, None)), turned, strict=True) if at]
        if not self.has_strength:
            return bool(ends)
        within = self.within_the_beam()
        return any(2 * np.count_nonzero(within[own]) > within[own].size for own in ends)

    def lesser_share(self, time_s: float) -> float:
        """Share of an arch to the lesser side of a time: of its energy or its length.

        A beam turned aside leaves that side weak, a record that begins or ends there
        leaves it short.
        """
        step_s = float(np.median(np.diff(self.time_s)))
        between = (self.time_s[1:] + self.time_s[:-1]) / 2
        edges = [self.time_s[0] - step_s / 2, *between, self.time_s[-1] + step_s / 2]
        energy = np.concatenate([[0.0], np.cumsum(self.snr)])
        by_energy = float(np.interp(time_s, edges, energy) / energy[-1])
        by_length = float(np.interp(time_s, [edges[0], edges[-1]], [0.0, 1.0]))
        return min(by_energy, 1 - by_energy, by_length, 1 - by_length)

    def untold(self, reason: str) -> Passage:
        """Answer that it cannot be told."""
        return Passage(
            kind="cannot-tell",
            reason=reason,
            hits=self.time_s.size,
            first_s=float(self.time_s[0]),
            last_s=float(self.time_s[-1]),
        )

    def wander_m(self, moved: _Trend) -> float:
        """From the least to the most of an even drift that scatters as the ranges do.

        0 where they neither scatter more than their own noise nor follow a trend.
        """
        mean_m, weight = self._mean_m()
        left = goodness(self.range_m - mean_m, self.noise_m, fitted=1)
        if left.holds and moved.chance >= _CHANCE:
            return 0.0
        # All values of an even spread of a width w lie about its mean by w/√12.
        beyond = max(left.chi_square - left.degrees_of_freedom, 0.0)
        return max(math.sqrt(12 * beyond / weight), moved.least)

    def stay(self, wander_m: float) -> Passage:
        """Answer that it stayed: within twice the uncertainty, wherever it was in between."""
        mean_m, weight = self._mean_m()
        rough = goodness(self.range_m - mean_m, self.noise_m, fitted=1).ratio
        return dataclasses.replace(
            self.untold(""),
            kind="stay",
            closest_range_m=mean_m,
            u_closest_range_m=math.hypot(rough / math.sqrt(weight), wander_m / math.sqrt(12)),
        )

    def _mean_m(self) -> tuple[float, float]:
        """Return the mean range, and the weight that it has."""
        weight = 1 / self.noise_m**2
        total = float(weight.sum())
        return float(weight @ self.range_m) / total, total

    def told(self, kind: Kind, way: Way) -> Passage:
        """Answer how it passed."""
        angle_rad = np.arctan2(way.speed_m_s * (self.time_s - way.time_s), way.range_m)
        # What spreading took, out and back, is no part of the beam.
        level_db = self.strength_db + 40 * np.log10(self.range_m / way.range_m)
        beam = _beam(angle_rad, level_db, self.u_strength_db)
        answer = dataclasses.replace(
            self.untold(""),
            kind=kind,
            closest_range_m=way.range_m,
            u_closest_range_m=way.u_range_m,
            crossing_speed_m_s=way.speed_m_s,
            u_crossing_speed_m_s=way.u_speed_m_s,
            closest_time_s=way.time_s,
            u_closest_time_s=way.u_time_s,
        )
        if beam is None or not self.has_strength:
            return answer
        tilt_rad, u_tilt_rad, half_rad = beam
        ends = np.tan(np.clip([tilt_rad - half_rad, tilt_rad + half_rad], -1.5, 1.5))
        return dataclasses.replace(
            answer,
            tilt_rad=tilt_rad,
            u_tilt_rad=u_tilt_rad,
            width_m=float(way.range_m * np.ptp(ends)),
            strong_hits=int(np.count_nonzero(np.abs(angle_rad - tilt_rad) <= half_rad)),
        )


def _place(time_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Scale times to run from −1, the first, to 1, the last."""
    middle_s, span_s = (time_s[0] + time_s[-1]) / 2, float(np.ptp(time_s)) / 2
    return np.asarray((time_s - middle_s) / max(span_s, 1e-12))


def _own(
    time_s: NDArray[np.float64], range_m: NDArray[np.float64], noise_m: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Tell a track's own echoes from strangers that fell into its gate."""
    own = np.ones(time_s.size, dtype=bool)
    place, u_square = _place(time_s), 2 * range_m * noise_m
    for _ in range(4):
        if np.count_nonzero(own) < FEWEST_HITS:
            break
        curve, _, _ = _parabola(place[own], range_m[own] ** 2, u_square[own])
        misfit = np.abs(range_m**2 - _along(place) @ curve) / u_square
        # Half of a normal sample lies within 0.6745 deviations.
        own = misfit <= _STRANGE * max(1.0, float(np.median(misfit)) / 0.6745)
    return own


def _along(place: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.vander(place, 3, increasing=True)


def _parabola(
    place: NDArray[np.float64], values: NDArray[np.float64], u_values: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], Goodness]:
    """Fit a parabola; return its three numbers, their covariance, and how good it is."""
    design = _along(place) / u_values[:, np.newaxis]
    spread = np.asarray(np.linalg.pinv(design.T @ design), dtype=np.float64)
    curve = spread @ design.T @ (values / u_values)
    return curve, spread, goodness(values / u_values - design @ curve, fitted=3)


def _beam(
    angle_rad: NDArray[np.float64], level_db: NDArray[np.float64], u_level_db: NDArray[np.float64]
) -> tuple[float, float, float] | None:
    """Fit the beam's axis, with its uncertainty, and its half-power half angle.

    Near its axis any beam falls by the square of the angle; a piston's holds to that
    within 0.1 dB as far as 1.25 half-power angles. None where levels do not fall so.
    """
    # Side lobes are left out from the start; one hit that another target's echo has
    # swelled does not set the level.
    near = level_db > np.percentile(level_db, 90) - 2 * _HALF_POWER_DB
    answer = None
    for _ in range(4):
        if np.count_nonzero(near) < FEWEST_HITS:
            return answer
        u_db = np.hypot(u_level_db[near], _BEAM_DB)
        curve, spread, left = _parabola(angle_rad[near], level_db[near], u_db)
        rough = left.ratio
        if curve[2] >= -_SURE * rough * math.sqrt(spread[2, 2]):
            return answer
        axis_rad, half_rad = -curve[1] / (2 * curve[2]), math.sqrt(-_HALF_POWER_DB / curve[2])
        slope = np.array([0.0, 1.0, 2 * axis_rad]) / (2 * curve[2])
        u_axis_rad = rough * math.sqrt(float(slope @ spread @ slope))
        answer = (float(axis_rad), u_axis_rad, half_rad) if left.holds else None
        near = np.abs(angle_rad - axis_rad) < 1.25 * half_rad
    return answer


def _fitted(track: _Track, baseline_m: float) -> Way | None:
    """Fit the straight way by weighted least squares; None where none fits."""
    from scipy.optimize import least_squares

    middle_s = (track.time_s[0] + track.time_s[-1]) / 2
    span_s = float(np.ptp(track.time_s)) / 2
    place = _place(track.time_s)
    square = track.range_m**2
    curve, _, _ = _parabola(place, square, 2 * track.range_m * track.noise_m)
    if curve[2] <= 0 or curve[0] - curve[1] ** 2 / (4 * curve[2]) <= 0:
        return None
    first = np.array(
        [
            math.sqrt(curve[0] - curve[1] ** 2 / (4 * curve[2])),
            math.sqrt(curve[2]),
            -curve[1] / (2 * curve[2]),
        ]
    )

    def misfit(way: NDArray[np.float64]) -> NDArray[np.float64]:
        model_m = passing_range_m(
            place,
            closest_range_m=max(abs(way[0]), 1e-9),
            crossing_speed_m_s=way[1],
            closest_time_s=way[2],
            baseline_m=baseline_m,
            along_baseline=_HEADING_MEAN,
        )
        return np.asarray((model_m - track.range_m) / track.noise_m)

    def slopes(way: NDArray[np.float64]) -> NDArray[np.float64]:
        # Of r² = h + √(h² + b²/4 a): see the notes to passing_range_m.
        nearest, away, quarter = max(abs(way[0]), 1e-9), place - way[2], baseline_m**2 / 4
        lies = way[1] * away
        half = (nearest**2 + lies**2 - quarter) / 2
        root = np.sqrt(half**2 + quarter * (nearest**2 + (1 - _HEADING_MEAN) * lies**2))
        by_nearest = nearest * (1 + (half + quarter) / root)
        by_lies = lies * (1 + (half + quarter * (1 - _HEADING_MEAN)) / root)
        columns = [math.copysign(1, way[0]) * by_nearest, by_lies * away, -by_lies * way[1]]
        twice_m = 2 * np.sqrt(half + root) * track.noise_m
        return np.asarray(np.stack(columns, axis=1) / twice_m[:, np.newaxis])

    # So near to the least sum of squares that rounding alone is left of the way there.
    found = least_squares(
        misfit, first, jac=slopes, method="lm", xtol=1e-14, ftol=1e-14, gtol=1e-14
    )
    rough = goodness(found.fun, fitted=3).ratio
    slope = np.asarray(found.jac)
    spread = np.linalg.pinv(slope.T @ slope)
    # Outside the beam, and near its nulls above all, an echo is no copy of the pulse: there
    # its range is rougher than its noise, which counts, and is no other way.
    within = track.within_the_beam()
    decided = np.einsum("ij,jk,ik->i", slope, spread, slope)[within].sum()
    if not goodness(found.fun[within], fitted=round(float(decided))).holds:
        return None
    spread = spread * rough**2
    u = np.sqrt(np.maximum(np.diag(spread), 0))
    range_m, speed = abs(float(found.x[0])), abs(float(found.x[1])) / span_s
    return Way(
        range_m=range_m,
        u_range_m=float(u[0]),
        speed_m_s=speed,
        u_speed_m_s=math.hypot(float(u[1]) / span_s, speed * _by_heading(range_m, baseline_m)),
        time_s=float(middle_s + span_s * found.x[2]),
        u_time_s=float(u[2]) * span_s,
    )
