"""What the plan in use can show: where things may hang, how fast they may go, in what words.

A lesson asks about the bench that stands there. So each number of a question, each place and
each speed is worked out from the plan: its pulse, its faces, its medium, its ping interval.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from dsp.physics.absorption import absorption_db_m
from dsp.physics.beams import footprint_diameter_m, half_power_half_angle_rad
from dsp.ping.ranging import path_from_range_m
from rig.bench.believed_speed import believed_speed_m_s
from rig.bench.capture import LEAD_S
from rig.bench.plan import SLOWEST_SOUND_M_S, Plan, plan_from_table
from rig.errors import PlanError
from rig.teach.lessons.lesson import Part, Tables

WIDEST_RAD = math.radians(40.0)
"""Half of the widest cone whose edge a class can reach with a thread on a bench."""

_TRUE_SPEED_M_S = {("air", 20.0, 50.0): 343.963, ("fresh-water", 20.0, 50.0): 1482.35}
"""Computed with CoolProp 8.0.0 (HumidAir; IAPWS-95), so that a lesson's own scenes do not have
their sound speed from the formula that the receiver uses."""

_EASY = (1.0, 1.2, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchInUse:
    """What a plan means for whoever stands before it.

    Attributes
    ----------
    plan : Plan
    """

    plan: Plan

    @property
    def in_air(self) -> bool:
        """Whether it stands in air, and not in water."""
        return self.plan.medium.kind == "air"

    @property
    def speed_m_s(self) -> float:
        """Sound speed that the plan believes."""
        return believed_speed_m_s(self.plan.medium)

    @property
    def faster_per_c_m_s(self) -> float:
        """By how much sound is faster for each degree that it is warmer."""
        centre_c = self.plan.medium.temperature_c
        warmer_m_s = believed_speed_m_s(self.plan.medium, centre_c + 0.5)
        return warmer_m_s - believed_speed_m_s(self.plan.medium, centre_c - 0.5)

    @property
    def interval_s(self) -> float:
        """From ping to ping."""
        return self.plan.timing.ping_interval_s

    @property
    def centre_hz(self) -> float:
        """Middle of the pulse's band."""
        return self.plan.pulse.centre_hz

    @property
    def bandwidth_hz(self) -> float:
        """What the pulse fills on purpose; for a tone, one over its length."""
        pulse = self.plan.pulse
        return max(pulse.highest_hz - pulse.lowest_hz, 1 / pulse.duration_s)

    @property
    def wave_m(self) -> float:
        """Length of a wave in the middle of the band."""
        return self.speed_m_s / self.centre_hz

    @property
    def bursts_only(self) -> bool:
        """Whether it is a board's bench, which sends bursts at one frequency."""
        return self.plan.pulse.burst is not None

    @property
    def near_m(self) -> float:
        """Nearest range at which an echo is told safely from the direct sound.

        A compressed chirp's direct sound is taken away; a burst's has to be over.
        """
        pulse = self.plan.pulse
        told = 0.3 if pulse.highest_hz - pulse.lowest_hz > 4 / pulse.duration_s else 1.1
        blind_m = told * self.speed_m_s * pulse.duration_s / 2
        return max(1.1 * self.plan.receiver.range_start_m, blind_m)

    @property
    def far_m(self) -> float:
        """Farthest range at which something may hang."""
        return 0.92 * self.plan.receiver.range_stop_m

    # Places and speeds

    def places_m(self, *wanted_m: float, needs: float = 1.0) -> tuple[float, ...]:
        """Return places as wanted where they fit, else spread as evenly over what is heard.

        Parameters
        ----------
        wanted_m : float
            The nearest first.
        needs : float
            The farthest must be heard up to so many times its range.

        Raises
        ------
        PlanError
            Where the plan's ranges leave less than a third between the first and the last.
        """
        near_m, far_m = self.near_m, self.far_m / needs
        first_m, last_m = wanted_m[0], wanted_m[-1]
        if far_m < near_m or (len(wanted_m) > 1 and far_m < 1.3 * near_m):
            stop_m = 1.5 * near_m * needs / 0.92
            raise PlanError(
                f"receiver.range_stop_m: found {self.plan.receiver.range_stop_m:g}; with this "
                f"pulse an echo is told from {near_m:.2f} m on, which leaves no room: give at "
                f"least {stop_m:.2g}, or a shorter pulse"
            )
        if near_m <= first_m and last_m <= far_m:
            return wanted_m
        low_m = max(near_m, min(first_m, first_m / last_m * far_m))
        high_m = min(max(last_m, low_m), far_m)
        if last_m == first_m:
            return tuple(_centimetres(high_m) for _ in wanted_m)
        share = (high_m - low_m) / (last_m - first_m)
        return tuple(_centimetres(low_m + share * (each - first_m)) for each in wanted_m)

    def scaled_m(self, *wanted_m: float) -> tuple[float, ...]:
        """Return places in the same proportions, all nearer or farther by one factor.

        Raises
        ------
        PlanError
            Where the nearest and the farthest do not both fit.
        """
        factor = min(1.0, self.far_m / wanted_m[-1])
        factor = max(factor, self.near_m / wanted_m[0])
        if factor * wanted_m[-1] > self.far_m * 1.001:
            stop_m = factor * wanted_m[-1] / 0.92
            raise PlanError(
                f"receiver.range_stop_m: found {self.plan.receiver.range_stop_m:g}; with this "
                f"pulse an echo is told from {self.near_m:.2f} m on: give at least {stop_m:.2g}, "
                "or a shorter pulse"
            )
        if factor == 1.0:
            return wanted_m
        return tuple(_centimetres(factor * each) for each in wanted_m)

    @property
    def half_rad(self) -> float:
        """From the axis to the cone's edge, out and back, in the middle of the band.

        Raises
        ------
        PlanError
            Where the face makes no cone whose edge a class can reach.
        """
        return self.half_rad_at(self.centre_hz)

    def half_rad_at(self, frequency_hz: float) -> float:
        """Return the cone's half angle at another frequency; raises as `half_rad` does."""
        face, wave_m = self.plan.transducer, self.speed_m_s / frequency_hz
        half_rad = half_power_half_angle_rad(face.shape, face.size_m, wave_m)
        if half_rad > WIDEST_RAD:
            # The sine of the angle goes with the wave over the face's size.
            key = "radius_m" if face.shape == "piston" else "length_m"
            narrow_rad = half_power_half_angle_rad(face.shape, 100 * face.size_m, wave_m)
            larger_m = 100 * face.size_m * math.sin(narrow_rad) / math.sin(WIDEST_RAD)
            higher_hz = frequency_hz * larger_m / face.size_m
            raise PlanError(
                f"transducer.{key}: found {face.size_m:g}; at {khz(frequency_hz)} it sends so wide "
                f"that the cone's edge cannot be reached: give at least {larger_m:.2g}, or send "
                f"from {khz(higher_hz)} on"
            )
        return half_rad

    def width_m(self, range_m: float) -> float:
        """Return how wide the cone is at a range."""
        return float(footprint_diameter_m(range_m, self.half_rad))

    def crossing_m_s(self, width_m: float, *, hits: float) -> float:
        """Return an easy speed at which a width takes about so many pings."""
        return easy(width_m / hits / self.interval_s)

    # The virtual tank

    @property
    def medium(self) -> dict[str, Any]:
        """The scene's medium: the plan's own, with a sound speed of its own where one is known."""
        its = self.plan.medium
        # Humidity is nothing to water.
        known = (its.kind, its.temperature_c, its.humidity_percent if self.in_air else 50.0)
        return {
            "kind": its.kind,
            "temperature_c": its.temperature_c,
            "humidity_percent": its.humidity_percent,
            "salinity_g_kg": its.salinity_g_kg,
            "sound_speed_m_s": _TRUE_SPEED_M_S.get(known, self.speed_m_s),
        }

    @property
    def face(self) -> dict[str, Any]:
        """The scene's transducers: as the plan has them."""
        its = self.plan.transducer
        return {"shape": its.shape, "radius_m": its.radius_m, "length_m": its.length_m}

    def scene(self, *targets: Mapping[str, Any], **tables: Mapping[str, Any]) -> dict[str, Any]:
        """Return a scene's tables on this bench; a target that names no body is a hard ball."""
        ball = {"body": "sphere", "radius_m": 0.02}
        tilted = tables.pop("transducer", {})
        bench: dict[str, Any] = {
            "medium": self.medium,
            "noise": {"level_db": -75.0},
            "transducer": {**self.face, **tilted},
            "target": [target if "body" in target else {**ball, **target} for target in targets],
        }
        return {**bench, **tables}

    def passing_ball(
        self, closest_m: float, speed_m_s: float, *, middle_pings: float, **more: Any
    ) -> dict[str, Any]:
        """Return a target that crosses the axis after so many pings, along the pair."""
        before_m = speed_m_s * middle_pings * self.interval_s
        return {
            "position_m": [closest_m, -before_m, 0.0],
            "velocity_m_s": [0.0, speed_m_s, 0.0],
            **more,
        }

    def weaker_db(self, range_m: float, than_m: float) -> float:
        """By how much one ball's echo is weaker from a range than from another."""
        its = self.plan.medium
        per_m = absorption_db_m(its.kind, self.centre_hz, **its.state)
        return 40 * math.log10(range_m / than_m) + 2 * float(per_m) * (range_m - than_m)

    # Changes of the plan

    def room_s(self, pulse_s: float, stop_m: float) -> float:
        """Return the shortest interval that holds a pulse and its echoes up to a range."""
        way_m = float(path_from_range_m(stop_m, self.plan.geometry.baseline_m))
        return 1.02 * (LEAD_S + pulse_s + way_m / SLOWEST_SOUND_M_S)

    def long_enough(self, pulse_s: float) -> dict[str, Any]:
        """Return what a step with a longer pulse changes in the plan's timing, if anything."""
        least_s = math.ceil(1e3 * self.room_s(pulse_s, self.plan.receiver.range_stop_m)) / 1e3
        return {} if least_s <= self.interval_s else {"timing": {"ping_interval_s": least_s}}

    def require_any_pulse(self, why: str) -> None:
        """Refuse a part that sends what a board cannot.

        Raises
        ------
        PlanError
            The message says what part can be done, and with what.
        """
        if self.bursts_only:
            raise PlanError(
                f"pulse.kind: found 'burst', a board's; {why}: do this part with a loudspeaker's "
                "plan (pulse.kind 'chirp' or 'tone', `echobench plan --write air bench.toml`), or "
                "leave --plan out and hear it in the virtual tank"
            )

    def samples_s(self, duration_s: float) -> float:
        """Return a duration as a whole number of samples, as it will be sent."""
        rate = self.plan.timing.sample_rate_hz
        return max(4, round(duration_s * rate)) / rate


