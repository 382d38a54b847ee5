"""Scenes drawn to mislead: each class is one way in which a bench has shown wrong as good.

All are invented. Levels are drawn so that a careful reader of the samples can tell: echoes
stand 35 to 55 dB (2E/N0) over white noise unless a class says otherwise.
"""

import math
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from doubted_bench import BASELINE_M, Bench, drawn_aside, drawn_bench, way_by
from synthesizer import (
    BARKER,
    RATE_HZ,
    SPEED_M_S,
    Array,
    Sound,
    Voice,
    Way,
    chirp,
    coded,
    golay,
    recorded,
    tone,
)

FIRST_S = 0.3
RESOLUTION_M = SPEED_M_S / (2 * 8000.0)
"""c/2B of the chirp from 4 to 12 kHz."""
CHIRP: dict[str, Any] = {
    "kind": "chirp", "start_hz": 4e3, "stop_hz": 12e3, "duration_s": 0.01
}  # fmt: skip
TONE: dict[str, Any] = {"kind": "tone", "centre_hz": 8e3, "duration_s": 0.002}
BARKER13: dict[str, Any] = {"kind": "barker13", "centre_hz": 8e3, "chip_s": 2.5e-4}
GOLAY: dict[str, Any] = {"kind": "golay", "centre_hz": 8e3, "chip_s": 2.5e-4, "chips": 16}
VOICES: dict[str, Callable[[], tuple[Array, ...]]] = {
    "chirp": lambda: (chirp(4e3, 12e3, 0.01),),
    "tone": lambda: (tone(8e3, 0.002),),
    "barker13": lambda: (coded(BARKER, 8e3, 12),),
    "golay": lambda: tuple(coded(code, 8e3, 12) for code in golay(4)),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """A body that ought to be heard."""

    way: Way
    far_m: Way
    """Its distance from midway between source and receiver."""
    passes: bool = False
    closing_m_s: float | None = None
    crossing_m_s: float | None = None

    def met_s(self, sent_s: float, half_pulse_s: float) -> float:
        """When the middle of a ping's pulse met it, from the first ping on."""
        way_m = float(self.way(np.array([sent_s]))[0])
        return sent_s + half_pulse_s + way_m / (2 * SPEED_M_S)

    def range_m(self, time_s: float) -> float:
        """Return how far it is then."""
        return float(self.far_m(np.array([time_s]))[0])


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """What is recorded, the plan that it was recorded by, and what is there."""

    bench: Bench
    pulse: dict[str, Any]
    samples: Array
    truths: tuple[Truth, ...]
    pings: int
    interval_s: float
    receiver: dict[str, Any] = field(default_factory=dict)

    @property
    def half_pulse_s(self) -> float:
        """Half of a pulse's length."""
        chips = {"barker13": 13, "golay": self.pulse.get("chips", 0)}
        pulse = self.pulse
        return float(pulse.get("duration_s") or pulse["chip_s"] * chips[pulse["kind"]]) / 2

    @property
    def table(self) -> dict[str, Any]:
        """The plan, as sure of its medium and its spacing as the bench was drawn by."""
        bench = self.bench
        return {
            "pulse": self.pulse,
            "timing": {"ping_interval_s": self.interval_s, "sample_rate_hz": RATE_HZ},
            "receiver": {"range_start_m": 0.2, "range_stop_m": 3.0, **self.receiver},
            "medium": {
                "u_temperature_c": bench.u_temperature_c,
                "u_humidity_percent": bench.u_humidity_percent,
                "u_gradient_c_m": bench.u_gradient_c_m,
            },
            "geometry": {"baseline_m": BASELINE_M, "u_baseline_m": bench.u_baseline_m},
        }  # fmt: skip


def _steady(amplitude: float) -> Callable[[float], float]:
    return lambda _: amplitude


def direct_sound(
    bench: Bench, voices: tuple[Voice, ...], amplitude: float, *, behind_m: float = 0.0
) -> Sound:
    way_m = bench.baseline_m + behind_m
    return Sound(voices=voices, way=lambda t: np.full(t.size, way_m), amplitude=_steady(amplitude))


def _energy(pulse: Array) -> float:
    return float(np.mean([np.sum(p**2) for p in (pulse,)]))


def noise_rms(pulse: Array, amplitude: float, snr_db: float) -> float:
    """White noise for 2E/N0: with N0/2 = σ² a sample, 2E/N0 is the energy over σ²."""
    return amplitude * math.sqrt(_energy(pulse) / 10 ** (snr_db / 10))


def _scene(
    rng: np.random.Generator,
    bench: Bench,
    *,
    kind: dict[str, Any],
    sounds: list[Sound],
    truths: list[Truth],
    rms: float,
    pings: int = 20,
    interval_s: float = 0.1,
    first_s: float = FIRST_S,
    added: Callable[[Array], Array] | None = None,
    drift: Callable[[float], float] = lambda _: 0.0,
    receiver: dict[str, Any] | None = None,
) -> Scene:
    samples = recorded(
        sounds,
        pings=pings,
        interval_s=interval_s,
        first_s=first_s,
        speed_m_s=lambda t, way_m: bench.heard_speed_m_s(way_m) * (1 + drift(t)),
    )
    samples += rng.normal(0, rms, samples.size)
    if added is not None:
        samples += added(samples)
    return Scene(
        bench=bench,
        pulse=kind,
        samples=samples,
        truths=tuple(truths),
        pings=pings,
        interval_s=interval_s,
        receiver=receiver or {},
    )


def _voices(kind: str, response: Callable[[Array], Any] | None = None) -> tuple[Voice, ...]:
    return tuple(Voice(pulse, response) for pulse in VOICES[kind]())


def body_at(
    rng: np.random.Generator,
    bench: Bench,
    voices: tuple[Voice, ...],
    range_m: float,
    amplitude: float | Callable[[float], float],
    speed_m_s: float = 0.0,
    far_m: Way | None = None,
) -> tuple[Sound, Truth]:
    """Anywhere in the cone, its range growing at a speed, or as it is told."""
    far_m = far_m or (lambda t: range_m + speed_m_s * t)
    way = way_by(far_m, aside=drawn_aside(rng), baseline_m=bench.baseline_m)
    loud = amplitude if callable(amplitude) else _steady(amplitude)
    return (
        Sound(voices=voices, way=way, amplitude=loud),
        Truth(way=way, far_m=far_m, closing_m_s=-speed_m_s),
    )


def weak_direct(rng: np.random.Generator) -> Scene:
    """The direct sound stands far below an echo close behind it, or one farther out."""
    bench = drawn_bench(rng)
    voices, pulse = _voices("chirp"), VOICES["chirp"]()[0]
    near = rng.random() < 0.5
    below_db = rng.uniform(16, 30) if near else rng.uniform(41, 50)
    range_m = rng.uniform(0.25, 0.34) if near else rng.uniform(0.6, 1.5)
    loud, truth = body_at(rng, bench, voices, range_m, 0.1)
    direct = 0.1 * 10 ** (-below_db / 20)
    other, second = body_at(rng, bench, voices, rng.uniform(1.7, 2.6), 0.01)
    return _scene(
        rng, bench, kind=CHIRP, sounds=[direct_sound(bench, voices, direct), loud, other],
        truths=[truth, second],
        rms=noise_rms(pulse, direct, rng.uniform(38, 60)),
    )  # fmt: skip


def slow_beside_direct(rng: np.random.Generator) -> Scene:
    """A slow body beside a direct sound 20 to 54 dB above it."""
    bench = drawn_bench(rng)
    voices, pulse = _voices("chirp"), VOICES["chirp"]()[0]
    speed = rng.choice([-1, 1]) * rng.uniform(0.02, 0.2)
    direct = 0.3
    echo = direct * 10 ** (-rng.uniform(20, 54) / 20)
    sound, truth = body_at(rng, bench, voices, rng.uniform(0.9, 1.4), echo, speed)
    return _scene(
        rng, bench, kind=CHIRP, sounds=[direct_sound(bench, voices, direct), sound], truths=[truth],
        rms=noise_rms(pulse, echo, rng.uniform(28, 40)),
    )  # fmt: skip


def golay_beside_direct(rng: np.random.Generator) -> Scene:
    """Complementary codes with still bodies far below the direct sound."""
    bench = drawn_bench(rng)
    voices, pulse = _voices("golay"), VOICES["golay"]()[0]
    direct = 0.3
    echo = direct * 10 ** (-rng.uniform(35, 50) / 20)
    sounds, truths = zip(
        *(
            body_at(rng, bench, voices, r, echo)
            for r in (rng.uniform(0.8, 1.1), rng.uniform(1.6, 2.4))
        ),
        strict=True,
    )
    return _scene(
        rng, bench, kind=GOLAY, sounds=[direct_sound(bench, voices, direct), *sounds],
        truths=list(truths),
        rms=noise_rms(pulse, echo, rng.uniform(35, 45)), pings=24,
    )  # fmt: skip


def moving(rng: np.random.Generator) -> Scene:
    """A body that comes or goes, before chirps and codes, added up or not."""
    bench = drawn_bench(rng)
    name, kind = [("chirp", CHIRP), ("golay", GOLAY)][int(rng.integers(2))]
    voices, pulse = _voices(name), VOICES[name]()[0]
    speed = rng.choice([-1, 1]) * 10 ** rng.uniform(-1.3, 0)
    start = 0.8 if speed > 0 else 2.8
    sound, truth = body_at(rng, bench, voices, start, 0.01, speed)
    return _scene(
        rng, bench, kind=kind, sounds=[direct_sound(bench, voices, 0.1), sound], truths=[truth],
        rms=noise_rms(pulse, 0.01, rng.uniform(35, 50)),
        receiver={"stack": int(rng.choice([1, 4, 16]))},
    )  # fmt: skip


def dull_mark(rng: np.random.Generator) -> Scene:
    """The direct sound is filtered, or a table throws it back once more close behind."""
    bench = drawn_bench(rng)
    voices, pulse = _voices("chirp"), VOICES["chirp"]()[0]
    sound, truth = body_at(rng, bench, voices, rng.uniform(0.7, 2.5), 0.02)
    if rng.random() < 0.5:
        edge_hz = rng.uniform(5e3, 20e3)
        dull = _voices("chirp", lambda f: 1 / (1 + 1j * f / edge_hz))
        direct = [direct_sound(bench, dull, 0.1)]
    else:
        behind_m = rng.uniform(0.02, 0.06)
        bounced = 0.1 * 10 ** (-rng.uniform(4, 16) / 20)
        bounce = direct_sound(bench, voices, bounced, behind_m=behind_m)
        direct = [direct_sound(bench, voices, 0.1), bounce]
    return _scene(
        rng, bench, kind=CHIRP, sounds=[*direct, sound], truths=[truth],
        rms=noise_rms(pulse, 0.02, rng.uniform(35, 50)),
    )  # fmt: skip


def knock_before(rng: np.random.Generator) -> Scene:
    """Before the first ping: a knock, a word, or a click."""
    bench = drawn_bench(rng)
    voices, pulse = _voices("chirp"), VOICES["chirp"]()[0]
    sound, truth = body_at(rng, bench, voices, rng.uniform(0.7, 2.5), 0.02)
    first_s = rng.uniform(0.4, 0.9)
    what = int(rng.integers(3))

    def knock(heard: Array) -> Array:
        t = np.arange(heard.size) / RATE_HZ
        since = t - rng.uniform(0.05, first_s - 0.15)
        on = since >= 0
        if what == 0:  # a knock rings down
            f, fall = rng.uniform(200, 6e3), rng.uniform(0.003, 0.02)
            return np.where(
                on, 0.2 * np.exp(-np.maximum(since, 0) / fall) * np.sin(2 * np.pi * f * since), 0
            )
        if what == 1:  # a word: noise that swells and fades
            length = rng.uniform(0.05, 0.12)
            swell = np.where(on & (since < length), np.sin(np.pi * since / length), 0)
            return 0.1 * swell * rng.normal(size=heard.size)
        return np.where(on & (since < 1 / RATE_HZ), 0.01 * rng.uniform(1, 20), 0)

    return _scene(
        rng, bench, kind=CHIRP, sounds=[direct_sound(bench, voices, 0.1), sound], truths=[truth],
        rms=noise_rms(pulse, 0.02, rng.uniform(35, 50)), first_s=first_s, added=knock,
    )  # fmt: skip


def drift_or_swing(rng: np.random.Generator) -> Scene:
    """Still things in a medium that drifts, one that swings, one whose strength swells."""
    which = int(rng.integers(3))
    bench = drawn_bench(rng, drifts=which == 0)
    voices, pulse = _voices("chirp"), VOICES["chirp"]()[0]
    pings = 48
    heard = []
    for place, range_m in enumerate([rng.uniform(0.7, 1.1), rng.uniform(1.4, 2.6)]):
        far_m: Way | None = None
        amplitude: Callable[[float], float] = _steady(0.02)
        if which == 1 and place == 0:
            far_m = _swinging(
                range_m,
                swing_m=rng.uniform(0.01, 0.06),
                period_s=rng.uniform(1.2, 4),
                phase=rng.uniform(0, 6.28),
            )
        if which == 2 and place == 0:
            depth, period_s = rng.uniform(0.3, 0.9), rng.uniform(2, 10)
            amplitude = _swelling(depth, period_s)
        heard.append(body_at(rng, bench, voices, range_m, amplitude, far_m=far_m))
    drift = _steady(0.0)
    if which == 0:
        # Half a degree, as the plan has it, is 0.09 % of the speed: up to twice that.
        share = rng.choice([-1, 1]) * rng.uniform(0.0009, 0.0018)
        drift = _drifting(share, pings * 0.1, bows=bool(rng.integers(2)))
    sounds, truths = zip(*heard, strict=True)
    return _scene(
        rng, bench, kind=CHIRP, sounds=[direct_sound(bench, voices, 0.1), *sounds],
        truths=list(truths), rms=noise_rms(pulse, 0.02, rng.uniform(35, 50)), pings=pings,
        drift=drift,
    )  # fmt: skip


def _swelling(depth: float, period_s: float) -> Callable[[float], float]:
    return lambda t: 0.02 * (1 + depth * math.sin(2 * math.pi * t / period_s))


def _drifting(share: float, total_s: float, *, bows: bool) -> Callable[[float], float]:
    """By what share the sound speed went up or down; back again if it bows."""
    return lambda t: share * (math.sin(math.pi * t / total_s) if bows else t / total_s)


def _swinging(range_m: float, *, swing_m: float, period_s: float, phase: float) -> Way:
    return lambda t: range_m + swing_m * np.sin(2 * np.pi * t / period_s + phase)


def two_close(rng: np.random.Generator) -> Scene:
    """Two bodies between 0.5 and 1.5 c/2B apart, alike or up to 12 dB apart."""
    bench = drawn_bench(rng)
    voices, pulse = _voices("chirp"), VOICES["chirp"]()[0]
    at = rng.uniform(0.8, 2.2)
    apart_m, below_db = rng.uniform(0.5, 1.5) * RESOLUTION_M, rng.uniform(0, 12)
    first, one = body_at(rng, bench, voices, at, 0.02)
    second, two = body_at(rng, bench, voices, at + apart_m, 0.02 * 10 ** (-below_db / 20))
    return _scene(
        rng, bench, kind=CHIRP, sounds=[direct_sound(bench, voices, 0.1), first, second],
        truths=[one, two],
        rms=noise_rms(pulse, 0.02, rng.uniform(35, 50)),
    )  # fmt: skip


def coloured_pulse(rng: np.random.Generator) -> Scene:
    """The loudspeaker ripples or is dull; direct sound and echoes alike."""
    bench = drawn_bench(rng)
    pulse = VOICES["chirp"]()[0]
    if rng.random() < 0.7:
        ripple = rng.uniform(0.8, 2.6) * math.sqrt(2) / 8.686
        delay_s, phase = rng.uniform(0.1e-3, 0.5e-3), rng.uniform(0, 6.28)
        # All of its cepstrum lies after the sound: what ripples rings on, and never ahead.
        voices = _voices(
            "chirp", lambda f: np.exp(ripple * np.exp(-1j * (2 * np.pi * f * delay_s + phase)))
        )
    else:
        edge_hz = rng.uniform(5e3, 12e3)
        voices = _voices("chirp", lambda f: 1 / (1 + 1j * f / edge_hz))
    sounds, truths = zip(
        *(
            body_at(rng, bench, voices, r, 0.02)
            for r in (rng.uniform(0.7, 1.1), rng.uniform(1.4, 2.6))
        ),
        strict=True,
    )
    return _scene(
        rng, bench, kind=CHIRP, sounds=[direct_sound(bench, voices, 0.1), *sounds],
        truths=list(truths),
        rms=noise_rms(pulse, 0.02, rng.uniform(40, 55)),
    )  # fmt: skip


def hum_and_clicks(rng: np.random.Generator) -> Scene:
    """Mains hum with 40 harmonics, or 50 clicks a second, over any kind of pulse."""
    bench = drawn_bench(rng)
    name, kind = [("chirp", CHIRP), ("tone", TONE), ("barker13", BARKER13)][int(rng.integers(3))]
    voices, pulse = _voices(name), VOICES[name]()[0]
    sound, truth = body_at(rng, bench, voices, rng.uniform(0.7, 2.5), 0.05)
    hum = rng.random() < 0.5
    level, base_hz = rng.uniform(0.02, 0.2), rng.uniform(49.9, 50.1)

    def disturb(heard: Array) -> Array:
        t = np.arange(heard.size) / RATE_HZ
        if hum:
            tones = (
                np.sin(2 * np.pi * base_hz * k * t + rng.uniform(0, 6.28)) / k for k in range(1, 41)
            )
            return level * np.sum(list(tones), axis=0)
        clicks = np.zeros(heard.size)
        at = rng.integers(0, heard.size, size=int(50 * heard.size / RATE_HZ))
        clicks[at] = level * rng.choice([-1, 1], size=at.size)
        return clicks

    return _scene(
        rng, bench, kind=kind, sounds=[direct_sound(bench, voices, 0.3), sound], truths=[truth],
        rms=noise_rms(pulse, 0.05, rng.uniform(40, 55)), added=disturb,
    )  # fmt: skip


def room_tail(rng: np.random.Generator) -> Scene:
    """A room that rings after each ping: RT60 0.15 s, from 40 dB below the direct sound on."""
    bench = drawn_bench(rng)
    voices, pulse = _voices("chirp"), VOICES["chirp"]()[0]
    sound, truth = body_at(rng, bench, voices, rng.uniform(0.7, 2.0), 0.03)
    fall = np.exp(-6.9 * np.arange(round(0.2 * RATE_HZ)) / (0.15 * RATE_HZ))
    tail = rng.normal(size=fall.size) * fall
    spectrum_size = 1 << 15
    ringing = np.fft.irfft(
        np.fft.rfft(pulse, spectrum_size) * np.fft.rfft(tail, spectrum_size), spectrum_size
    )[: fall.size]
    ringing *= 0.1 * 10 ** (-40 / 20) / math.sqrt(np.mean(ringing[:2000] ** 2))

    def rings(heard: Array) -> Array:
        added = np.zeros(heard.size)
        for ping in range(20):
            begin = round(FIRST_S * RATE_HZ) + ping * round(0.1 * RATE_HZ)
            span = min(ringing.size, heard.size - begin)
            added[begin : begin + span] += ringing[:span]
        return added

    return _scene(
        rng, bench, kind=CHIRP, sounds=[direct_sound(bench, voices, 0.1), sound], truths=[truth],
        rms=noise_rms(pulse, 0.03, rng.uniform(40, 50)), added=rings,
    )  # fmt: skip


def goes_by(rng: np.random.Generator) -> Scene:
    """A body that crosses the beam evenly: what ought to be told, lest all be undecided."""
    return _crossing(rng, weave=False)


def weaves_by(rng: np.random.Generator) -> Scene:
    """One that crosses on a way that is neither straight nor even."""
    return _crossing(rng, weave=True)


def _crossing(rng: np.random.Generator, *, weave: bool) -> Scene:
    bench = drawn_bench(rng)
    voices, pulse = _voices("chirp"), VOICES["chirp"]()[0]
    closest_m, speed, pings = rng.uniform(0.8, 1.6), rng.uniform(0.15, 0.35), 60
    middle_s = pings * 0.1 / 2 + rng.uniform(-0.3, 0.3)
    spread = 0.25 * closest_m
    bend_m, period_s = (rng.uniform(0.02, 0.08), rng.uniform(1.5, 3.0)) if weave else (0.0, 1.0)

    def place(t: Array) -> tuple[Array, Array]:
        aside = speed * (t - middle_s)
        return closest_m + bend_m * np.sin(2 * np.pi * t / period_s), aside

    def way(t: Array) -> Array:
        along, aside = place(t)
        half = bench.baseline_m / 2
        return np.hypot(along, aside - half) + np.hypot(along, aside + half)

    def far_m(t: Array) -> Array:
        """As the program counts it, on the axis: by the cone alone it knows of no more."""
        on_axis: Array = np.sqrt(way(t) ** 2 - bench.baseline_m**2) / 2
        return on_axis

    def amplitude(t: float) -> float:
        return 0.03 * math.exp(-((speed * (t - middle_s) / spread) ** 2))

    sound = Sound(voices=voices, way=way, amplitude=amplitude)
    truth = Truth(way=way, far_m=far_m, passes=not weave, crossing_m_s=speed)
    return _scene(
        rng, bench, kind=CHIRP, sounds=[direct_sound(bench, voices, 0.1), sound], truths=[truth],
        rms=noise_rms(pulse, 0.03, rng.uniform(38, 48)), pings=pings,
    )  # fmt: skip


CLASSES: dict[str, Callable[[np.random.Generator], Scene]] = {
    make.__name__.replace("_", " "): make
    for make in (
        weak_direct, slow_beside_direct, golay_beside_direct, moving, dull_mark, knock_before,
        drift_or_swing, two_close, coloured_pulse, hum_and_clicks, room_tail, goes_by, weaves_by,
    )
}  # fmt: skip


def drawn(
    seed: int, each: int, names: Collection[str] | None = None
) -> Iterator[tuple[str, int, Scene]]:
    """Yield `each` scenes of every class, or of some, with the seed that makes each again."""
    for number, (name, make) in enumerate(CLASSES.items()):
        for scene in range(each if names is None or name in names else 0):
            rng = np.random.default_rng([seed, number, scene])
            yield name, scene, make(rng)
