"""The picture as it stood at some pings of a recording, spread evenly over all of them.

It is drawn while the pings go by: an hour of profiles is more than a memory holds.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from rig.run.results import PingResult
from rig.run.run import HISTORY_PINGS, Run
from rig.show.pictures.bench_picture import FEWEST_ROWS, BenchPicture
from rig.show.pictures.page import HEIGHT, WIDTH
from rig.show.pictures.saving import plain_settings
from rig.show.pictures.scales import range_scale, strength_limits_db

if TYPE_CHECKING:
    from matplotlib.figure import Figure

MOST_PICTURES = 32
"""At 80 to 130 kB each, a page has room for 20 to 32 of them."""

_ROWS = 120
_COLOURS = 32
"""One hue of ink needs no more: 83 kB a picture with 32 colours, 123 kB with 256."""

_DPI = 100


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stage:
    """The picture as it stood at one ping.

    Attributes
    ----------
    png : bytes
    result : PingResult
        The newest ping in it.
    """

    png: bytes
    result: PingResult


class Album:
    """Draws a run's picture at some of its pings, as they go by.

    Parameters
    ----------
    run : Run
        That keeps each ping before it is taken here.
    pings : int
        How many will come.
    looks : {"along", "down"}, optional
        How the range axis runs; as the plan says, if not given.

    Attributes
    ----------
    stages : list of Stage
        What was drawn up to now.
    looks : {"along", "down"}
        How the range axis runs.
    rows : int
        So many pings the history of each shows: with a long recording, all that lie between
        two pictures.
    """

    def __init__(self, run: Run, pings: int, *, looks: str | None = None) -> None:
        self._run, self.looks = run, looks or run.plan.geometry.looks
        self._chosen = frozenset(chosen_pings(pings, MOST_PICTURES))
        between = -(-pings // MOST_PICTURES)
        self.rows = max(min(max(between, _ROWS), pings, HISTORY_PINGS), FEWEST_ROWS)
        self.stages: list[Stage] = []
        self._limits_db: tuple[float, float] | None = None
        self._figure: Figure | None = None
        self._picture: BenchPicture | None = None

    def take(self, result: PingResult) -> None:
        """Draw the picture, where it is to be drawn at this ping."""
        if len(self._run.results) - 1 in self._chosen:
            self._draw(result)

    def close(self) -> None:
        """Draw the last ping, where a recording ended before it was due."""
        results = self._run.results
        if results and (not self.stages or self.stages[-1].result.index != results[-1].index):
            self._draw(results[-1])

    def _draw(self, result: PingResult) -> None:
        with plain_settings():
            png = self._drawn()
        self.stages.append(Stage(png=png, result=result))

    def _drawn(self) -> bytes:
        run = self._run
        results = run.results[-self.rows :]
        picture = self._laid(results[-1].index)
        self._widen_limits(results)
        picture.show(
            results,
            limits_db=self._limits_db,
            counts=(len(run.results), run.lost_pings),
        )
        canvas: Any = picture.panels[0].figure.canvas
        canvas.draw()
        return small_png(np.asarray(canvas.buffer_rgba()))

    def _laid(self, ping: int) -> BenchPicture:
        """Return the page with the bench on it, laid anew only where the bench is another."""
        if self._picture is not None and self._picture.fits(ping):
            return self._picture
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure

        figure = Figure(figsize=(WIDTH / _DPI, HEIGHT / _DPI), dpi=_DPI)
        FigureCanvasAgg(figure)
        self._picture = BenchPicture(
            figure,
            self._run,
            note=f"from {self._run.origin.name}",
            history_pings=self.rows,
            looks=self.looks,
            ping=ping,
        )
        return self._picture

    def _widen_limits(self, results: Sequence[PingResult]) -> None:
        """Fix the strength scale with the first good pings; later only ever raise its top.

        So a strength has one ink on all pictures after it, as in the window.
        """
        if all(r.profile is None for r in results):
            return
        low_db, high_db = strength_limits_db(results, range_scale(self._run.receiver))
        if self._limits_db is not None:
            low_db, high_db = self._limits_db[0], max(self._limits_db[1], high_db)
        self._limits_db = low_db, high_db


def chosen_pings(pings: int, most: int) -> list[int]:
    """Return which pings have a picture: the first, the last, and others evenly between.

    Examples
    --------
    >>> chosen_pings(3, 32), chosen_pings(10, 4)
    ([0, 1, 2], [0, 3, 6, 9])
    """
    count = min(pings, most)
    if count < 2:
        return list(range(count))
    return [round(place * (pings - 1) / (count - 1)) for place in range(count)]


def small_png(pixels: np.ndarray[Any, Any]) -> bytes:
    """Return a picture as a PNG of few colours.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (rows, columns, 3 or 4)
    """
    from PIL import Image

    small = Image.fromarray(pixels[..., :3]).quantize(_COLOURS, dither=Image.Dither.NONE)
    file = io.BytesIO()
    small.save(file, "png", optimize=True)
    return file.getvalue()
