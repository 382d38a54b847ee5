"""The bench's picture for the room where no window draws it: newest first, late ones left out."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np

from rig.run.results import PingResult
from rig.run.run import Run
from rig.show.pictures.bench_picture import BenchPicture
from rig.show.pictures.loading import load_figures
from rig.show.pictures.page import HEIGHT, WIDTH
from rig.show.pictures.scales import range_scale, widened_limits_db
from rig.show.room.words import ping_words
from rig.show.window.kept_pings import HISTORY_ROWS
from rig.show.window.sheet import Sheet

if TYPE_CHECKING:
    from rig.show.room.room import Room

STOPPED = "The picture has stopped: it could not be drawn. The bench goes on without it."


class Following:
    """Draws pings for the room on a thread of its own, which no ping waits for.

    Parameters
    ----------
    room : Room
    run : Run
    looks : {"along", "down"}, optional
        How the range axis runs; as the plan says, if not given.
    angles : bool, optional
        Whether a strip below the history shows angles.
    warn : callable
        Told at once, in words, where no more can be drawn; the room's page is, too.
    """

    def __init__(
        self,
        room: Room,
        run: Run,
        *,
        looks: str | None = None,
        angles: bool = False,
        warn: Callable[[str], None],
    ) -> None:
        self._warn = warn
        self._room, self._run, self._looks, self._angles = room, run, looks, angles
        self._kept: deque[PingResult] = deque(maxlen=HISTORY_ROWS)
        self._taken = self._lost = 0
        self._ending = ""
        self._changed = threading.Condition()
        self._due = self._stopped = False
        self._thread = threading.Thread(target=self._draw_all, name="room drawing", daemon=True)
        self._thread.start()

    def take(self, result: PingResult) -> None:
        """Take a ping."""
        with self._changed:
            self._kept.append(result)
            self._taken += 1
            self._lost += result.lost
            self._due = True
            self._changed.notify()

    def finish(self, ending: str) -> None:
        """Draw the last picture, which says why no more will come, and end."""
        with self._changed:
            self._ending, self._due, self._stopped = ending, True, True
            self._changed.notify()
        self._thread.join()

    def _draw_all(self) -> None:
        try:
            paper = _Paper(self._run, self._looks, angles=self._angles)
            while True:
                with self._changed:
                    self._changed.wait_for(lambda: self._due)
                    self._due = False
                    results, ending, last = list(self._kept), self._ending, self._stopped
                    counts = self._taken, self._lost
                if results:
                    dots = paper.drawn(results, counts, ending)
                    self._room.show(dots, *ping_words(results[-1]), ending=ending)
                if last:
                    return
        except Exception as problem:  # whatever it was: the pings and their answer go on
            self._warn(f"the room's picture has stopped ({type(problem).__name__}: {problem})")
            blank = np.full((HEIGHT, WIDTH, 4), 255, dtype=np.uint8)
            self._room.show(blank, "No more pings are shown here", ending=STOPPED)


class _Paper:
    """A figure that is no window's, on which only what changes is drawn anew."""

    def __init__(self, run: Run, looks: str | None, *, angles: bool) -> None:
        load_figures()
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure

        self._run, self._looks, self._angles = run, looks, angles
        self._scale = range_scale(run.receiver)
        self._limits_db: tuple[float, float] | None = None
        self._figure = Figure(figsize=(WIDTH / 100, HEIGHT / 100), dpi=100)
        self._canvas: Any = FigureCanvasAgg(self._figure)  # Matplotlib leaves it untyped
        self._canvas.mpl_connect("draw_event", lambda _: self._sheet.keep_page())
        self._lay_out(0)

    def _lay_out(self, ping: int) -> None:
        self._figure.clear()
        self._picture = BenchPicture(
            self._figure,
            self._run,
            history_pings=HISTORY_ROWS,
            looks=self._looks,
            angles=self._angles,
            ping=ping,
        )
        nothing_over = self._figure.text(0, 0, "", visible=False)
        self._sheet = Sheet(self._figure, self._picture, nothing_over)

    def drawn(
        self, results: list[PingResult], counts: tuple[int, int], ending: str
    ) -> np.ndarray[Any, np.dtype[np.uint8]]:
        """Return the picture's dots; the figure's own, until the next is drawn."""
        if not self._picture.fits(results[-1].index):
            self._lay_out(results[-1].index)
        self._limits_db = widened_limits_db(self._limits_db, results, self._scale)
        rescaled = self._picture.show(
            results, limits_db=self._limits_db, counts=counts, status=ending
        )
        self._sheet.show(rescaled=rescaled)
        return np.asarray(self._canvas.buffer_rgba())
