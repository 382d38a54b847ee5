"""Put the bench through every fault of the table, and print it: `python -m tests.faults`.

In the long form each kind of file is mutated 10,000 times, and a run killed at 40 moments; the
tests alone, as `pytest` runs them, do the same with fewer. What cannot run here says so.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
from collections import defaultdict
from pathlib import Path
from xml.etree import ElementTree

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT / "tests" / "shared"))

from fault_rows import QUESTIONS, ROWS  # noqa: E402


def main() -> int:
    """Run the tests that the table names; return 0 where all of them hold."""
    parser = argparse.ArgumentParser(prog="python -m tests.faults", description=__doc__)
    parser.add_argument("--examples", type=int, default=10_000, help="mutations of each kind")
    parser.add_argument("--kills", type=int, default=40, help="moments at which a run is killed")
    parser.add_argument("--only", default="", help="faults that have this in their name")
    given = parser.parse_args()
    rows = {fault: row for fault, row in ROWS.items() if given.only in fault}
    wanted = sorted({t for row in rows.values() for q in QUESTIONS for t in getattr(row, q)})
    outcomes = _run(wanted, examples=given.examples, kills=given.kills)
    width = max(map(len, rows), default=0)
    print(f"{'':{width}}  " + "  ".join(question.replace("_", " ") for question in QUESTIONS))
    for fault, row in rows.items():
        cells = [
            _verdict([outcomes.get(t, "did not run") for t in getattr(row, q)]) for q in QUESTIONS
        ]
        shown = (f"{c:{len(q)}}" for c, q in zip(cells, QUESTIONS, strict=True))
        print(f"{fault:{width}}  " + "  ".join(shown))
    failed = [test for test in wanted if outcomes.get(test) != "yes"]
    for test in failed:
        print(f"{outcomes.get(test, 'did not run')}: {test}")
    return 1 if any(outcomes.get(test) == "NO" for test in failed) else 0


def _run(tests: list[str], *, examples: int, kills: int) -> dict[str, str]:
    """Run tests; return "yes", "NO" or "not here" of each."""
    with tempfile.TemporaryDirectory() as folder:
        told = Path(folder, "told.xml")
        environment = {
            **os.environ,
            "ECHOBENCH_FAULTS_EXAMPLES": str(examples),
            "ECHOBENCH_FAULTS_KILLS": str(kills),
        }
        command = [sys.executable, "-m", "pytest", "-q", f"--junitxml={told}", *tests]
        subprocess.run(command, cwd=ROOT, env=environment, check=False)
        cases = ElementTree.parse(told).iter("testcase")
        found: defaultdict[str, set[str]] = defaultdict(set)
        for case in cases:
            file = case.get("classname", "").replace(".", "/") + ".py"
            name = case.get("name", "").partition("[")[0]
            kinds = {child.tag for child in case}
            failed = kinds & {"failure", "error"}
            found[f"{file}::{name}"].add(
                "NO" if failed else "not here" if kinds & {"skipped"} else "yes"
            )
    return {test: _verdict(list(outcomes)) for test, outcomes in found.items()}


def _verdict(outcomes: list[str]) -> str:
    """Put several tests' outcomes into one: the worst of them."""
    if not outcomes:
        return "-"
    return next(o for o in ("NO", "did not run", "not here", "yes") if o in outcomes)


if __name__ == "__main__":
    sys.exit(main())
