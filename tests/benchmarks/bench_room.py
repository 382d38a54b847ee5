"""What a room of thirty pages costs: how far each lags behind the window, and what serving takes.

    xvfb-run -s "-screen 0 1280x780x24" python tests/benchmarks/bench_room.py

The demonstration's bench in its window, ten pings a second, alone and then with thirty pages that
follow it from a process of their own, each as our script does: it takes a picture, unpacks
nothing, says that it has seen it, and sends one prediction. A page's lag runs from the window's
having drawn a ping to the page's having it, both by the system's one clock. What serving costs is
the processor time of the room's own two threads. Pings are left out where they would be late:
the count without pages is what this machine does by itself.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import pathlib
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command has it
sys.path.insert(0, str(pathlib.Path(__file__).parents[1] / "shared"))

from room_visits import frame_words, joined, opened_line
from tornado.websocket import WebSocketClosedError

from rig.front_ends.virtual_tank import open_virtual_tank
from rig.run.receiver import Receiver
from rig.run.results import PingResult
from rig.run.run import Origin, Run
from rig.show.room.address import Address
from rig.show.room.asking import Asked, Message, Reply
from rig.show.room.room import Room
from rig.show.window.live import show_live
from rig.show.window.pace import paced
from rig.show.window.window import LiveWindow
from rig.tank.built_in import DEMONSTRATION, built_in

PAGES, PINGS, INTERVAL_S = 30, 120, 0.1
LAG_MS, CORE_SHARE, GROWTH_MB = 300.0, 0.5, 8.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Went:
    """How one run went."""

    shown: int
    drawn: int
    left_out: int
    lost: int
    wall_s: float
    process_s: float
    serving_s: float
    memory_mb: list[float]
    guesses: int
    pages: list[list[float]]


class Guesses:
    """Takes one number from each page."""

    def __init__(self) -> None:
        self.taken: dict[str, str] = {}

    def asked(self, visitor: str) -> Asked:
        return {
            "heading": "How far?",
            "words": "",
            "asks_nickname": False,
            "nickname": "",
            "questions": [
                {
                    "key": "far",
                    "text": "How far is the ball?",
                    "choices": [],
                    "unit": "m",
                    "open": True,
                    "answer": self.taken.get(visitor, ""),
                    "said": "",
                    "picture": "",
                }
            ],
            "own": False,
        }

    def take(self, visitor: str, message: Message) -> Reply:
        self.taken[visitor] = message["answer"]
        return {"taken": True, "said": "Taken."}

    def own(self, _visitor: str) -> str:
        return ""

    def picture(self, _key: str) -> bytes | None:
        return None


def main() -> int:
    match sys.argv[1:]:
        case ["pages", url, code]:
            asyncio.run(follow(url, code))
            return 0
        case ["run", pages]:
            print(json.dumps(asdict(one_run(pages=int(pages)))))
            return 0
    return told(apart(0), apart(PAGES))


def apart(pages: int) -> Went:
    """Return how a run went in a process of its own, as the command's is."""
    done = subprocess.run(
        [sys.executable, __file__, "run", str(pages)], stdout=subprocess.PIPE, check=True
    )
    return Went(**json.loads(done.stdout))


def one_run(*, pages: int) -> Went:
    scene, plan = built_in(DEMONSTRATION)
    assert plan.timing.ping_interval_s == INTERVAL_S
    guesses = Guesses()
    with (
        Room(Address(port=0)) as room,
        open_virtual_tank(plan, scene=scene, seed=1) as tank,
        tempfile.TemporaryDirectory() as folder,
    ):
        room.ask(guesses)
        run = Run(Receiver(plan, tank.info), origin=Origin(truth=tank.truth))
        child = None
        if pages:
            words = [sys.executable, __file__, "pages", room.url, room.code]
            child = subprocess.Popen(words, stdout=subprocess.PIPE, text=True)
            while room.here < pages:
                time.sleep(0.05)
        threads = [room._thread, room._packer._thread]
        before, spent_s, start_s = serving_s(threads), time.process_time(), time.monotonic()
        left_out, memory, drawn = watch(run, paced_pings(run, tank), pathlib.Path(folder), room)
        wall_s, spent_s = time.monotonic() - start_s, time.process_time() - spent_s
        serving = serving_s(threads) - before
        room.close()
        lags = [] if child is None else json.loads(child.communicate()[0])
    return Went(
        shown=len(run.results),
        drawn=drawn,
        left_out=left_out,
        lost=run.lost_pings,
        wall_s=wall_s,
        process_s=spent_s,
        serving_s=serving,
        memory_mb=memory,
        guesses=len(guesses.taken),
        pages=lags,
    )


def paced_pings(run: Run, tank: Any) -> Iterator[PingResult]:
    results = run.over(tank.blocks(PINGS))
    return paced(results, INTERVAL_S, leave_out=tank.leave_out)


