"""What would be seen with one thing changed: a second history, forecast from the first.

Targets that passed are taken from the recording: closest range, crossing speed, where along
their way the beam looked, and how strong they were. They are sent through the changed bench
again, and the changed pulse's echoes drawn in noise of the same density. It is a forecast
and no measurement. It cannot know of

- what the present beam never met, or was too weak to be followed from ping to ping;
- how strong a target is, and how loud the source, at another frequency: both are kept;
- where in the beam a thing stood that stayed: its level is kept, as if it stood on the axis;
- tracks of which it cannot be told how they passed: they are kept as heard;
- what fills a history, such as reverberation: even noise is drawn in its place;
- how far beside the axis a way led at its closest: it is taken to lead through it.
"""

from __future__ import annotations

import dataclasses
import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from dsp.history.passes import Passage, passing_range_m
from dsp.physics.absorption import absorption_db_m
from dsp.physics.beams import beam_amplitude
from dsp.ping.compression import EchoShape
from dsp.ping.detection import fewest_bins, refined
from dsp.ping.profiles import EchoProfile
from dsp.ping.ranging import path_from_range_m
from rig.bench.capture import LEAD_S, StreamInfo
from rig.bench.plan import Plan
from rig.errors import NotHeardError, PlanError
from rig.measure.passes import FALSE_ALARM_RATE, Passing, passings_of
from rig.run.loop import PingResult
from rig.run.marks import CELLS
from rig.run.receiver import Receiver, TimeZero

CHANGES = ("frequency", "disc", "speed", "pulse", "tilt")
"""What may be changed: the middle of the band in Hz, the disc's radius (or a line's length)
in metres, the speed of what passes in m/s, the pulse's length in s, or the angle in degrees
by which the beam is turned along the ways, towards where the targets go."""

UNITS = {"frequency": "Hz", "disc": "m", "speed": "m/s", "pulse": "s", "tilt": "°"}

CANNOT_KNOW = (
    "A forecast from what was heard. It cannot know what the beam never met; it keeps each "
    "target's and the source's strength; what stayed, or cannot be told, is kept as heard."
)

HIGHEST_HZ = 1e6
"""Beyond this, what-ifs would speak of cones and absorption far from any bench."""

_ROOM = 1.02  # of half the sample rate over a pulse's highest frequency, at the least
_FEWEST = 64  # bins from which noise is known well enough
_LOUDLY_MISSED = 3  # pings in which a target that was there would have been heard well
_FLANKS = 3.0  # resolutions to each side, to where a compressed echo's flanks reach well
_ALONG = 0.5  # cos² of a way's unknown angle to the baseline, as fits take it
_MODEL_DB = 1.0  # standard uncertainty of the beam's formula, and of a target's evenness


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """One target that passed, as heard and as forecast.

    Attributes
    ----------
    closest_range_m, closest_time_s : float
        The arch's top, the same in both.
    speed_m_s, heard_speed_m_s : float
    heard_hits, hits : int
        Pings in which it was heard, and would be.
    cut : bool
        Whether the arch runs on before the first ping or after the last, so that it has more
        hits than there are pings for.
    u_hits : float
        Standard uncertainty of the forecast: of speed and strength, and of counting.
    heard_strong_hits, strong_hits : int or None
        Those within half power of the strongest.
    heard_peak_db, peak_db : float
        Its strongest echo, dB re full scale, by the fit and by the forecast.
    u_peak_db : float
    """

    closest_range_m: float
    closest_time_s: float
    speed_m_s: float
    heard_speed_m_s: float
    heard_hits: int
    hits: int
    cut: bool
    u_hits: float
    heard_strong_hits: int | None
    strong_hits: int
    heard_peak_db: float
    peak_db: float
    u_peak_db: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WhatIf:
    """A forecast history.

    Attributes
    ----------
    change : Change
    receiver : Receiver
        Of the changed plan.
    results : tuple of PingResult
        One for each ping heard, lost ones too; not searched for echoes.
    half_angle_rad, heard_half_angle_rad : float
        Of the two beams at half power, out and back; π/2 without a cone.
    marks : tuple of Mark
        In the order of the heard tracks.
    kept : int
        Tracks that were kept as heard.
    """

    change: Change
    receiver: Receiver
    results: tuple[PingResult, ...]
    half_angle_rad: float
    heard_half_angle_rad: float
    marks: tuple[Mark, ...]
    kept: int


