"""Bodies before a sender and a receiver that ring: told as one, as more, or falsely as two.

    python tests/benchmarks/drawn_ringing.py [--draws 400] [--seed 0] [--snr-db 36]

Both faces are a mass on a spring, a resonance of the same Q anywhere in the middle half of the
band. Echoes are made in frequency, at exact delays, without any code of the search; noise is
white. Their 2E/N0 is of what is heard, 25 to 45 dB, or as given. "direct" has a direct sound 14 dB
over the echo ahead; "five" have the same five bodies' echoes 3 to 5 ms apart, each of a strength of
its own. Pairs stand 0.5 to 1.5 of a lobe's width apart, 0 to 12 dB unlike, at any phase. All
scenes are invented.
"""

from __future__ import annotations

import argparse
import math
from collections import Counter

import numpy as np
from numpy.typing import NDArray

from dsp.ping.pulse.compression import PulseCompressor
from dsp.ping.pulse.peaks import Peak
from dsp.ping.pulse.pulses import Pulse, barker13, golay_pair, linear_chirp
from dsp.ping.search.search import found_at

RATE_HZ, BLOCK, LENGTH = 48_000.0, 4800, 1 << 13
DIRECT_S, START_S, AT_S = 0.005, 0.012, 0.03
DIRECT_DB = 14.0
NEAR_LOBES = 6.0
SURE = 3.0

PULSES: dict[str, tuple[Pulse, str]] = {
    "chirp": (linear_chirp(4e3, 12e3, 0.010, RATE_HZ), "none"),
    "chirp hann": (linear_chirp(4e3, 12e3, 0.010, RATE_HZ), "hann"),
    "barker": (barker13(8e3, 2.5e-4, RATE_HZ), "none"),
    "golay": (golay_pair(8e3, 2.5e-4, 16, RATE_HZ)[0], "none"),
}


class Scene:
    """One pulse, and what is heard of it in white noise of RMS 1."""

    def __init__(self, pulse: Pulse, weighting: str) -> None:
        self.compress = PulseCompressor(pulse, BLOCK, weighting=weighting)
        self.shape = self.compress.shape
        self.hz = np.fft.rfftfreq(LENGTH, 1 / RATE_HZ)
        self.sent = np.fft.rfft(pulse.samples.astype(float), LENGTH)
        half_hz = pulse.bandwidth_hz / 4
        self.rings_hz = (pulse.centre_hz - half_hz, pulse.centre_hz + half_hz)

    def ringing(self, quality: float, at_hz: float) -> NDArray[np.complex128]:
        """Return what two alike faces make of a sound."""
        hz = np.maximum(self.hz, 1.0)
        return 1 / (1 + 1j * quality * (hz / at_hz - at_hz / hz)) ** 2

    def heard(
        self, faces: NDArray[np.complex128], bodies: list[tuple[float, complex]], snr_db: float
    ) -> NDArray[np.float64]:
        """Return echoes of which one of gain 1 has so much 2E/N0, in noise of RMS 1."""
        one = self.sent * faces
        energy = float(np.sum(np.fft.irfft(one, LENGTH) ** 2))
        turned = sum(g * np.exp(-2j * np.pi * self.hz * s) for s, g in bodies)
        return np.fft.irfft(one * turned, LENGTH)[:BLOCK] * math.sqrt(10 ** (snr_db / 10) / energy)

    def found(self, samples: NDArray[np.float64], start_s: float) -> tuple[Peak, ...]:
        heard = self.compress.matched(self.compress.spectrum(samples.astype(np.float32)))
        envelope = self.compress.from_time_zero(heard, 0.0)
        return found_at(envelope, self.shape, rates=(1e-6,), start_s=start_s).peaks


def told(peaks: tuple[Peak, ...], true_s: list[float], reach_s: float) -> str:
    """Say what is listed so near to the place of one body, or of two."""
    near = [p for p in peaks if abs(p.delay_s - true_s[0]) < reach_s]
    if not near:
        return "nothing"
    holds = [
        any(abs(p.delay_s - s) < SURE * math.hypot(p.u_delay_s, p.u_second_s) for p in near)
        for s in true_s
    ]
    more = any(p.u_second_s > 0 for p in near)
    if len(near) > len(true_s):
        return "false"
    if len(true_s) == 1:
        return "more" if more else "one"
    if len(near) == 2 and not more:
        return "two" if all(holds) else "two, off"
    return ("more" if all(holds) else "more, off") if more else "one"


def drawn(
    scene: Scene, kind: str, quality: float, snr_db: float | None, draws: int, seed: int
) -> Counter[str]:
    """Return how often what was told."""
    random = np.random.default_rng(seed)
    counts: Counter[str] = Counter()
    width_s = scene.shape.width_s
    reach_s = NEAR_LOBES * width_s if "five" in kind else math.inf
    for _ in range(draws):
        snr = random.uniform(25, 45) if snr_db is None else snr_db
        faces = scene.ringing(quality, random.uniform(*scene.rings_hz))
        turn = np.exp(2j * np.pi * random.random(8))
        at_s = AT_S + random.random() / RATE_HZ
        bodies, start_s, bodies_s = [(at_s, turn[0])], 0.0, [at_s]
        if "pair" in kind:
            bodies_s.append(at_s + random.uniform(0.5, 1.5) * width_s)
            bodies.append((bodies_s[1], turn[1] * 10 ** (-random.uniform(0, 12) / 20)))
        if "direct" in kind:
            bodies.append((DIRECT_S, 10 ** (DIRECT_DB / 20)))
            start_s = START_S
        if "five" in kind:
            for i in range(4):
                other_s = AT_S + 0.004 * (i + 1 + random.uniform(-0.12, 0.12))
                bodies.append((other_s, turn[2 + i] * 10 ** (random.uniform(-6, 6) / 20)))
        samples = scene.heard(faces, bodies, snr) + random.standard_normal(BLOCK)
        counts[told(scene.found(samples, start_s), bodies_s, reach_s)] += 1
    return counts


COLUMNS = ("one", "two", "more", "false", "two, off", "more, off", "nothing")


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--draws", type=int, default=400)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--snr-db", type=float)
    parser.add_argument("--pulse", action="append", choices=PULSES)
    parser.add_argument("--kind", action="append")
    parser.add_argument("--quality", type=float, action="append")
    given = parser.parse_args()
    kinds = given.kind or ["one", "one direct", "one five", "pair", "pair direct", "pair five"]
    print(f"{'':32}" + "".join(f"{name:>10}" for name in COLUMNS))
    for name in given.pulse or PULSES:
        scene = Scene(*PULSES[name])
        for kind in kinds:
            for quality in given.quality or (0.01, 1.0, 2.0, 3.0, 5.0):
                counts = drawn(scene, kind, quality, given.snr_db, given.draws, given.seed)
                row = "".join(f"{counts[column]:>10}" for column in COLUMNS)
                print(f"{name:12}{kind:14}Q {quality:<4g}{row}", flush=True)


if __name__ == "__main__":
    main()
