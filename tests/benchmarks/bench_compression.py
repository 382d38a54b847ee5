"""How fast one ping, and 64, are compressed, as ratios taken in one run.

    python tests/benchmarks/bench_compression.py

The block is 19 200 samples at 192 kHz, the pulse a chirp of 10 ms from 4 to 12 kHz.
Beside the compressor stand the plain way, scipy.signal.correlate followed by
scipy.signal.hilbert, both in single precision, and a bare scipy.fft.rfft of the same
block, which no way that goes through a spectrum can undercut. The candidates take
turns, so that a change in the machine's speed meets all of them; the ratio is that of
the medians.
"""

from __future__ import annotations

import statistics
import sys
import time
from collections.abc import Callable

import numpy as np
import scipy.fft
from scipy.signal import correlate, hilbert

from dsp.ping.pulse.compression import PulseCompressor
from dsp.ping.pulse.pulses import linear_chirp

RATE_HZ, BLOCK, PINGS = 192_000.0, 19_200, 64


def main() -> int:
    pulse = linear_chirp(4e3, 12e3, 0.010, RATE_HZ)
    compress = PulseCompressor(pulse, BLOCK)
    rng = np.random.default_rng(1)
    blocks = (0.01 * rng.standard_normal((PINGS, BLOCK))).astype(np.float32)
    blocks[:, 5000 : 5000 + pulse.samples.size] += pulse.samples

    def plain(block: np.ndarray) -> np.ndarray:
        return np.abs(hilbert(correlate(block, pulse.samples, method="fft")))

    one = medians(
        lambda: compress(blocks[0]), lambda: plain(blocks[0]), lambda: scipy.fft.rfft(blocks[0])
    )
    many = medians(lambda: compress(blocks), lambda: [plain(b) for b in blocks], rounds=9)
    reference = plain(blocks[0])[pulse.samples.size - 1 :]
    at = np.round(compress.delay_s * RATE_HZ).astype(int)
    error = np.abs(np.abs(compress(blocks[0])) - reference[at]).max() / reference.max()

    print(f"{'':<10} {'echobench':>11} {'plain way':>11} {'bare rfft':>11}   ratios")
    print(
        f"{'one ping':<10} {one[0]:>8.0f} µs {one[1]:>8.0f} µs {one[2]:>8.0f} µs   "
        f"{one[1] / one[0]:.1f} times faster (goal 12), {one[0] / one[2]:.2f} of an rfft (goal 1.5)"
    )
    print(
        f"{'64 pings':<10} {many[0]:>8.0f} µs {many[1]:>8.0f} µs {'':>11}   "
        f"{many[1] / many[0]:.1f} times faster (goal 35)"
    )
    print(f"largest difference of the envelopes: {error:.1e} of the peak (goal 1e-4)")
    met = (
        one[1] / one[0] >= 12
        and one[0] / one[2] <= 1.5
        and many[1] / many[0] >= 35
        and error <= 1e-4
    )
    print("all goals met" if met else "A GOAL WAS MISSED")
    return 0 if met else 1


def medians(*candidates: Callable[[], object], rounds: int = 300) -> list[float]:
    """Median time of each, µs, the candidates taking turns."""
    for candidate in candidates:
        candidate()
    times: list[list[float]] = [[] for _ in candidates]
    for _ in range(rounds):
        for spent, candidate in zip(times, candidates, strict=True):
            start = time.perf_counter()
            candidate()
            spent.append(1e6 * (time.perf_counter() - start))
    return [statistics.median(spent) for spent in times]


if __name__ == "__main__":
    sys.exit(main())
