"""The guided calibration of a bench: what to set up, in order, and what it then tells.

Steps are data: a person is told :attr:`Step.words` before each, and a bench that
stands ready, or a virtual tank, runs through them alone. Nothing here asks or prints.
"""

from __future__ import annotations

import dataclasses
import math
import statistics
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from dsp.history import known_targets
from dsp.history.known_targets import KnownPaths, known_paths
from dsp.physics import targets
from dsp.physics.absorption import absorption_db_m
from dsp.ping import detection
from dsp.ping.compression import EchoShape, PulseCompressor
from dsp.ping.equalising import Replica, aligned_mean, equalisation, measured_replica
from dsp.ping.pulses import Pulse
from dsp.ping.ranging import path_from_range_m
from rig.bench.capture import CaptureBlock, CaptureFlag, StreamInfo
from rig.bench.plan import Plan
from rig.bench.stored_calibration import (
    Calibration,
    StoredFinding,
    StoredLevel,
    StoredReplica,
    StoredSpeed,
    StoredTimeZero,
)
from rig.bench.waveforms import pulses_of
from rig.errors import CalibrationError, PlanError
from rig.front_ends.protocol import FrontEnd
from rig.measure.checkup import check_up, value_words
from rig.run.loop import Measurement, PingResult, measure, ping_results
from rig.run.receiver import Echo, Receiver

CAUTION = (
    "Start quiet: begin with a low --level and raise it in small steps. Keep ears away from "
    "the loudspeaker, and mains equipment away from a tank."
)

HOLD_S = 0.002
"""Blocks are lined up so that the pulse leaves this long after the first sample."""

U_STRENGTH_DB = 0.5
"""Standard uncertainty of a target's computed strength: that it hangs on the axis,
square to it, and is as round or as flat as the formula has it (common practice)."""

BEYOND_NEAR_FIELD = 4.0
"""A plate is a standard of strength only from this many times A/λ on; nearer it is
partly a mirror."""

NEIGHBOUR, CLOSE_NEIGHBOUR = 0.2, 0.7
"""A sound of less than this share of an echo's amplitude is taken to be the transducers'
own answer and no other echo; the second, within three widths of an echo. A coloured
pulse is no exact copy of the one that was sent, and leaves such companions."""

SPARE_DB = 10.0
"""An equalised echo of the kind that was listened to must stand this far above the
detection threshold in a single ping."""


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownTarget:
    """Something that stands on the axis at a known distance.

    Attributes
    ----------
    range_m, u_range_m : float
        From midway between source and receiver to its front.
    radius_m : float or None
        Of a hard sphere, for its strength.
    size_m : tuple of float or None
        Width and height of a hard flat plate, for its strength.
    """

    range_m: float
    u_range_m: float = 0.001
    radius_m: float | None = None
    size_m: tuple[float, float] | None = None

    @property
    def words(self) -> str:
        """What it is, for a person."""
        if self.radius_m is not None:
            return f"a hard sphere of {1e3 * self.radius_m:g} mm radius"
        if self.size_m is not None:
            return f"a hard plate of {self.size_m[0]:g} × {self.size_m[1]:g} m"
        return "a hard flat plate"


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One thing to set up before pings are sent.

    Attributes
    ----------
    name : str
    words : str
        What a person has to do.
    targets : tuple of KnownTarget
        What must stand there.
    starts : int
        How often the device is opened, to learn how its latency differs.
    """

    name: str
    words: str
    targets: tuple[KnownTarget, ...] = ()
    starts: int = 1


MOST_COST_DB = 20.0
"""Unless told otherwise no more is paid. Deeper down lie the clicks of a pulse's ends,
which other sounds than the one that was listened to have in other measure: what is lifted
there shows as echoes a pulse's length away."""


def steps(known: Sequence[KnownTarget], *, one_by_one: bool, starts: int = 1) -> tuple[Step, ...]:
    """Return what is to be done, in order.

    Parameters
    ----------
    known : sequence of KnownTarget
    one_by_one : bool
        Whether the targets are put up in turn; else they all stand there from the start.
    starts : int
        For the first step.
    """
    listen = "Loudspeaker and microphone as for a run, nothing moving."
    if not one_by_one:
        return (Step(name="listen", words=listen, targets=tuple(known), starts=starts),)
    alone = Step(name="listen", words=f"{listen} Nothing on the axis.", starts=starts)
    put = (
        Step(
            name=f"target at {t.range_m:g} m",
            words=f"Put {t.words} on the axis, square to it, {t.range_m:g} m from midway "
            "between source and receiver; take other targets away.",
            targets=(t,),
        )
        for t in known
    )
    return (alone, *put)


