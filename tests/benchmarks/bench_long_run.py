"""What a long run costs: memory, time for a ping and open files, from its begin to its end.

    python tests/benchmarks/bench_long_run.py [PINGS]

A day at four pings a second is 345,600 pings; the default is a short form. A ball stands still
and another drifts by, in a virtual tank whose pings are short (1440 samples), so that a day's
recording takes 2 GB. It is recorded, replayed, measured and reported, as the command does it, in
a process of its own each. Times are the processor's.

Once the history is full, which holds the newest 1000 pings' profiles, a later ping should take no
more time, memory or files than an earlier one. Of memory two things are told. What is *held*
stands whenever older pings have been put into rows, once garbage is collected and free pages are
given back; a straight line through the run's second half says what a ping adds. The *peak* is
the most that was in use at any moment of an eighth, what is worked with and soon given back
included. A process that searches beside this one counts, too: in the times and the peaks (what
the two share twice there), and with the least that it held in an eighth, as it keeps nothing
and is always at work.
"""

from __future__ import annotations

import ctypes
import gc
import json
import math
import multiprocessing
import os
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command has it

import numpy as np

from rig.bench.plan import plan_from_table
from rig.bench.rows import TOGETHER
from rig.run.groups import pings_at_a_time
from rig.run.opening import open_bench, open_replay
from rig.run.run import Run
from rig.tank.scene import scene_from_table

A_DAY = 345_600
STEPS = 8
MOST_GROWTH, MOST_BYTES_A_PING = 1.15, 1000.0
"""A tenth or so is what a shared machine's caches do; a day of kilobytes is 350 MB."""
WARM_PINGS = 128
SHORT_FORM = 6144
"""The history is full at 1256, and from half of it on a line is laid through 11 places."""

PLAN = plan_from_table(
    {
        "pulse": {"kind": "chirp", "start_hz": 4e3, "stop_hz": 12e3, "duration_s": 0.005},
        "timing": {"ping_interval_s": 0.03},
        "receiver": {"range_stop_m": 1.2},
    }
)
SCENE = scene_from_table(
    {
        "medium": {"sound_speed_m_s": 343.963},
        "noise": {"level_db": -60.0},
        "target": [
            {"body": "sphere", "radius_m": 0.05, "position_m": [0.5, 0.0, 0.0]},
            {
                "body": "sphere",
                "radius_m": 0.05,
                "position_m": [0.9, -0.4, 0.0],
                "velocity_m_s": [0.0, 0.2, 0.0],
                "turn_back_s": 4.0,
            },
        ],
    }
)


