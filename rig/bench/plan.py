"""The plan: what is sent, how it is heard, and what the user believes of the room.

A plan is a TOML file (see README.md) or the same tables built in Python. It is
checked whole before anything is opened, so that a front end never meets a pulse
longer than its interval or a frequency above half its sample rate.
"""

from __future__ import annotations

import dataclasses
import math
import os
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from dsp.ping.pulse.pulses import folded_band_hz
from rig.bench.capture import LEAD_S
from rig.bench.given_files import load_toml
from rig.bench.pulse_kinds import PulsePlan
from rig.bench.tables import build, choice, number, whole
from rig.errors import PlanError

SLOWEST_SOUND_M_S = 300.0
"""No medium of a plan carries sound more slowly; bounds the longest echo delay."""

MOST_BLOCK_SAMPLES = 1 << 23
"""Of one ping, on one channel: 43 s at 192 kHz. More would fill a computer's memory."""

_RATE = {"low": 1000.0, "high": 2e6}


@dataclass(frozen=True, slots=True, kw_only=True)
class Timing:
    """How often pings go out and how finely they are sampled.

    With `band_sampling` the pulse's band may lie above half the sample rate, between
    two neighbouring multiples of it: for a board's converter, which has no filter
    ahead of it. A sound card has one and hears nothing up there.

    With `signed_pings` each ping is sent upright or upside down by a fixed sequence, so that
    an echo tells which ping it is of.
    """

    sample_rate_hz: float = number(48000.0, **_RATE)
    ping_interval_s: float = number(0.25, low=0.001, high=60.0)
    band_sampling: bool = False
    signed_pings: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Reception:
    """What is done with an echo once it is heard."""

    weighting: str = choice("none", "hann", "equalised", default="none")
    range_start_m: float = number(0.2, low=0.0, high=1000.0)
    range_stop_m: float = number(5.0, low=0.01, high=1000.0)
    stack: int = whole(1, low=1, high=1000)
    false_alarm_rate: float = number(1e-6, low=1e-12, high=0.1)

    def __post_init__(self) -> None:
        if self.range_stop_m <= self.range_start_m:
            raise ValueError(
                f"range_stop_m: found {self.range_stop_m:g}; "
                f"give more than range_start_m = {self.range_start_m:g}"
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class Medium:
    """What the user believes the sound goes through.

    The `u_…` are standard uncertainties, as in the whole plan. `u_gradient_c_m`
    is that of the temperature's even rise or fall along the axis, in °C a metre,
    from the sensor, which hangs beside the transducers: 0.05 is half a degree over
    10 m, a still room (common practice, no source). Beside a heater, a window or a
    lamp it is ten times as much, and needs to be stated.
    """

    kind: str = choice("air", "fresh-water", "sea-water", default="air")
    temperature_c: float = number(20.0, low=-20.0, high=50.0)
    humidity_percent: float = number(50.0, low=0.0, high=100.0)
    salinity_g_kg: float = number(35.0, low=0.0, high=42.0)
    u_temperature_c: float = number(0.5, low=0.0, high=20.0)
    u_humidity_percent: float = number(5.0, low=0.0, high=50.0)
    u_salinity_g_kg: float = number(0.3, low=0.0, high=20.0)
    u_gradient_c_m: float = number(0.05, low=0.0, high=100.0)

    def __post_init__(self) -> None:
        if self.kind != "air" and not 0.0 <= self.temperature_c <= 40.0:
            raise ValueError(
                f"temperature_c: found {self.temperature_c:g} with {self.kind}; "
                "give 0 to 40, where the sound speed of water is known"
            )

    @property
    def state(self) -> dict[str, float]:
        """What formulas of a medium take beside its kind."""
        return {
            "temperature_c": self.temperature_c,
            "humidity_percent": self.humidity_percent,
            "salinity_g_kg": self.salinity_g_kg,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Geometry:
    """Where source and receiver stand, and how the pulse's leaving is known.

    The pair `looks` along the bench or down into a tank: the picture's range axis runs as
    it does.

    A `second_channel` of 0 is no second receiver. Where there is one, it stands on the line
    through source and receiver, `second_spacing_m` past the receiver as seen from the source;
    less than 0 is back towards the source, and past it. `u_second_delay_s` is by how much the
    two microphones' own delays may differ where no calibration tells: 1 µs for two of a kind
    on one converter (common practice, no source).
    """

    baseline_m: float = number(0.12, low=0.0, high=100.0)
    time_zero: str = choice("loopback", "direct", "calibration", default="direct")
    loopback_channel: int = whole(2, low=1, high=64)
    looks: str = choice("along", "down", default="along")
    u_baseline_m: float = number(0.001, low=0.0, high=10.0)
    u_time_zero_s: float = number(0.0, low=0.0, high=1.0)
    second_channel: int = whole(0, low=0, high=64)
    second_spacing_m: float = number(0.0, low=-100.0, high=100.0)
    u_second_spacing_m: float = number(0.001, low=0.0, high=10.0)
    u_second_delay_s: float = number(1e-6, low=0.0, high=0.01)

    def __post_init__(self) -> None:
        if self.second_channel == 0:
            if self.second_spacing_m != 0:
                raise ValueError(
                    f"second_spacing_m: found {self.second_spacing_m:g} without a second "
                    "receiver; give its second_channel too, or leave it out"
                )
            return
        if self.second_spacing_m == 0:
            raise ValueError(
                f"second_spacing_m: found 0 with second_channel = {self.second_channel}; give how "
                "far the second receiver stands past the first, as seen from the source"
            )
        if self.second_channel - 1 == self.loopback:
            raise ValueError(
                f"second_channel: found {self.second_channel}, which is the loopback_channel; "
                "give another to one of the two"
            )

    @property
    def loopback(self) -> int | None:
        """The loopback's channel, from 0; None where time zero is not by one."""
        return self.loopback_channel - 1 if self.time_zero == "loopback" else None

    @property
    def longest_way_s(self) -> float:
        """How long a mark may be under way at the most; infinite where that bounds nothing."""
        return self.baseline_m / SLOWEST_SOUND_M_S if self.time_zero == "direct" else math.inf

    @property
    def second(self) -> int | None:
        """The second receiver's channel, from 0; None where there is none."""
        return self.second_channel - 1 if self.second_channel else None

    @property
    def microphone(self) -> int:
        """The receiver's channel, from 0: the first that is none of the others'."""
        return min({0, 1, 2} - {self.loopback, self.second})

    @property
    def channels(self) -> int:
        """How many channels hold all that is listened to."""
        return 1 + max(self.microphone, self.loopback or 0, self.second or 0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Transducer:
    """The sender's and receiver's face, for the cone that is drawn and predicted."""

    shape: str = choice("piston", "line", default="piston")
    radius_m: float = number(0.03, low=1e-4, high=10.0)
    length_m: float = number(0.06, low=1e-4, high=10.0)

    @property
    def size_m(self) -> float:
        """The radius of a piston or the length of a line."""
        return self.radius_m if self.shape == "piston" else self.length_m

    @property
    def mean_square_m2(self) -> float:
        """Of the distances of its parts from its middle."""
        return self.radius_m**2 / 2 if self.shape == "piston" else self.length_m**2 / 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Board:
    """``[board]``: a serial board, and what it sends. Other front ends pass it over.

    `port` and `board_number` may be left out where only one board answers. A board that
    `prints` one number on a line shows an edge time and no more; `step` is the
    smallest step of its numbers, in their own unit, and `assumed_speed_m_s` the
    sound speed with which it made a distance of a time. `own_delay_s` is what the
    board itself adds to every delay, measured as hardware_notes/board.md says; its
    standard uncertainty is ``geometry.u_time_zero_s``.
    """

    port: str = ""
    baud: int = whole(500000, low=1200, high=2_000_000)
    board_number: int = whole(0, low=0, high=65535)
    gain_step: int = whole(0, low=0, high=3)
    prints: str = choice("captures", "time-us", "distance-mm", "distance-cm", default="captures")
    step: float = number(1.0, low=1e-6, high=1e6)
    assumed_speed_m_s: float = number(343.0, low=200.0, high=2500.0)
    own_delay_s: float = number(0.0, low=-0.01, high=0.01)


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """A whole plan, checked.

    Raises
    ------
    ValueError
        Where its parts do not fit each other; the message names the key.
    """

    pulse: PulsePlan
    timing: Timing = Timing()
    receiver: Reception = Reception()
    medium: Medium = Medium()
    geometry: Geometry = Geometry()
    transducer: Transducer = Transducer()
    board: Board = Board()

    def __post_init__(self) -> None:
        rate, interval = self.timing.sample_rate_hz, self.timing.ping_interval_s
        if self.pulse.duration_s >= interval:
            raise ValueError(
                f"pulse: lasts {self.pulse.duration_s:g} s; "
                f"give less than timing.ping_interval_s = {interval:g} s"
            )
        if interval * rate > MOST_BLOCK_SAMPLES:
            raise ValueError(
                f"timing.ping_interval_s: found {interval:g} s, {interval * rate:.0f} samples at "
                f"{rate:g} Hz; give at most {MOST_BLOCK_SAMPLES / rate:.4g} s, or a lower "
                "timing.sample_rate_hz"
            )
        if self.timing.signed_pings:
            self._check_signs()
        if self.timing.band_sampling:
            self._check_band()
        elif self.pulse.highest_hz > rate / 2:
            raise ValueError(
                f"pulse: reaches {self.pulse.highest_hz:g} Hz; give at most half of "
                f"timing.sample_rate_hz = {rate:g} Hz, that is {rate / 2:g} Hz"
            )
        if round(self.pulse.duration_s * rate) < 4:
            raise ValueError(
                f"pulse: has {round(self.pulse.duration_s * rate)} samples at {rate:g} Hz; "
                f"give a duration of at least {4 / rate:g} s"
            )
        room = interval - LEAD_S - self.pulse.duration_s
        farthest_m = room * SLOWEST_SOUND_M_S / 2
        if self.receiver.range_stop_m > farthest_m:
            raise ValueError(
                f"receiver.range_stop_m: found {self.receiver.range_stop_m:g}; an echo from there "
                f"would come after the next ping; give at most {max(farthest_m, 0.0):.3g}, "
                "or a longer timing.ping_interval_s"
            )
        # Past the baseline the path is longer than out and back: 2 √(R² + (b/2)²).
        baseline_m, stop_m = self.geometry.baseline_m, self.receiver.range_stop_m
        if math.hypot(stop_m, baseline_m / 2) > farthest_m:
            widest_m = 2 * math.sqrt(farthest_m**2 - stop_m**2)
            raise ValueError(
                f"geometry.baseline_m: found {baseline_m:g}; an echo from receiver.range_stop_m = "
                f"{stop_m:g} would come after the next ping; give at most {widest_m:.3g}, "
                "a shorter range_stop_m, or a longer timing.ping_interval_s"
            )
        apart_m = abs(self.geometry.second_spacing_m)
        # The way back to the second receiver is at most longer by the spacing.
        if math.hypot(stop_m, baseline_m / 2) + apart_m / 2 > farthest_m:
            raise ValueError(
                f"geometry.second_spacing_m: found {self.geometry.second_spacing_m:g}; an echo "
                f"from receiver.range_stop_m = {stop_m:g} would come there after the next ping; "
                "give less, a shorter range_stop_m, or a longer timing.ping_interval_s"
            )

    def _check_signs(self) -> None:
        if self.pulse.pulses_per_cycle > 1:
            raise ValueError(
                f"timing.signed_pings: found true with a {self.pulse.kind} pulse, of which an echo "
                "of the ping before is heard by the other code and cannot be placed; give a pulse "
                "that is the same in each ping, or leave it out"
            )
        if self.timing.band_sampling:
            raise ValueError(
                "timing.signed_pings: found true with timing.band_sampling, by which no sign can "
                "be heard; leave either out"
            )

    def _check_band(self) -> None:
        if self.pulse.burst is None:
            raise ValueError(
                f"timing.band_sampling: found true with a {self.pulse.kind} pulse; "
                'give pulse.kind = "burst", or leave it out'
            )
        try:
            folded_band_hz(self.pulse.lowest_hz, self.pulse.highest_hz, self.timing.sample_rate_hz)
        except ValueError as problem:
            raise ValueError(f"timing.sample_rate_hz: {problem}") from problem

    @property
    def interval_samples(self) -> int:
        """From one ping to the next, rounded once and then exact."""
        return round(self.timing.ping_interval_s * self.timing.sample_rate_hz)

    @property
    def pulses_per_cycle(self) -> int:
        """How many pulses take turns: 2 for a Golay pair, else 1."""
        return self.pulse.pulses_per_cycle

    def sign_place(self, number: int) -> int | None:
        """Return the place of a ping in the sequence of signs; None where pings have none."""
        return number if self.timing.signed_pings else None

    def at_rate(self, sample_rate_hz: float) -> Plan:
        """Return the same plan for samples that were really taken at `sample_rate_hz`.

        Raises
        ------
        ValueError
            Where it cannot work at that rate.
        """
        if not _RATE["low"] <= sample_rate_hz <= _RATE["high"]:
            raise ValueError(
                f"sample rate: found {sample_rate_hz:g} Hz; samples at {_RATE['low']:g} to "
                f"{_RATE['high']:g} Hz are of use"
            )
        if sample_rate_hz == self.timing.sample_rate_hz:
            return self
        timing = dataclasses.replace(self.timing, sample_rate_hz=float(sample_rate_hz))
        return dataclasses.replace(self, timing=timing)

    def as_table(self) -> dict[str, Any]:
        """Return the plan as the tables of its TOML file, all keys written out."""
        return dataclasses.asdict(self)


def plan_from_table(table: Mapping[str, Any], *, source: str = "plan") -> Plan:
    """Check the tables of a plan file and make the plan.

    Parameters
    ----------
    table : mapping
        As :meth:`Plan.as_table` gives and a TOML file holds.
    source : str
        Named in each complaint: the file.

    Raises
    ------
    PlanError
    """
    try:
        return build(Plan, table)
    except ValueError as problem:
        raise PlanError(f"{source}: {problem}") from problem


def read_plan(path: str | os.PathLike[str]) -> Plan:
    """Read and check a plan file.

    Raises
    ------
    PlanError
        The message names the file, the key, what was found and what is allowed.
    """
    return plan_from_table(load_toml(path, error=PlanError), source=os.fspath(path))
