"""How long it takes to bring a minute of pings into focus, as a ratio taken in one run.

    python tests/benchmarks/bench_focus.py

A minute of 50 pings a second drawn past at 0.3 m/s, a disc of 30 mm and a chirp from 80 to
160 kHz in water, from 0.15 to 1.2 m. Beside it stands one real FFT of all blocks, 10 000 samples
each at 500 kHz, which no way from samples to a picture can undercut. Processor time, so that it
says on a busy machine what it says on an idle one; the candidates take turns.
"""

from __future__ import annotations

import math
import statistics
import sys
import time
from collections.abc import Callable

import numpy as np
import scipy.fft

from dsp.history.focusing import StraightWay, focused

PINGS, BLOCK = 3000, 10_000
MOST_S, MOST_FFTS = 2.0, 12.0


def main() -> int:
    rng = np.random.default_rng(1)
    way = StraightWay(
        speed_m_s=0.3,
        interval_s=0.02,
        sound_speed_m_s=1482.0,
        baseline_m=0.05,
        pulse_s=6e-4,
        coupling_s=9e-4,
        bin_s=4e-6,
        carrier_hz=22e3,
        centre_hz=120e3,
        half_angle_rad=math.radians(30.0),
    )
    range_m = np.arange(0.15, 1.2, 0.0062)
    bins = math.ceil(2 * 1.2 / 1482.0 / way.bin_s) + 40
    profiles = rng.standard_normal((PINGS, bins)) + 1j * rng.standard_normal((PINGS, bins))
    profiles = profiles.astype(np.complex64)
    blocks = rng.standard_normal((PINGS, BLOCK)).astype(np.float32)

    focus_s, fft_s = medians(
        lambda: focused(profiles, way, range_m, finer=2), lambda: scipy.fft.rfft(blocks)
    )
    places = 2 * (PINGS - 1) + 1
    print(f"a minute of {PINGS} pings, {bins} bins each, onto {places} × {range_m.size} places")
    print(f"in focus: {focus_s:.2f} s of processor time (goal {MOST_S:g})")
    print(f"one FFT of all blocks: {fft_s:.2f} s; {focus_s / fft_s:.1f} of it (goal {MOST_FFTS:g})")
    met = focus_s <= MOST_S and focus_s / fft_s <= MOST_FFTS
    print("all goals met" if met else "A GOAL WAS MISSED")
    return 0 if met else 1


def medians(*candidates: Callable[[], object], rounds: int = 5) -> list[float]:
    """Median processor time of each, s, the candidates taking turns."""
    times: list[list[float]] = [[] for _ in candidates]
    for _ in range(rounds):
        for spent, candidate in zip(times, candidates, strict=True):
            start = time.process_time()
            candidate()
            spent.append(time.process_time() - start)
    return [statistics.median(spent) for spent in times]


if __name__ == "__main__":
    sys.exit(main())
