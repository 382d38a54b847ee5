"""One stretch of pings under one plan: a knob that changes the plan begins another.

A run has one plan and one receiver, and a recording too. So the pings of a stretch end, its
recording is closed whole, and the next stretch goes on in the same window with the scene as it
stands. What was heard before stays in the history.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from rig.bench.plan import Plan
from rig.run.results import PingResult
from rig.run.run import Run
from rig.tank.changes import Changes
from rig.tank.scene import Scene


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stretch:
    """A run that has been opened, not begun.

    Attributes
    ----------
    run : Run
    results : iterator of PingResult
        Its pings as they come.
    changes : Changes or None
        Takes what hands do to its scene.
    record : str
        The name of its recording; empty where none is made.
    """

    run: Run
    results: Iterator[PingResult]
    changes: Changes | None = None
    record: str = ""


OpenStretch = Callable[[Plan, Scene], Stretch]
"""Opens a stretch with a plan in a scene; raises where the plan does not do."""


def as_older(results: Sequence[PingResult], before: Run, now: Run) -> list[PingResult]:
    """Return what was heard in the stretch before, numbered so that it ends before ping 0.

    Empty where pings came at another interval, or the range axis is another: its rows would
    stand at wrong ages or ranges.
    """
    old, new = before.plan, now.plan
    alike = (
        old.timing.ping_interval_s == new.timing.ping_interval_s
        and old.receiver.range_stop_m == new.receiver.range_stop_m
    )
    if not results or not alike:
        return []
    last = results[-1].index
    return [dataclasses.replace(r, index=r.index - last - 1, echoes=()) for r in results]
