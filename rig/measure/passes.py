"""What went by: echoes followed from ping to ping, and each track judged.

A ping is searched again here, each on its own and at a higher false-alarm rate than
the plan asks: an echo that is too weak to be listed alone counts once it falls into
line with those of other pings, and a false alarm hardly ever does.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.history.echo_phase import SharpRanges, echo_phasor, sharpened
from dsp.history.passes import Passage, passage_of, uncoupled_range_m
from dsp.history.pulse_pairs import ClosingSpeed, closing_speed, unfolded
from dsp.history.tracking import Scan, Track, tracks_of
from dsp.physics import beams
from rig.bench.plan import Plan
from rig.run.budget import NOISE_TERMS, SHIFT_TERMS, is_of_sound_speed
from rig.run.receiver import Receiver
from rig.run.results import Echo, PingResult
from rig.run.run import Run

FALSE_ALARM_RATE = 1e-3
"""For each independent bin of each ping."""

_PEAK_SHARE = 1e-3  # of the resolution: how well a peak is placed where there is no noise


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Passing:
    """One target's passage as the bench saw it.

    Attributes
    ----------
    passage : Passage
        Its uncertainties hold all that the plan knows of: noise, heading, sound
        speed, spacing, time zero and clock.
    ping : ndarray of int64, shape (hits,)
        The numbers of the pings that heard it.
    time_s : ndarray of float64, shape (hits,)
        When the sound met it in each, from the first ping.
    range_m : ndarray of float64, shape (hits,)
        The range in each, free of what the target's speed does to a chirp.
    forecast_hits : float or None
        Pings that the plan's cone foretells for such a pass, from half power to
        half power; None where there is no pass or no cone. To be held against the
        passage's `strong_hits`.
    closing : ClosingSpeed or None
        Mean closing speed by pulse pairs; None where no two pings in a row heard it, or
        where a device hands on no phase.
    unfolded : ClosingSpeed or None
        The one among its speeds that the ranges bear out; None where they are too rough
        to say.
    """

    passage: Passage
    ping: NDArray[np.int64]
    time_s: NDArray[np.float64]
    range_m: NDArray[np.float64]
    forecast_hits: float | None = None
    closing: ClosingSpeed | None = None
    unfolded: ClosingSpeed | None = None


def passings_of(run: Run) -> tuple[Passing, ...]:
    """Return what went by in a run; followed once."""
    return run.once(_passings)


def _passings(run: Run) -> tuple[Passing, ...]:
    return followed(run.receiver, run.results)


def followed(receiver: Receiver, results: Iterable[PingResult]) -> tuple[Passing, ...]:
    """Follow every target through some pings and judge how it went by.

    Parameters
    ----------
    receiver : Receiver
        That the results came from.
    results : iterable of PingResult
        In order; lost ones are passed over. A target with too few hits to make a
        track is left out.

    Returns
    -------
    tuple of Passing
        In the order of their first hits.
    """
    plan = receiver.plan
    heard = [_searched(receiver, result) for result in results if not result.lost]
    cell_m = resolution_m(receiver)
    scans = [
        Scan(
            time_s=ping.result.sent_s,
            range_m=np.array([e.range_m for e in ping.echoes]),
            noise_m=_noise_m(ping.echoes, cell_m),
        )
        for ping in heard
    ]
    tracks = tracks_of(scans, resolution_m=cell_m, interval_s=plan.timing.ping_interval_s)
    passings = [_passing(receiver, heard, track, cell_m) for track in tracks]
    return tuple(sorted(passings, key=lambda p: (p.passage.first_s, p.range_m[0])))


def resolution_m(receiver: Receiver) -> float:
    """Return how far apart in range two echoes must stand to be two."""
    return receiver.shape.width_s * receiver.sound_speed_m_s / 2


def smeared(receiver: Receiver, passings: Iterable[Passing]) -> tuple[Passing, ...]:
    """Return what moved by more than the range resolution, which a sum of all pings smears.

    A twentieth of the hits at either end is left out: chance alarms are among them.
    """
    least_m = resolution_m(receiver)
    return tuple(p for p in passings if np.ptp(np.percentile(p.range_m, [5, 95])) > least_m)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Heard:
    """One ping that can be read, and all that was found in it."""

    result: PingResult
    echoes: tuple[Echo, ...]


def _searched(receiver: Receiver, result: PingResult) -> _Heard:
    found: tuple[Echo, ...] = ()
    if result.alone is not None and result.time_zero is not None:
        found, _ = receiver.echoes(
            result.alone, result.time_zero, false_alarm_rate=FALSE_ALARM_RATE
        )
    return _Heard(result=result, echoes=tuple(e for e in found if e.budget is not None))


def _passing(receiver: Receiver, heard: Sequence[_Heard], track: Track, cell_m: float) -> Passing:
    """Judge one track."""
    plan = receiver.plan
    pings = [heard[i] for i in track.scan]
    echoes = [ping.echoes[j] for ping, j in zip(pings, track.echo, strict=True)]
    # The middle of the pulse meets the target half-way through its flight.
    half_s = plan.pulse.duration_s / 2
    sent_s = np.array([p.result.sent_s for p in pings])
    time_s = sent_s + half_s + np.array([e.delay_s for e in echoes]) / 2
    noise_m = _noise_m(echoes, cell_m)
    range_m = uncoupled_range_m(
        time_s, np.array([e.range_m for e in echoes]), noise_m, plan.pulse.coupling_s
    )
    snr_db = np.array([e.snr_db for e in echoes])
    sharp, closing, certain = None, None, None
    # The phases of a band that was folded down may run backwards: they are not gone by.
    if np.isfinite(snr_db).all() and not plan.timing.band_sampling:
        phasors = _phasors(receiver, [p.result for p in pings], [e.delay_s for e in echoes])
        sharp = _sharpened(receiver, pings, echoes, phasors, time_s, range_m, noise_m)
        closing = _closing(receiver, pings, echoes, phasors)
    if closing is not None:
        certain = unfolded(
            closing,
            *_range_speed(time_s, range_m, noise_m),
            sound_speed_m_s=receiver.sound_speed_m_s,
            u_sound_speed_m_s=receiver.u_sound_speed_m_s,
        )
    half_angle_rad = _half_angle_rad(receiver)
    passage = passage_of(
        time_s,
        range_m if sharp is None else sharp.range_m,
        noise_m if sharp is None else sharp.noise_m,
        np.array([e.strength_db for e in echoes]),
        snr_db,
        # Phases tell a range finer than the envelope's resolution can.
        resolution_m=cell_m if sharp is None else min(cell_m, receiver.wavelength_m),
        baseline_m=plan.geometry.baseline_m,
        half_angle_rad=half_angle_rad,
    )
    if track.unsure:
        passage = Passage(
            kind="cannot-tell",
            reason="it ran together with another echo, and nobody can say which went on where",
            hits=passage.hits,
            first_s=passage.first_s,
            last_s=passage.last_s,
        )
    nearest = min(echoes, key=lambda e: e.range_m)
    return Passing(
        passage=_with_common(passage, nearest, 0.0 if sharp is None else sharp.u_shift_m),
        ping=np.array([p.result.index for p in pings], dtype=np.int64),
        time_s=time_s,
        range_m=range_m,
        forecast_hits=_forecast_hits(plan, passage, half_angle_rad),
        closing=closing,
        unfolded=certain,
    )


def _noise_m(echoes: Sequence[Echo], cell_m: float) -> NDArray[np.float64]:
    """Return what alone differs from ping to ping: the arrivals of echo and mark."""
    noise_m = [_combined(e, lambda name: name in NOISE_TERMS) for e in echoes]
    return np.maximum(np.array(noise_m, dtype=np.float64), _PEAK_SHARE * cell_m)


def _combined(echo: Echo, wanted: Callable[[str], bool]) -> float:
    """Combine those terms of a range's budget whose names are wanted."""
    terms = () if echo.budget is None else echo.budget.terms
    return math.hypot(*(term.u for term in terms if wanted(term.name)))


