"""A plan with one of its settings turned: what a bench's knobs do to it."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

from rig.bench.plan import Plan
from rig.bench.pulse_kinds import Barker13, Chirp, Golay, PulsePlan, Tone

STEP = 2.0**0.25
"""Four turns double a frequency, a disc or a length."""

_GOLAY_CHIPS = 16


def retuned(plan: Plan, steps: int) -> Plan:
    """Send higher by so many steps, the pulse's width in band and its length kept."""
    pulse = plan.pulse
    return _with_pulse(plan, pulse.retuned(_plain(pulse.centre_hz * STEP**steps)))


def lengthened(plan: Plan, steps: int) -> Plan:
    """Send a pulse that is so many steps longer."""
    pulse = plan.pulse
    return _with_pulse(plan, pulse.stretched(_plain(pulse.duration_s * STEP**steps)))


def other_kind(plan: Plan, steps: int) -> Plan:
    """Send the next kind of pulse, of the same middle and about the same length."""
    pulse = plan.pulse
    kinds: list[Callable[[], PulsePlan]] = [
        lambda: Chirp(
            start_hz=2 / 3 * pulse.centre_hz,
            stop_hz=4 / 3 * pulse.centre_hz,
            duration_s=pulse.duration_s,
        ),
        lambda: Tone(centre_hz=pulse.centre_hz, duration_s=pulse.duration_s),
        lambda: Barker13(centre_hz=pulse.centre_hz, chip_s=pulse.duration_s / 13),
        lambda: Golay(
            centre_hz=pulse.centre_hz,
            chip_s=pulse.duration_s / _GOLAY_CHIPS,
            chips=_GOLAY_CHIPS,
        ),
    ]
    names = ["chirp", "tone", "barker13", "golay"]
    place = names.index(pulse.kind) if pulse.kind in names else -1
    return _with_pulse(plan, kinds[(place + steps) % len(kinds)]())


def other_disc(plan: Plan, steps: int) -> Plan:
    """Believe in a face that is so many steps larger."""
    face = plan.transducer
    larger = dataclasses.replace(
        face,
        radius_m=_plain(face.radius_m * STEP**steps),
        length_m=_plain(face.length_m * STEP**steps),
    )
    return dataclasses.replace(plan, transducer=larger)


def other_interval(plan: Plan, steps: int) -> Plan:
    """Ping less often, by so many steps."""
    interval_s = _plain(plan.timing.ping_interval_s * STEP**steps)
    timing = dataclasses.replace(plan.timing, ping_interval_s=interval_s)
    return dataclasses.replace(plan, timing=timing)


def other_belief(plan: Plan, steps: int) -> Plan:
    """Believe in a medium that is so many degrees warmer."""
    temperature_c = plan.medium.temperature_c + steps
    return dataclasses.replace(
        plan, medium=dataclasses.replace(plan.medium, temperature_c=temperature_c)
    )


def _plain(value: float) -> float:
    """Round to three digits: what is turned by hand is told in no more."""
    return float(f"{value:.3g}")


def _with_pulse(plan: Plan, pulse: PulsePlan) -> Plan:
    return dataclasses.replace(plan, pulse=pulse)
