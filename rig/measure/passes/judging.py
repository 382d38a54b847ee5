"""What a track's target did: each judged by itself, with all that the plan knows to be unsure."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.history.echo_phase import sharpened
from dsp.history.medium_drift import Ranges
from dsp.history.passage import Passage
from dsp.history.passes import passage_of, uncoupled_range_m
from dsp.history.pulse_pairs import ClosingSpeed, closing_speed, unfolded
from dsp.history.tracking import Track
from dsp.physics import beams
from dsp.ping.ranging import path_from_range_m
from dsp.ping.search.listing import SECOND_LOBES
from dsp.uncertainty import Budget
from rig.bench.plan import Plan
from rig.measure.near_discs import arches_of_pass, left_as_points
from rig.measure.passes.passing import Passing
from rig.run.budget import FACES, GRADIENT, SHIFT_TERMS, is_of_sound_speed
from rig.run.hits import resolution_m
from rig.run.receiver import Receiver
from rig.run.results import HitRows

_DRIFT = 2 * math.sqrt(2)
"""Between two values that are each unsure by u, at 95 %."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Judged:
    """A track as it was judged by itself, with its ranges as sharp as they are known."""

    passing: Passing
    ranges: Ranges


def untold(passage: Passage, reason: str) -> Passage:
    """Take back what was said of a passage, and say why."""
    return Passage(
        kind="cannot-tell",
        reason=reason,
        hits=passage.hits,
        first_s=passage.first_s,
        last_s=passage.last_s,
    )


def drift_m(receiver: Receiver, range_m: float) -> float:
    """By how much a drift of the medium may change a range within a run, least to most.

    As the plan knows its medium: in each ping, the sound speed lies within its uncertainty.
    """
    budget = receiver.range_model.budget(
        delay_s=2 * range_m / receiver.sound_speed_m_s, u_delay_s=0.0, u_mark_s=0.0, direct=False
    )
    by_speed_m = range_m * receiver.u_drift_m_s / receiver.sound_speed_m_s
    return _DRIFT * math.hypot(by_speed_m, _combined(budget, lambda name: name == GRADIENT))


def judge(receiver: Receiver, echoes: HitRows, track: Track) -> Judged:
    """Judge one track by itself."""
    plan = receiver.plan
    # The middle of the pulse meets the target half-way through its flight.
    time_s = echoes.sent_s + plan.pulse.duration_s / 2 + echoes.delay_s / 2
    noise_m = echoes.noise_m
    range_m = uncoupled_range_m(time_s, echoes.range_m, noise_m, plan.pulse.coupling_s)
    sharp, closing, certain = None, None, None
    arches = arches_of_pass(receiver, float(np.min(range_m)))
    if np.isfinite(echoes.snr_db).all() and np.isfinite(echoes.phasor).all():
        phase_noise_rad = _phase_noise_rad(receiver, echoes)
        # The parts of a large disc turn a short pulse's phase by other than its range.
        sharp = (
            None
            if arches
            else sharpened(
                time_s,
                range_m,
                noise_m,
                np.angle(echoes.phasor),
                phase_noise_rad,
                wavelength_m=receiver.wavelength_m,
                baseline_m=plan.geometry.baseline_m,
            )
        )
        closing = _closing(receiver, echoes, phase_noise_rad)
    if closing is not None:
        certain = unfolded(
            closing,
            *_range_speed(time_s, range_m, noise_m),
            sound_speed_m_s=receiver.sound_speed_m_s,
            u_sound_speed_m_s=receiver.u_sound_speed_m_s,
        )
    half_angle_rad = _half_angle_rad(receiver)
    ranges = Ranges(
        ping=echoes.ping,
        range_m=range_m if sharp is None else sharp.range_m,
        noise_m=noise_m if sharp is None else sharp.noise_m,
    )
    passage = passage_of(
        time_s,
        ranges.range_m,
        ranges.noise_m,
        echoes.strength_db,
        echoes.snr_db,
        baseline_m=plan.geometry.baseline_m,
        half_angle_rad=half_angle_rad,
        drift_m=drift_m(receiver, float(np.mean(range_m))),
        turned=track.turned,
        arches=arches,
    )
    if track.unsure:
        reason = "it ran together with another echo, and nobody can say which went on where"
        passage = untold(passage, reason)
    passing = Passing(
        passage=_with_common(
            receiver, passage, echoes, u_shift_m=0.0 if sharp is None else sharp.u_shift_m
        ),
        ping=echoes.ping,
        time_s=time_s,
        range_m=range_m,
        strength_db=echoes.strength_db,
        forecast_hits=_forecast_hits(plan, passage, half_angle_rad),
        closing=closing,
        unfolded=certain,
    )
    return Judged(passing=passing, ranges=ranges)


def _combined(budget: Budget, wanted: Callable[[str], bool]) -> float:
    """Combine those terms of a range's budget whose names are wanted."""
    return math.hypot(*(term.u for term in budget.terms if wanted(term.name)))


def _phase_noise_rad(receiver: Receiver, echoes: HitRows) -> NDArray[np.float64]:
    """Return the standard deviations of the phases: each echo's own, and its mark's share."""
    # A direct sound of d² places itself to 1/(d β), and its phase to 1/d.
    turn_rad_s = 2 * np.pi * receiver.centre_hz
    if receiver.plan.geometry.time_zero == "direct":
        turn_rad_s = receiver.shape.pulse_rms_bandwidth_rad_s
    return np.hypot(echoes.u_phase_rad, turn_rad_s * echoes.u_mark_s)


