"""Commands whose answers are frozen, and the files that they read. Every scene is invented.

A case is a name and what stands on the command line after `echobench`. It runs in the
folder that :func:`make_files` filled, where the cases that it stands `after` have run.
Nothing here imports the project, so that the table outlives any change of its layout.
"""

from __future__ import annotations

import wave
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One command.

    Attributes
    ----------
    words : tuple of str
        After `echobench`; `--json` is added.
    after : str
        The case that writes what this one reads; empty where none does.
    reads : str
        A JSON file that the command writes and that is frozen with its answer, or empty.
    cheap : bool
        Whether the pytest recomputes it.
    """

    words: tuple[str, ...]
    after: str = ""
    reads: str = ""
    cheap: bool = True


# What is sent

CHIRP = """
[pulse]
kind = "chirp"
start_hz = 4000.0
stop_hz = 12000.0
duration_s = 0.010
"""
TONE = """
[pulse]
kind = "tone"
centre_hz = 8000.0
duration_s = 0.002
"""
BARKER = """
[pulse]
kind = "barker13"
centre_hz = 8000.0
chip_s = 0.00025
"""
GOLAY = """
[pulse]
kind = "golay"
centre_hz = 8000.0
chip_s = 0.00025
chips = 16
"""
BURST = """
[pulse]
kind = "burst"
centre_hz = 40000.0
cycles = 12
ring_s = 60e-6
[timing]
sample_rate_hz = 250000
ping_interval_s = 0.06
[receiver]
range_start_m = 0.4
range_stop_m = 3.5
[geometry]
baseline_m = 0.05
[transducer]
radius_m = 0.008
"""
FOLDED_BURST = """
[pulse]
kind = "burst"
centre_hz = 40000.0
cycles = 12
ring_s = 60e-6
[timing]
sample_rate_hz = 62500
band_sampling = true
ping_interval_s = 0.1
[receiver]
range_start_m = 0.4
range_stop_m = 2.5
[geometry]
baseline_m = 0.03
time_zero = "calibration"
u_time_zero_s = 1e-6
[transducer]
radius_m = 0.008
"""
TROUGH_CHIRP = """
[pulse]
kind = "chirp"
start_hz = 80000.0
stop_hz = 160000.0
duration_s = 0.0006
taper = "hann"
[timing]
sample_rate_hz = 500000
ping_interval_s = 0.05
[receiver]
range_start_m = 0.15
range_stop_m = 1.15
[medium]
kind = "fresh-water"
temperature_c = 18.0
[geometry]
baseline_m = 0.05
[transducer]
shape = "line"
length_m = 0.016
"""
PASS = """
[pulse]
kind = "chirp"
start_hz = 12000.0
stop_hz = 20000.0
duration_s = 0.005
[timing]
sample_rate_hz = 96000
ping_interval_s = 0.05
[receiver]
range_stop_m = 3.0
"""

PLANS = {
    "chirp": CHIRP,
    "tone": TONE,
    "barker13": BARKER,
    "golay": GOLAY,
    "burst": BURST,
    "folded-burst": FOLDED_BURST,
    "hann": CHIRP + '[receiver]\nweighting = "hann"\n',
    "equalised": CHIRP + '[receiver]\nweighting = "equalised"\n',
    "stack-4": CHIRP + "[receiver]\nstack = 4\n",
    "golay-stack-4": GOLAY + "[receiver]\nstack = 4\n",
    "loopback": CHIRP + '[geometry]\ntime_zero = "loopback"\n',
    "known-time-zero": CHIRP + '[geometry]\ntime_zero = "calibration"\nu_time_zero_s = 2e-6\n',
    "sea": CHIRP.replace("0.010", "0.005") + '[medium]\nkind = "sea-water"\n',
    "trough": TROUGH_CHIRP,
    "pass": PASS,
}

# What is there

AIR = """
[medium]
kind = "air"
sound_speed_m_s = 343.963
"""
BALL = """
[[target]]
body = "sphere"
radius_m = 0.06
position_m = [1.2, 0.0, 0.0]
"""
SHELF = f"""{AIR}
[noise]
level_db = -62.0
[transducer]
radius_m = 0.03
{BALL}
[[target]]
body = "plate"
width_m = 0.10
height_m = 0.08
position_m = [1.9, 0.1, 0.05]
[[target]]
body = "cylinder"
radius_m = 0.02
length_m = 0.4
position_m = [2.3, 0.0, -0.1]
[[target]]
body = "bubbles"
radius_m = 0.08
position_m = [2.9, 0.0, 0.0]
"""
ROOM = f"""{AIR}
[noise]
level_db = -70.0
[walls]
size_m = [4.0, 3.0, 2.5]
pair_m = [0.5, 1.4, 1.2]
ahead = 0.4
below = 0.3
order = 2
[clutter]
level_db = -60.0
reach_m = 0.5
[ring_down]
level_db = -40.0
frequency_hz = 7000.0
decay_s = 0.001
[converter]
bits = 16
latency_s = 0.0123
clock_error_ppm = 12.0
{BALL}
"""
WATER = """
[medium]
kind = "fresh-water"
sound_speed_m_s = 1476.0
temperature_c = 18.0
[noise]
level_db = -65.0
[direct]
level_db = -40.0
[bottom]
range_m = 1.0
reflection = 0.4
[[target]]
body = "sphere"
radius_m = 0.02
position_m = [0.4, 0.0, 0.0]
[[target]]
body = "sphere"
surface = "soft"
radius_m = 0.02
position_m = [0.7, 0.02, 0.0]
"""
PLATES = f"""{AIR.replace("343.963", "346.1")}
[noise]
level_db = -60.0
[transducer]
radius_m = 0.02
resonance_hz = 8000.0
bandwidth_hz = 4000.0
"""


def _plate(range_m: float) -> str:
    sides = "width_m = 0.09\nheight_m = 0.09\n"
    return f'[[target]]\nbody = "plate"\n{sides}position_m = [{range_m}, 0.0, 0.0]\n'


def _drawn_past(across: str) -> str:
    """A ball drawn past 1.5 m away, closest half-way through 60 pings; a post stays."""
    at, velocity = {
        "up": ("[1.5, 0.0, -1.2]", "[0.0, 0.0, 0.8]"),
        "beside": ("[1.5, -1.2, 0.0]", "[0.0, 0.8, 0.0]"),
    }[across]
    return f"""{AIR}