def calibrate(
    plan: Plan,
    open_front_end: Callable[[Plan], FrontEnd],
    to_do: Sequence[Step],
    *,
    made: datetime,
    pings: int = 20,
    most_cost_db: float | None = None,
    prepare: Callable[[Step], None] = lambda _: None,
) -> Calibration:
    """Go through the steps and put together what they tell.

    Parameters
    ----------
    plan : Plan
        Its own way to time zero must work without a calibration.
    open_front_end : callable
        Opens the device for a plan.
    to_do : sequence of Step
        From :func:`steps`.
    made : datetime
        Now, with its time zone.
    pings : int
        In each run, at least 2.
    most_cost_db : float, optional
        How much noise to pay for a finer resolution; by default as much as the echo
        that was listened to can spare.
    prepare : callable
        Called before each step; returns once all is set up.

    Raises
    ------
    PlanError
        Where a target stands outside the plan's ranges.
    CalibrationError
        Where nothing was heard, or not a target where it was said to be.
    DeviceError
        As `open_front_end`.
    """
    if pings < 2 * plan.pulses_per_cycle:
        raise PlanError(f"pings: found {pings}; give at least {2 * plan.pulses_per_cycle}")
    for target in (t for step in to_do for t in step.targets):
        asked = plan.receiver
        if not asked.range_start_m <= target.range_m <= asked.range_stop_m:
            raise PlanError(
                f"target: found at {target.range_m:g} m, outside the plan's ranges of "
                f"{asked.range_start_m:g} to {asked.range_stop_m:g} m; give one within, or "
                "widen the plan"
            )
    # Low side lobes: a coloured pulse has companions otherwise, that pull it aside.
    heard_by = _with(plan, weighting="hann", stack=1)
    runs: list[_Run] = []
    heard: list[_HeardTarget] = []
    for step in to_do:
        prepare(step)
        for start in range(step.starts):
            run = _run(heard_by, open_front_end, pings)
            runs.append(run)
            if start == 0:
                heard += [_heard_target(run, t) for t in step.targets]
    return _Told(plan=plan, runs=tuple(runs), first=to_do[0], heard=tuple(heard)).calibration(
        made=made, pings=pings, most_cost_db=most_cost_db
    )


def calibration_lines(calibration: Calibration) -> tuple[str, ...]:
    """Put a calibration into words, each number with its uncertainty (k = 2)."""
    c, lines = calibration, list[str]()
    lines.append(
        f"{c.device} ({c.front_end}), {c.plan.timing.sample_rate_hz:g} Hz, {c.pings} pings"
    )
    speed = c.sound_speed
    lines.append(
        f"sound speed {speed.sound_speed_m_s:.2f} ± {2 * speed.u_sound_speed_m_s:.2f} m/s by "
        f"{speed.method}; by formula {speed.by_formula_m_s:.2f} ± {2 * speed.u_by_formula_m_s:.2f}"
    )
    if c.time_zero is not None:
        zero = c.time_zero
        spread = "" if zero.spread_s is None else f", {1e6 * zero.spread_s:.1f} µs between starts"
        lines.append(
            f"time zero {1e3 * zero.latency_s:.4f} ± {2e3 * zero.u_latency_s:.4f} ms by "
            f"{zero.method}, {zero.starts} start{'' if zero.starts == 1 else 's'}{spread}"
        )
    if c.replica is not None:
        r = c.replica
        lines += [
            f"the pulse was taken from the {'direct sound' if r.source == 'direct' else r.source}, "
            f"2E/N0 {r.snr_db:.0f} dB",
            f"resolution {1e3 * r.resolution_m:.1f} mm equalised, {1e3 * r.plain_resolution_m:.1f} "
            f"mm plain, for {r.noise_cost_db:.1f} dB more noise",
        ]
    if c.level is not None:
        lines.append(
            f"level {c.level.source_level_db:.1f} ± {2 * c.level.u_source_level_db:.1f} dB re full "
            f"scale at 1 m, by {c.level.target}"
        )
    for f in c.findings:
        u = "" if f.u_value is None else f" ± {2 * f.u_value:.1f}"
        lines.append(
            f"{f.name} {value_words(f.value)}{u} {f.unit}".rstrip() + ("" if f.fit else ": NOT FIT")
        )
        if f.advice:
            lines.append(f"    {f.advice}")
    lines += [f"note: {note}" for note in c.notes]
    return tuple(lines)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Run:
    """Some pings of one opening of the device."""

    receiver: Receiver
    blocks: tuple[CaptureBlock, ...]
    results: tuple[PingResult, ...]
    whole: Measurement

    @property
    def info(self) -> StreamInfo:
        return self.receiver.info

    @property
    def good(self) -> list[tuple[CaptureBlock, PingResult]]:
        by_index = {b.index: b for b in self.blocks if not b.confirms_only}
        return [(by_index[r.index], r) for r in self.results if not r.lost]

    @property
    def latency_s(self) -> float:
        return statistics.median(r.latency_s for _, r in self.good if r.latency_s is not None)

    @property
    def u_mark_s(self) -> float:
        marks = [r.time_zero.u_delay_s for _, r in self.good if r.time_zero is not None]
        return statistics.median(marks) / math.sqrt(len(marks))

    @property
    def direct_s(self) -> float:
        """From the pulse's leaving, as it was taken, to the direct sound."""
        return self.receiver.plan.geometry.baseline_m / self.receiver.sound_speed_m_s


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _HeardTarget:
    """A known target's echo."""

    target: KnownTarget
    run: _Run
    echo: Echo
    delay_s: float

    @property
    def u_delay_s(self) -> float:
        """Of its arrival alone, from its SNR."""
        if self.run.info.edge_step_s is not None:
            return self.run.info.edge_step_s / math.sqrt(12)
        shape = self.run.receiver.shape
        snr = 10 ** (self.echo.snr_db / 10)
        return detection.delay_uncertainty_s(shape, snr * shape.efficiency)


