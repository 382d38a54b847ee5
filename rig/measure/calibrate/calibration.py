"""The steps gone through, and what they tell put together."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from datetime import datetime

from rig.bench.plan import Plan
from rig.bench.stored_calibration import Calibration
from rig.errors import PlanError
from rig.front_ends.protocol import FrontEnd
from rig.measure.calibrate.echoes import HeardTarget, heard_target
from rig.measure.calibrate.findings import findings_of
from rig.measure.calibrate.level import level_of
from rig.measure.calibrate.replica import replica_of
from rig.measure.calibrate.runs import Start, started, with_weighting
from rig.measure.calibrate.second import second_of
from rig.measure.calibrate.steps import Step
from rig.measure.calibrate.times import known_paths_of, speed_of, time_zero_of


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
        From :func:`rig.measure.calibrate.steps.steps`.
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
    heard_by = with_weighting(plan, weighting="hann", stack=1)
    starts: list[Start] = []
    heard: list[HeardTarget] = []
    for step in to_do:
        prepare(step)
        begun = [started(heard_by, open_front_end, pings) for _ in range(step.starts)]
        starts += begun
        heard += [heard_target(begun[0], t) for t in step.targets]
    return _calibration(
        plan, starts, to_do[0], heard, made=made, pings=pings, most_cost_db=most_cost_db
    )


def _calibration(
    plan: Plan,
    starts: Sequence[Start],
    first: Step,
    heard: Sequence[HeardTarget],
    *,
    made: datetime,
    pings: int,
    most_cost_db: float | None,
) -> Calibration:
    """Put together what all that was heard tells."""
    start, notes = starts[0], list[str]()
    fit = known_paths_of(plan, heard, notes)
    speed = speed_of(start.receiver, heard, fit)
    if fit is not None:
        apart = abs(speed.sound_speed_m_s - speed.by_formula_m_s)
        if apart > 3 * math.hypot(speed.u_sound_speed_m_s, speed.u_by_formula_m_s):
            notes.append(
                f"the sound speed from known distances is {apart:.2f} m/s from that by "
                "formula: check temperature, salinity and tape"
            )
    return Calibration(
        made=made,
        plan=plan.at_rate(start.info.sample_rate_hz),
        front_end=start.info.front_end,
        device=start.info.device,
        reported_latency_s=start.info.latency_s,
        pings=pings,
        time_zero=time_zero_of(plan, starts[: first.starts], heard, fit, speed, notes),
        sound_speed=speed,
        replica=replica_of(
            plan, start, heard, speed.sound_speed_m_s, notes, most_cost_db=most_cost_db
        ),
        level=level_of(plan, heard, speed.sound_speed_m_s, notes),
        second=second_of(plan, start, heard, speed.sound_speed_m_s, notes),
        findings=findings_of(plan, start, first.targets, notes),
        notes=tuple(notes),
    )
