"""A stored calibration: what was measured of a bench, when, and where it holds.

It names the device, the plan with its pulse, rate and medium, and the time; a bench
that differs in one of them is another bench, and is refused it with the reason.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from datetime import datetime

from dsp.ping.pulse.equalising import Replica
from rig.bench.capture import StreamInfo
from rig.bench.plan import Plan
from rig.bench.tables import number, whole
from rig.errors import CalibrationError

LONGEST_AGE_H = 7 * 24.0
"""An older calibration is stale: hardware is moved, and gains are turned."""

MOST_WARMING_C = 3.0
"""A calibration made at a temperature that differs by more is stale: transducers shift
their resonances, and 3 °C of air are 0.5 % of range."""

LATENCY_STEP_S = 0.0005
"""Latencies that a device reports and that differ by more are those of other buffers."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredTimeZero:
    """From where a stream places a ping to where it really left.

    Attributes
    ----------
    method : {"loopback", "direct", "two distances"}
        How it was found.
    latency_s, u_latency_s : float
        The second holds the spread from start to start.
    starts : int
        How often the device was opened to learn that spread.
    spread_s : float or None
        Standard deviation from start to start; None after one start, and then
        nobody knows it.
    """

    method: str
    latency_s: float = number(low=-1000.0, high=1000.0)
    u_latency_s: float = number(low=0.0, high=1000.0)
    starts: int = whole(low=1, high=10**6)
    spread_s: float | None = number(low=0.0, high=1000.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredSpeed:
    """Sound speed, from known distances or by formula from the plan's medium.

    Attributes
    ----------
    method : {"two distances", "one distance", "formula"}
    sound_speed_m_s, u_sound_speed_m_s : float
    by_formula_m_s, u_by_formula_m_s : float
        From the plan's temperature, humidity or salinity; to compare with.
    """

    method: str
    sound_speed_m_s: float = number(low=200.0, high=2500.0)
    u_sound_speed_m_s: float = number(low=0.0, high=2500.0)
    by_formula_m_s: float = number(low=200.0, high=2500.0)
    u_by_formula_m_s: float = number(low=0.0, high=2500.0)

    def better_than(self, u_formula_m_s: float) -> bool:
        """Whether it is to replace what the formula makes of a thermometer, as unsure as that.

        A calibration that is worse than the thermometer does not replace it, unless the two lie
        so far apart that the thermometer is not what it is taken for.
        """
        if self.method == "formula":
            return False
        if self.u_sound_speed_m_s < u_formula_m_s:
            return True
        apart_m_s = abs(self.sound_speed_m_s - self.by_formula_m_s)
        return apart_m_s > 3 * math.hypot(self.u_sound_speed_m_s, u_formula_m_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredSecond:
    """What a second receiver's channel adds to the first's, for one sound at both.

    Attributes
    ----------
    method : str
        "direct", or the known target that it was told by, in words.
    ahead_m : float or None
        How far straight ahead that stood; None for the direct sound.
    envelope_delay_s, u_envelope_delay_s, carrier_delay_s, u_carrier_delay_s : float
        By how much its envelope and its carrier are late. Half a wave between the two is a
        sign that is turned.
    gain_db, u_gain_db : float
        Its amplitude over the first's.
    u_common_s : float
        What both delays are wrong by alike: the place of what was listened to.
    """

    method: str
    envelope_delay_s: float = number(low=-1.0, high=1.0)
    u_envelope_delay_s: float = number(low=0.0, high=1.0)
    carrier_delay_s: float = number(low=-1.0, high=1.0)
    u_carrier_delay_s: float = number(low=0.0, high=1.0)
    gain_db: float = number(low=-1000.0, high=1000.0)
    u_gain_db: float = number(low=0.0, high=1000.0)
    u_common_s: float = number(low=0.0, high=1.0)
    ahead_m: float | None = number(None, low=0.0, high=1000.0)

    def better_than(self, u_delay_s: float) -> bool:
        """Whether it is to replace what a plan says: that both are alike, as unsure as that.

        One that is worse does not, unless it tells of two that are not alike.
        """
        if self.u_common_s < u_delay_s:
            return True
        apart_s = max(abs(self.envelope_delay_s), abs(self.carrier_delay_s))
        u_s = math.hypot(self.u_envelope_delay_s, self.u_carrier_delay_s, self.u_common_s)
        return apart_s > 3 * math.hypot(u_s, u_delay_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredReplica:
    """The pulses as they were heard, and how far to equalise them.

    Attributes
    ----------
    source : {"direct", "echo"}
        What was listened to.
    replicas : tuple of Replica
        In the order in which the plan's pulses take turns.
    snr_db : float
        2E/N0 of what was listened to, all pings together.
    floor : float
        As in :class:`dsp.ping.pulse.equalising.Equalisation`.
    band_hz : tuple of float
    resolution_m, plain_resolution_m : float
        Range difference from which two echoes show as two; equalised, and by the
        plain matched filter.
    noise_cost_db : float
    """

    source: str
    replicas: tuple[Replica, ...]
    snr_db: float
    floor: float
    band_hz: tuple[float, float]
    resolution_m: float
    plain_resolution_m: float
    noise_cost_db: float


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredLevel:
    """Level of the pulse at 1 m, as the microphone would show it, dB re full scale.

    Attributes
    ----------
    target : str
        In words.
    source_level_db, u_source_level_db : float
    """

    target: str
    source_level_db: float = number(low=-1000.0, high=1000.0)
    u_source_level_db: float = number(low=0.0, high=1000.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredFinding:
    """One thing that was looked at; `u_value` is None where no one stated it."""

    name: str
    value: float
    u_value: float | None = number(low=0.0)
    unit: str
    fit: bool
    advice: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """What was measured of one bench, at one time.

    Attributes
    ----------
    made : datetime
        With its time zone.
    plan : Plan
        At the device's rate.
    front_end, device : str
    reported_latency_s : float or None
        As the device reports it; other buffers report another.
    pings : int
        Of each run that was averaged.
    time_zero, sound_speed, replica, level, second
        None where it could not be measured, and the last where there is no second receiver.
    findings : tuple of StoredFinding
        Noise, hum, clipping, crosstalk, ring-down and the like.
    notes : tuple of str
        What could not be measured, and why.
    """

    made: datetime
    plan: Plan
    front_end: str
    device: str
    reported_latency_s: float | None
    pings: int
    time_zero: StoredTimeZero | None
    sound_speed: StoredSpeed
    replica: StoredReplica | None
    level: StoredLevel | None
    second: StoredSecond | None = None
    findings: tuple[StoredFinding, ...] = ()
    notes: tuple[str, ...] = ()

    def check(self, plan: Plan, info: StreamInfo, *, when: datetime | None) -> None:
        """Make sure that it was made on the bench that `plan` and `info` tell of.

        Parameters
        ----------
        plan : Plan
            At the stream's rate.
        info : StreamInfo
        when : datetime or None
            Of the pings that it is used for, with its time zone; None where nobody
            knows, and then its age is not judged.

        Raises
        ------
        CalibrationError
            Where it is foreign or stale; the message says in what.
        """
        again = "calibrate again"
        if self.front_end != info.front_end or _named(self.front_end, self.device) != _named(
            info.front_end, info.device
        ):
            self._refuse(
                "foreign",
                f"made with {self.device} ({self.front_end}), and this is {info.device} "
                f"({info.front_end})",
                again,
            )
        if self.plan.timing.sample_rate_hz != info.sample_rate_hz:
            self._refuse(
                "foreign",
                f"made at {self.plan.timing.sample_rate_hz:g} Hz, and this stream has "
                f"{info.sample_rate_hz:g} Hz",
                again,
            )
        if self.plan.pulse != plan.pulse:
            self._refuse("foreign", f"made with another pulse ({_pulse_words(self.plan)})", again)
        ours, theirs = self.reported_latency_s, info.latency_s
        if (ours is None) != (theirs is None) or (
            ours is not None and theirs is not None and abs(ours - theirs) > LATENCY_STEP_S
        ):
            self._refuse(
                "foreign",
                f"made with buffers of {_ms(ours)}, and the device now reports {_ms(theirs)}",
                again,
            )
        if self.plan.geometry.baseline_m != plan.geometry.baseline_m:
            self._refuse(
                "foreign",
                f"made with source and receiver {self.plan.geometry.baseline_m:g} m apart, and "
                f"the plan has {plan.geometry.baseline_m:g} m",
                again,
            )
        ours_m, theirs_m = (p.geometry.second_spacing_m for p in (self.plan, plan))
        if self.second is not None and plan.geometry.second is not None and ours_m != theirs_m:
            self._refuse(
                "foreign",
                f"made with a second receiver {ours_m:g} m past the first, and the plan has "
                f"{theirs_m:g} m",
                again,
            )
        self._check_medium(plan, again)
        if when is not None:
            age_h = (when - self.made).total_seconds() / 3600
            if abs(age_h) > LONGEST_AGE_H:
                words = "before" if age_h > 0 else "after"
                self._refuse(
                    "stale",
                    f"made {abs(age_h) / 24:.0f} days {words} these pings, on "
                    f"{self.made:%Y-%m-%d}; {LONGEST_AGE_H / 24:g} days are the limit",
                    again,
                )

    def _check_medium(self, plan: Plan, again: str) -> None:
        ours, theirs = self.plan.medium, plan.medium
        if ours.kind != theirs.kind:
            self._refuse("foreign", f"made in {ours.kind}, and the plan has {theirs.kind}", again)
        warmer_c = theirs.temperature_c - ours.temperature_c
        if abs(warmer_c) > MOST_WARMING_C:
            self._refuse(
                "stale",
                f"made at {ours.temperature_c:g} °C, and the plan has {theirs.temperature_c:g} °C; "
                f"{MOST_WARMING_C:g} °C are the limit",
                again,
            )

    def _refuse(self, kind: str, found: str, remedy: str) -> None:
        raise CalibrationError(f"calibration: {kind}: {found}; {remedy}")


def _named(front_end: str, device: str) -> str:
    """Return what of a device's words stays the same while it is the same device."""
    if front_end == "virtual-tank":
        return ""  # its words tell of the scene's targets, which come and go
    if front_end.endswith("-board"):
        return device.partition(",")[0]  # its temperature follows
    return device


def _pulse_words(plan: Plan) -> str:
    keys = dataclasses.asdict(plan.pulse)
    return ", ".join(f"{key} {value}" for key, value in keys.items())


def _ms(latency_s: float | None) -> str:
    return "no stated latency" if latency_s is None else f"{1e3 * latency_s:.1f} ms latency"