def _run(plan: Plan, open_front_end: Callable[[Plan], FrontEnd], pings: int) -> _Run:
    with open_front_end(plan) as front_end:
        info = front_end.info
        blocks = tuple(front_end.blocks(pings))
    receiver = Receiver(plan, info)
    results = tuple(ping_results(receiver, blocks))
    if all(r.lost for r in results):
        raise CalibrationError(
            f"calibrate: all {len(results)} pings were lost ({results[-1].reason}); "
            "see what `echobench check` says"
        )
    return _Run(receiver=receiver, blocks=blocks, results=results, whole=measure(receiver, blocks))


def _heard_target(run: _Run, target: KnownTarget) -> _HeardTarget:
    """Find a known target's echo."""
    echo = _strongest_near(run.whole, target)
    if echo is None:
        found = ", ".join(f"{e.range_m:.3f}" for e in run.whole.echoes[:5]) or "none"
        raise CalibrationError(
            f"calibrate: no echo within {_around_m(target):.2f} m of the target at "
            f"{target.range_m:g} m; "
            f"found at {found}; check its distance, turn it square to the pair, or turn it up a "
            "little"
        )
    return _HeardTarget(target=target, run=run, echo=echo, delay_s=_delay_s(run, echo))


def _delay_s(run: _Run, echo: Echo) -> float:
    """Return where an echo peaks, all of it.

    A coloured pulse, taken away as if it were the sent one, leaves companions, which
    the search for echoes takes for others; what stands alone is whole.
    """
    profile = run.whole.profile
    if profile is None or run.info.edge_step_s is not None:
        return echo.delay_s
    near = round(echo.delay_s / profile.bin_s)
    reach = math.ceil(run.receiver.shape.width_s / 2 / profile.bin_s)
    first = max(near - reach, 0)
    strongest = first + int(np.abs(profile.envelope[first : near + reach + 1]).argmax())
    return _refined_s(profile.envelope, strongest, run.receiver.shape)


def _refined_s(envelope: NDArray[np.complex64], strongest: int, shape: EchoShape) -> float:
    place, _ = detection.refined(
        envelope,
        np.array([strongest]),
        lobe_bins=shape.width_s / shape.bin_s,
        centre_turns=(shape.centre_hz - shape.carrier_hz) * shape.bin_s,
    )
    return float(place[0]) * shape.bin_s


def _strongest_near(whole: Measurement, target: KnownTarget) -> Echo | None:
    near = [e for e in whole.echoes if abs(e.range_m - target.range_m) <= _around_m(target)]
    return max(near, key=lambda e: e.strength_db, default=None)


