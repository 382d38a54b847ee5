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

import numpy as np
from numpy.typing import ArrayLike, NDArray

from dsp.arguments import require_within
from dsp.goodness import goodness
from dsp.history.disc_arches import DiscArch
from dsp.history.disc_ways import DISC_SHARE, Way, between, way_by_disc
from dsp.history.parabolas import parabola, place_of
from dsp.history.passage import HEADING_DEVIATION, HEADING_MEAN, Passage, passing_range_m
from dsp.history.track_numbers import (
    CHANCE,
    FEWEST_HITS,
    HALF_POWER_DB,
    LEAST_SNR_DB,
    LIKELY,
    SURE,
    TrackNumbers,
)

LESSER_SHARE = 0.2
"""An arch with less than this of its echo energy, or of its length, on one side is half
an arch. A beam turned aside by 0.7 of its half-power angle leaves so much energy."""

_UNFIT = "no straight way fits its ranges to within their own uncertainties"


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
    track = TrackNumbers(time_s, range_m, noise_m, strength_db, snr_db)
    require_within("drift_m", drift_m, 0, math.inf, "m")
    if track.time_s.size < FEWEST_HITS:
        return track.untold(f"{track.time_s.size} hits; it takes at least {FEWEST_HITS}")
    if track.has_strength and track.strongest_snr_db() < LEAST_SNR_DB:
        return track.untold("the echo is too weak to trust its range")
    moved = track.trend(track.range_m, track.noise_m)
    strength = track.trend(track.strength_db, track.u_strength_db)
    steady = track.has_strength and strength.most < HALF_POWER_DB
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
    if moved.chance >= (CHANCE**2 if steady else CHANCE):
        return track.untold(f"its range wandered by {1e3 * wander_m:.1f} mm, and on no way")
    if moved.bend <= SURE * moved.u_bend:
        return track.untold("its range changed without a curve: it came nearer or went away")
    if steady and half_angle_rad is not None:
        return track.untold(
            f"its range changed by {1e3 * wander_m:.1f} mm, and its strength not as a way "
            "through the beam would change it"
        )
    if moved.bend - LIKELY * moved.u_bend <= drift_m:
        return track.untold("a drift of the medium would bend its way by as much")
    if arches:
        return _by_discs(track, baseline_m, drift_m, arches)
    way = _fitted(track, baseline_m)
    if way is None:
        return track.untold(_UNFIT)
    return _arch(track, way)


def _by_discs(
    track: TrackNumbers, baseline_m: float, drift_m: float, arches: Sequence[DiscArch]
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
        along_baseline=HEADING_MEAN,
    )


def _by_heading(range_m: float, baseline_m: float) -> float:
    """Share of a speed that a heading leaves unsure which nobody said."""
    # Along the baseline the path opens more slowly than across it.
    lag = baseline_m**2 / 4 / (range_m**2 + baseline_m**2 / 4)
    return lag / 2 / (1 - HEADING_MEAN * lag) * HEADING_DEVIATION


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


def _arch(track: TrackNumbers, way: Way) -> Passage:
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
    span_s, place = max(float(np.ptp(time)) / 2, 1e-12), place_of(time)
    curve, _, _ = parabola(place, measured_m**2, 2 * measured_m * np.asarray(noise_m))
    rate_m_s = (curve[1] + 2 * curve[2] * place) / (2 * measured_m * span_s)
    return np.asarray(measured_m - coupling_s * rate_m_s)


def _fitted(track: TrackNumbers, baseline_m: float) -> Way | None:
    """Fit the straight way by weighted least squares; None where none fits."""
    from scipy.optimize import least_squares

    middle_s = (track.time_s[0] + track.time_s[-1]) / 2
    span_s = float(np.ptp(track.time_s)) / 2
    place = place_of(track.time_s)
    square = track.range_m**2
    curve, _, _ = parabola(place, square, 2 * track.range_m * track.noise_m)
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
            along_baseline=HEADING_MEAN,
        )
        return np.asarray((model_m - track.range_m) / track.noise_m)

    def slopes(way: NDArray[np.float64]) -> NDArray[np.float64]:
        # Of r² = h + √(h² + b²/4 a): see the notes to passing_range_m.
        nearest, away, quarter = max(abs(way[0]), 1e-9), place - way[2], baseline_m**2 / 4
        lies = way[1] * away
        half = (nearest**2 + lies**2 - quarter) / 2
        root = np.sqrt(half**2 + quarter * (nearest**2 + (1 - HEADING_MEAN) * lies**2))
        by_nearest = nearest * (1 + (half + quarter) / root)
        by_lies = lies * (1 + (half + quarter * (1 - HEADING_MEAN)) / root)
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
