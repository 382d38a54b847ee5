"""The pulses that a plan sends."""

from __future__ import annotations

from dsp.ping.pulses import Pulse
from rig.bench.plan import Plan
from rig.bench.pulse_kinds import PulseKind
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
    sent: PulseKind = plan.pulse
    try:
        return sent.pulses(plan.timing.sample_rate_hz, plan.timing.band_sampling)
    except ValueError as problem:
        raise PlanError(f"pulse: {problem}") from problem