def _closing(
    receiver: Receiver, echoes: HitRows, phase_noise_rad: NDArray[np.float64]
) -> ClosingSpeed | None:
    """Take the closing speed from the phases of neighbouring pings."""
    since = echoes.ping - echoes.ping[0]
    if not np.any(np.diff(since) == 1):
        return None
    in_row = np.full(int(since[-1]) + 1, np.nan, dtype=np.complex128)
    d2 = np.full(in_row.size, np.nan)
    in_row[since] = echoes.phasor
    d2[since] = 1 / phase_noise_rad**2
    # A baseline makes each wave of path count for a little more range.
    by_path = receiver.sound_speed_m_s * float(np.mean(echoes.delay_s / (2 * echoes.range_m)))
    return closing_speed(
        in_row,
        d2,
        interval_s=receiver.plan.timing.ping_interval_s,
        frequency_hz=receiver.centre_hz / by_path,
        sound_speed_m_s=receiver.sound_speed_m_s,
    )


def _range_speed(
    time_s: NDArray[np.float64], range_m: NDArray[np.float64], noise_m: NDArray[np.float64]
) -> tuple[float, float]:
    """Return the closing speed that the ranges tell, with its standard uncertainty."""
    weight = 1 / noise_m**2
    away_s = time_s - weight @ time_s / weight.sum()
    spread = float(weight @ away_s**2)
    slope = float(weight @ (away_s * range_m)) / spread
    return -slope, 1 / math.sqrt(spread)


def u_speed_share(receiver: Receiver, passing: Passing) -> float:
    """Return what a pass's speed is unsure by, as a share, that no ping of it can tell.

    Sound speed, time zero, and a drift of the medium, which are alike in all of its echoes.
    """
    told, nearest_m = passing.passage, float(passing.range_m.min())
    geometry = receiver.plan.geometry
    budget = receiver.range_model.budget(
        delay_s=float(path_from_range_m(nearest_m, geometry.baseline_m)) / receiver.sound_speed_m_s,
        u_delay_s=0.0,
        u_mark_s=0.0,
        direct=geometry.time_zero == "direct",
    )
    _, slow = left_as_points(receiver, nearest_m)
    return math.hypot(*_shared(receiver, told, budget, passing.range_m), slow)


def _shared(
    receiver: Receiver, told: Passage, budget: Budget, range_m: NDArray[np.float64]
) -> tuple[float, float]:
    """Return what a speed is unsure by, as shares, by what its ranges share, and by a drift."""
    nearest_m = float(range_m.min())
    closest_m = nearest_m if told.closest_range_m is None else told.closest_range_m
    # A wrong sound speed scales ranges and speed alike; a shift of all ranges bends the
    # curve of their squares by half as much. The clock counts the pings as well, so it
    # cancels out of a speed.
    scale_m = _combined(budget, is_of_sound_speed)
    shift_m = _combined(budget, lambda name: name in SHIFT_TERMS) / 2
    by_range = math.hypot(scale_m, shift_m) / nearest_m
    # A drift bends it too, and the square of the speed is its bend. Of half an arch a parabola
    # has a quarter of the rise for its bend, and the drift at both ends and the middle.
    rise_m = float(range_m.max()) - closest_m
    bend_m = rise_m if told.kind == "pass" else rise_m / 4
    u_drift_m = drift_m(receiver, closest_m) / _DRIFT
    by_drift = math.sqrt(1.5) * u_drift_m / (2 * bend_m)
    return by_range, by_drift


def _with_common(
    receiver: Receiver, passage: Passage, echoes: HitRows, *, u_shift_m: float
) -> Passage:
    """Add what all the ranges of a track have in common, as the nearest has it."""
    if passage.closest_range_m is None or passage.u_closest_range_m is None:
        return passage
    nearest = int(np.argmin(echoes.range_m))
    budget = receiver.range_model.budget(
        delay_s=float(echoes.delay_s[nearest]),
        u_delay_s=0.0,  # noise: it is in the passage already
        u_mark_s=0.0,
        direct=receiver.plan.geometry.time_zero == "direct",
        u_shape_s=float(echoes.u_shape_s[nearest]),
    )
    late_m, slow = left_as_points(receiver, passage.closest_range_m)
    beside_m = echoes.beside_m
    second = beside_m >= SECOND_LOBES * resolution_m(receiver)
    if passage.kind == "stay" and all(half.any() for half in np.array_split(second, 2)):
        # Of two that stay, each ping brings both, also where its noise lets them not be told.
        beside_m = beside_m[second]
    pulled_m = math.sqrt(float(np.mean(beside_m**2)))
    # What faces do is in the arch that was fitted, or else left.
    of_range_m = _combined(budget, lambda name: name != FACES)
    common_m = math.hypot(u_shift_m, of_range_m, late_m, pulled_m)
    told = dataclasses.replace(
        passage, u_closest_range_m=math.hypot(passage.u_closest_range_m, common_m)
    )
    if told.crossing_speed_m_s is None or told.u_crossing_speed_m_s is None:
        return told
    by_range, by_drift = _shared(receiver, told, budget, echoes.range_m)
    u_speed = math.hypot(
        told.u_crossing_speed_m_s, told.crossing_speed_m_s * math.hypot(by_range, by_drift, slow)
    )
    return dataclasses.replace(told, u_crossing_speed_m_s=u_speed)


def _half_angle_rad(receiver: Receiver) -> float | None:
    half_angle_rad = receiver.range_model.half_angle_rad
    return half_angle_rad if half_angle_rad < math.pi / 2 else None


def _forecast_hits(plan: Plan, passage: Passage, half_angle_rad: float | None) -> float | None:
    if (
        half_angle_rad is None
        or passage.closest_range_m is None
        or passage.crossing_speed_m_s is None
    ):
        return None
    foretold = beams.straight_pass(
        passage.closest_range_m, half_angle_rad, passage.crossing_speed_m_s
    )
    return foretold.dwell_s / plan.timing.ping_interval_s
