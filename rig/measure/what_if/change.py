"""The one thing that is changed, and the plan with the change in it."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

from rig.bench.plan import Barker13Plan, BurstPlan, ChirpPlan, GolayPlan, Plan, PulsePlan, TonePlan
from rig.errors import PlanError

CHANGES = ("frequency", "disc", "speed", "pulse", "tilt")
"""What may be changed: the middle of the band in Hz, the disc's radius (or a line's length)
in metres, the speed of what passes in m/s, the pulse's length in s, or the angle in degrees
by which the beam is turned along the ways, towards where the targets go."""

UNITS = {"frequency": "Hz", "disc": "m", "speed": "m/s", "pulse": "s", "tilt": "°"}

HIGHEST_HZ = 1e6
"""Beyond this, what-ifs would speak of cones and absorption far from any bench."""

_ROOM = 1.02  # of half the sample rate over a pulse's highest frequency, at the least


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One thing changed.

    Attributes
    ----------
    what : str
        One of :data:`CHANGES`.
    value : float
        The new one, in the unit of :data:`UNITS`; with `times`, what the present one is
        multiplied by.
    times : bool
    """

    what: str
    value: float
    times: bool = False

    def of(self, present: float) -> float:
        """Return the new value, given the present one."""
        return present * self.value if self.times else self.value

    def __str__(self) -> str:
        """In words: "disc 2 times"."""
        if self.times:
            return f"{self.what} × {self.value:g}"
        if self.what == "tilt":
            return f"beam turned by {self.value:+g}°".replace("-", "\N{MINUS SIGN}")
        return f"{self.what} {_amount(self.value, UNITS[self.what])}"


def _amount(value: float, unit: str) -> str:
    for step, prefix in ((1e3, "k"), (1.0, ""), (1e-3, "m"), (1e-6, "µ")):
        if abs(value) >= step:
            return f"{value / step:.4g} {prefix}{unit}"
    return f"{value:g} {unit}"


def read_change(text: str) -> Change:
    """Read a change: ``speed=0.3`` for a value, ``speed=2x`` for twice the present one.

    Raises
    ------
    PlanError
        On an unknown name, or a value that is no number or cannot be.
    """
    what, equals, value = text.partition("=")
    if what not in CHANGES or not equals:
        raise PlanError(
            f"change: found {text!r}; give one of "
            f"{', '.join(f'{name}=VALUE' for name in CHANGES)}, such as speed=0.3 or speed=2x"
        )
    times = value.endswith("x")
    try:
        number = float(value.removesuffix("x"))
    except ValueError:
        number = math.nan
    if what == "tilt":
        if times or not abs(number) <= 60:
            raise PlanError(f"change: found {text!r}; give tilt=-60 to tilt=60, in degrees")
    elif not 0 < number < math.inf:
        raise PlanError(f"change: found {text!r}; give {what} a number above 0, or one with an x")
    return Change(what=what, value=number, times=times)


def changed_plan(plan: Plan, change: Change) -> Plan:
    """Return the plan with the change in it; speed and tilt are no part of a plan.

    Raises
    ------
    PlanError
        Where such a plan cannot be, whatever the sample rate.
    """
    try:
        pulse, face = plan.pulse, plan.transducer
        if change.what == "disc":
            size_m = change.of(face.size_m)
            if face.shape == "piston":
                face = dataclasses.replace(face, radius_m=size_m)
            else:
                face = dataclasses.replace(face, length_m=size_m)
        elif change.what == "frequency":
            pulse = _retuned(pulse, change.of(pulse.centre_hz))
        elif change.what == "pulse":
            pulse = _stretched(pulse, change.of(pulse.duration_s))
        if pulse.highest_hz > HIGHEST_HZ:
            raise ValueError(
                f"reaches {pulse.highest_hz:g} Hz; give what stays below {HIGHEST_HZ:g} Hz"
            )
        # No sound card limits what is only thought of: the rate grows with the frequency.
        rate_hz = plan.timing.sample_rate_hz
        rate_hz *= max(1, math.ceil(2 * _ROOM * pulse.highest_hz / rate_hz))
        timing = dataclasses.replace(plan.timing, sample_rate_hz=rate_hz, band_sampling=False)
        return dataclasses.replace(plan, pulse=pulse, transducer=face, timing=timing)
    except ValueError as problem:
        raise PlanError(f"change: {change}: {problem}") from problem


def _retuned(pulse: PulsePlan, centre_hz: float) -> PulsePlan:
    """Move a pulse's band, its width and length kept."""
    if isinstance(pulse, ChirpPlan):
        by_hz = centre_hz - pulse.centre_hz
        if min(pulse.start_hz, pulse.stop_hz) + by_hz < 20.0:
            raise ValueError(
                f"a sweep {abs(pulse.stop_hz - pulse.start_hz):g} Hz wide about {centre_hz:g} Hz "
                "reaches below 20 Hz; give a higher frequency"
            )
        return dataclasses.replace(
            pulse, start_hz=pulse.start_hz + by_hz, stop_hz=pulse.stop_hz + by_hz
        )
    if isinstance(pulse, BurstPlan):
        cycles = max(1, round(pulse.cycles * centre_hz / pulse.centre_hz))
        return dataclasses.replace(pulse, centre_hz=centre_hz, cycles=cycles)
    return dataclasses.replace(pulse, centre_hz=centre_hz)


def _stretched(pulse: PulsePlan, duration_s: float) -> PulsePlan:
    """Change a pulse's length: the chips of a code with it, and the cycles of a burst."""
    if isinstance(pulse, ChirpPlan | TonePlan):
        return dataclasses.replace(pulse, duration_s=duration_s)
    if isinstance(pulse, Barker13Plan | GolayPlan):
        return dataclasses.replace(pulse, chip_s=pulse.chip_s * duration_s / pulse.duration_s)
    drive_s = duration_s - (pulse.duration_s - pulse.drive_s)
    return dataclasses.replace(pulse, cycles=max(1, round(drive_s * pulse.centre_hz)))
