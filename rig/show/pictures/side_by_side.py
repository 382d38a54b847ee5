"""Several pictures at once, and pictures beside other work: in processes of their own.

A picture is bound by the layout of its words, in which no two threads get on together.
"""

from __future__ import annotations

import contextlib
import gc
import importlib
import itertools
import os
import pickle
import select
import signal
import sys
import threading
import weakref
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import IO, Any, TypeAlias

from rig.show.pictures.loading import load_figures

FEWEST = 3
"""Fewer pictures are drawn before another process would have begun."""

_Draws: TypeAlias = Callable[[Any], Iterable[Callable[[], bytes]]]

_DRAWS = (
    "matplotlib.backends.backend_agg",
    "matplotlib.backends.backend_svg",
    "matplotlib.patheffects",
    "rig.show.pictures.bench_picture",
)
"""What any picture needs."""

_YIELDS = 10
"""How much a process that draws beside other work gives way to it, as nice counts it."""


class SideBySide:
    """Pictures that are drawn in a process beside this one, which goes on with its own work.

    A process is begun for those that wait, whenever none draws: each loads fonts and lays out
    lines anew, which takes as long as two pictures.

    Parameters
    ----------
    yields : bool
        Whether this process goes first wherever both want one core: a device is heard.
    """

    def __init__(self, *, yields: bool = False) -> None:
        self._yields = yields
        self._waiting: list[Callable[[], bytes]] = []
        self._begun: list[_Beside] = []

    def add(self, draws: Iterable[Callable[[], bytes]]) -> None:
        """Have pictures drawn, from now on or later; each call returns one as a file's content."""
        self._waiting += draws
        if all(beside.ends for beside in self._begun):
            self._begin()

    def drawn(self) -> list[bytes]:
        """Return all pictures, in the order in which they were added. To be called once.

        Raises
        ------
        Exception
            As drawing one after the other does. What fails in the other process, or is not
            finished there, is drawn here.
        """
        self._begin()
        last = [draw() for draw in self._waiting]
        # Of those that were begun last most are left to draw.
        drawn = [beside.drawn() for beside in reversed(self._begun)]
        return [*itertools.chain(*reversed(drawn)), *last]

    def _begin(self) -> None:
        if len(self._waiting) >= FEWEST and _may_fork():
            self._begun.append(_Beside(self._waiting, yields=self._yields))
            self._waiting = []


def drawn(draws: Iterable[Callable[[], bytes]]) -> list[bytes]:
    """Return pictures, side by side where they are enough; each call returns one's content."""
    pictures = SideBySide()
    pictures.add(draws)
    return pictures.drawn()


class _Beside:
    """A process that draws in turns with this one, and hands over what it has drawn.

    Whoever is to draw the next picture takes its number out of a pipe that both read.

    Parameters
    ----------
    draws : sequence of callable
        256 at most.
    yields : bool
    """

    def __init__(self, draws: Sequence[Callable[[], bytes]], *, yields: bool) -> None:
        self._draws = draws
        _load()  # what all need, once
        import matplotlib.font_manager

        # A font file that is open in both has one place, where each reads on after the other: then
        # a glyph does not load. Matplotlib lets the copy forget its own, but not what a figure that
        # is still about holds; so this process opens its anew, which the other has not.
        matplotlib.font_manager._get_font.cache_clear()  # type: ignore[attr-defined]
        self._left, numbers = os.pipe()
        os.write(numbers, bytes(range(len(draws))))
        os.close(numbers)
        self._reader, writer = os.pipe()
        self._process = os.fork()
        if self._process == 0:
            gc.freeze()  # what is gone through for rubbish is copied, page by page
            if yields:
                os.nice(_YIELDS)
            self._draw_and_end(writer)
        os.close(writer)

    @property
    def ends(self) -> bool:
        """Whether it draws no more, and hands over."""
        return bool(select.select([self._reader], [], [], 0)[0])

    def drawn(self) -> list[bytes]:
        """Draw in turns until none is left; what the other did not finish is drawn here."""
        try:
            drawn = dict(self._taken())
            with os.fdopen(self._reader, "rb") as handed:
                content = handed.read()
        except BaseException:
            os.kill(self._process, signal.SIGKILL)
            raise
        finally:
            os.close(self._left)
            _, status = os.waitpid(self._process, 0)
        if os.WIFEXITED(status) and not os.WEXITSTATUS(status):
            drawn |= pickle.loads(content)
        return [drawn[n] if n in drawn else draw() for n, draw in enumerate(self._draws)]

    def _taken(self) -> Iterator[tuple[int, bytes]]:
        """Draw the next pictures that nobody draws, one by one."""
        while number := os.read(self._left, 1):
            yield number[0], self._draws[number[0]]()

    def _draw_and_end(self, writer: int) -> None:
        """Draw in the process beside, and hand over; nothing else of this process goes on."""
        status = 1
        try:
            with os.fdopen(writer, "wb") as to:
                pickle.dump(dict(self._taken()), to)
            status = 0
        finally:
            # Whatever went wrong is told where it is drawn again.
            os._exit(status)