def main() -> int:
    if sys.platform != "linux":
        print("reads /proc, which Linux alone has")
        return 0
    pings = int(sys.argv[1]) if len(sys.argv) > 1 else SHORT_FORM
    with tempfile.TemporaryDirectory() as folder:
        name = f"{folder}/long"
        print(f"{pings} pings; a day has {A_DAY}")
        print(f"{'':8} {'each eighth':58} {'growth':>6}")
        met = [
            _told(step, apart(do, name, pings))
            for step, do in (("record", recorded), ("replay", replayed))
        ]
        print(f"{'':8} {'s, half the run':>15} {'s, all of it':>13} {'growth':>6}")
        half, whole = (apart(measured, name, n) for n in (pings // 2, pings))
        for step in ("pings", "measure", "passes", "report"):
            growth = whole[step] / half[step] / 2
            print(f"{step:8} {half[step]:15.2f} {whole[step]:13.2f} {growth:6.2f}")
            met.append(growth <= MOST_GROWTH)
        low_mb, high_mb = half["peak_bytes"] / 1e6, whole["peak_bytes"] / 1e6
        a_ping = 1e6 * (high_mb - low_mb) / (pings - pings // 2)
        print(f"{'MB, peak':8} {low_mb:15.0f} {high_mb:13.0f} {a_ping:6.0f} B a ping")
        met.append(a_ping <= MOST_BYTES_A_PING)
    return 0 if all(met) else 1


def apart(do: Callable[[str, int], dict[str, Any]], name: str, pings: int) -> dict[str, Any]:
    """Do a step in a process of its own, so that no other's memory is counted.

    As the command's, it may have one beside it, which a pool's usual worker may not.
    """
    with ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn")) as pool:
        return pool.submit(do, name, pings).result()


def _told(step: str, found: dict[str, Any]) -> bool:
    """Print a step's rows; say whether it met the goals."""
    times_ms, peaks = found["times_ms"], found["peaks"]
    # The first two eighths fill the history and the caches.
    growth = statistics.median(times_ms[-3:]) / statistics.median(times_ms[2:5])
    higher = max(peaks[-2:]) / max(peaks[-4:-2])
    number, held, beside = np.array(found["held"]).T
    later = number > number[-1] / 2
    (slope, _), spread = np.polyfit(number[later], held[later], 1, cov=True)
    eighths = [part.tolist() for part in np.array_split(np.arange(number.size), STEPS)]
    least = [beside[part].min() / 1e6 for part in eighths]
    lower = min(least[-2:]) / max(min(least[-4:-2]), 1e-6)
    for what, values, ratio in (
        ("ms", times_ms, f"{growth:6.2f}"),
        ("MB, peak", [peak / 1e6 for peak in peaks], f"{higher:6.2f}"),
        ("MB, held", [held[part[-1]] / 1e6 for part in eighths], ""),
        ("MB, beside", least, f"{lower:6.2f}"),
    ):
        if not any(values):
            continue
        shown = " ".join(f"{value:6.2f}" for value in values)
        print(f"{step if what == 'ms' else '':8} {shown:55} {what:10} {ratio}".rstrip())
    print(
        f"{'':8} a ping adds {slope:.0f} ± {2 * spread[0, 0] ** 0.5:.0f} B, "
        f"a day {slope * A_DAY / 1e6:.0f} MB"
    )
    files, begin, end = found["files"], found["begin_m"], found["end_m"]
    print(
        f"{'':8} files open {files[0]} to {files[-1]}; the still ball at {begin[0]:.5f} m in the "
        f"first tenth, {end[0]:.5f} in the last, each ± {2 * end[1]:.5f} (k = 2)"
    )
    apart_m = abs(begin[0] - end[0])
    # Two means of the same thing: 4 of the deviation of their difference, 1 in 16,000.
    still = apart_m <= 4 * (begin[1] ** 2 + end[1] ** 2) ** 0.5
    flat = max(growth, higher, lower) <= MOST_GROWTH and slope <= MOST_BYTES_A_PING
    return flat and files[0] >= files[-1] and still


def recorded(name: str, pings: int) -> dict[str, Any]:
    with open_bench(PLAN, scene=SCENE, seed=1) as bench:
        return watched(bench.over(run := bench.run(), pings, record=name), run, pings)


def replayed(name: str, pings: int) -> dict[str, Any]:
    with open_replay(f"{name}.sigmf-meta") as bench:
        found = watched(bench.over(run := bench.run(), pings), run, pings)
    return found


def watched(results: Any, run: Run, pings: int) -> dict[str, Any]:
    """Go over pings; at each eighth note time, memory and open files."""
    # Between those the latest pings, which are kept whole, are more each time.
    together = math.lcm(pings_at_a_time(run.receiver), TOGETHER)
    eighth = max(pings // STEPS // together, 1) * together
    times_ms, held, peaks, files = [], [], [], []
    spent_s, began = 0.0, _spent_s()
    for number, _ in enumerate(results, 1):
        if number % together == 0:
            spent_s += _spent_s() - began
            if number % eighth == 0 and len(peaks) < STEPS:
                times_ms.append(1e3 * spent_s / eighth)
                peaks.append(_peak_bytes())
                files.append(len(os.listdir("/proc/self/fd")))
                spent_s = 0.0
            if number < pings:  # with the last, what works on groups has ended
                held.append((number, *_held_bytes()))
            began = _spent_s()
    tenth = max(pings // 10, 1)
    return {
        "times_ms": times_ms,
        "held": held,
        "peaks": peaks,
        "files": files,
        "begin_m": _still(run, slice(0, tenth)),
        "end_m": _still(run, slice(-tenth, None)),
    }


def _still(run: Run, part: slice) -> tuple[float, float]:
    """Return the mean range of the still ball, and its standard deviation by scatter."""
    ranges_m = [
        echo.range_m
        for r in run.results[part]
        for echo in r.echoes
        if abs(echo.range_m - 0.5) < 0.05
    ]
    return statistics.fmean(ranges_m), statistics.stdev(ranges_m) / len(ranges_m) ** 0.5


def measured(name: str, pings: int) -> dict[str, Any]:
    """Take the time of what the commands `measure` and `report` do with the first `pings`."""
    import resource
    from datetime import UTC, datetime

    from rig.measure.passes.following import passings_of
    from rig.show.answers import measure_answer
    from rig.show.report.contents import Contents
    from rig.show.report.files import report_path, write_report

    times: dict[str, float] = {}

    def timed(step: str, do: Callable[[], Any]) -> Any:
        began = _spent_s()
        done = do()
        times[step] = _spent_s() - began
        return done

    for some in (WARM_PINGS, pings):  # what is loaded once is no cost of a ping
        with open_replay(f"{name}.sigmf-meta") as bench:
            run = timed("pings", lambda bench=bench, some=some: bench.ping(some))
        timed("measure", lambda run=run: run.measurement)
        timed("passes", lambda run=run: passings_of(run))
        json.dumps(measure_answer(run))
        contents = Contents(run=run, made=datetime.now(UTC))
        page = report_path(f"{name}.sigmf-meta", str(Path(name).parent))
        timed("report", lambda page=page, its=contents: write_report(page, its))
    return {**times, "peak_bytes": 1024 * resource.getrusage(resource.RUSAGE_SELF).ru_maxrss}


def _beside() -> list[Path]:
    """Return the folders of the processes beside this one."""
    numbers = Path("/proc/thread-self/children").read_text().split()
    return [Path("/proc", number) for number in numbers]


def _spent_s() -> float:
    """Return the processor's time that all of them took."""
    # proc(5): utime and stime are the 14th and 15th word, and the second may hold blanks.
    words = ((of / "stat").read_text().rpartition(")")[2].split() for of in _beside())
    ticks = sum(int(word) for its in words for word in its[11:13])
    return time.process_time() + ticks / os.sysconf("SC_CLK_TCK")


def _held_bytes() -> tuple[int, int]:
    """Return what this process holds, once what is free has been given back, and those beside."""
    gc.collect()
    ctypes.CDLL(None).malloc_trim(0)
    own, beside = Path("/proc/self"), _beside()
    return _bytes(own / "smaps_rollup", "Anonymous:"), sum(
        _bytes(of / "smaps_rollup", "Private_Dirty:") for of in beside
    )


def _peak_bytes() -> int:
    """Return the most that all of them had since this was last asked."""
    every = [Path("/proc/self"), *_beside()]
    peak = sum(_bytes(of / "status", "VmHWM:") for of in every)
    for of in every:
        (of / "clear_refs").write_text("5")  # proc(5): resets it
    return peak


def _bytes(path: Path, name: str) -> int:
    words = path.read_text().split()
    return int(words[words.index(name) + 1]) << 10


if __name__ == "__main__":
    sys.exit(main())
