"""The pace of a window: pings are shown when they are due, or left out."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator

from rig.run.results import PingResult

_HITCH_S = 0.25
"""A machine that stumbles once, and no longer, catches up without leaving out a ping."""


def paced(
    results: Iterator[PingResult],
    interval_s: float,
    *,
    leave_out: Callable[[int], None] | None = None,
    by_hand: bool = False,
    clock_s: Callable[[], float] = time.monotonic,
    wait: Callable[[float], None] = time.sleep,
) -> Iterator[PingResult]:
    """Hand on each ping when it is due, as told from the first one.

    A virtual tank or a recording gives a minute's pings in seconds, or on a slow machine
    in minutes. What has fallen behind does not try to catch up: the pings that are late by
    then are left out, so that the newest ping shown is never much older than it says.

    Parameters
    ----------
    results : iterator of PingResult
        Made when they are asked for, or as they come in.
    interval_s : float
        From one ping to the next.
    leave_out : callable, optional
        Has so many of the next pings left out; None where none can be, since all are heard.
    by_hand : bool
        Whether a hand may change what is made: each ping is then made when it is due, by what
        the hand does then, and not ahead.
    clock_s, wait : callable
        The time, and what waits.
    """
    start_s: float | None = None

    def in_time() -> Iterator[PingResult]:
        for result in results:
            yield result
            if by_hand and start_s is not None:
                wait(max(start_s + result.sent_s + interval_s - clock_s(), 0.0))

    try:
        for result in in_time():
            if start_s is None:
                start_s = clock_s() - result.sent_s
            late_s = clock_s() - start_s - result.sent_s
            if late_s < 0:
                wait(-late_s)
            elif leave_out is not None and late_s > interval_s + _HITCH_S:
                leave_out(int(late_s / interval_s))
            yield result
    finally:
        close = getattr(results, "close", None)
        if close is not None:
            close()
