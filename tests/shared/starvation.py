"""What a machine withheld from the programs on it, by the kernel's own count.

A program that waits for a processor can be late with everything. What it promises, it
promises of the time that the machine left it.
"""

from __future__ import annotations

import time
from pathlib import Path

PRESSURE = Path("/proc/pressure/cpu")

STARVED_SHARE = 0.5
"""A machine on which somebody waits for a processor half of the time has none to spare."""


def waited_s() -> float:
    """Return for how long, so far, at least one task waited for a processor.

    The total in the line "some", in µs (Linux, Documentation/accounting/psi.rst). 0 where
    the system keeps no such count: nothing is then put down to starvation.
    """
    try:
        some = PRESSURE.read_text(encoding="ascii").splitlines()[0]
    except OSError:
        return 0.0
    return 1e-6 * int(some.rpartition("total=")[2])


def spared_s() -> float:
    """Return the time by a clock that stands still while any task waits for a processor.

    Whatever kept a program from being punctual is in that wait; what is left between two
    readings is its own doing. The kernel counts in steps, so that it does not tell which of
    two moments came first.
    """
    return time.monotonic() - waited_s()


def patient_s() -> float:
    """Return the time by a clock that goes at a tenth of its pace while any task waits for one.

    For a program's own deadlines, where a test asks for no loss: on a machine with time to
    spare they are what they are, on a starved one ten times as long, and they still come.
    """
    return time.monotonic() - 0.9 * waited_s()


class Stretch:
    """A stretch of time from now on, and how starved the machine was in it."""

    def __init__(self) -> None:
        self._began_s, self._waited_s = time.monotonic(), waited_s()

    @property
    def starved(self) -> str:
        """In words, how starved the machine was; empty where it had time to spare."""
        share = (waited_s() - self._waited_s) / (time.monotonic() - self._began_s)
        return f"tasks waited for a processor {share:.0%} of the time" * (share > STARVED_SHARE)
