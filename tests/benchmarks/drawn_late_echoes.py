"""Echoes from beyond the interval, in drawn scenes: named, not told, or shown as near.

    python tests/benchmarks/drawn_late_echoes.py [--scenes 200] [--seed 0]

"Clear" are far things that seem to stand where nothing else does; "beside" are those that seem
to stand within reach of another. "Shown" counts lists, of 20 pings and of their sum, in which
an echo stands where the far thing seems to, and no near thing within three of its u.
"""

from __future__ import annotations

import argparse

import numpy as np

from tests.shared.late_scenes import PINGS, told_of


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--scenes", type=int, default=200)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--each", action="store_true", help="print what was not named")
    given = parser.parse_args()
    told, near, listed = [], 0, 0
    for seed in range(given.seed, given.seed + given.scenes):
        drawn = told_of(seed)
        told += drawn.far
        near, listed = near + drawn.near, listed + drawn.near_listed
        if given.each:
            for one in drawn.far:
                if one.shown or (one.far.stands_clear and not one.named):
                    print(seed, one)
    print(f"{given.scenes} scenes, {len(told)} things beyond the interval, {PINGS} pings each")
    print("            things  named  not told  not found  shown as near  ")
    for name, of in (
        ("clear, still", [t for t in told if t.far.stands_clear and not t.far.moves_m]),
        ("clear, moving", [t for t in told if t.far.stands_clear and t.far.moves_m]),
        ("beside", [t for t in told if not t.far.stands_clear]),
    ):
        named = sum(t.named for t in of)
        untold = sum(t.untold and not t.named for t in of)
        shown = sum(t.shown for t in of)
        print(
            f"{name:14s} {len(of):4d} {named:6d} {untold:9d} {len(of) - named - untold:10d} "
            f"{sum(t.shown > 0 for t in of):8d} in {shown} lists; named in "
            f"{sum(t.named_pings for t in of) / max(len(of), 1):.1f} pings each"
        )
    print(f"near things with nothing beside them: {listed} of {near} listed in the sum")
    off = np.array([t.misses for t in told if t.named and t.far.stands_clear and not t.far.moves_m])
    if off.size:
        print(
            f"ranges of the named, clear and still: RMS {np.sqrt(np.mean(off**2)):.2f} u, worst "
            f"{off.max():.1f} u, {np.mean(off < 2):.1%} within 2 u"
        )


if __name__ == "__main__":
    main()