def _around_m(target: KnownTarget) -> float:
    """Return how far from its place a target's echo is looked for.

    A wrong temperature or salinity moves it by some percent.
    """
    return max(0.05, 0.04 * target.range_m)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Told:
    """All that was heard, and what follows from it."""

    plan: Plan
    runs: tuple[_Run, ...]
    first: Step
    heard: tuple[_HeardTarget, ...]

    def calibration(self, *, made: datetime, pings: int, most_cost_db: float | None) -> Calibration:
        run, notes = self.runs[0], list[str]()
        fit = self._fit()
        speed = self._speed(fit)
        if fit is not None:
            apart = abs(speed.sound_speed_m_s - speed.by_formula_m_s)
            if apart > 3 * math.hypot(speed.u_sound_speed_m_s, speed.u_by_formula_m_s):
                notes.append(
                    f"the sound speed from known distances is {apart:.2f} m/s from that by "
                    "formula: check temperature, salinity and tape"
                )
        return Calibration(
            made=made,
            plan=self.plan.at_rate(run.info.sample_rate_hz),
            front_end=run.info.front_end,
            device=run.info.device,
            reported_latency_s=run.info.latency_s,
            pings=pings,
            time_zero=self._time_zero(fit, speed, notes),
            sound_speed=speed,
            replica=self._replica(most_cost_db, speed.sound_speed_m_s, notes),
            level=self._level(speed.sound_speed_m_s, notes),
            findings=self._findings(notes),
            notes=tuple(notes),
        )

    def _fit(self) -> KnownPaths | None:
        """Fit sound speed and time zero to the known targets, if there are any.

        Arrivals count from the leaving as the plan's own method had it. One target is
        compared with the direct sound, or with the leaving itself.
        """
        if not self.heard:
            return None
        baseline_m = self.plan.geometry.baseline_m
        ranges = np.array([h.target.range_m for h in self.heard])
        paths = path_from_range_m(ranges, baseline_m)
        u_paths = 4 * ranges / paths * [h.target.u_range_m for h in self.heard]
        arrivals = np.array([h.delay_s for h in self.heard])
        u_arrivals = np.array([math.hypot(h.u_delay_s, h.run.u_mark_s) for h in self.heard])
        if len(self.heard) == 1 or np.unique(paths).size == 1:
            run, geometry = self.heard[0].run, self.plan.geometry
            by_direct = run.receiver.plan.geometry.time_zero == "direct"
            paths = np.append(paths, baseline_m if by_direct else 0.0)
            u_paths = np.append(u_paths, geometry.u_baseline_m if by_direct else 0.0)
            arrivals = np.append(arrivals, run.direct_s if by_direct else 0.0)
            own_s = max(run.u_mark_s, geometry.u_time_zero_s, 1e-9)
            u_arrivals = np.append(u_arrivals, own_s)
        try:
            return known_paths(paths, arrivals, u_path_m=u_paths, u_arrival_s=u_arrivals)
        except ValueError as problem:
            raise CalibrationError(f"calibrate: {problem}") from problem

    @property
    def _distances(self) -> int:
        return len({h.target.range_m for h in self.heard})

    def _speed(self, fit: KnownPaths | None) -> StoredSpeed:
        by_formula = self.runs[0].receiver
        speed, u_speed, method = by_formula.sound_speed_m_s, by_formula.u_sound_speed_m_s, "formula"
        if fit is not None:
            speed, u_speed = fit.sound_speed_m_s, fit.u_sound_speed_m_s
            method = "two distances" if self._distances > 1 else "one distance"
        return StoredSpeed(
            method=method,
            sound_speed_m_s=speed,
            u_sound_speed_m_s=u_speed,
            by_formula_m_s=by_formula.sound_speed_m_s,
            u_by_formula_m_s=by_formula.u_sound_speed_m_s,
        )

    def _time_zero(
        self, fit: KnownPaths | None, speed: StoredSpeed, notes: list[str]
    ) -> StoredTimeZero:
        run, geometry = self.runs[0], self.plan.geometry
        method = run.receiver.plan.geometry.time_zero
        u_own_s = math.hypot(run.u_mark_s, geometry.u_time_zero_s)
        starts = self.runs[: self.first.starts]
        latency_s = by_own_s = statistics.fmean(r.latency_s for r in starts)
        if method == "direct":
            # The way along the baseline was counted off at the formula's speed.
            by_own_s += run.direct_s - geometry.baseline_m / speed.sound_speed_m_s
            u_own_s = math.hypot(
                u_own_s,
                geometry.u_baseline_m / speed.sound_speed_m_s,
                geometry.baseline_m / speed.sound_speed_m_s**2 * speed.u_sound_speed_m_s,
            )
        found_s, u_s = by_own_s, u_own_s
        if fit is not None and self._distances > 1:
            by = {"direct": "the direct sound", "loopback": "the loopback"}.get(
                method, "the device"
            )
            late_s = latency_s + fit.time_zero_s - by_own_s
            if abs(late_s) > 3 * math.hypot(fit.u_time_zero_s, u_own_s):
                notes.append(
                    f"the known distances put the pulse's leaving {1e6 * late_s:+.1f} µs from "
                    f"where {by} puts it: what transducers, wire or board add"
                )
            if fit.u_time_zero_s < u_own_s or method != "direct":
                found_s = by_own_s + late_s
                method, u_s = "two distances", math.hypot(fit.u_time_zero_s, run.u_mark_s)
        spread_s = None
        if len(starts) > 1:
            spread_s = statistics.stdev(r.latency_s for r in starts)
            u_s = math.hypot(u_s, spread_s)
        elif not run.info.knows_leaving:
            notes.append(
                "the device was opened once: how its latency differs from start to start is not "
                "known, and not in the stored uncertainty"
            )
        return StoredTimeZero(
            method=method,
            latency_s=found_s,
            u_latency_s=u_s,
            starts=len(starts),
            spread_s=spread_s,
        )

    def _level(self, speed_m_s: float, notes: list[str]) -> StoredLevel | None:
        found = [
            level
            for h in self.heard
            if (level := _level_of(h, self.plan, speed_m_s, notes)) is not None
        ]
        return min(found, key=lambda level: level.u_source_level_db) if found else None

    def _replica(
        self, most_cost_db: float | None, speed_m_s: float, notes: list[str]
    ) -> StoredReplica | None:
        """Take the pulse from the clearest known echo that stands alone, or the direct sound."""
        sources = sorted(
            (
                _Source(
                    name="echo",
                    run=h.run,
                    delay_s=h.delay_s,
                    amplitude=10 ** (h.echo.strength_db / 20),
                    snr_db=h.echo.snr_db,
                )
                for h in self.heard
            ),
            key=lambda s: -s.snr_db,
        )
        direct = _direct_source(self.runs[0])
        if direct is not None:
            sources.append(direct)
        for source in sources:
            gate_s = source.gate_s()
            if gate_s is None:
                continue
            replicas = _replicas(source, gate_s)
            spare_db = most_cost_db
            if spare_db is None:
                spare_db = _spare_db(source, self.plan)
            found = equalisation(replicas[0].pulse, most_cost_db=max(spare_db, 0.1))
            return StoredReplica(
                source=source.name,
                replicas=replicas,
                snr_db=source.snr_db,
                floor=found.floor,
                band_hz=found.band_hz,
                resolution_m=found.width_s * speed_m_s / 2,
                plain_resolution_m=found.plain_width_s * speed_m_s / 2,
                noise_cost_db=found.noise_cost_db,
            )
        notes.append("no sound stood far enough from others to take the pulse from it")
        return None

    def _findings(self, notes: list[str]) -> tuple[StoredFinding, ...]:
        run = self.runs[0]
        half = len(run.blocks) // 2
        whole = check_up(run.receiver, run.blocks)
        halves = [
            {f.name: f.value for f in check_up(run.receiver, part)}
            for part in (run.blocks[:half], run.blocks[half:])
        ]
        found = []
        for f in whole:
            values = [h[f.name] for h in halves if f.name in h]
            # Of a mean of two halves, half their difference; a count is what it is.
            counted = isinstance(f.value, int)
            u = abs(values[0] - values[1]) / 2 if len(values) == 2 and not counted else None
            found.append(
                StoredFinding(
                    name=f.name, value=f.value, u_value=u, unit=f.unit, fit=f.fit, advice=f.advice
                )
            )
        clipped = sum(CaptureFlag.CLIPPED in b.flags for b in run.blocks)
        advice = "" if clipped == 0 else "turn the level or the gain down: strengths are too low"
        found.append(
            StoredFinding(
                name="clipped pings",
                value=clipped,
                u_value=None,
                unit=f"of {len(run.blocks)}",
                fit=clipped == 0,
                advice=advice,
            )
        )
        if run.info.edge_step_s is None:
            found += _crosstalk(run, notes)
            found += _ring_down(run, self.first.targets, self.plan, notes)
        return tuple(found)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Source:
    """A sound from which the pulse may be taken."""

    name: str
    run: _Run
    delay_s: float
    amplitude: float
    snr_db: float

    def gate_s(self) -> tuple[float, float] | None:
        """Return how much of the answer stands clear, before and after; None if too little."""
        width_s = self.run.receiver.shape.width_s
        others = [(e.delay_s, 10 ** (e.strength_db / 20)) for e in self.run.whole.echoes]
        others.append((self.run.direct_s, _magnitude_at(self.run, self.run.direct_s)))
        loud = []
        for delay_s, amplitude in others:
            apart_s = delay_s - self.delay_s
            share = CLOSE_NEIGHBOUR if abs(apart_s) < 3 * width_s else NEIGHBOUR
            if amplitude > share * self.amplitude and abs(apart_s) > width_s / 2:
                loud.append(apart_s)
        before_s = min([4 * width_s, HOLD_S / 2, *(-d / 2 for d in loud if d < 0)])
        after_s = min([12 * width_s, *(d / 2 for d in loud if d > 0)])
        if before_s < width_s or after_s < 1.5 * width_s:
            return None
        return before_s, after_s


