"""The pulses that a plan sends."""

from __future__ import annotations

import functools

import numpy as np
from numpy.typing import NDArray

from dsp.ping.pulse.pulses import Pulse
from dsp.ping.signs.signs import SIGNS
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
    try:
        return _pulses(plan.pulse, plan.timing.sample_rate_hz, plan.timing.band_sampling)
    except ValueError as problem:
        raise PlanError(f"pulse: {problem}") from problem


@functools.lru_cache(maxsize=16)
def _pulses(sent: PulseKind, sample_rate_hz: float, band_sampling: bool) -> tuple[Pulse, ...]:
    """Benches that send alike share their pulses, and what is worked out for them."""
    return sent.pulses(sample_rate_hz, band_sampling)


def samples_in_turn(plan: Plan) -> tuple[NDArray[np.float32], ...]:
    """Return what is sent ping after ping, before it begins anew.

    Returns
    -------
    tuple of ndarray of float32
        The pulses; of signed pings, the one pulse upright or upside down for each place of
        the sequence.

    Raises
    ------
    PlanError
        As :func:`pulses_of`.
    """
    pulses = pulses_of(plan)
    if not plan.timing.signed_pings:
        return tuple(pulse.samples for pulse in pulses)
    upright = pulses[0].samples
    return tuple(upright if sign > 0 else -upright for sign in SIGNS)
