"""Draw misleading scenes, hold what the program says against what is there, print a table.

``python -m tests.adversary --each 80`` draws 1,040 by a seed of the day, which it tells, and
takes some minutes; ``--seed`` draws the same again.

Each class's share within 2 u is to be held against what is due there (:mod:`due_shares`): 95.5 to
96 of 100 where most of what is unsure is normal, more where a bound outweighs it: a filtered mark,
two bodies within a lobe. A third of "drift or swing" are media that drift by no more than twice
what the plan doubts, which is within 2 u always: 1.5 of 100 more than is due by the budgets.
"""

import argparse
import os
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "shared"))

from misleading_scenes import CLASSES
from scene_judge import HEAD, row, tallied


def main() -> None:
    given = argparse.ArgumentParser()
    given.add_argument("--each", type=int, default=80)
    given.add_argument("--seed", type=int, default=int.from_bytes(os.urandom(4)))
    given.add_argument("--class", dest="names", action="append", choices=CLASSES, metavar="NAME")
    given.add_argument("--worst", action="store_true", help="say each thing that was wrong")
    asked = given.parse_args()
    print(f"seed {asked.seed}\n{HEAD}")
    tallies = tallied(asked.seed, asked.each, names=asked.names, told=True)
    print(file=sys.stderr)
    for name, tally in tallies.items():
        print(row(name, tally))
    if asked.worst:
        print(*(w for t in tallies.values() for w in t.worst), sep="\n")


if __name__ == "__main__":
    main()