def for_any_bench(plan: Tables, *made: Callable[[BenchInUse], Part]) -> tuple[Part, ...]:
    """Make parts for a lesson's own plan, each of which can be made for another.

    Parameters
    ----------
    plan : mapping
        The lesson's.
    made : callable
        From a bench to the part as it is asked of that bench.
    """
    return tuple(_for_any_bench(plan, make) for make in made)


def _for_any_bench(plan: Tables, make: Callable[[BenchInUse], Part]) -> Part:
    part = make(BenchInUse(plan=plan_from_table(plan, source="a lesson's own plan")))
    return dataclasses.replace(part, made_for=lambda own: make(BenchInUse(plan=own)))


# Words


def easy(value: float) -> float:
    """Round to a number that is easy to say: 1, 1.2, 1.5, 2, 2.5, 3, 4, 5, 6 or 8.

    Examples
    --------
    >>> easy(0.1312), easy(57.0)
    (0.12, 60.0)
    """
    power = 10.0 ** math.floor(math.log10(value))
    first = min((*_EASY, 10.0), key=lambda each: abs(math.log(each * power / value)))
    return float(f"{first * power:.3g}")


def easy_below(value: float, numbers: tuple[float, ...] = (1.0, 2.0, 4.0, 8.0)) -> float:
    """Return the largest easy number that is not above a value.

    Examples
    --------
    >>> easy_below(0.0035), easy_below(9.9)
    (0.002, 8.0)
    """
    power = 10.0 ** math.floor(math.log10(value) + 1e-9)
    fitting = [each for each in numbers if each * power <= value * (1 + 1e-9)]
    return float(f"{max(fitting) * power:.3g}")


