"""How fast a recording is gone over again: recorded time over the time that it takes.

    python tests/benchmarks/bench_replay.py [pings]

The demonstration's plan, four pings a second, of its own scene: 14 400 pings, an hour, unless
fewer are given, which take a share of the minutes that the hour does; what a start costs is
then told apart, and the hour is foretold. Each command runs in a process of its own, whose
wall and processor time and largest memory are told. A ratio by processor time is what a
machine with nothing else to do gives; by the wall, what this one gave now. Pings that are
gone over one by one, as a live run does, take turns with those gone over together.
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
LEAST_RATIO, MOST_MB = 300.0, 400.0


def main(words: list[str]) -> int:
    pings = int(words[0]) if words else HOUR
    with tempfile.TemporaryDirectory() as folder:
        name = recorded(pathlib.Path(folder) / "long", pings)
        short = recorded(pathlib.Path(folder) / "short", SHORT)
        interval_s = built_in("bench")[1].timing.ping_interval_s
        print(f"{pings} pings, {pings * interval_s:.0f} s recorded\n")
        print(f"{'':<26}{'wall':>9}{'processor':>11}{'ratios':>18}{'memory':>10}")
        ratios, most_mb = [], 0.0
        for words_given in (["replay", name, "--json"], ["measure", name, "--json"]):
            wall_s, processor_s, memory_mb = taken(words_given)
            start_s = taken([words_given[0], short, "--json"])[1]
            each_s = (processor_s - start_s) / max(pings - SHORT, 1)
            hour_s = start_s + each_s * (HOUR - SHORT) if pings != HOUR else processor_s
            print(
                f"{words_given[0]:<26}{wall_s:>7.1f} s{processor_s:>9.1f} s"
                f"{pings * interval_s / wall_s:>8.0f}, {pings * interval_s / processor_s:>6.0f} ×"
                f"{memory_mb:>7.0f} MB"
            )
            ratios.append(HOUR * interval_s / hour_s)
            most_mb = max(most_mb, memory_mb)
            print(f"{'  an hour, by processor':<46}{ratios[-1]:>16.0f} ×")
        together_s, alone_s = in_turns(short)
        print(f"\neach ping, gone over together: {1e3 * together_s:.2f} ms, processor time:")
        print(f"  {interval_s / together_s:.0f} times as fast as it was recorded")
        print(f"each ping, gone over one by one: {1e3 * alone_s:.2f} ms")
    each_ping = interval_s / together_s
    met = each_ping >= LEAST_RATIO and most_mb <= MOST_MB
    print(f"\ngoals: {LEAST_RATIO:g} times, below {MOST_MB:g} MB{'' if met else '  MISSED'}")
    return 0 if met else 1


def recorded(path: pathlib.Path, pings: int) -> str:
    scene, plan = built_in("bench")
    with open_bench(plan, scene=scene, seed=1) as bench:
        from rig.files.recorder import Recorder

        with Recorder(str(path), bench.receiver.plan, bench.front_end.info) as recorder:
            for block in bench.front_end.blocks(pings):
                recorder.write(block)
    return f"{path}.sigmf-meta"


def taken(words: list[str]) -> tuple[float, float, float]:
    """Return a command's wall time, its processor time, both in s, and its memory in MB."""
    start_s = time.perf_counter()
    with subprocess.Popen(
        [sys.executable, "-m", "rig.cli", *words], stdout=subprocess.DEVNULL
    ) as process:
        _, status, used = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise SystemExit(f"{words[0]} failed with {process.returncode}")
    wall_s = time.perf_counter() - start_s
    return wall_s, used.ru_utime + used.ru_stime, used.ru_maxrss / 1e3


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
