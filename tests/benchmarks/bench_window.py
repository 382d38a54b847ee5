"""What the window costs: from a ping to the screen, and from a key to the picture.

    xvfb-run -s "-screen 0 1280x780x24" python tests/benchmarks/bench_window.py

The trough's plan with the pulse's own loopback on a second channel, at its rate of 500 kHz:
the heaviest that ships. Its blocks are made first, since a sound card makes them for
nothing. Then each goes the way that it goes in the window: compressed, searched, shown, and
handed to the screen, which is waited for. Times of the wall beside processor time; the
goals are of the wall, but for the share of a core. Beside them stands one full drawing of
the same figure, taken in turns, so that a slower machine shows in both.
"""

from __future__ import annotations

import dataclasses
import os
import pathlib
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command has it

from rig.bench.plan import Plan
from rig.front_ends.virtual_tank import open_virtual_tank
from rig.run.receiver import Receiver
from rig.run.run import Origin, Run
from rig.show.window.kept_pings import HISTORY_ROWS
from rig.show.window.what_ifs import WHAT_IFS
from rig.show.window.window import LiveWindow
from rig.tank.built_in import built_in

PINGS, WARM_UP, FULL_DRAWINGS = 100, 10, 5
KEYS = ("m", "right", "up", "down", "+", "+", "-", "-", "b", "b", " ", " ", "h", "h")

SCREEN_MS, KEY_MS, WHAT_IF_MS, A_SECOND = 80.0, 100.0, 1000.0, 20.0
CORE_SHARE, PINGS_A_SECOND = 0.40, 10.0


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class Cost:
    """Medians, milliseconds."""

    wall_ms: float
    processor_ms: float


def main() -> int:
    import matplotlib

    matplotlib.use("TkAgg")
    matplotlib.rcParams["toolbar"] = "None"
    from matplotlib import pyplot

    scene, plan = built_in("trough")
    plan = two_channels(plan)
    with open_virtual_tank(plan, scene=scene, seed=1) as tank:
        run = Run(Receiver(plan, tank.info), origin=Origin(truth=tank.truth))
        blocks = list(tank.blocks(HISTORY_ROWS + WARM_UP + PINGS))
    results = run.over(iter(blocks))
    figure: Any = pyplot.figure(figsize=(12.8, 7.2), dpi=100)
    with tempfile.TemporaryDirectory() as folder:
        window = LiveWindow(figure, run, save_to=pathlib.Path(folder) / "shot.png")
        # A window that is not put up is handed pictures, and draws none.
        figure.canvas.manager.show()
        on_screen = figure.canvas.manager.window.update
        on_screen()
        window.take([next(results) for _ in range(HISTORY_ROWS)], "")

        def ping() -> None:
            window.take([next(results)], "")
            on_screen()

        def drawn() -> None:
            figure.canvas.draw()
            on_screen()

        for _ in range(WARM_UP):
            ping()
        turns = PINGS // FULL_DRAWINGS
        heard, full = [], []
        for _ in range(FULL_DRAWINGS):
            heard += [cost(ping) for _ in range(turns)]
            full.append(cost(drawn))
        each, whole = median(heard), median(full)
        shown = median(
            [cost(lambda: (window.take([run.results[-1]], ""), on_screen())) for _ in range(turns)]
        )
        window.take([], "")  # as its timer does whenever no ping has come
        keys = {}
        for key in KEYS:
            took = cost(lambda key=key: (window.press(key), on_screen()))
            keys[key] = max(keys.get(key, took), took, key=lambda one: one.wall_ms)
        what_ifs = {}
        for change in WHAT_IFS:
            what_ifs[change] = what_if_cost(window, on_screen)

    share = PINGS_A_SECOND * each.processor_ms / 1e3
    print(f"full drawing of the figure: {whole.wall_ms:.0f} ms, processor {whole.processor_ms:.0f}")
    met = True

    def told(name: str, value: float, goal: float, unit: str, *, more: bool = False) -> None:
        nonlocal met
        fine = value >= goal if more else value <= goal
        met = met and fine
        print(f"{name:<34} {value:>8.2f} {unit:<10} goal {goal:g}{'' if fine else '  MISSED'}")

    told("from ping to screen", each.wall_ms, SCREEN_MS, "ms")
    told("pictures a second", 1e3 / each.wall_ms, A_SECOND, "", more=True)
    told("share of a core, 10 pings a second", share, CORE_SHARE, "")
    print(f"{'of which drawing':<34} {shown.processor_ms:>8.2f} ms")
    print(f"{'drawing over one full drawing':<34} {shown.processor_ms / whole.processor_ms:>8.3f}")
    for key, took in keys.items():
        told(f"key {key!r} to picture", took.wall_ms, KEY_MS, "ms")
    for change, took_ms in what_ifs.items():
        told(f"what if {change}", took_ms, WHAT_IF_MS, "ms")
    print("all goals met" if met else "A GOAL WAS MISSED")
    return 0 if met else 1


def two_channels(plan: Plan) -> Plan:
    """The plan with its pulse looped back to a second channel."""
    geometry = dataclasses.replace(plan.geometry, time_zero="loopback", loopback_channel=2)
    return dataclasses.replace(plan, geometry=geometry)


def cost(work: Callable[[], object]) -> Cost:
    """Do it once."""
    wall_s, processor_s = time.perf_counter(), time.process_time()
    work()
    return Cost(
        wall_ms=1e3 * (time.perf_counter() - wall_s),
        processor_ms=1e3 * (time.process_time() - processor_s),
    )


def median(costs: list[Cost]) -> Cost:
    return Cost(
        wall_ms=statistics.median(one.wall_ms for one in costs),
        processor_ms=statistics.median(one.processor_ms for one in costs),
    )


def what_if_cost(window: LiveWindow, on_screen: Callable[[], None]) -> float:
    """From the key to the next two histories on the screen, looked for as often as it does."""
    before = window._foretold
    start_s = time.perf_counter()
    window.press("w")
    while window._foretold is before:
        if time.perf_counter() - start_s > 60:
            raise RuntimeError("what if: nothing came in a minute")
        time.sleep(0.01)
        window.take([], "")
    on_screen()
    return 1e3 * (time.perf_counter() - start_s)


if __name__ == "__main__":
    sys.exit(main())