def what_if(
    receiver: Receiver,
    results: Sequence[PingResult],
    change: Change,
    *,
    seed: int = 0,
    passings: Sequence[Passing] | None = None,
) -> WhatIf:
    """Forecast a history with one thing changed.

    Parameters
    ----------
    receiver : Receiver
        That `results` came from.
    results : sequence of PingResult
        In order, each with its own profile in `alone`.
    change : Change
    seed : int
        Of the noise that is drawn.
    passings : sequence of Passing, optional
        Of those results, where they are at hand already.

    Raises
    ------
    PlanError
        Where a plan so changed cannot be, or the device hands on no strengths.
    NotHeardError
        Where no ping can be read, or nothing passed whose speed or tilt could be changed.
    """
    if receiver.info.edge_step_s is not None:
        raise PlanError(
            f"{receiver.info.device}: hands on edge times without strength, from which nothing "
            "can be forecast; give a recording of samples"
        )
    good = [r for r in results if r.alone is not None]
    if not good:
        raise NotHeardError("what if: no ping can be read; give a recording with good pings")
    present = _Bench(changed_plan(receiver.plan, Change(what="tilt", value=0.0)), receiver)
    other = _Bench(changed_plan(receiver.plan, change), receiver)
    if passings is None:
        passings = passings_of(receiver, results)
    times_s = np.array([r.sent_s for r in results])
    noise_rms = _noise_rms(receiver, good)
    # The same density over a band that is sampled more finely.
    finer = math.sqrt(other.plan.timing.sample_rate_hz / receiver.plan.timing.sample_rate_hz)
    at_present = math.sqrt(present.plan.timing.sample_rate_hz / receiver.plan.timing.sample_rate_hz)
    ways, kept = _ways(receiver, results, passings, present, noise_rms * at_present, times_s)
    if change.what in ("speed", "tilt") and not ways:
        raise NotHeardError(
            f"what if: nothing passed whose {change.what} could be changed; give a recording in "
            "which a target crosses the beam"
        )
    moved = [_changed_way(way, change) for way in ways]
    marks = tuple(
        _mark(before, after, present, other, noise_rms, at_present, finer, times_s)
        for before, after in zip(ways, moved, strict=True)
    )
    profiles = _profiles(
        receiver,
        results,
        moved,
        kept,
        present,
        other,
        noise_rms * finer,
        np.random.default_rng(seed),
    )
    return WhatIf(
        change=change,
        receiver=other.receiver,
        results=_stacked_as_asked(other.receiver, results, profiles),
        half_angle_rad=other.receiver.range_model.half_angle_rad,
        heard_half_angle_rad=receiver.range_model.half_angle_rad,
        marks=marks,
        kept=len(kept),
    )


