"""How fast a recording is gone over again: recorded time over the time that it takes.

    python tests/benchmarks/bench_replay.py [pings]

The demonstration's plan, four pings a second, of its own scene: 14 400 pings, an hour, unless
fewer are given, which take a share of the minutes that the hour does; what a start costs is
then told apart, and the hour is foretold. Each command runs in a process of its own, and has
another search beside it. Told are its wall time, the processor time of the busier of the two,
which is what the wall would be on two cores with nothing else to do, that of both, and the
larger memory. Pings that are gone over one by one, as a live run does, take turns with those
gone over together in one process.
"""

from __future__ import annotations

import os
import pathlib
import statistics
import subprocess
import sys
import tempfile
import time

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command has it

from rig.run.opening import open_bench, open_replay
from rig.tank.built_in import built_in

HOUR, ROUNDS, SHORT = 14_400, 3, 480
BEGIN = 2400  # enough for a search beside
LEAST_RATIO, MOST_MB = 300.0, 400.0

COMMAND = """
import resource, sys
from rig.cli import main
status = main(sys.argv[1:])
used = [resource.getrusage(w) for w in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
print(*(u.ru_utime + u.ru_stime for u in used), used[0].ru_maxrss / 1e3, file=sys.stderr)
sys.exit(status)
"""


def main(words: list[str]) -> int:
    pings = max(int(words[0]), 2 * BEGIN) if words else HOUR
    with tempfile.TemporaryDirectory() as folder:
        name, short = recorded(pathlib.Path(folder), pings)
        interval_s = built_in("bench")[1].timing.ping_interval_s
        print(f"{pings} pings, {pings * interval_s:.0f} s recorded\n")
        print(f"{'':<26}{'wall':>9}{'busier':>9}{'both':>9}{'ratios':>16}{'memory':>10}")
        ratios, most_mb = [], 0.0
        for words_given in (["replay", name, "--json"], ["measure", name, "--json"]):
            wall_s, own_s, beside_s, memory_mb = taken(words_given)
            busier_s = max(own_s, beside_s)
            begin_s = max(taken([words_given[0], short, "--json"])[1:3])
            each_s = (busier_s - begin_s) / (pings - BEGIN)
            hour_s = begin_s + each_s * (HOUR - BEGIN) if pings != HOUR else busier_s
            print(
                f"{words_given[0]:<26}{wall_s:>7.1f} s{busier_s:>7.1f} s{own_s + beside_s:>7.1f} s"
                f"{pings * interval_s / wall_s:>8.0f}, {pings * interval_s / busier_s:>4.0f} ×"
                f"{memory_mb:>7.0f} MB"
            )
            ratios.append(HOUR * interval_s / hour_s)
            most_mb = max(most_mb, memory_mb)
            print(f"{'  an hour, by the busier':<53}{ratios[-1]:>14.0f} ×")
        together_s, alone_s = in_turns(short)
        print(f"\neach ping, gone over together: {1e3 * together_s:.2f} ms, processor time:")
        print(f"  {interval_s / together_s:.0f} times as fast as it was recorded")
        print(f"each ping, gone over one by one: {1e3 * alone_s:.2f} ms")
    met = min(ratios) >= LEAST_RATIO and most_mb <= MOST_MB
    print(f"\ngoals: {LEAST_RATIO:g} times, below {MOST_MB:g} MB{'' if met else '  MISSED'}")
    return 0 if met else 1


def recorded(folder: pathlib.Path, pings: int) -> tuple[str, str]:
    """Record so many pings, and the first of them alone beside; return both names."""
    from rig.files.recorder import Recorder

    scene, plan = built_in("bench")
    paths = folder / "long", folder / "short"
    with open_bench(plan, scene=scene, seed=1) as bench:
        to = bench.receiver.plan, bench.front_end.info
        with Recorder(str(paths[0]), *to) as whole, Recorder(str(paths[1]), *to) as begin:
            for number, block in enumerate(bench.front_end.blocks(pings)):
                whole.write(block)
                if number < BEGIN:
                    begin.write(block)
    return f"{paths[0]}.sigmf-meta", f"{paths[1]}.sigmf-meta"


def taken(words: list[str]) -> tuple[float, float, float, float]:
    """Return a command's wall time, its processor time, that of what it started, and its memory.

    The times in s; the memory in MB.
    """
    start_s = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", COMMAND, *words],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        check=False,
    )
    wall_s = time.perf_counter() - start_s
    if done.returncode:
        raise SystemExit(f"{words[0]} failed with {done.returncode}: {done.stderr}")
    own_s, beside_s, memory_mb = (float(word) for word in done.stderr.split()[-3:])
    return wall_s, own_s, beside_s, memory_mb


def in_turns(name: str) -> tuple[float, float]:
    """Return the processor time of one ping, gone over with others and one by one, in s."""
    times: dict[bool, list[float]] = {False: [], True: []}
    with open_replay(name) as bench:
        for _ in range(1 + ROUNDS):
            for one_by_one, spent in times.items():
                start_s = time.process_time()
                for _ in bench.over(bench.run(), SHORT, one_by_one=one_by_one):
                    pass
                spent.append((time.process_time() - start_s) / SHORT)
    # The first round plans what all others use.
    return statistics.median(times[False][1:]), statistics.median(times[True][1:])


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
