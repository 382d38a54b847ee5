"""The pings drawn on a thread of their own."""

from __future__ import annotations

import queue
import threading
from collections.abc import Iterator

from rig.run.results import PingResult

_WAIT_FOR_PINGS_S = 5.0


class Pump:
    """Draws results on a thread of its own, so that nothing holds them up."""

    def __init__(self, results: Iterator[PingResult]) -> None:
        self._results = results
        self._queue: queue.SimpleQueue[PingResult] = queue.SimpleQueue()
        self._stopped = threading.Event()
        self._done = threading.Event()
        self._thread = threading.Thread(target=self._run, name="pings", daemon=True)
        self.problem: BaseException | None = None

    def start(self) -> None:
        """Begin to draw them."""
        self._thread.start()

    def _run(self) -> None:
        try:
            for result in self._results:
                self._queue.put(result)
                if self._stopped.is_set():
                    break
        except BaseException as problem:
            self.problem = problem
        finally:
            close = getattr(self._results, "close", None)
            if close is not None:
                close()
            self._done.set()

    def waiting(self) -> list[PingResult]:
        """Return what has come since the last call."""
        came = []
        while True:
            try:
                came.append(self._queue.get_nowait())
            except queue.Empty:
                return came

    @property
    def ending(self) -> str:
        """Why no more will come; empty while more may."""
        if not self._done.is_set():
            return ""
        return f"The pings ended: {self.problem}" if self.problem is not None else "All pings done"

    def end(self) -> None:
        """Take no more once the ping under way has finished, which is not waited for."""
        self._stopped.set()

    def stop(self) -> None:
        """Let the ping under way finish, and take no more."""
        self.end()
        self._thread.join(_WAIT_FOR_PINGS_S)