def _direct_source(run: _Run) -> _Source | None:
    """Return the direct sound as a source, where it is what the pings are timed by."""
    if run.receiver.plan.geometry.time_zero != "direct" or run.whole.profile is None:
        return None
    amplitude = _magnitude_at(run, run.direct_s)
    shape, pings = run.receiver.shape, run.whole.pings - run.whole.lost_pings
    noise = _noise_rms(run) * shape.noise_gain / math.sqrt(pings)
    if amplitude <= 0 or noise <= 0:
        return None
    return _Source(
        name="direct",
        run=run,
        delay_s=run.direct_s,
        amplitude=amplitude,
        snr_db=20 * math.log10(amplitude / noise) + 10 * math.log10(2),
    )


def _placed_alike(replica: Replica, pulse: Pulse) -> Replica:
    """Return the replica with its instant where the filter that finds the marks has it.

    A coloured pulse has no one instant: each filter places it by its own part of the
    band. Time zero and echoes must go by the same.
    """
    rate, room = pulse.sample_rate_hz, pulse.samples.size
    samples = replica.pulse.samples
    block = np.concatenate([np.zeros(room), samples, np.zeros(2 * room)]).astype(np.float32)
    compress = PulseCompressor(pulse, block.size, weighting="hann")
    envelope = compress(block)
    place_s = _refined_s(envelope, int(np.abs(envelope).argmax()), compress.shape)
    return dataclasses.replace(replica, lead_s=place_s - room / rate)