[noise]
level_db = -65.0
[transducer]
radius_m = 0.03
[[target]]
body = "sphere"
radius_m = 0.05
position_m = {at}
velocity_m_s = {velocity}
[[target]]
body = "cylinder"
radius_m = 0.02
length_m = 0.5
position_m = [2.2, 0.0, 0.0]
"""


SCENES = {
    "shelf": SHELF,
    "loud": SHELF.replace("-62.0", "-12.0"),
    "room": ROOM,
    "water": WATER,
    "passing": _drawn_past("up"),
    "passing-beside": _drawn_past("beside"),
    "plates": PLATES + _plate(0.7) + _plate(1.9),
    "one-plate": PLATES + _plate(1.4),
}

ANSWERS = """name,number,answer
first row,1,a
first row,2,b
first row,3,c
second row,1,b
second row,2,perhaps
second row,3,
"""

# What was heard by something else: sound files

RATE_HZ, PING_SAMPLES, WAV_PINGS = 48_000, 12_000, 5


def make_files(folder: Path) -> None:
    """Write every plan, scene and sound file."""
    for name, text in PLANS.items():
        (folder / f"{name}.toml").write_text(f"# Invented.\n{text}", encoding="utf-8")
    for name, text in SCENES.items():
        (folder / f"{name}-scene.toml").write_text(f"# Invented.\n{text}", encoding="utf-8")
    (folder / "handed-in.csv").write_text(ANSWERS, encoding="utf-8")
    heard, wire = _heard(), _sound({0.0: 0.5}, noise=3e-5, seed=6)
    _write_wav(folder / "pings.wav", [heard])
    _write_wav(folder / "with-wire.wav", [heard, wire])
    # 37 samples lost in the third ping, as by a sound server: a slip that nobody flags.
    cut = 2 * PING_SAMPLES + 7000
    _write_wav(folder / "slipped.wav", [np.delete(heard, slice(cut, cut + 37))])


def _heard() -> NDArray[np.float64]:
    # Direct sound over 0.12 m, and echoes from 0.8 and 2.0 m, at 343.987 m/s.
    delays_s = np.hypot([0.0, 1.6, 4.0], 0.12) / 343.987
    return _sound(dict(zip(delays_s.tolist(), (0.3, 0.03, 0.01), strict=True)), noise=3e-4, seed=5)


def _sound(amplitudes: Mapping[float, float], *, noise: float, seed: int) -> NDArray[np.float64]:
    """Pings with a chirp at each delay; drawn from its formula, so at exact parts of a sample."""
    sound = noise * np.random.default_rng(seed).standard_normal(WAV_PINGS * PING_SAMPLES + 3000)
    t_s = np.arange(PING_SAMPLES) / RATE_HZ - 0.01
    for delay_s, amplitude in amplitudes.items():
        echo = amplitude * _chirp(t_s - delay_s)
        for ping in range(WAV_PINGS):
            sound[ping * PING_SAMPLES :][:PING_SAMPLES] += echo
    return sound


def _chirp(t_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """The plan's own: 4 to 12 kHz in 10 ms, a tenth of it rounded."""
    edge = np.clip(np.minimum(t_s, 0.01 - t_s) / 0.0005, 0.0, 1.0)
    return (0.5 - 0.5 * np.cos(np.pi * edge)) * np.sin(2 * np.pi * (4e3 * t_s + 4e5 * t_s**2))


