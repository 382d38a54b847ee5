"""Several pictures at once: half of them in a process beside this one.

A picture is bound by the layout of its words, in which no two threads get on together.
"""

from __future__ import annotations

import os
import pickle
import signal
import sys
import threading
from collections.abc import Callable, Sequence

FEWEST = 3
"""Fewer pictures are drawn before another process would have begun."""


def drawn_each(draws: Sequence[Callable[[], bytes]]) -> list[bytes]:
    """Draw several pictures, on two cores where there are two to be had.

    Parameters
    ----------
    draws : sequence of callable
        Each draws one picture, and returns it as a file's content.

    Returns
    -------
    list of bytes
        In the order of `draws`.

    Raises
    ------
    Exception
        As drawing one after the other does. What fails in the other process, or is not
        finished there, is drawn here.
    """
    if len(draws) < FEWEST or not _may_fork():
        return [draw() for draw in draws]
    # What both need is loaded once.
    import matplotlib.backends.backend_agg
    import matplotlib.figure
    import matplotlib.font_manager

    # A font file that is open in both has one place, where each reads on after the other: then a
    # glyph does not load. Matplotlib lets the copy forget its own, but not what a figure that is
    # still about holds; so this process opens its anew, which the other has not.
    matplotlib.font_manager._get_font.cache_clear()  # type: ignore[attr-defined]
    reader, writer = os.pipe()
    beside = os.fork()
    if beside == 0:
        _draw_and_end(draws[1::2], writer)
    os.close(writer)
    try:
        with os.fdopen(reader, "rb") as handed:
            own = [draw() for draw in draws[::2]]
            other = handed.read()
    except BaseException:
        os.kill(beside, signal.SIGKILL)
        raise
    finally:
        _, status = os.waitpid(beside, 0)
    whole = os.WIFEXITED(status) and os.WEXITSTATUS(status) == 0
    rest = pickle.loads(other) if whole else [draw() for draw in draws[1::2]]
    drawn = [b""] * len(draws)
    drawn[::2], drawn[1::2] = own, rest
    return drawn


def _may_fork() -> bool:
    """Say whether a copy of this process would run, and on a core of its own.

    Elsewhere than on Linux a copy may not go on with what the system's libraries hold, and
    one of several threads alone would be copied.
    """
    if sys.platform != "linux" or threading.active_count() > 1:
        return False
    return len(os.sched_getaffinity(0)) > 1


def _draw_and_end(draws: Sequence[Callable[[], bytes]], writer: int) -> None:
    """Draw in the process beside, and hand over; nothing else of this process goes on."""
    status = 1
    try:
        with os.fdopen(writer, "wb") as to:
            pickle.dump([draw() for draw in draws], to)
        status = 0
    finally:
        # Whatever went wrong is told where it is drawn again.
        os._exit(status)