def _replicas(source: _Source, gate_s: tuple[float, float]) -> tuple[Replica, ...]:
    """Take each of the plan's pulses out of the run's pings."""
    run = source.run
    found = []
    for index, pulse in enumerate(pulses_of(run.receiver.plan)):
        heard, noise_rms = _lined_up(run, index)
        replica = measured_replica(
            heard,
            pulse,
            delay_s=HOLD_S + source.delay_s,
            before_s=gate_s[0],
            after_s=gate_s[1],
            noise_rms=noise_rms,
        )
        found.append(_placed_alike(replica, pulse))
    return tuple(found)


def _lined_up(run: _Run, pulse_index: int) -> tuple[NDArray[np.float64], float]:
    """Average the pings of one pulse, which leaves at `HOLD_S`; and the average's noise."""
    rows, starts_s = [], []
    for block, result in run.good:
        if block.pulse_index == pulse_index and result.time_zero is not None:
            rows.append(block.samples[run.info.microphone])
            starts_s.append(result.time_zero.delay_s - HOLD_S)
    rate = run.info.sample_rate_hz
    even = aligned_mean(np.array(rows[0::2]), np.array(starts_s[0::2]), rate)
    if len(rows) < 2:
        return even, _noise_rms(run)
    odd = aligned_mean(np.array(rows[1::2]), np.array(starts_s[1::2]), rate)
    # Half the difference holds the noise of the mean, and nothing that stood still.
    return (even + odd) / 2, float(np.std((even - odd) / 2))