def _sharpened(
    receiver: Receiver,
    pings: Sequence[_Heard],
    echoes: Sequence[Echo],
    phasors: NDArray[np.complex128],
    time_s: NDArray[np.float64],
    range_m: NDArray[np.float64],
    noise_m: NDArray[np.float64],
) -> SharpRanges | None:
    """Sharpen a track's ranges by the phases of its echoes, where they follow them."""
    return sharpened(
        time_s,
        range_m,
        noise_m,
        np.angle(phasors),
        _phase_noise_rad(receiver, pings, echoes),
        wavelength_m=receiver.wavelength_m,
        baseline_m=receiver.plan.geometry.baseline_m,
    )


def _phase_noise_rad(
    receiver: Receiver, pings: Sequence[_Heard], echoes: Sequence[Echo]
) -> NDArray[np.float64]:
    """Return the standard deviations of the phases: 1/d of each echo, and its mark's share."""
    shape = receiver.shape
    marks = [p.result.time_zero for p in pings]
    u_mark_s = np.array([0.0 if mark is None else mark.u_delay_s for mark in marks])
    # A direct sound of d² places itself to 1/(d β), and its phase to 1/d.
    turn_rad_s = 2 * np.pi * shape.centre_hz
    if receiver.plan.geometry.time_zero == "direct":
        turn_rad_s = shape.pulse_rms_bandwidth_rad_s
    own = [10 ** (-e.snr_db / 20) for e in echoes]
    return np.asarray(np.hypot(own, turn_rad_s * u_mark_s))


def _phasors(
    receiver: Receiver, results: Sequence[PingResult], delay_s: Sequence[float]
) -> NDArray[np.complex128]:
    """Amplitude and phase of one echo in each ping; NaN in a lost one.

    Where the direct sound is time zero, the phase counts from its own: what its arrival
    was misread by, a good part of a wave for a tone burst, drops out.
    """
    shape = receiver.shape
    turns_hz = shape.centre_hz - shape.carrier_hz
    phasors = np.full(len(results), np.nan, dtype=np.complex128)
    for i, (result, delay) in enumerate(zip(results, delay_s, strict=True)):
        if result.alone is not None:
            profile, mark = result.alone, result.time_zero
            direct = mark is not None and mark.method == "direct"
            direct_s = mark.mark_s - mark.delay_s if mark is not None and direct else 0.0
            echo, first = echo_phasor(
                profile.envelope,
                [delay, direct_s],
                bin_s=profile.bin_s,
                centre_offset_hz=turns_hz,
            )
            phasors[i] = echo * np.conj(first) / abs(first) if direct else echo
    return phasors


