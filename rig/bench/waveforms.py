"""The pulses that a plan sends."""

from __future__ import annotations

from dsp.ping.pulses import Pulse, barker13, golay_pair, linear_chirp, ringing_burst, tone_burst
from rig.bench.plan import Barker13Plan, BurstPlan, ChirpPlan, Plan, TonePlan
from rig.errors import PlanError


def pulses_of(plan: Plan) -> tuple[Pulse, ...]:
    """Make the plan's pulses at its sample rate, in the order in which they take turns.

    Returns
    -------
    tuple of Pulse
        Two for a Golay pair, else one: ``plan.pulses_per_cycle`` of them.

    Raises
    ------
    PlanError
        Where the pulse's keys do not make a pulse at that sample rate.

    Examples
    --------
    >>> from rig.bench.plan import plan_from_table
    >>> chirp = {"kind": "chirp", "start_hz": 4e3, "stop_hz": 12e3, "duration_s": 0.01}
    >>> [pulse.samples.size for pulse in pulses_of(plan_from_table({"pulse": chirp},
    ...     source="example"))]
    [480]
    """
    sent, rate = plan.pulse, plan.timing.sample_rate_hz
    try:
        if isinstance(sent, ChirpPlan):
            return (
                linear_chirp(
                    sent.start_hz,
                    sent.stop_hz,
                    sent.duration_s,
                    rate,
                    taper=sent.taper,
                    taper_fraction=sent.taper_fraction,
                ),
            )
        if isinstance(sent, TonePlan):
            return (
                tone_burst(
                    sent.centre_hz,
                    sent.duration_s,
                    rate,
                    taper=sent.taper,
                    taper_fraction=sent.taper_fraction,
                ),
            )
        if isinstance(sent, Barker13Plan):
            return (barker13(sent.centre_hz, sent.chip_s, rate),)
        if isinstance(sent, BurstPlan):
            return (
                ringing_burst(
                    sent.centre_hz,
                    sent.cycles,
                    sent.ring_s,
                    rate,
                    folded=plan.timing.band_sampling,
                ),
            )
        return golay_pair(sent.centre_hz, sent.chip_s, sent.chips, rate)
    except ValueError as problem:
        raise PlanError(f"pulse: {problem}") from problem
