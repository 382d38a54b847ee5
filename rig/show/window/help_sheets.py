"""The keys in words, laid over the picture: a sheet of them, the next, then none."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from rig.show.pictures.bench_picture import BenchPicture
from rig.show.pictures.page import INK, SOFT
from rig.show.window.keys import Offers, help_sheets

if TYPE_CHECKING:
    from matplotlib.figure import Figure


class HelpSheets:
    """Which sheet is shown, if any.

    Attributes
    ----------
    sheets : tuple of str
        The words of each.
    number : int or None
    artist : matplotlib text
        Once it is laid out; the sheet's words stand in it.
    """

    def __init__(self, offers: Offers) -> None:
        self.sheets = help_sheets(offers)
        self.number: int | None = None
        self.artist: Any = None

    @property
    def shown(self) -> str:
        """The words that are shown; empty for none."""
        return "" if self.number is None else self.sheets[self.number]

    def turn(self) -> None:
        """Show the keys, then those of hands where there are any, then none."""
        after = 0 if self.number is None else self.number + 1
        self.number = after if after < len(self.sheets) else None
        self.artist.set_text(self.shown)

    def lay(self, figure: Figure, picture: BenchPicture) -> None:
        """Lay the words out over strip and history, clear of the numbers and words beside them."""
        scale = picture.dots_per_unit * 100 / figure.dpi
        strip, history = (axes.get_position() for axes in picture.panels[1:3])
        self.artist = figure.text(
            (strip.x0 + history.x1) / 2,
            0.5,  # it is nearly as high as the page
            self.shown,
            family="DejaVu Sans Mono",
            fontsize=14 * scale,
            linespacing=1.5,
            ha="center",
            va="center",
            multialignment="left",
            color=INK,
            bbox={"facecolor": "white", "edgecolor": SOFT, "boxstyle": "square,pad=1"},
            visible=False,
        )
