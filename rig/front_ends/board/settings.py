"""From a plan to what a board is set to."""

from __future__ import annotations

import math
import struct

from dsp.ping.ranging import path_from_range_m
from rig.bench.believed_speed import believed_speed_m_s
from rig.bench.plan import Plan
from rig.errors import PlanError
from rig.front_ends.board.link import Identity, Settings

RATE_SLACK = 1e-3
"""A board's sample rate may differ from the plan's by this share; its own is used."""

_SPEED_SLACK = 1.03  # sound may be this much slower than the plan believes


def settings_for(plan: Plan, identity: Identity) -> Settings:
    """Turn a plan into a board's settings.

    Raises
    ------
    PlanError
        Where the plan asks for what no such board can do; the message names the key.
    """
    burst = plan.pulse.burst
    if burst is None:
        raise PlanError(
            f'pulse.kind: found "{plan.pulse.kind}"; a board sends bursts only: give "burst", with '
            "centre_hz, cycles and ring_s"
        )
    if plan.timing.signed_pings:
        raise PlanError(
            "timing.signed_pings: found true; a board's burst is the same at each ping and knows "
            "no sign: leave it out"
        )
    if plan.geometry.time_zero == "loopback":
        raise PlanError(
            'geometry.time_zero: found "loopback"; a board has one channel: give "calibration" '
            '(its own timer) or "direct"'
        )
    refuse_second(plan)
    clock_hz = identity.clock_hz
    half_period = round(clock_hz / (2 * burst.centre_hz))
    period = round(clock_hz / plan.timing.sample_rate_hz)
    _check_near("pulse.centre_hz", burst.centre_hz, clock_hz / (2 * max(half_period, 1)))
    _check_near("timing.sample_rate_hz", plan.timing.sample_rate_hz, clock_hz / max(period, 1))
    start, length = _gate(plan, clock_hz / period, identity.most_samples)
    try:
        settings = Settings(
            half_period_ticks=half_period,
            cycles=burst.cycles,
            sample_period_ticks=period,
            gate_start=start,
            gate_length=length,
            gain_step=plan.board.gain_step,
        )
        settings.to_body()
    except struct.error as problem:
        raise PlanError(
            f"pulse.centre_hz: found {burst.centre_hz:g} with timing.sample_rate_hz = "
            f"{plan.timing.sample_rate_hz:g}; too slow for a clock of {clock_hz:g} Hz: "
            "give higher ones"
        ) from problem
    return settings


def refuse_second(plan: Plan) -> None:
    """Refuse a plan with a second receiver: no board has one.

    Raises
    ------
    PlanError
    """
    if plan.geometry.second is not None:
        raise PlanError(
            f"geometry.second_channel: found {plan.geometry.second_channel}; a board has one "
            "receiver: leave second_channel and second_spacing_m out, or use a sound card"
        )


def _check_near(key: str, wanted_hz: float, possible_hz: float) -> None:
    if abs(possible_hz / wanted_hz - 1) > RATE_SLACK:
        raise PlanError(
            f"{key}: found {wanted_hz:g}; the board's clock divides to {possible_hz:.6g} Hz at the "
            "nearest: give that"
        )


def _gate(plan: Plan, rate_hz: float, most: int) -> tuple[int, int]:
    """Return how many samples to leave out, and how many to keep."""
    speed = believed_speed_m_s(plan.medium)
    asked, baseline_m = plan.receiver, plan.geometry.baseline_m
    near_m, far_m = path_from_range_m([asked.range_start_m, asked.range_stop_m], baseline_m)
    stop = math.ceil((far_m / speed * _SPEED_SLACK + plan.pulse.duration_s) * rate_hz) + 1
    stop = min(stop, plan.interval_samples - 2)
    if stop <= most:
        return 0, max(stop, 16)
    # The buffer is too short for all of it: leave out what comes before the ranges asked for.
    start = stop - most
    latest = math.floor(near_m / speed / _SPEED_SLACK * rate_hz) - 1
    if start > latest or plan.geometry.time_zero == "direct":
        reach_m = (most / rate_hz - plan.pulse.duration_s) * speed / _SPEED_SLACK / 2
        raise PlanError(
            f"receiver.range_stop_m: found {asked.range_stop_m:g}; the board holds {most} samples, "
            f"about {reach_m:.2f} m of range: give less, a larger range_start_m, or a lower "
            "timing.sample_rate_hz"
        )
    return start, most
