"""Sound speed and time zero, from known distances or the plan's own way."""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence

import numpy as np

from dsp.history.known_targets import KnownPaths, known_paths
from dsp.ping.ranging import path_from_range_m
from rig.bench.plan import Plan
from rig.bench.stored_calibration import StoredSpeed, StoredTimeZero
from rig.errors import CalibrationError
from rig.measure.calibrate.echoes import HeardTarget
from rig.measure.calibrate.runs import Start
from rig.run.receiver import Receiver


def known_paths_of(plan: Plan, heard: Sequence[HeardTarget], notes: list[str]) -> KnownPaths | None:
    """Fit sound speed and time zero to the known targets, if there are any.

    Arrivals count from the leaving as the plan's own method had it. One target is
    compared with the direct sound, or with the leaving itself. What lies on no line tells
    neither, and a note says so.
    """
    if not heard:
        return None
    baseline_m = plan.geometry.baseline_m
    ranges = np.array([h.target.range_m for h in heard])
    paths = path_from_range_m(ranges, baseline_m)
    u_paths = 4 * ranges / paths * [h.target.u_range_m for h in heard]
    arrivals = np.array([h.delay_s for h in heard])
    u_arrivals = np.array([math.hypot(h.u_delay_s, h.start.u_mark_s) for h in heard])
    if len(heard) == 1 or np.unique(paths).size == 1:
        start, geometry = heard[0].start, plan.geometry
        by_direct = start.receiver.plan.geometry.time_zero == "direct"
        paths = np.append(paths, baseline_m if by_direct else 0.0)
        u_paths = np.append(u_paths, geometry.u_baseline_m if by_direct else 0.0)
        arrivals = np.append(arrivals, start.direct_s if by_direct else 0.0)
        own_s = max(start.u_mark_s, geometry.u_time_zero_s, 1e-9)
        u_arrivals = np.append(u_arrivals, own_s)
    try:
        fit = known_paths(paths, arrivals, u_path_m=u_paths, u_arrival_s=u_arrivals)
    except ValueError as problem:
        raise CalibrationError(f"calibrate: {problem}") from problem
    if fit.left.holds:
        return fit
    worst = int(np.argmax(np.abs(fit.residual_s)))
    off_mm = 500 * fit.sound_speed_m_s * float(fit.residual_s[worst])
    notes.append(
        f"the known distances lie on no one line ({fit.left.words}; the one of "
        f"{ranges[worst]:g} m is {off_mm:+.1f} mm off it): no sound speed and no time zero is "
        "taken from them; check each distance, and which echo is whose"
    )
    return None


def _distances(heard: Sequence[HeardTarget]) -> int:
    return len({h.target.range_m for h in heard})


def speed_of(
    by_formula: Receiver, heard: Sequence[HeardTarget], fit: KnownPaths | None
) -> StoredSpeed:
    """Return the sound speed of the fit, or by the formula where there is none."""
    speed, u_speed, method = by_formula.sound_speed_m_s, by_formula.u_sound_speed_m_s, "formula"
    if fit is not None:
        speed, u_speed = fit.sound_speed_m_s, fit.u_sound_speed_m_s
        method = "two distances" if _distances(heard) > 1 else "one distance"
    return StoredSpeed(
        method=method,
        sound_speed_m_s=speed,
        u_sound_speed_m_s=u_speed,
        by_formula_m_s=by_formula.sound_speed_m_s,
        u_by_formula_m_s=by_formula.u_sound_speed_m_s,
    )


def time_zero_of(
    plan: Plan,
    starts: Sequence[Start],
    heard: Sequence[HeardTarget],
    fit: KnownPaths | None,
    speed: StoredSpeed,
    notes: list[str],
) -> StoredTimeZero:
    """Return when the pulse leaves, by the way that is surest, over all starts."""
    start, geometry = starts[0], plan.geometry
    method = start.receiver.plan.geometry.time_zero
    u_own_s = math.hypot(start.u_mark_s, geometry.u_time_zero_s)
    latency_s = by_own_s = statistics.fmean(r.latency_s for r in starts)
    if method == "direct":
        # The way along the baseline was counted off at the formula's speed.
        by_own_s += start.direct_s - geometry.baseline_m / speed.sound_speed_m_s
        u_own_s = math.hypot(
            u_own_s,
            geometry.u_baseline_m / speed.sound_speed_m_s,
            geometry.baseline_m / speed.sound_speed_m_s**2 * speed.u_sound_speed_m_s,
        )
    found_s, u_s = by_own_s, u_own_s
    if fit is not None and _distances(heard) > 1:
        by = {"direct": "the direct sound", "loopback": "the loopback"}.get(method, "the device")
        late_s = latency_s + fit.time_zero_s - by_own_s
        if abs(late_s) > 3 * math.hypot(fit.u_time_zero_s, u_own_s):
            notes.append(
                f"the known distances put the pulse's leaving {1e6 * late_s:+.1f} µs from "
                f"where {by} puts it: what transducers, wire or board add"
            )
        if fit.u_time_zero_s < u_own_s or method != "direct":
            found_s = by_own_s + late_s
            method, u_s = "two distances", math.hypot(fit.u_time_zero_s, start.u_mark_s)
    spread_s = None
    if len(starts) > 1:
        spread_s = statistics.stdev(r.latency_s for r in starts)
        u_s = math.hypot(u_s, spread_s)
    elif not start.info.knows_leaving:
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
