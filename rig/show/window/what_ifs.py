"""What-ifs worked out beside the pings that come."""

from __future__ import annotations

import dataclasses
import queue
import threading
from typing import TYPE_CHECKING

from rig.errors import EchobenchError
from rig.run.results import PingResult
from rig.run.run import Run, run_with

if TYPE_CHECKING:
    from rig.measure.what_if.history import WhatIf

WHAT_IFS = ("disc=2x", "frequency=2x", "speed=2x", "pulse=2x", "tilt=10")
"""What the key w changes, one after the other."""


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Foretold:
    """A forecast, and what it was made from."""

    run: Run
    found: WhatIf


class WhatIfs:
    """Works out one what-if after the other, on a thread of its own.

    All are made from the pings that were shown when the first was asked for.
    """

    def __init__(self, run: Run) -> None:
        self._run = run
        self._outcomes: queue.SimpleQueue[tuple[int, Foretold | str]] = queue.SimpleQueue()
        self._asked = 0  # so that what was asked for before the end is passed over
        self._place = 0
        self._busy = False
        self._heard = run

    def begin(self, results: list[PingResult]) -> None:
        """Ask for the first."""
        if not self._busy:
            self._heard = run_with(self._run.receiver, results, origin=self._run.origin)
            self._place = 0
            self._start()

    def next(self) -> bool:
        """Ask for the next; False where there is none."""
        if self._busy:
            return True
        self._place += 1
        if self._place == len(WHAT_IFS):
            return False
        self._start()
        return True

    def end(self) -> None:
        """Let go of what was asked for."""
        self._asked += 1
        self._busy = False

    def outcome(self) -> Foretold | str | None:
        """Return the forecast that has come, or why there is none; None while there is neither.

        A change that cannot be made is passed over for the next one.
        """
        try:
            asked, outcome = self._outcomes.get_nowait()
        except queue.Empty:
            return None
        if asked != self._asked:
            return None
        self._busy = False
        if isinstance(outcome, str) and self.next():
            return None
        return outcome

    def _start(self) -> None:
        self._asked += 1
        self._busy = True
        words = (self._asked, WHAT_IFS[self._place])
        threading.Thread(target=self._work, args=words, name="what-if", daemon=True).start()

    def _work(self, asked: int, change: str) -> None:
        from rig.measure.what_if.change import read_change
        from rig.measure.what_if.history import what_if

        outcome: Foretold | str
        try:
            heard = self._heard
            outcome = Foretold(run=heard, found=what_if(heard, read_change(change)))
        except EchobenchError as problem:
            outcome = str(problem)
        self._outcomes.put((asked, outcome))