def _write_wav(path: Path, channels: Sequence[NDArray[np.float64]]) -> None:
    frames = np.round(32767 * np.stack(channels, axis=1)).astype("<i2")
    with wave.open(str(path), "wb") as file:
        file.setnchannels(len(channels))
        file.setsampwidth(2)
        file.setframerate(RATE_HZ)
        file.writeframes(frames.tobytes())


# The commands


def _words(text: str) -> tuple[str, ...]:
    return tuple(text.split())


def _run(plan: str, scene: str = "shelf", *, pings: int = 3, seed: int = 1, more: str = "") -> Case:
    words = f"run --plan {plan}.toml --scene {scene}-scene.toml --pings {pings} --seed {seed}"
    return Case(words=_words(f"{words} {more}"))


def _of(text: str, after: str = "", *, cheap: bool = True) -> Case:
    return Case(words=_words(text), after=after, cheap=cheap)


CALIBRATED = "--calibration bench.json"

LESSON_PARTS = {
    "time-is-distance": (
        "out-and-back",
        "temperature",
        "blind-zone",
        "longest-range",
        "which-ping",
    ),
    "widening-cone": ("hits", "footprint", "three-frequencies"),
    "arch-or-streak": (
        "half-arch",
        "pass-and-stay",
        "speed-and-pings",
        "deep-arch",
        "bench-to-field",
        "into-focus",
    ),
    "centre-or-edge": ("the-same-mark", "weaker-at-the-edge"),
    "how-loud-is-big": ("gain-over-range", "plate-ball-rod-net", "forty-log-range"),
    "two-close-together": ("side-lobes", "burst-length", "bandwidth", "compression"),
    "bottom-and-surface": ("second-bottom", "hard-and-soft", "surface-clutter", "heavy-removal"),
    "finding-it-in-noise": ("false-alarms", "stacking", "coded-pair"),
    "two-receivers": ("small-or-edge",),
    "two-benches": ("another-bench", "another-pulse"),
    "history-is-the-past": ("left-the-beam", "taken-away"),
}
"""The first of each is quickest: the pytest recomputes that one."""