def watch(
    run: Run, results: Iterator[PingResult], folder: pathlib.Path, room: Room
) -> tuple[int, list[float], int]:
    """Show the pings; return how many were left out, memory at 3/4 and at the end, and drawings."""
    from matplotlib import pyplot

    memory: list[float] = []
    left_out = drawn = 0
    take, offer = LiveWindow.take, room._packer.offer

    def offered(*given: Any) -> None:
        nonlocal drawn
        drawn += 1
        offer(*given)

    def taken(window: LiveWindow, came: list[PingResult], ending: str) -> None:
        nonlocal left_out
        take(window, came, ending)
        memory.extend(memory_mb() for _ in came)
        left_out = window._pings.left_out
        if ending:
            pyplot.close(window._figure)

    LiveWindow.take = taken  # type: ignore[method-assign]
    room._packer.offer = offered  # type: ignore[method-assign]
    try:
        show_live(run, results, picture_path=folder / "shot.png", room=room)
    finally:
        LiveWindow.take = take  # type: ignore[method-assign]
    # The history of 120 rows is full by then.
    late = max(len(memory) * 3 // 4, 1)
    return left_out, [memory[late - 1], memory[-1]], drawn


def serving_s(threads: list[threading.Thread]) -> float:
    """Return the processor time of threads."""
    clocks = [time.pthread_getcpuclockid(t.ident) for t in threads if t.ident is not None]
    return sum(time.clock_gettime(clock) for clock in clocks)


def memory_mb() -> float:
    pages = int(pathlib.Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


async def follow(url: str, code: str) -> None:
    """Be thirty pages until the bench has ended; print each one's lags, in milliseconds."""
    lags = await asyncio.gather(*(page(url, joined(url, code), n) for n in range(PAGES)))
    print(json.dumps(lags))


async def page(url: str, headers: dict[str, str], number: int) -> list[float]:
    lags = []
    async with opened_line(url, headers) as line:
        while True:
            message = await line.read_message()
            if message is None or (isinstance(message, str) and "over" in json.loads(message)):
                return lags
            if isinstance(message, str):
                continue
            words = frame_words(message)
            lags.append(1e3 * (time.monotonic() - words["at"]))
            with contextlib.suppress(WebSocketClosedError):  # with the last picture in hand
                await line.write_message(json.dumps({"seen": words["number"]}))
            if len(lags) == 20 + number:
                await line.write_message(json.dumps({"key": "far", "answer": "1.2"}))


def told(alone: Went, served: Went) -> int:
    for name, went in (("alone", alone), (f"{PAGES} pages", served)):
        print(
            f"{name:>9}: {went.shown} pings shown in {went.wall_s:.1f} s, {went.left_out} left "
            f"out, {went.lost} lost; {went.drawn} pictures drawn; the process took "
            f"{went.process_s / went.wall_s:.2f} of a core, memory {went.memory_mb[0]:.0f} to "
            f"{went.memory_mb[1]:.0f} MB"
        )
    share = served.serving_s / served.wall_s
    worst = sorted(max(lags) for lags in served.pages)
    middles = [statistics.median(lags) for lags in served.pages]
    late = [lag for lags in served.pages for lag in lags if lag > LAG_MS]
    each = [len(lags) for lags in served.pages]
    # A run keeps its pings for a thousand of them: what that takes is no page's.
    kept_mb, grown_mb = (w.memory_mb[1] - w.memory_mb[0] for w in (alone, served))
    print(f"  guesses taken: {served.guesses} of {PAGES}")
    print(f"  pictures that each page saw: {min(each)} to {max(each)}")
    print(
        f"  lag behind the window / ms: middle {statistics.median(middles):.0f}, "
        f"slowest page's middle {max(middles):.0f}, worst of each page {worst[0]:.0f} to "
        f"{worst[-1]:.0f}; {len(late)} of {sum(each)} above {LAG_MS:.0f}"
    )
    behind = statistics.quantiles([lag for lags in served.pages for lag in lags], n=100)[98]
    print(f"  99 of 100 pictures are no more than {behind:.0f} ms behind")
    print(f"  serving took {share:.2f} of a core")
    goals = {
        f"every page within {LAG_MS:.0f} ms": not late,
        f"serving at most {CORE_SHARE:g} of a core": share <= CORE_SHARE,
        "no ping lost": served.lost == 0,
        f"memory grows by no more than {GROWTH_MB:g} MB beyond the run's own": grown_mb - kept_mb
        < GROWTH_MB,
        "every guess taken": served.guesses == PAGES,
    }
    for goal, met in goals.items():
        print(f"  {'met' if met else 'MISSED'}: {goal}")
    return 0 if all(goals.values()) else 1


if __name__ == "__main__":
    sys.exit(main())