def _closing(
    receiver: Receiver,
    pings: Sequence[_Heard],
    echoes: Sequence[Echo],
    phasors: NDArray[np.complex128],
) -> ClosingSpeed | None:
    """Take the closing speed from the phases of neighbouring pings."""
    number = np.array([p.result.index for p in pings])
    if not np.any(np.diff(number) == 1):
        return None
    in_row = np.full(int(np.ptp(number)) + 1, np.nan, dtype=np.complex128)
    d2 = np.full(in_row.size, np.nan)
    in_row[number - number[0]] = phasors
    d2[number - number[0]] = 1 / _phase_noise_rad(receiver, pings, echoes) ** 2
    # A baseline makes each wave of path count for a little more range.
    by_path = float(np.mean([e.path_m / (2 * e.range_m) for e in echoes]))
    return closing_speed(
        in_row,
        d2,
        interval_s=receiver.plan.timing.ping_interval_s,
        frequency_hz=receiver.shape.centre_hz / by_path,
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


def passing_lines(passings: Sequence[Passing]) -> tuple[str, ...]:
    """Put what went by into words, one line each; ± is k = 2."""
    return tuple(_line(p) for p in passings)


def smear_lines(receiver: Receiver, passings: Iterable[Passing]) -> tuple[str, ...]:
    """Say what a sum of all pings smears."""
    cell_mm = 1e3 * resolution_m(receiver)
    return tuple(
        f"what was heard from {p.range_m.min():.3f} to {p.range_m.max():.3f} m moved by more than "
        f"the resolution, {cell_mm:.1f} mm: the sum smears it, and shows it too weak, not at all, "
        "or where nothing is"
        for p in smeared(receiver, passings)
    )


def _line(passing: Passing) -> str:
    told = passing.passage
    when = f"{told.first_s:.2f} to {told.last_s:.2f} s, {told.hits} hits"
    if told.closest_range_m is None or told.u_closest_range_m is None:
        near, far = passing.range_m.min(), passing.range_m.max()
        speed = ""
        if passing.unfolded is not None:
            certain = passing.unfolded
            speed = f"; closing at {certain.speed_m_s:.4f} ± {2 * certain.u_speed_m_s:.4f} m/s"
        elif passing.closing is not None:
            found = passing.closing
            speed = (
                f"; closing at {found.speed_m_s:.4f} ± {2 * found.u_speed_m_s:.4f} m/s, or at "
                f"any multiple of {2 * found.fastest_m_s:.4f} m/s more or less"
            )
        return f"cannot tell: {when}, {near:.3f} to {far:.3f} m: {told.reason}{speed}"
    at = f"{told.closest_range_m:.4f} ± {2 * told.u_closest_range_m:.4f} m"
    if told.kind == "stay":
        return f"stay: {when}, at {at}"
    name = {"pass": "pass", "half": "half a pass"}[told.kind]
    line = f"{name}: {when}, closest {at} at {told.closest_time_s:.2f} s"
    if told.crossing_speed_m_s is not None and told.u_crossing_speed_m_s is not None:
        expanded_m_s = 2 * told.u_crossing_speed_m_s
        line += f", crossing at {told.crossing_speed_m_s:.4f} ± {expanded_m_s:.4f} m/s"
    if told.tilt_rad is not None:
        line += f", strongest {math.degrees(told.tilt_rad):+.1f}° from there"
    if told.strong_hits is not None and passing.forecast_hits is not None:
        line += (
            f", {told.strong_hits} hits within half power where the cone foretells "
            f"{passing.forecast_hits:.0f}"
        )
    return line


def _with_common(passage: Passage, nearest: Echo, u_shift_m: float) -> Passage:
    """Add what all the ranges of a track have in common."""
    if passage.closest_range_m is None or passage.u_closest_range_m is None:
        return passage
    common_m = math.hypot(u_shift_m, _combined(nearest, lambda name: name not in NOISE_TERMS))
    told = dataclasses.replace(
        passage, u_closest_range_m=math.hypot(passage.u_closest_range_m, common_m)
    )
    if told.crossing_speed_m_s is None or told.u_crossing_speed_m_s is None:
        return told
    # A wrong sound speed scales ranges and speed alike; a shift of all ranges bends the
    # curve of their squares by half as much. The clock counts the pings as well, so it
    # cancels out of a speed.
    scale_m = _combined(nearest, is_of_sound_speed)
    shift_m = _combined(nearest, lambda name: name in SHIFT_TERMS) / 2
    by_range = math.hypot(scale_m, shift_m) / nearest.range_m
    u_speed = math.hypot(told.u_crossing_speed_m_s, told.crossing_speed_m_s * by_range)
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