CASES: dict[str, Case] = {
    **{
        f"demo-{scene}-seed-{seed}": _of(
            f"demo --scene {scene} --pings 4 --seed {seed}", cheap=seed == 0
        )
        for scene in ("bench", "trough")
        for seed in (0, 3)
    },
    "demo-own-scene": _of("demo --scene room-scene.toml --pings 2"),
    "demo-two-receivers": _of("demo --scene sides --pings 4"),
    **{f"plan-{name}": _of(f"plan --plan {name}.toml") for name in PLANS},
    **{
        f"run-{plan}": _run(plan)
        for plan in ("chirp", "tone", "barker13", "burst", "folded-burst", "hann", "loopback")
    },
    "run-known-time-zero": _run("known-time-zero"),
    "run-golay": _run("golay", pings=4),
    "run-stack-4": _run("stack-4", pings=6),
    "run-golay-stack-4": _run("golay-stack-4", pings=9),
    "run-loud": _run("chirp", "loud"),
    "run-room": _run("chirp", "room", pings=5),
    "run-room-loopback": _run("loopback", "room", pings=5),
    "run-trough": _run("trough", "water", pings=6, more="--record trough-pings"),
    "run-kept": _run("chirp", pings=8, more="--record kept"),
    "check": _of("check --plan chirp.toml --scene shelf-scene.toml --pings 4"),
    "check-loopback": _of("check --plan loopback.toml --scene room-scene.toml --pings 4"),
    "check-loud": _of("check --plan chirp.toml --scene loud-scene.toml --pings 4"),
    "replay-kept": _of("replay kept.sigmf-meta", "run-kept"),
    "replay-kept-by-another-plan": _of("replay kept.sigmf-meta --plan stack-4.toml", "run-kept"),
    "measure-kept": _of("measure kept.sigmf-meta", "run-kept"),
    "measure-trough": _of("measure trough-pings.sigmf-meta", "run-trough"),
    "report-kept": _of("report kept.sigmf-meta --source-level-db -10", "run-kept"),
    "strength-kept": _of("strength kept.sigmf-meta --source-level-db -10", "run-kept"),
    "strength-kept-at-an-angle": _of(
        "strength kept.sigmf-meta --source-level-db -10 --angle-deg 5 --u-angle-deg 1", "run-kept"
    ),
    "strength-trough": _of("strength trough-pings.sigmf-meta --source-level-db -10", "run-trough"),
    "listen-kept": _of("listen kept.sigmf-meta --slow 20 --out slow.wav", "run-kept"),
    "listen-kept-compressed": _of(
        "listen kept.sigmf-meta --slow 12.5 --ping 3 --compressed --even --pitch 600 --out c.wav",
        "run-kept",
    ),
    "listen-live": _of(
        "listen --front-end virtual-tank --plan chirp.toml --scene shelf-scene.toml --slow 8 "
        "--out live.wav"
    ),
    "run-passing": _run("pass", "passing", pings=60, more="--record passing"),
    "replay-passing": _of("replay passing.sigmf-meta", "run-passing"),
    "focus-passing": _of("focus passing.sigmf-meta --speed-m-s 0.8", "run-passing"),
    "measure-passing": _of("measure passing.sigmf-meta", "run-passing"),
    "beam-passing": _of(
        "beam passing.sigmf-meta --speed-m-s 0.8 --u-speed-m-s 0.01 --square --to-m 2.0",
        "run-passing",
    ),
    "beam-live-beside": _of(
        "beam --plan pass.toml --scene passing-beside-scene.toml --pings 60 --speed-m-s 0.8 "
        "--to-m 2.0 --seed 2",
        cheap=False,
    ),
    "report-passing": _of(
        "report passing.sigmf-meta --speed-m-s 0.8 --square --to-m 2.0", "run-passing", cheap=False
    ),
    **{
        f"what-if-{name}": _of(
            f"what-if passing.sigmf-meta --change {change} --picture {name}.png",
            "run-passing",
            cheap=name == "disc",
        )
        for name, change in {
            "frequency": "frequency=12000",
            "disc": "disc=2x",
            "speed": "speed=0.3",
            "pulse": "pulse=0.002",
            "tilt": "tilt=4",
        }.items()
    },
    "calibrate": _of(
        "calibrate --plan chirp.toml --scene plates-scene.toml --pings 6 --at 0.7 --at 1.9 "
        "--plate-size 0.09 0.09 --calibration bench.json"
    ),
    **{
        f"{case}-calibrated": _of(f"{words} {CALIBRATED}", "calibrate")
        for case, words in {
            "run": "run --plan chirp.toml --scene one-plate-scene.toml --pings 3",
            "run-equalised": "run --plan equalised.toml --scene one-plate-scene.toml --pings 3 "
            "--record equalised",
            "check": "check --plan chirp.toml --scene one-plate-scene.toml --pings 3",
        }.items()
    },
    **{
        f"{verb}-calibrated": _of(
            f"{verb} equalised.sigmf-meta {CALIBRATED}", "run-equalised-calibrated"
        )
        for verb in ("measure", "replay", "strength")
    },
    "measure-calibrated-without-equalising": _of(
        f"measure equalised.sigmf-meta --plan chirp.toml {CALIBRATED}", "run-equalised-calibrated"
    ),
    "replay-wav": _of("replay pings.wav --plan chirp.toml"),
    "measure-wav": _of("measure pings.wav --plan chirp.toml"),
    "replay-wav-by-a-wire": _of("replay with-wire.wav --plan loopback.toml"),
    "replay-wav-that-slipped": _of("replay slipped.wav --plan chirp.toml"),
    "listen-wav": _of("listen pings.wav --plan chirp.toml --slow 30 --out w.wav"),
    "twin": _of("twin --speed-m-s 2 --depth-m 10 --cone-deg 20 --pings-per-s 5"),
    "twin-resolution": _of(
        "twin --speed-m-s 0.5 --depth-m 3 --cone-deg 12 --pings-per-s 8 --resolution-m 0.05 "
        "--to-depth-m 0.6 --to-pings-per-s 10"
    ),
    "lesson-list": _of("lesson --list"),
    **{
        f"lesson-{lesson}-{part}": _of(
            f"lesson {lesson} --part {part} --out lessons --seed 4 --predict 2",
            cheap=part == parts[0],
        )
        for lesson, parts in LESSON_PARTS.items()
        for part in parts
    },
    "lesson-whole": _of(
        "lesson finding-it-in-noise --predict 1 --predict 2 --predict 3 --out whole --record",
        cheap=False,
    ),
    "exercise-list": _of("exercise --list"),
    "exercise-one-question": Case(
        words=_words("exercise --seed 2 --count 1 --topic hard-or-soft --out one"),
        reads="one/key/key.json",
    ),
    "exercise-three-questions": Case(
        words=_words("exercise --seed 3 --count 3 --out three"),
        reads="three/key/key.json",
        cheap=False,
    ),
    "exercise-marked": _of(
        "exercise --mark handed-in.csv --key three/key/key.json",
        "exercise-three-questions",
        cheap=False,
    ),
}