class _Bench:
    """A plan's beam, pulse and medium, as echoes go through them."""

    def __init__(self, plan: Plan, heard: Receiver) -> None:
        if plan.receiver.weighting == "equalised":
            plan = dataclasses.replace(
                plan, receiver=dataclasses.replace(plan.receiver, weighting="none")
            )
        info = dataclasses.replace(
            heard.info, sample_rate_hz=plan.timing.sample_rate_hz, step=0.0, knows_leaving=True
        )
        self.plan = plan
        self.info: StreamInfo = info
        self.receiver = Receiver(plan, info)
        self.coupling_s = plan.pulse.coupling_s
        empty = EchoProfile(envelope=np.zeros(1, dtype=np.complex64), bin_s=1.0)
        whole = [self.receiver.stack([(i, empty)])[1] for i in range(plan.pulses_per_cycle)]
        # As far as echoes are looked for, and some noise to tell them from; no farther.
        room_s = plan.timing.ping_interval_s - LEAD_S - plan.pulse.duration_s
        needed = max(
            math.ceil(self.receiver.last_echo_s / whole[0].bin_s) + 1,
            fewest_bins(whole[0], cells=CELLS),
            400,
        )
        self.bins = min(int(room_s / whole[0].bin_s) + 1, needed)
        self.shapes = tuple(shape.for_bins(self.bins) for shape in whole)
        shape = self.shapes[0]
        self._frequency_hz = shape.carrier_hz + shape.offset_hz
        medium = plan.medium
        self._nepers_m = absorption_db_m(
            medium.kind,
            self._frequency_hz,
            temperature_c=medium.temperature_c,
            humidity_percent=medium.humidity_percent,
            salinity_g_kg=medium.salinity_g_kg,
        ) * (math.log(10) / 20)

    def spread(self, range_m: ArrayLike, angle_rad: ArrayLike) -> NDArray[np.float64]:
        """Amplitude out and back over the band, from 1 m on the axis, shape (…, band).

        Spreading, absorption and the beam.
        """
        r = np.asarray(range_m, dtype=np.float64)[..., np.newaxis]
        face, c = self.plan.transducer, self.receiver.sound_speed_m_s
        beam = [
            beam_amplitude(face.shape, face.size_m, c / f, angle_rad, ways=2)
            for f in self._frequency_hz.tolist()
        ]
        return np.asarray(np.stack(beam, axis=-1) * np.exp(-2 * self._nepers_m * r) / r**2)

    def absorbed(self, range_m: float) -> NDArray[np.float64]:
        """Amplitude that is left of each frequency after the way out and back."""
        return np.asarray(np.exp(-2 * self._nepers_m * range_m))

    def amplitude(self, response: NDArray[np.float64]) -> NDArray[np.float64]:
        """Height of a compressed echo of which each frequency has been through a response."""
        return np.asarray(np.abs(response @ self.shapes[0].weights))

    def delay_s(self, range_m: ArrayLike) -> NDArray[np.float64]:
        """Delay of an echo from a range."""
        path_m = path_from_range_m(range_m, self.plan.geometry.baseline_m)
        return np.asarray(path_m / self.receiver.sound_speed_m_s)

    def met_s(self, sent_s: NDArray[np.float64], range_m: float) -> NDArray[np.float64]:
        """When the middle of the pulse meets a target at about a range."""
        return sent_s + self.plan.pulse.duration_s / 2 + float(self.delay_s(range_m)) / 2


