"""Drawings as Matplotlib figures, to be looked at, changed and saved."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from rig.show.pictures.page import HEIGHT, WIDTH
from rig.show.pictures.saving import plain_settings

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_DOTS_AN_INCH = 100


def figure_of(draw: Callable[[Figure], object]) -> Figure:
    """Let `draw` fill a figure of the usual size, and return it.

    It belongs to no window and to no ``pyplot``, so nothing has to be closed.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    with plain_settings():
        figure = Figure(figsize=(WIDTH / _DOTS_AN_INCH, HEIGHT / _DOTS_AN_INCH), dpi=_DOTS_AN_INCH)
        FigureCanvasAgg(figure)
        draw(figure)
    return figure
