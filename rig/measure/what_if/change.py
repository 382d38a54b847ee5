"""The one thing that is changed, and the plan with the change in it."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

from rig.bench.plan import Plan
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
            pulse = pulse.retuned(change.of(pulse.centre_hz))
        elif change.what == "pulse":
            pulse = pulse.stretched(change.of(pulse.duration_s))
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
