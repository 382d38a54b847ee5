"""How much faster than its pings the virtual tank is, in processor time of one core.

    python tests/benchmarks/bench_tank.py

Each scene that ships is sounded with its own plan; the trough once more with echoes by
way of up to nine walls, some 300 image sources, and with a body in the hand: another scene
at each ping. A block is all of it, up to what a front
end yields: paths, echoes, noise, converter. Beside it stands a bare scipy.fft.rfft of the
same block; both take turns, so that a change in the machine's speed meets both, and each
figure is a median. The first block holds what is worked out once: walls and still bodies.
Processor time leaves out what else the machine does, but not that it may slow both down.
"""

from __future__ import annotations

import dataclasses
import math
import statistics
import sys
import time

import scipy.fft

from rig.bench.plan import Plan
from rig.front_ends.virtual_tank import open_virtual_tank
from rig.tank.built_in import built_in, built_in_scenes
from rig.tank.changes import in_the_hand
from rig.tank.scene import Scene

ROUNDS, WARM_UP, MANY_WALLS = 200, 5, 9
LEAST_TIMES_FASTER = 10


def main() -> int:
    cases = {name: built_in(name) for name in built_in_scenes()}
    trough, plan = cases["trough"]
    assert trough.walls is not None
    walls = dataclasses.replace(trough.walls, order=MANY_WALLS)
    many_walls = dataclasses.replace(trough, walls=walls)
    cases["trough, 9 walls"], cases["trough, by hand"] = (many_walls, plan), (trough, plan)

    met = True
    print(
        f"{'scene':<16} {'interval':>9} {'first block':>12} {'block':>8} {'bare rfft':>10}   ratios"
    )
    for name, (scene, plan) in cases.items():
        by_hand = name.endswith("by hand")
        first_ms, block_ms, rfft_ms = costs_ms(scene, plan, by_hand=by_hand)
        interval_ms = 1e3 * plan.timing.ping_interval_s
        met = met and interval_ms / block_ms >= LEAST_TIMES_FASTER
        print(
            f"{name:<16} {interval_ms:>6.0f} ms {first_ms:>9.1f} ms {block_ms:>5.2f} ms "
            f"{rfft_ms:>7.2f} ms   {interval_ms / block_ms:.0f} times faster than its pings "
            f"(goal {LEAST_TIMES_FASTER}), {block_ms / rfft_ms:.1f} rffts"
        )
    print("all goals met" if met else "A GOAL WAS MISSED")
    return 0 if met else 1


def costs_ms(scene: Scene, plan: Plan, *, by_hand: bool) -> tuple[float, float, float]:
    """Processor time of the first block, of a later one and of an rfft of one."""
    with open_virtual_tank(plan, scene=scene, seed=1) as tank:
        if by_hand:
            # To and fro by 5 cm: it is never at rest.
            led = in_the_hand(1, lambda run_s: (0.0, 0.05 * math.sin(run_s), 0.0))
            tank.changes.begin("hand", led)
        blocks = tank.blocks(WARM_UP + ROUNDS)
        begun = time.process_time_ns()
        samples = next(blocks).samples[0]
        first = time.process_time_ns() - begun
        for _ in range(1, WARM_UP):
            next(blocks)
        scipy.fft.rfft(samples)
        spent: tuple[list[int], list[int]] = ([], [])
        for _ in range(ROUNDS):
            begun = time.process_time_ns()
            samples = next(blocks).samples[0]
            between = time.process_time_ns()
            scipy.fft.rfft(samples)
            spent[0].append(between - begun)
            spent[1].append(time.process_time_ns() - between)
    return 1e-6 * first, 1e-6 * statistics.median(spent[0]), 1e-6 * statistics.median(spent[1])


if __name__ == "__main__":
    sys.exit(main())
