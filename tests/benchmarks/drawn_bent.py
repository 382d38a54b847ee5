"""What a microphone that is driven too far has listed that is not there, and what it hides.

    python tests/benchmarks/drawn_bent.py [--scenes 8] [--pings 16] [--seed 0] [--pulse NAME]

Each scene is a direct sound and two bodies 30 to 50 dB below it, the first within the pulse's
length of it, in white noise that leaves the bodies a 2E/N0 of 30 dB or more. The microphone adds
the square of all that it hears ("square"), takes off its cube ("cube"), or both are drawn from 1 to
10 % of the direct sound's own amplitude; "dull" is a square before a low-pass of first order at
15 kHz, an input's. All scenes are invented, and made without any code of the program.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "shared"))

from doubted_bench import drawn_bench
from misleading_scenes import (
    BARKER13,
    CHIRP,
    FIRST_S,
    GOLAY,
    RESOLUTION_M,
    TONE,
    VOICES,
    Scene,
    body_at,
    direct_sound,
    noise_rms,
)
from scene_judge import heard
from synthesizer import RATE_HZ, Array, Voice, chirp, recorded

DIRECT = 0.3
NEAR_M = 1.5 * RESOLUTION_M
KINDS = {
    "rising": CHIRP,
    "falling": CHIRP | {"start_hz": 12e3, "stop_hz": 4e3},
    "golay": GOLAY,
    "barker13": BARKER13,
    "tone": TONE,
}
BENDS = ("none", "square", "cube", "both", "dull")


def voices_of(name: str) -> tuple[Voice, ...]:
    pulses = {
        "rising": lambda: (chirp(4e3, 12e3, 0.01),),
        "falling": lambda: (chirp(12e3, 4e3, 0.01),),
    }.get(name) or VOICES[name]
    return tuple(Voice(pulse) for pulse in pulses())


def dulled(samples: Array, edge_hz: float) -> Array:
    spectrum = np.fft.rfft(samples)
    hz = np.fft.rfftfreq(samples.size, 1 / RATE_HZ)
    return np.fft.irfft(spectrum / (1 + 1j * hz / edge_hz), samples.size)


def drawn(name: str, bend: str, seed: int, number: int, pings: int) -> Scene:
    rng = np.random.default_rng([seed, number])
    bench, voices = drawn_bench(rng), voices_of(name)
    pulse = VOICES.get(name, VOICES["chirp"])()[0]
    echoes = DIRECT * 10 ** (-rng.uniform(30, 50, 2) / 20)
    (near, first), (far, second) = (
        body_at(rng, bench, voices, range_m, float(echo))
        for range_m, echo in zip((rng.uniform(0.4, 1.5), rng.uniform(2, 2.8)), echoes, strict=True)
    )
    samples = recorded(
        [direct_sound(bench, voices, DIRECT), near, far],
        pings=pings,
        interval_s=0.1,
        first_s=FIRST_S,
        speed_m_s=lambda _, way_m: bench.heard_speed_m_s(way_m),
    )
    second_share, third_share = 10 ** rng.uniform(-2, -1, 2)
    square, cube = 2 * second_share / DIRECT, 4 * third_share / DIRECT**2
    bent = samples.copy()
    if bend in ("square", "both", "dull"):
        bent += square * samples**2
    if bend in ("cube", "both"):
        bent -= cube * samples**3
    if bend == "dull":
        bent = dulled(bent, 15e3)
    rms = noise_rms(pulse, float(echoes.min()), rng.uniform(30, 45))
    bent += rng.normal(0, rms, bent.size)
    return Scene(
        bench=bench,
        pulse=KINDS[name],
        samples=bent,
        truths=(first, second),
        pings=pings,
        interval_s=0.1,
        receiver={},
    )


def told(scene: Scene) -> Counter[str]:
    """Count what is listed where nothing is, and what is not where something is."""
    counts: Counter[str] = Counter()
    results = heard(scene).results
    counts["lost"] += scene.pings - len(results) + sum(r.lost for r in results)
    true_m = [t.range_m(t.met_s(0.0, scene.half_pulse_s)) for t in scene.truths]
    for result in results:
        if result.lost:
            continue
        counts["pings"] += 1
        for echo in result.echoes:
            off_m = min(abs(echo.range_m - m) for m in true_m)
            if off_m > max(NEAR_M, 2 * echo.u_range_m):
                counts["false"] += 1
                counts["false, more"] += echo.more_within_m is not None
        for place, m in zip(("near", "far"), true_m, strict=True):
            if all(abs(e.range_m - m) > max(NEAR_M, 2 * e.u_range_m) for e in result.echoes):
                counts[f"no {place}"] += 1
    return counts


COLUMNS = ("pings", "lost", "false", "false, more", "no near", "no far")


def main() -> None:
    given = argparse.ArgumentParser()
    given.add_argument("--scenes", type=int, default=8)
    given.add_argument("--pings", type=int, default=16)
    given.add_argument("--seed", type=int, default=0)
    given.add_argument("--pulse", action="append", choices=KINDS)
    given.add_argument("--bend", action="append", choices=BENDS)
    asked = given.parse_args()
    print(f"{'':20}" + "".join(f"{name:>12}" for name in COLUMNS))
    for name in asked.pulse or KINDS:
        for bend in asked.bend or BENDS:
            counts: Counter[str] = Counter()
            for number in range(asked.scenes):
                counts += told(drawn(name, bend, asked.seed, number, asked.pings))
            row = "".join(f"{counts[column]:>12}" for column in COLUMNS)
            print(f"{name:10}{bend:10}{row}", flush=True)


if __name__ == "__main__":
    main()
