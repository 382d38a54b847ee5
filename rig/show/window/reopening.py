"""A device that has gone is opened again, on a thread of its own, until it is there."""

from __future__ import annotations

import threading
from collections.abc import Callable

from rig.errors import EchobenchError
from rig.show.window.stretch import Stretch

PAUSE_S = 5.0
"""From one attempt to the next: a sound server that starts takes some seconds."""

_WAIT_S = 5.0

Reopen = Callable[[], Stretch]
"""Opens the device, and a stretch of pings on it; raises while it is not there."""


class Reopening:
    """Tries until it is done or stopped.

    Parameters
    ----------
    reopen : callable
    gone : str
        Why the device was lost.
    pause_s : float
    """

    def __init__(self, reopen: Reopen, gone: str, *, pause_s: float = PAUSE_S) -> None:
        self._reopen, self._pause_s = reopen, pause_s
        self._stopped = threading.Event()
        self._stretch: Stretch | None = None
        self._problem = gone
        self._thread = threading.Thread(target=self._run, name="reopening", daemon=True)
        self._thread.start()

    @property
    def stretch(self) -> Stretch | None:
        """What was opened; None while nothing is."""
        return self._stretch

    @property
    def status(self) -> str:
        """What is said in place of a status."""
        return f"No device, trying again every {self._pause_s:g} s"

    @property
    def problem(self) -> str:
        """Why it is not there."""
        return self._problem

    def stop(self) -> None:
        """Try no more."""
        self._stopped.set()
        self._thread.join(_WAIT_S)

    def _run(self) -> None:
        while not self._stopped.wait(self._pause_s):
            try:
                self._stretch = self._reopen()
                return
            except (EchobenchError, OSError) as problem:
                self._problem = str(problem)