def _spare_db(source: _Source, plan: Plan) -> float:
    """Return how much of one ping's SNR can be given away."""
    pings = source.run.whole.pings - source.run.whole.lost_pings
    single_db = source.snr_db - 10 * math.log10(pings)
    threshold_db = 10 * math.log10(-2 * math.log(plan.receiver.false_alarm_rate))
    return float(np.clip(single_db - threshold_db - SPARE_DB, 1.0, MOST_COST_DB))


def _level_of(
    heard: _HeardTarget, plan: Plan, speed_m_s: float, notes: list[str]
) -> StoredLevel | None:
    target = heard.target
    if heard.run.info.edge_step_s is not None:
        return None
    strength = _strength_db(target, plan, speed_m_s, notes)
    if strength is None:
        return None
    # A level goes by the filter that will read it: of a coloured pulse each sees another
    # part. An equalised echo is scaled to what the plain filter reads.
    weighting = "hann" if plan.receiver.weighting == "hann" else "none"
    receiver = Receiver(_with(heard.run.receiver.plan, weighting=weighting), heard.run.info)
    echo = _strongest_near(measure(receiver, heard.run.blocks), target)
    if echo is None:
        return None
    medium = plan.medium
    level_db, u_db = known_targets.source_level_db(
        echo.strength_db,
        strength[0],
        float(path_from_range_m(target.range_m, plan.geometry.baseline_m)) / 2,
        absorption_db_m=float(
            absorption_db_m(
                medium.kind,
                plan.pulse.centre_hz,
                temperature_c=medium.temperature_c,
                humidity_percent=medium.humidity_percent,
                salinity_g_kg=medium.salinity_g_kg,
            )
        ),
        # An amplitude is noisy by 1/d.
        u_echo_level_db=20 / math.log(10) * 10 ** (-echo.snr_db / 20),
        u_target_strength_db=strength[1],
        u_range_m=target.u_range_m,
    )
    return StoredLevel(
        target=f"{target.words} at {target.range_m:g} m",
        source_level_db=level_db,
        u_source_level_db=u_db,
    )


def _strength_db(
    target: KnownTarget, plan: Plan, speed_m_s: float, notes: list[str]
) -> tuple[float, float] | None:
    """Return a target's strength as the pulse's filter reads it, and its uncertainty."""
    pulse = pulses_of(plan)[0]
    power = np.abs(np.fft.rfft(pulse.samples.astype(np.float64), 4 * pulse.samples.size)) ** 2
    frequency_hz = np.fft.rfftfreq(4 * pulse.samples.size, 1 / pulse.sample_rate_hz)
    kept = power > 1e-3 * power.max()
    weight, wavelength_m = power[kept] / power[kept].sum(), speed_m_s / frequency_hz[kept]
    if target.radius_m is not None:
        strength_db = targets.sphere_target_strength_db(target.radius_m, wavelength_m)
    elif target.size_m is not None:
        area_m2 = target.size_m[0] * target.size_m[1]
        near_m = BEYOND_NEAR_FIELD * area_m2 * plan.pulse.centre_hz / speed_m_s
        if target.range_m < near_m:
            notes.append(
                f"{target.words} at {target.range_m:g} m stands in its own near field and tells no "
                f"level: use a smaller one, a sphere, or stand it {near_m:.2f} m off"
            )
            return None
        strength_db = targets.plate_target_strength_db(area_m2, wavelength_m)
    else:
        return None
    # The filter adds up amplitudes, not powers.
    return float(20 * np.log10(weight @ 10 ** (strength_db / 20))), U_STRENGTH_DB


def _crosstalk(run: _Run, notes: list[str]) -> list[StoredFinding]:
    """Look for the pulse in the microphone before any sound can have come."""
    rate = run.info.sample_rate_hz
    heard, noise_rms = _lined_up(run, 0)
    begin = round(HOLD_S * rate)
    # Band-limited sound begins a little before itself.
    samples = int(run.direct_s * rate) - 3
    pulse = pulses_of(run.receiver.plan)[0].samples.astype(np.float64)
    turned = aligned_mean(heard[np.newaxis], np.array([HOLD_S - begin / rate]), rate)
    try:
        amplitude, u_amplitude = known_targets.crosstalk(
            turned[begin : begin + max(samples, 0)],
            _analytic(pulse)[: max(samples, 0)],
            noise_rms=noise_rms,
        )
    except ValueError:
        notes.append(
            "crosstalk cannot be told from the direct sound: source and receiver stand too close"
        )
        return []
    at_most = amplitude < 3 * u_amplitude
    level = max(amplitude, 3 * u_amplitude, 1e-10)
    direct = _magnitude_at(run, run.direct_s)
    fit = level < direct / 3
    advice = "" if fit else "the pulse comes by wire or through the table: screen or part the leads"
    return [
        StoredFinding(
            name="crosstalk, at most" if at_most else "crosstalk",
            value=20 * math.log10(level),
            u_value=None if at_most else 20 / math.log(10) * u_amplitude / amplitude,
            unit="dB re full scale",
            fit=fit,
            advice=advice,
        )
    ]