@dataclass(frozen=True, slots=True, kw_only=True)
class _Way:
    """A target on its straight way.

    `from_m` and `to_m` bound the way on which it was there, from its closest point;
    `level` is the amplitude that it would have at 1 m on the axis.
    """

    passage: Passage
    range_m: float
    time_s: float
    speed_m_s: float
    u_speed_m_s: float
    tilt_rad: float
    level: float
    u_level_db: float
    from_m: float
    to_m: float
    baseline_m: float

    def along_m(self, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """How far it is past its closest point."""
        return self.speed_m_s * (time_s - self.time_s)

    def there(self, time_s: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Whether it is on its way at all."""
        along_m = self.along_m(time_s)
        return np.asarray((along_m >= self.from_m) & (along_m <= self.to_m))

    def range_at(self, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Range at a time."""
        return passing_range_m(
            time_s,
            closest_range_m=self.range_m,
            crossing_speed_m_s=self.speed_m_s,
            closest_time_s=self.time_s,
            baseline_m=self.baseline_m,
            along_baseline=_ALONG,
        )

    def angle_at(self, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Angle from the beam's axis at a time."""
        return np.asarray(np.arctan2(self.along_m(time_s), self.range_m) - self.tilt_rad)

    def response(self, bench: _Bench, met_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Amplitude over the band of its echo, shape (pings, band); 0 where it is not there."""
        angle_rad = self.angle_at(met_s)
        ahead = self.there(met_s) & (np.abs(angle_rad) < math.pi / 2)
        spread = bench.spread(self.range_at(met_s), np.clip(angle_rad, -1.57, 1.57))
        return np.asarray(self.level * spread * ahead[:, np.newaxis])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Kept:
    """A track that is drawn as it was heard: in which pings, how far, how strong."""

    ping: NDArray[np.int64]
    range_m: NDArray[np.float64]
    amplitude: NDArray[np.float64]


def _noise_rms(receiver: Receiver, good: Sequence[PingResult]) -> float:
    """RMS of the noise in each sample, from the middle of what most bins hold.

    Past the farthest echo that the plan looks for, where there is room for that; else past
    the direct sound.
    """
    shape, direct_s = receiver.shape, receiver.plan.geometry.baseline_m / receiver.sound_speed_m_s
    middles = []
    for profile in (r.alone for r in good if r.alone is not None):
        heard = np.abs(profile.envelope)
        starts_s = (receiver.last_echo_s, direct_s + shape.reach_s, 0.0)
        late = [heard[math.ceil(start / profile.bin_s) :] for start in starts_s]
        middles.append(float(np.median(next(h for h in late if h.size >= _FEWEST or h is late[2]))))
    # Half of a Rayleigh distribution lies below √(ln 2) of its RMS.
    return max(float(np.median(middles)) / math.sqrt(math.log(2)) / shape.noise_gain, 1e-12)


def _amplitudes(
    receiver: Receiver, results: Sequence[PingResult], passing: Passing
) -> NDArray[np.float64]:
    """How strong a track's echo is in each ping that heard it."""
    by_index = {r.index: r for r in results}
    shape, coupling_s = receiver.shape, receiver.plan.pulse.coupling_s
    rate_m_s = np.gradient(passing.range_m, passing.time_s) if passing.ping.size > 1 else 0.0
    shown_m = passing.range_m + coupling_s * np.asarray(rate_m_s)
    path_m = path_from_range_m(shown_m, receiver.plan.geometry.baseline_m)
    delay_s = path_m / receiver.sound_speed_m_s
    found = np.zeros(passing.ping.size)
    for i, ping in enumerate(passing.ping.tolist()):
        profile = by_index[ping].alone
        if profile is None:
            continue
        reach = max(1, round(shape.width_s / profile.bin_s))
        centre = round(delay_s[i] / profile.bin_s)
        first = min(max(0, centre - reach), profile.envelope.size - 1)
        around = np.abs(profile.envelope[first : centre + reach + 1])
        _, height = refined(
            profile.envelope,
            np.array([first + int(around.argmax())]),
            lobe_bins=shape.width_s / profile.bin_s,
            centre_turns=(shape.centre_hz - shape.carrier_hz) * shape.bin_s,
        )
        found[i] = height[0]
    return found


def _ways(
    receiver: Receiver,
    results: Sequence[PingResult],
    passings: Sequence[Passing],
    bench: _Bench,
    noise_rms: float,
    sent_s: NDArray[np.float64],
) -> tuple[list[_Way], list[_Kept]]:
    """Turn tracks into ways that can be gone again, and such as are kept as heard."""
    ways, rest = [], []
    for passing in passings:
        amplitude = _amplitudes(receiver, results, passing)
        way = _way(passing, amplitude, bench, noise_rms, sent_s)
        if way is None:
            rest.append((passing, amplitude))
        else:
            ways.append(way)
    resolution_m = receiver.shape.width_s * receiver.sound_speed_m_s / 2
    kept = []
    stayed_m = [float(np.median(p.range_m)) for p, _ in rest if p.passage.kind == "stay"]
    for passing, amplitude in rest:
        if passing.passage.kind == "stay":
            kept.append(_stay(receiver, results, passing, float(np.median(amplitude))))
            continue
        # A side lobe's stretch of an arch is a track of its own, of a target that has one.
        on_a_way = [
            np.abs(way.range_at(passing.time_s) - passing.range_m) < resolution_m for way in ways
        ]
        if any(np.count_nonzero(on) > on.size / 2 for on in on_a_way):
            continue
        # Where it crosses what stays, its echo stands on the other's flanks.
        alone = np.ones(amplitude.size, dtype=bool)
        for range_m in stayed_m:
            alone &= np.abs(passing.range_m - range_m) > _FLANKS * resolution_m
        if alone.any():
            amplitude = np.interp(passing.ping, passing.ping[alone], amplitude[alone])
        kept.append(_Kept(ping=passing.ping, range_m=passing.range_m, amplitude=amplitude))
    return ways, kept


def _stay(
    receiver: Receiver, results: Sequence[PingResult], passing: Passing, level: float
) -> _Kept:
    """Keep a track that stayed, in those pings too in which something else crossed it.

    Its echo is not listed there, or is taken for the other's. It was there all the same where
    the ping is about as strong at its range; where it is not, it was not.
    """
    range_m = float(np.median(passing.range_m))
    path_m = float(path_from_range_m(range_m, receiver.plan.geometry.baseline_m))
    delay_s = path_m / receiver.sound_speed_m_s
    first, last, heard = int(passing.ping[0]), int(passing.ping[-1]), set(passing.ping.tolist())
    crossed = []
    for result in results:
        if result.alone is None or not first < result.index < last or result.index in heard:
            continue
        bin_ = round(delay_s / result.alone.bin_s)
        around = np.abs(result.alone.envelope[max(0, bin_ - 1) : bin_ + 2])
        if around.size and float(around.max()) > level / 2:
            crossed.append(result.index)
    ping = np.concatenate([passing.ping, np.array(crossed, dtype=np.int64)])
    return _Kept(
        ping=ping,
        range_m=np.concatenate([passing.range_m, np.full(len(crossed), range_m)]),
        amplitude=np.full(ping.size, level),
    )


def _way(
    passing: Passing,
    amplitude: NDArray[np.float64],
    bench: _Bench,
    noise_rms: float,
    sent_s: NDArray[np.float64],
) -> _Way | None:
    """Fit the level of a target that passed; None for one of which that is not told."""
    told = passing.passage
    if (
        told.kind not in ("pass", "half")
        or told.closest_range_m is None
        or told.crossing_speed_m_s is None
        or told.u_crossing_speed_m_s is None
        or told.closest_time_s is None
    ):
        return None
    way = _Way(
        passage=told,
        range_m=told.closest_range_m,
        time_s=told.closest_time_s,
        speed_m_s=told.crossing_speed_m_s,
        u_speed_m_s=told.u_crossing_speed_m_s,
        tilt_rad=told.tilt_rad or 0.0,
        level=1.0,
        u_level_db=0.0,
        from_m=-math.inf,
        to_m=math.inf,
        baseline_m=bench.plan.geometry.baseline_m,
    )
    unit = bench.amplitude(way.response(bench, passing.time_s))
    if not np.any(unit > 0):
        return None
    # Each ping's noise is the same: least squares of amplitudes is the likeliest level.
    level = float(amplitude @ unit / (unit @ unit))
    strong = unit > unit.max() / math.sqrt(2)
    misfit_db = 20 * np.log10(np.maximum(amplitude[strong], 1e-12) / (level * unit[strong]))
    u_db = math.hypot(float(np.std(misfit_db)) / math.sqrt(misfit_db.size), _MODEL_DB)
    way = dataclasses.replace(way, level=level, u_level_db=u_db)
    # Where the target would have been heard well and was not, it was not there.
    met_s = bench.met_s(sent_s, way.range_m)
    loud = bench.amplitude(way.response(bench, met_s)) > 2 * _threshold(bench, noise_rms)
    missed_before = np.count_nonzero(loud & (met_s < told.first_s - 1e-9)) >= _LOUDLY_MISSED
    missed_after = np.count_nonzero(loud & (met_s > told.last_s + 1e-9)) >= _LOUDLY_MISSED
    first_m, last_m = way.along_m(np.array([told.first_s, told.last_s])).tolist()
    half_m = way.speed_m_s * bench.plan.timing.ping_interval_s / 2
    return dataclasses.replace(
        way,
        from_m=first_m - half_m if missed_before else -math.inf,
        to_m=last_m + half_m if missed_after else math.inf,
    )


def _threshold(bench: _Bench, noise_rms: float) -> float:
    """Amplitude from which a track's echoes are heard."""
    gain = bench.shapes[0].noise_gain
    return noise_rms * gain * math.sqrt(-math.log(FALSE_ALARM_RATE))


def _changed_way(way: _Way, change: Change) -> _Way:
    if change.what == "speed":
        speed_m_s = change.of(way.speed_m_s)
        return dataclasses.replace(
            way,
            speed_m_s=speed_m_s,
            u_speed_m_s=way.u_speed_m_s * speed_m_s / way.speed_m_s if change.times else 0.0,
        )
    if change.what == "tilt":
        return dataclasses.replace(way, tilt_rad=way.tilt_rad + math.radians(change.value))
    return way


def _hits(
    way: _Way, bench: _Bench, noise_rms: float, sent_s: NDArray[np.float64]
) -> tuple[int, int, float, bool]:
    """Count the pings that hear a target and those within half power.

    And return its strongest echo, and whether the first or last ping still hears it.
    """
    met_s = bench.met_s(sent_s, way.range_m)
    amplitude = bench.amplitude(way.response(bench, met_s))
    strongest = int(amplitude.argmax())
    heard = amplitude > _threshold(bench, noise_rms)
    if not heard[strongest]:
        return 0, 0, float(amplitude[strongest]), False
    # The main lobe: from the strongest on, while it is heard.
    silent = np.flatnonzero(~heard)
    after = silent[silent > strongest]
    before = silent[silent < strongest]
    last = int(after[0]) if after.size else heard.size
    first = int(before[-1]) + 1 if before.size else 0
    level = amplitude[first:last] * way.range_at(met_s[first:last]) ** 2
    strong = int(np.count_nonzero(level >= level.max() / math.sqrt(2)))
    cut = first == 0 or last == heard.size
    return last - first, strong, float(amplitude[strongest]), cut


def _mark(
    before: _Way,
    after: _Way,
    present: _Bench,
    other: _Bench,
    noise_rms: float,
    at_present: float,
    finer: float,
    sent_s: NDArray[np.float64],
) -> Mark:
    _, _, heard_peak, _ = _hits(before, present, noise_rms * at_present, sent_s)
    hits, strong, peak, cut = _hits(after, other, noise_rms * finer, sent_s)

    louder = dataclasses.replace(after, level=after.level * 10 ** (after.u_level_db / 20))
    faster = dataclasses.replace(after, speed_m_s=after.speed_m_s + after.u_speed_m_s)
    by_level, by_speed = (
        _hits(way, other, noise_rms * finer, sent_s)[0] - hits for way in (louder, faster)
    )
    # Either end falls anywhere between two pings: 1/12 of a ping's square each.
    u_hits = math.sqrt(by_level**2 + by_speed**2 + 2 / 12)
    told = before.passage
    return Mark(
        closest_range_m=after.range_m,
        closest_time_s=after.time_s,
        speed_m_s=after.speed_m_s,
        heard_speed_m_s=before.speed_m_s,
        heard_hits=told.hits,
        hits=hits,
        cut=cut,
        u_hits=u_hits,
        heard_strong_hits=told.strong_hits,
        strong_hits=strong,
        heard_peak_db=20 * math.log10(max(heard_peak, 1e-10)),
        peak_db=20 * math.log10(max(peak, 1e-10)),
        u_peak_db=after.u_level_db,
    )


def _profiles(
    receiver: Receiver,
    results: Sequence[PingResult],
    ways: Sequence[_Way],
    kept: Sequence[_Kept],
    present: _Bench,
    other: _Bench,
    noise_rms: float,
    random: np.random.Generator,
) -> list[EchoProfile]:
    """Make each ping's profile: noise, direct sound, and all that was followed."""
    sent_s = np.array([r.sent_s for r in results])
    on_ways = []
    for way in ways:
        met_s = other.met_s(sent_s, way.range_m)
        # A chirp shows a target where it will be so much later.
        shown_m = way.range_at(met_s + other.coupling_s)
        on_ways.append((other.delay_s(shown_m), way.response(other, met_s)))
    marks = [r.time_zero for r in results if r.alone is not None and r.time_zero is not None]
    direct = float(np.median([m.amplitude for m in marks])) if marks else 0.0
    direct_s = other.plan.geometry.baseline_m / other.receiver.sound_speed_m_s
    if receiver.plan.geometry.time_zero != "direct" or direct_s < 2 * other.shapes[0].bin_s:
        direct = 0.0
    by_ping: dict[int, list[tuple[float, float]]] = {}
    for track in kept:
        for ping, range_m, amplitude in zip(
            track.ping.tolist(), track.range_m.tolist(), track.amplitude.tolist(), strict=True
        ):
            by_ping.setdefault(ping, []).append((range_m, amplitude))
    profiles = []
    for i, result in enumerate(results):
        shape = other.shapes[i % len(other.shapes)]
        envelope = _noise(shape, other.bins, noise_rms, random)
        if direct:
            envelope += direct * shape.at_bins(direct_s, other.bins)
        for delay_s, response in on_ways:
            if response[i].any():
                envelope += _echo(shape, float(delay_s[i]), response[i], other.bins)
        for range_m, amplitude in by_ping.get(result.index, []):
            lost = present.amplitude(present.absorbed(range_m))
            response = amplitude / float(lost) * other.absorbed(range_m)
            envelope += _echo(shape, float(other.delay_s(range_m)), response, other.bins)
        profiles.append(EchoProfile(envelope=envelope, bin_s=shape.bin_s))
    return profiles


def _echo(
    shape: EchoShape, delay_s: float, response: NDArray[np.float64], bins: int
) -> NDArray[np.complex64]:
    return dataclasses.replace(shape, weights=shape.weights * response).at_bins(delay_s, bins)


def _noise(
    shape: EchoShape, bins: int, noise_rms: float, random: np.random.Generator
) -> NDArray[np.complex64]:
    """White noise of an RMS in each sample, compressed."""
    import scipy.fft

    spectrum = np.zeros(shape.cycle_bins, dtype=np.complex128)
    share = np.sqrt(np.maximum(shape.noise_weights, 0) / 2) * noise_rms * shape.noise_gain
    drawn = random.standard_normal((2, share.size))
    spectrum[shape.band_index] = share * (drawn[0] + 1j * drawn[1]) * shape.cycle_bins
    return np.asarray(scipy.fft.ifft(spectrum)[:bins], dtype=np.complex64)


def _stacked_as_asked(
    receiver: Receiver, results: Sequence[PingResult], profiles: Sequence[EchoProfile]
) -> tuple[PingResult, ...]:
    """Make results of profiles, stacked as the plan asks and as the session does."""
    cycle = receiver.plan.pulses_per_cycle
    recent: deque[tuple[int, EchoProfile]] = deque(
        maxlen=-(-receiver.plan.receiver.stack // cycle) * cycle
    )
    direct_s = receiver.plan.geometry.baseline_m / receiver.sound_speed_m_s
    marked = receiver.plan.geometry.time_zero == "direct"
    time_zero = TimeZero(
        method=receiver.plan.geometry.time_zero,
        delay_s=LEAD_S,
        u_delay_s=0.0,
        mark_s=LEAD_S + (direct_s if marked else 0.0),
    )
    made = []
    for i, (result, profile) in enumerate(zip(results, profiles, strict=True)):
        which = i % cycle
        recent.append((which, profile))
        made.append(
            PingResult(
                index=result.index,
                sent_s=result.sent_s,
                lost=False,
                time_zero=time_zero,
                profile=receiver.stack(list(recent))[0],
                alone=profile,
                pulse_index=which,
            )
        )
    return tuple(made)


def what_if_lines(found: WhatIf) -> tuple[str, ...]:
    """Put a forecast into words, ± is k = 2."""
    lines = [f"What if: {found.change}. Half-power half angle {_cone(found)}"]
    for mark in found.marks:
        lines.append(
            f"at {mark.closest_range_m:.3f} m, {mark.closest_time_s:.2f} s: {mark.heard_hits} hits "
            f"heard, {mark.hits} ± {2 * mark.u_hits:.0f} forecast"
            f"{', cut off by the first or last ping' if mark.cut else ''}; strongest "
            f"{mark.heard_peak_db:.1f} dB heard, {mark.peak_db:.1f} ± {2 * mark.u_peak_db:.1f} dB "
            "forecast"
        )
    if found.kept:
        lines.append(f"{found.kept} track(s) stayed, or cannot be told: kept as heard")
    lines.append(CANNOT_KNOW)
    return tuple(lines)


def _cone(found: WhatIf) -> str:
    angles = [found.heard_half_angle_rad, found.half_angle_rad]
    first, second = ("none" if a >= math.pi / 2 else f"{math.degrees(a):.1f}°" for a in angles)
    return f"{first} as heard, {second} then"
