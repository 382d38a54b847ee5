"""Small, or at the edge? Drawn pairs of balls before two receivers, and how they are answered.

``PYTHONPATH=. python tests/benchmarks/drawn_small_or_edge.py [--pairs N]``: of each ball
whether it is small or at the edge, of each pair which is the stronger, and how many strengths
lie outside what is said to cover them with k = 2.
"""

import argparse
from collections import Counter

import numpy as np

from tests.shared.drawn_balls import drawn_balls, judged


def _main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pairs", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    random = np.random.default_rng(given.seed)
    verdicts = [judged(drawn_balls(random), seed=n) for n in range(given.pairs)]
    print(f"{given.pairs} pairs, {2 * given.pairs} balls")
    for name in ("right", "open_ones", "wrong", "outside"):
        print(f"{name:10} {sum(getattr(v, name) for v in verdicts):5d}")
    print("the stronger of two:", dict(Counter(v.strongest for v in verdicts)))


if __name__ == "__main__":
    _main()