def _ring_down(
    run: _Run, known: Sequence[KnownTarget], plan: Plan, notes: list[str]
) -> list[StoredFinding]:
    """Follow what is heard behind the direct sound, in the low side lobes of a Hann weighting."""
    hann, profile = run.receiver, run.whole.profile
    if profile is None:
        return []
    shape, bin_s = hann.shape, profile.bin_s
    magnitude = np.abs(profile.envelope).astype(np.float64)
    # The median of Rayleigh noise, far out, over √ln 2, is its RMS.
    noise = float(np.median(magnitude[3 * magnitude.size // 4 :])) / math.sqrt(math.log(2))
    lobes = detection.side_lobe_ceiling(shape, magnitude.size)
    direct_bin = round(run.direct_s / bin_s)
    begin = direct_bin + math.ceil(1.2 * shape.width_s / bin_s)
    nearest_m = min([t.range_m for t in known], default=plan.receiver.range_stop_m)
    path_m = float(path_from_range_m(nearest_m, plan.geometry.baseline_m))
    end = int((path_m / hann.sound_speed_m_s - 2 * shape.width_s) / bin_s)
    if end <= begin:
        return []
    peak = float(magnitude[max(direct_bin - 1, 0) : direct_bin + 2].max())
    floor = np.maximum(noise, 1e-10) + peak * lobes[begin - direct_bin : end - direct_bin]
    ring = known_targets.ring_down(
        magnitude[begin:end],
        floor,
        bin_s=bin_s,
        window_bins=max(1, round(shape.width_s / bin_s)),
    )
    if ring is None:
        notes.append("no ring-down stood out behind the direct sound")
        return []
    deaf_s = ring.deaf_s + (begin - direct_bin) * bin_s
    return [
        StoredFinding(
            name="ring-down to 1/e",
            value=1e3 * ring.decay_s,
            u_value=1e3 * ring.u_decay_s,
            unit="ms",
            fit=True,
        ),
        StoredFinding(
            name="ring-down heard for",
            value=1e3 * deaf_s,
            u_value=1e3 * shape.width_s / math.sqrt(12),
            unit="ms",
            fit=deaf_s * hann.sound_speed_m_s / 2 < plan.receiver.range_start_m,
            advice=""
            if deaf_s * hann.sound_speed_m_s / 2 < plan.receiver.range_start_m
            else "it covers the plan's nearest ranges: damp the source, or start further off",
        ),
    ]


def _magnitude_at(run: _Run, delay_s: float) -> float:
    """Return the strongest bin within one of a delay in the run's sum."""
    if run.whole.profile is None:
        return 0.0
    place = round(delay_s / run.whole.profile.bin_s)
    near = run.whole.profile.envelope[max(place - 1, 0) : place + 2]
    return float(np.abs(near).max(initial=0.0))


def _noise_rms(run: _Run) -> float:
    """Return the RMS of a sample's noise, from the quiet ahead of each mark."""
    quiet = [
        block.samples[
            run.info.microphone, : max(8, int(0.8 * block.mark_s * run.info.sample_rate_hz))
        ]
        for block, _ in run.good
    ]
    return float(np.std(np.concatenate(quiet)))


def _analytic(samples: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Return the analytic signal of a pulse with silence around it."""
    length = 4 * samples.size
    spectrum = np.fft.fft(samples, length)
    spectrum[1 : length // 2] *= 2
    spectrum[length // 2 + 1 :] = 0
    return np.asarray(np.fft.ifft(spectrum)[: samples.size])


def _with(plan: Plan, *, weighting: str, stack: int | None = None) -> Plan:
    receiver = dataclasses.replace(plan.receiver, weighting=weighting)
    if stack is not None:
        receiver = dataclasses.replace(receiver, stack=stack)
    return dataclasses.replace(plan, receiver=receiver)
