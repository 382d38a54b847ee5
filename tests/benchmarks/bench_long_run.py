"""What a long run costs: memory, time for a ping and open files, from its begin to its end.

    python tests/benchmarks/bench_long_run.py [PINGS]

A day at four pings a second is 345,600 pings; the default is a short form. A ball stands still
and another drifts by, in a virtual tank whose pings are short (1440 samples), so that a day's
recording takes 2 GB. It is recorded, replayed, measured and reported, as the command does it, in
a process of its own each. Times are the processor's. Once the history is full, which holds the
newest 1000 pings' profiles, a later ping should take no more time, memory or files than an
earlier one; what a ping adds to the memory is given for the whole day.
"""

from __future__ import annotations

import json
import multiprocessing
import os
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from rig.bench.plan import plan_from_table
from rig.run.opening import open_bench, open_replay
from rig.run.run import HISTORY_PINGS, Run
from rig.tank.scene import scene_from_table

A_DAY = 345_600
STEPS = 8
MOST_GROWTH, MOST_BYTES_A_PING = 1.15, 1000.0
"""A tenth or so is what a shared machine's caches do; a day of kilobytes is 350 MB."""

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
    pings = int(sys.argv[1]) if len(sys.argv) > 1 else 2400
    with tempfile.TemporaryDirectory() as folder:
        name = f"{folder}/long"
        print(f"{pings} pings; a day has {A_DAY}")
        print(f"{'':8} {'ms a ping, each eighth':58} {'growth':>6} {'B a ping':>9} {'a day':>8}")
        met = [
            _told(step, apart(do, name, pings))
            for step, do in (("record", recorded), ("replay", replayed))
        ]
        print(f"{'':8} {'s, half the run':>15} {'s, all of it':>13} {'growth':>6} {'peak MB':>9}")
        half, whole = (apart(measured, name, n) for n in (pings // 2, pings))
        for step in ("pings", "measure", "passes", "report"):
            growth = whole[step] / half[step] / 2
            peak_mb = whole["peak_bytes"] / 1e6
            print(f"{step:8} {half[step]:15.2f} {whole[step]:13.2f} {growth:6.2f} {peak_mb:9.0f}")
            met.append(growth <= MOST_GROWTH)
    return 0 if all(met) else 1


def apart(do: Callable[[str, int], dict[str, Any]], name: str, pings: int) -> dict[str, Any]:
    """Do a step in a process of its own, so that no other's memory is counted."""
    with multiprocessing.get_context("spawn").Pool(1) as pool:
        return pool.apply(do, (name, pings))


def _told(step: str, found: dict[str, Any]) -> bool:
    """Print a step's row; say whether it met the goals."""
    times_ms = found["times_ms"]
    # The first two eighths fill the history and the caches.
    growth = statistics.median(times_ms[-3:]) / statistics.median(times_ms[2:5])
    later = [(n, b) for n, b in found["held"] if n >= HISTORY_PINGS]
    slope = float("nan")
    if len(later) > 1:
        slope = (later[-1][1] - later[0][1]) / (later[-1][0] - later[0][0])
    shown = " ".join(f"{t:6.2f}" for t in times_ms)
    print(f"{step:8} {shown:58} {growth:6.2f} {slope:9.0f} {slope * A_DAY / 1e6:5.0f} MB")
    files, begin, end = found["files"], found["begin_m"], found["end_m"]
    print(
        f"{'':8} files open {files[0]} to {files[-1]}; the still ball at {begin[0]:.5f} m in the "
        f"first tenth, {end[0]:.5f} in the last, each ± {2 * end[1]:.5f} (k = 2)"
    )
    apart_m = abs(begin[0] - end[0])
    # Two means of the same thing: 4 of the deviation of their difference, 1 in 16,000.
    still = apart_m <= 4 * (begin[1] ** 2 + end[1] ** 2) ** 0.5
    return growth <= MOST_GROWTH and slope <= MOST_BYTES_A_PING and files[0] >= files[-1] and still


def recorded(name: str, pings: int) -> dict[str, Any]:
    with open_bench(PLAN, scene=SCENE, seed=1) as bench:
        return watched(bench.over(run := bench.run(), pings, record=name), run, pings)


def replayed(name: str, pings: int) -> dict[str, Any]:
    with open_replay(f"{name}.sigmf-meta") as bench:
        found = watched(bench.over(run := bench.run(), pings), run, pings)
    return found


def watched(results: Any, run: Run, pings: int) -> dict[str, Any]:
    """Go over pings; at each eighth note time, memory and open files."""
    eighth = max(pings // STEPS, 1)
    times_ms, held, files = [], [], []
    began = time.process_time()
    for number, _ in enumerate(results, 1):
        if number % eighth == 0:
            now = time.process_time()
            times_ms.append(1e3 * (now - began) / eighth)
            held.append((number, _held_bytes()))
            files.append(len(os.listdir("/proc/self/fd")))
            began = time.process_time()
    tenth = max(pings // 10, 1)
    return {
        "times_ms": times_ms,
        "held": held,
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

    from rig.measure.passes import passings_of
    from rig.show.answers import measure_answer
    from rig.show.report.contents import Contents
    from rig.show.report.files import report_path, write_report

    times = {}

    def timed(step: str, do: Callable[[], Any]) -> Any:
        began = time.process_time()
        done = do()
        times[step] = time.process_time() - began
        return done

    with open_replay(f"{name}.sigmf-meta") as bench:
        run = timed("pings", lambda: bench.ping(pings))
    timed("measure", lambda: run.measurement)
    timed("passes", lambda: passings_of(run))
    json.dumps(measure_answer(run))
    contents = Contents(run=run, made=datetime.now(UTC))
    page = report_path(f"{name}.sigmf-meta", str(Path(name).parent))
    timed("report", lambda: write_report(page, contents))
    return {**times, "peak_bytes": 1024 * resource.getrusage(resource.RUSAGE_SELF).ru_maxrss}


def _held_bytes() -> int:
    return int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGESIZE")


if __name__ == "__main__":
    sys.exit(main())
