"""The paper under the picture: sizes, panels, words, and what changes from ping to ping.

All places are given in units of 1/720 of the height of a 1280 × 720 picture, from
its top left corner. A larger picture is then the same one with larger words; one
that is wider or taller than 16:9 gives the space to the panels.
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from rig.show.pictures.lettering import printable, shortened, text_width, wrapped
from rig.show.pictures.panel import Box, Panel
from rig.show.pictures.ticks import Side, Ticks, framed

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.lines import Line2D
    from matplotlib.text import Text

WIDTH, HEIGHT = 1280, 720
MARGIN, LEFT = 20, 92
"""Where the words and where the panels begin."""

TITLE_PT, MAIN_PT, SMALL_PT = 16.0, 14.0, 12.0
"""Sizes of text at 1280 × 720 and 100 dots per inch."""

SMALL_LINE = 20
"""From one line of small text to the next."""

INK, SOFT, FAINT = "#0b1d33", "#5a6472", "#c9ced6"
CONE = "#e4e9f1"
ACCENT = "#c2410c"
"""The one colour beside ink: what the reader points at or foretold. It stands for no strength."""

_CAPTION_WIDTH, _SIDE_WIDTH = 264, 96
_TICK_PT, _TICK_PAD_PT = 3.2, 2.5
_UNDER = 26
"""Room for the numbers under a panel."""


class Page:
    """An empty figure, and the ways in which the panels write on it.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        Its size when given is the page's for good.

    Attributes
    ----------
    artists : list of matplotlib artists
        Those that change from ping to ping, in the order in which to draw them.
    scale : float
        Dots to a unit.
    width, height : float
        Of the page, in units.
    right : float
        Where the panels end.
    column : float
        Where the captions begin.
    """

    def __init__(self, figure: Figure) -> None:
        self.figure = figure
        self._dots_per_inch = float(figure.dpi)
        width_px, height_px = (
            float(side) * self._dots_per_inch for side in figure.get_size_inches()
        )
        self.scale = min(width_px / WIDTH, height_px / HEIGHT)
        self.width, self.height = width_px / self.scale, height_px / self.scale
        self.column = self.width - 10 - _CAPTION_WIDTH
        self.right = self.column - _SIDE_WIDTH
        self.artists: list[Artist] = []
        figure.set_facecolor("white")

    def pt(self, size: float) -> float:
        """Turn a size at 1280 × 720 and 100 dots per inch into points of this figure."""
        return size * self.scale * 100 / self._dots_per_inch

    @property
    def fine(self) -> float:
        """Width of a fine line, in points."""
        return self.pt(0.8)

    @property
    def text_room(self) -> float:
        """Length of a line of text across the whole page."""
        return self.width - 2 * MARGIN

    def box(self, left: float, top: float, width: float, height: float) -> Axes:
        """Make axes at a place."""
        return self.figure.add_axes(self._shares(left, top, width, height))

    def framed(
        self, left: float, top: float, width: float, height: float, *, colour: str = "black"
    ) -> Axes:
        """Make axes at a place, with a frame and no ticks but those of :meth:`ticks`."""
        place = self._shares(left, top, width, height)
        return framed(self.figure, place, width_pt=self.fine, colour=colour)

    def _shares(
        self, left: float, top: float, width: float, height: float
    ) -> tuple[float, float, float, float]:
        return (
            left / self.width,
            1 - (top + height) / self.height,
            width / self.width,
            height / self.height,
        )

    def ticks(self, axes: Axes, side: Side, size_pt: float = SMALL_PT) -> Ticks:
        """Make a row of numbers beside axes, and a mark at each."""
        return Ticks(
            axes,
            side,
            size_pt=self.pt(size_pt),
            length_pt=self.pt(_TICK_PT),
            width_pt=self.fine,
            pad_pt=self.pt(_TICK_PAD_PT),
            colours=(SOFT, INK),
        )

    def panel(self, box: Box, *, stop_m: float, down: bool, side: str) -> Panel:
        """Make a panel over the range axis, the axis of its values named `side`."""
        axes = self.framed(box.left, box.top, box.width, box.height, colour=SOFT)
        values_at = self.ticks(axes, "bottom" if down else "left")
        panel = Panel(axes, values_at, measure(SMALL_PT), box, stop_m=stop_m, down=down)
        if down:
            middle = box.left + box.width / 2
            self.text(middle, box.bottom + _UNDER, side, ha="center")
        else:
            # Smaller where it would run into the name of the panel above or below.
            size_pt = MAIN_PT if measure(MAIN_PT)(side) <= box.height else SMALL_PT
            middle = box.top + box.height / 2
            self.text(MARGIN, middle, side, size_pt=size_pt, rotation=90, va="center")
        return panel

    def style_ticks(self, axes: Any, size_pt: float = SMALL_PT) -> None:
        """Give ticks the page's line, colour and size of text."""
        axes.tick_params(
            labelsize=self.pt(size_pt),
            length=self.pt(_TICK_PT),
            width=self.fine,
            pad=self.pt(_TICK_PAD_PT),
            color=SOFT,
            labelcolor=INK,
        )

    def text(
        self,
        x: float,
        y: float,
        words: str = "",
        *,
        size_pt: float = MAIN_PT,
        bold: bool = False,
        changes: bool = False,
        **how: Any,
    ) -> Text:
        """Write on the page."""
        made = self.figure.text(
            x / self.width,
            1 - y / self.height,
            words,
            fontsize=self.pt(size_pt),
            fontweight="bold" if bold else "normal",
            linespacing=1.2,
            parse_math=False,
            **{"color": INK, "ha": "left", "va": "top", **how},
        )
        if changes:
            self.artists.append(made)
        return made

    def text_in(
        self, axes: Axes, *, size_pt: float = MAIN_PT, covers: bool = False, **how: Any
    ) -> Text:
        """Make changing text inside a panel, with a halo that keeps it legible over lines.

        Where it `covers`, no line shows between its letters either.
        """
        from matplotlib.patheffects import withStroke

        made = axes.text(
            0,
            0,
            "",
            fontsize=self.pt(size_pt),
            linespacing=1.2,
            parse_math=False,
            **{"color": INK, "ha": "center", "va": "center", **how},
        )
        if covers:
            made.set_bbox({"facecolor": "white", "edgecolor": "none", "pad": 0})
        made.set_path_effects([withStroke(linewidth=self.pt(3), foreground="white")])
        self.artists.append(made)
        return made

    def pointer_in(self, panel: Panel) -> Line2D:
        """Make a panel's part of the line that the pointer drops."""
        from matplotlib.patheffects import withStroke

        line = panel.line_at(0, color=ACCENT, linewidth=self.pt(1.8))
        line.set_path_effects([withStroke(linewidth=self.pt(4), foreground="white")])
        self.artists.append(line)
        return line

    def caption(self, top: float, name: str, meaning: str) -> float:
        """Write a panel's name and meaning beside it; return where the text ends."""
        self.text(self.column, top - 4, name, bold=True)
        lines = self.caption_lines(meaning)
        self.text(self.column, top + 20, "\n".join(lines), size_pt=SMALL_PT)
        return top + 22 + SMALL_LINE * len(lines)

    def caption_lines(self, words: str) -> list[str]:
        """Break words into lines as wide as the captions."""
        return wrapped(words, _CAPTION_WIDTH, measure(SMALL_PT))

    def fitted(
        self, words: str, room: float, *, size_pt: float = MAIN_PT, bold: bool = False
    ) -> str:
        """Return words on one line, shortened in the middle to fit."""
        return shortened(printable(words), room, measure(size_pt, bold))


def measure(size_pt: float, bold: bool = False) -> Callable[[str], float]:
    """Return what measures a line of text of this size, in units."""
    return functools.partial(text_width, size_pt=size_pt, bold=bold)