class LoadedAhead:
    """A process that loads all that draws while this one pings, and then draws pictures.

    Parameters
    ----------
    draws : callable
        From what :meth:`drawn` is handed to what draws each picture, as :func:`drawn` takes them.
    """

    def __init__(self, draws: _Draws) -> None:
        self._draws = draws
        self._process = 0
        if not _may_fork():
            return
        (asked, ask), (drawn, hand) = os.pipe(), os.pipe()
        self._process = os.fork()
        if self._process == 0:
            os.close(ask)
            os.close(drawn)
            # Stopped at the keyboard are the pings: those that came are drawn.
            signal.signal(signal.SIGINT, signal.SIG_IGN)
            _load_draw_and_end(draws, asked, hand)
        os.close(asked)
        os.close(hand)
        self._ask, self._drawn = os.fdopen(ask, "wb"), os.fdopen(drawn, "rb")
        self._end = weakref.finalize(self, _end, self._process, self._ask, self._drawn)

    def drawn(self, what: Any) -> list[bytes]:
        """Draw; here where the other process cannot. To be called once."""
        if not self._process:
            return drawn(self._draws(what))
        try:
            pickle.dump(what, self._ask)
            self._ask.flush()
            content = self._drawn.read()
        except BrokenPipeError:
            content = b""
        finally:
            self._end()
        return pickle.loads(content) if content else drawn(self._draws(what))


def _end(process: int, ask: IO[bytes], drawn: IO[bytes]) -> None:
    """End a process that has drawn, or is to draw no more."""
    os.kill(process, signal.SIGKILL)
    os.waitpid(process, 0)
    drawn.close()
    with contextlib.suppress(BrokenPipeError):
        ask.close()


def _load_draw_and_end(draws: _Draws, asked: int, hand: int) -> None:
    """In the process beside: what goes wrong is told where it is drawn again."""
    try:
        _load()
        with os.fdopen(asked, "rb") as given:
            pictures = drawn(draws(pickle.load(given)))
        with os.fdopen(hand, "wb") as to:
            pickle.dump(pictures, to)
    finally:
        os._exit(0)


def _load() -> None:
    load_figures()
    for name in _DRAWS:
        importlib.import_module(name)
    from PIL import Image

    from rig.show.pictures.lettering import printable
    from rig.show.pictures.svg_canvas import svg_canvas
    from rig.show.pictures.ticks import bare_axes

    # What the first picture would make, and each process anew.
    Image.preinit()
    printable("a")
    svg_canvas()
    bare_axes()


def _may_fork() -> bool:
    """Say whether a copy of this process would run, and on a core of its own.

    Elsewhere than on Linux a copy may not go on with what the system's libraries hold, and
    one of several threads alone would be copied.
    """
    if sys.platform != "linux" or threading.active_count() > 1:
        return False
    return len(os.sched_getaffinity(0)) > 1
