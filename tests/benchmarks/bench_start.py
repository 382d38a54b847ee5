"""How long the command takes to start, beside a bare Python's start, and what a class waits for.

    python tests/benchmarks/bench_start.py [PICTURES]

All take turns, so that what else the machine does meets all; figures are medians of the
processor time of the whole process. For what a class waits for (the demonstration's picture,
a lesson of 28 pictures, eight exercises, a report, a what-if) they are of the wall, with the
processor time of all its processes beside. Byte code is written to a folder of its own: the
first picture finds none and counts as cold, the others, three unless told, as warm. What a class
waits for is taken as often, and of two times the lower is told, since the first loads more.
"""

from __future__ import annotations

import os
import pathlib
import resource
import statistics
import subprocess
import sys
import tempfile
import time

ROUNDS, WARM = 15, 3
BARE = [sys.executable, "-c", "pass"]
HELP = [sys.executable, "-m", "rig.cli", "--help"]
ONE_HELP = [sys.executable, "-m", "rig.cli", "demo", "--help"]

MOST_BARE_STARTS, WARM_S, COLD_S, CLASS_S = 5.0, 3.0, 5.0, 3.0


def main() -> int:
    times = int(sys.argv[1]) if len(sys.argv) > 1 else WARM
    with tempfile.TemporaryDirectory() as folder:
        environment = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
        environment["PYTHONPYCACHEPREFIX"] = folder
        drawn = str(pathlib.Path(folder) / "demo.png")
        demo = [sys.executable, "-m", "rig.cli", "demo", "--picture", drawn, "--pings", "80"]
        pictures = [taken(demo, environment) for _ in range(1 + times)]
        class_waits = waits(folder, environment, times)
        for words in (BARE, HELP, ONE_HELP):
            taken(words, environment)
        rounds = [
            [taken(words, environment)[1] for words in (BARE, HELP, ONE_HELP)]
            for _ in range(ROUNDS)
        ]
    bare_s, help_s, one_s = (statistics.median(column) for column in zip(*rounds, strict=True))
    (cold_s, _), warm_s = pictures[0], statistics.median_low(wall for wall, _ in pictures[1:])
    warm_processor_s = statistics.median_low(processor for _, processor in pictures[1:])
    met = True
    waited = [
        (name, wall_s, CLASS_S, f"s, processor {processor_s:.2f} s")
        for name, (wall_s, processor_s) in class_waits.items()
    ]
    for name, value, goal, unit in (
        ("--help", help_s / bare_s, MOST_BARE_STARTS, f"bare Pythons of {1e3 * bare_s:.0f} ms"),
        ("demo --help", one_s / bare_s, MOST_BARE_STARTS, "bare Pythons"),
        ("demo's picture, cold", cold_s, COLD_S, "s"),
        ("demo's picture, warm", warm_s, WARM_S, f"s, processor {warm_processor_s:.2f} s"),
        *waited,
    ):
        met = met and value <= goal
        print(
            f"{name:<22} {value:>6.2f} {unit}, goal {goal:g}{'' if value <= goal else '  MISSED'}"
        )
    print("all goals met" if met else "A GOAL WAS MISSED")
    return 0 if met else 1


def waits(folder: str, environment: dict[str, str], times: int) -> dict[str, tuple[float, float]]:
    """Return what a class waits for: medians of the time by the wall, and the processor's."""
    command = [sys.executable, "-m", "rig.cli"]
    recorded, heard = f"{folder}/trough", f"{folder}/trough.sigmf-meta"
    sounded = ["demo", "--scene", "trough", "--pings", "80", "--record", recorded]
    subprocess.run(
        [*command, *sounded, "--json"], env=environment, stdout=subprocess.DEVNULL, check=True
    )
    found: dict[str, tuple[float, float]] = {}
    for name, words in (
        ("one lesson", ["lesson", "time-is-distance", "--out"]),
        ("eight exercises", ["exercise", "--count", "8", "--out"]),
        ("report", ["report", heard, "--out"]),
        ("what-if", ["what-if", heard, "--change", "disc=0.02", "--picture"]),
    ):
        kind = {"report": ".html", "what-if": ".png"}.get(name, "")
        took = [
            taken([*command, *words, f"{folder}/{words[0]}-{n}{kind}"], environment)
            for n in range(times)
        ]
        found[name] = (
            statistics.median_low(wall_s for wall_s, _ in took),
            statistics.median_low(processor_s for _, processor_s in took),
        )
    return found


def taken(words: list[str], environment: dict[str, str]) -> tuple[float, float]:
    """Run a command; return its time by the wall and the processor's, seconds."""
    before, start_s = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    subprocess.run(
        words, env=environment, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, check=True
    )
    wall_s, after = time.perf_counter() - start_s, resource.getrusage(resource.RUSAGE_CHILDREN)
    return wall_s, (after.ru_utime + after.ru_stime) - (before.ru_utime + before.ru_stime)


if __name__ == "__main__":
    sys.exit(main())
