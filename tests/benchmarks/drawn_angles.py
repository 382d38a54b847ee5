"""Angles by two receivers: how far off they are, over the bound, and how many are covered.

``python tests/benchmarks/drawn_angles.py [--benches N]``: of drawn benches (1000 unless said
otherwise) the share whose interval holds the truth; the same of benches whose channels differ,
once they are calibrated; and at three signal-to-noise ratios the RMS error over the Cramér–Rao
bound, on benches that are exactly what their plans say.
"""

import argparse
import math
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np

from rig.run.results import Side

sys.path.insert(0, str(Path(__file__).parents[1] / "shared"))

from drawn_pairs import calibrated_side_of, drawn_pair, side_of


def _print_covered(
    words: str,
    random: np.random.Generator,
    benches: int,
    side_of_bench: Callable[..., Side | None],
) -> None:
    covered = told = by_envelope = 0
    for bench in range(benches):
        drawn = drawn_pair(random, snr_db=random.uniform(24, 45))
        side = side_of_bench(drawn, seed=bench)
        if side is None or math.isnan(side.angle_rad):
            continue
        told += 1
        by_envelope += bool(side.doubt)
        covered += side.low_rad <= drawn.angle_rad <= side.high_rad
    print(
        f"{words}: {benches} benches, {told} angles told, {by_envelope} of them by the envelope "
        f"alone; covered with k = 2: {100 * covered / told:.2f} %"
    )


def _main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--benches", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    random = np.random.default_rng(given.seed)
    _print_covered("as planned", random, given.benches, side_of)
    _print_covered(
        "calibrated",
        random,
        given.benches // 5,
        lambda drawn, *, seed: calibrated_side_of(drawn, random, seed=seed),
    )
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
