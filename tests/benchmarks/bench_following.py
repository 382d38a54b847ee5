"""What it costs to follow echoes from ping to ping, in compressions of a block of the same run.

    python tests/benchmarks/bench_following.py

The scenes are the two that ship, the bench (12 000 samples a ping) and the trough (50 000).
One period of each, to and fro, is searched once, which is not timed; the hits are then given
over and over, as a longer run has them. Runs and compressions take turns, so that a change
in the machine's speed meets both; all times are the processor's, of this thread alone. "All
at once" is the mean over the run, "one more" what a ping costs that is added to it, and
"asked again" what the answer costs, for each ping of the run, when no track has changed.
"""

from __future__ import annotations

import dataclasses
import os
import statistics
import sys
import time
from collections.abc import Callable, Sequence

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command has it

from dsp.ping.pulse.compression import PulseCompressor
from rig.bench.waveforms import pulses_of
from rig.front_ends.virtual_tank import open_virtual_tank
from rig.measure.passes.following import Following, follow
from rig.run.hits import FOLLOW_RATE, hits_of_each
from rig.run.receiver import Receiver
from rig.run.results import Hits, HitTable
from rig.run.run import run_of
from rig.tank.built_in import built_in

PERIODS = {"bench": 140, "trough": 90}
RUNS = (100, 1_000, 10_000)
AN_HOUR = 14_400
MOST_COMPRESSIONS, MOST_GROWTH, MOST_S = 3.0, 1.25, 60.0


def main() -> int:
    print("in compressions for each ping: goal at most 3, and no growth with the run")
    print(f"{'scene':<8} {'pings':>6} {'all at once':>12} {'one more':>9} {'asked again':>12}")
    met = [measured(name, period) for name, period in PERIODS.items()]
    return 0 if all(met) else 1


def measured(name: str, period: int) -> bool:
    """Print one scene's rows; say whether it met the goals."""
    scene, plan = built_in(name)
    tank = open_virtual_tank(plan, scene=scene, seed=1)
    receiver = Receiver(plan, tank.info)
    blocks = list(tank.blocks(period))
    once: list[Hits] = []
    taking_s = []
    for result in run_of(receiver, blocks).results:
        if result.alone is None or result.time_zero is None or result.heard is None:
            raise SystemExit(f"{name}: ping {result.index} was lost")
        found = receiver.search.found(result.alone, result.time_zero, rates=(FOLLOW_RATE,))
        began = time.thread_time()
        hits_of_each(receiver, [(result, result.time_zero, found.peaks, found.before)])
        taking_s.append(time.thread_time() - began)
        once.append(result.heard.hits)
    (pulse,) = pulses_of(receiver.plan)
    compressor = PulseCompressor(
        pulse, receiver.plan.interval_samples, weighting=plan.receiver.weighting
    )

    def compress() -> None:
        for block in blocks[:20]:
            compressor(block.samples[tank.info.microphone])

    follow(receiver, HitTable.of(once))  # loads what is loaded when it is first needed
    costs, unit_s = [], 1.0
    for pings in RUNS:
        run = [again(once, k, plan.timing.ping_interval_s) for k in range(pings + 50)]
        units, rounds = [], []
        for _ in range(max(1, min(7, 5_000 // pings))):
            units.append(spent_s(compress) / 20)
            rounds.append(run_s(receiver, run[:pings], run[pings:]))
            units.append(spent_s(compress) / 20)
        unit_s = statistics.median(units)
        whole, more, asked = (
            statistics.median(column) / unit_s for column in zip(*rounds, strict=True)
        )
        print(f"{name:<8} {pings:>6} {whole:>12.2f} {more:>9.2f} {asked:>12.3f}")
        costs.append(whole)
    hour_s = costs[-1] * unit_s * AN_HOUR
    heard = statistics.mean(hits.delay_s.size for hits in once)
    taking = statistics.median(taking_s) / unit_s
    print(
        f"{name}: {heard:.1f} hits a ping, taken for {taking:.2f} compressions of "
        f"{1e6 * unit_s:.0f} µs; an hour, {AN_HOUR} pings, takes {hour_s:.1f} s (goal {MOST_S:.0f})"
    )
    met = bool(
        max(costs) <= MOST_COMPRESSIONS
        and costs[-1] <= MOST_GROWTH * costs[-2]
        and hour_s <= MOST_S
    )
    print(f"{name}: " + ("all goals met" if met else "A GOAL WAS MISSED"))
    return met


def again(once: Sequence[Hits], ping: int, interval_s: float) -> Hits:
    """Return the hits of a ping of a run that repeats itself."""
    return dataclasses.replace(once[ping % len(once)], ping=ping, sent_s=ping * interval_s)


def run_s(
    receiver: Receiver, run: Sequence[Hits], rest: Sequence[Hits]
) -> tuple[float, float, float]:
    """Time for each ping of a run, for one that is added to it, and for asking again."""
    following = Following(receiver)

    def whole() -> None:
        for hits in run:
            following.add(hits)
        following.passings()

    def more() -> None:
        for hits in rest:
            following.add(hits)

    whole_s, asked_s = spent_s(whole), spent_s(following.passings)
    return whole_s / len(run), spent_s(more) / len(rest), asked_s / len(run)


def spent_s(work: Callable[[], object]) -> float:
    began = time.thread_time()
    work()
    return time.thread_time() - began


if __name__ == "__main__":
    sys.exit(main())
