"""Angles by two receivers: how far off they are, over the bound, and how many are covered.

``python tests/benchmarks/bench_angles.py [--benches N]``: of drawn benches (1000 unless said
otherwise) the share whose interval holds the truth, and at three signal-to-noise ratios the
RMS error over the Cramér–Rao bound, on benches that are exactly what their plans say.
"""

import argparse
import math

import numpy as np

from tests.shared.drawn_pairs import drawn_pair, side_of


def _main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--benches", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    random = np.random.default_rng(given.seed)
    covered = told = unheard = open_ones = 0
    for bench in range(given.benches):
        drawn = drawn_pair(random, snr_db=random.uniform(24, 45))
        side = side_of(drawn, seed=bench)
        if side is None or math.isnan(side.angle_rad):
            unheard += 1
            continue
        told += 1
        open_ones += bool(side.doubt)
        covered += side.low_rad <= drawn.angle_rad <= side.high_rad
    print(f"{given.benches} benches, {told} angles told, {unheard} not, {open_ones} by envelope")
    print(f"covered with k = 2: {100 * covered / told:.2f} %")
    print(f"{'2E/N0, dB':>10} {'angles':>7} {'RMS over bound':>15}")
    for snr_db in (20.0, 30.0, 40.0):
        errors = []
        for bench in range(given.benches // 4):
            drawn = drawn_pair(random, exact=True, snr_db=snr_db)
            side = side_of(drawn, seed=bench)
            if side is not None and math.isfinite(side.bound_rad):
                errors.append((side.angle_rad - drawn.angle_rad) / side.bound_rad)
        print(f"{snr_db:10.0f} {len(errors):7d} {np.sqrt(np.mean(np.square(errors))):15.3f}")


if __name__ == "__main__":
    _main()