def metres(length_m: float) -> str:
    """Say a length in metres, to two digits: "1.5 m", "0.21 m"."""
    return f"{two_digits(length_m)} m"


def centimetres(length_m: float) -> str:
    """Say a length in centimetres, to two digits."""
    return f"{two_digits(1e2 * length_m)} cm"


def millimetres(length_m: float) -> str:
    """Say a length in millimetres, to two digits."""
    return f"{two_digits(1e3 * length_m)} mm"


def milliseconds(time_s: float) -> str:
    """Say a time in milliseconds."""
    return f"{1e3 * time_s:.3g} ms"


def khz(frequency_hz: float) -> str:
    """Say a frequency in kilohertz."""
    return f"{frequency_hz / 1e3:.3g} kHz"


def degrees(angle_rad: float) -> str:
    """Say an angle in whole degrees."""
    return f"{math.degrees(angle_rad):.0f}°"


def two_digits(value: float) -> str:
    """Write a number to two digits, or to the unit from a hundred on; without an exponent.

    Examples
    --------
    >>> two_digits(0.2127), two_digits(3.4), two_digits(343.96), two_digits(1.0)
    ('0.21', '3.4', '344', '1')
    """
    if abs(value) >= 99.5:
        return f"{value:.0f}"
    rounded = float(f"{value:.2g}")
    return f"{rounded:.10f}".rstrip("0").rstrip(".") if rounded else "0"


def _centimetres(length_m: float) -> float:
    return math.floor(1e2 * length_m + 1e-9) / 1e2
