"""Axes with a frame alone, and ticks of the page's own beside it.

Matplotlib's ticks are five artists each, made by the dozen and measured at every drawing for
an axis's name, which no panel has. A page knows where its numbers stand: they take a mark and
a text each.
"""

from __future__ import annotations

import functools
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Literal, TypeAlias

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.text import Text

Side: TypeAlias = Literal["left", "right", "bottom", "top"]

_AT: dict[Side, tuple[str, int, int, dict[str, str]]] = {
    "left": ("TICKLEFT", -1, 0, {"ha": "right", "va": "center_baseline"}),
    "right": ("TICKRIGHT", 1, 0, {"ha": "left", "va": "center_baseline"}),
    "bottom": ("TICKDOWN", 0, -1, {"ha": "center", "va": "top"}),
    "top": ("TICKUP", 0, 1, {"ha": "center", "va": "bottom"}),
}
"""Of each side: its mark, which way is out, and how a number stands to it."""

_BENEATH, _FRAME = 1.5, 2.5
"""Ticks lie over what is filled and beneath lines, the frame over both."""

_MAKE = ("_gen_axes_spines", "_init_axis")
"""What makes spines and ticks of Matplotlib's axes."""


class Ticks:
    """Marks on one side of axes, and a number at each.

    Parameters
    ----------
    axes : matplotlib axes
    side : {"left", "right", "bottom", "top"}
    size_pt, length_pt, width_pt, pad_pt : float
        Of the numbers; of the marks; from the marks to the numbers.
    colours : tuple of str
        Of marks and numbers.

    Attributes
    ----------
    places : tuple of float
        Where they stand, as the axes count it.
    labels : tuple of str
        The numbers.
    """

    def __init__(
        self,
        axes: Axes,
        side: Side,
        *,
        size_pt: float,
        length_pt: float,
        width_pt: float,
        pad_pt: float,
        colours: tuple[str, str],
    ) -> None:
        from matplotlib import markers
        from matplotlib.lines import Line2D
        from matplotlib.transforms import ScaledTranslation

        self.places: tuple[float, ...] = ()
        self.labels: tuple[str, ...] = ()
        mark, right, up, stands = _AT[side]
        colour, number = colours
        self._axes, self._along = axes, up != 0
        self._edge = 1.0 if right + up > 0 else 0.0
        to_edge = axes.get_xaxis_transform() if self._along else axes.get_yaxis_transform()
        out_in = (length_pt + pad_pt) / 72
        figure: Any = axes.figure
        outwards = ScaledTranslation(out_in * right, out_in * up, figure.dpi_scale_trans)
        self._how: dict[str, Any] = {
            "transform": to_edge + outwards,
            "fontsize": size_pt,
            "color": number,
            "parse_math": False,
            "zorder": _BENEATH,
            **stands,
        }
        self._texts: list[Text] = []
        self._marks = Line2D(
            [],
            [],
            linestyle="none",
            marker=getattr(markers, mark),
            markersize=length_pt,
            markeredgecolor=colour,
            markeredgewidth=width_pt,
            transform=to_edge,
            zorder=_BENEATH,
            clip_on=False,
        )
        axes.add_artist(self._marks)

    def set(self, places: Sequence[float], labels: Sequence[str]) -> None:
        """Put numbers to places, in the stead of those before."""
        self.places, self.labels = tuple(places), tuple(labels)
        for text in self._texts:
            text.remove()
        edge = [self._edge] * len(places)
        self._marks.set_data(*((places, edge) if self._along else (edge, places)))
        self._texts = [
            self._axes.text(
                *((at, self._edge) if self._along else (self._edge, at)), label, **self._how
            )
            for at, label in zip(places, labels, strict=True)
        ]


def framed(
    figure: Figure, place: tuple[float, float, float, float], *, width_pt: float, colour: str
) -> Axes:
    """Make axes with a frame alone.

    Parameters
    ----------
    figure : Figure
    place : tuple of float
        Left, bottom, width and height, as shares of the figure.
    width_pt, colour
        Of the frame.
    """
    from matplotlib.patches import Rectangle
    from matplotlib.ticker import NullLocator

    axes = figure.add_axes(bare_axes()(figure, place))
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_locator(NullLocator())
    for part in (axes.xaxis, axes.yaxis, *axes.spines.values()):
        part.set_visible(False)
    how: dict[str, Any] = {"edgecolor": colour, "linewidth": width_pt, "zorder": _FRAME}
    axes.add_artist(
        Rectangle((0, 0), 1, 1, fill=False, transform=axes.transAxes, clip_on=False, **how)
    )
    return axes


@functools.cache
def bare_axes() -> type[Axes]:
    """Return a kind of axes that makes neither ticks nor spines, which take half of its time.

    By public means they can only be hidden, for a fifth more of a picture's time: so they are in a
    release that asks otherwise for them.
    """
    from matplotlib.axes import Axes
    from matplotlib.axis import XAxis, YAxis

    if not all(hasattr(Axes, name) for name in _MAKE):
        return Axes

    # Never made, so never styled, clipped or measured.
    no_ticks = {"majorTicks": (), "minorTicks": ()}
    across, upright = type("Across", (XAxis,), no_ticks), type("Upright", (YAxis,), no_ticks)

    class Bare(Axes):
        def _gen_axes_spines(self, *_given: object) -> dict[str, object]:
            return {}

        def _update_title_position(self, _renderer: object) -> None:
            """Leave it: there is none, and releases before 3.11 ask the ticks all the same."""

        def _init_axis(self) -> None:
            self.xaxis, self.yaxis = across(self, clear=False), upright(self, clear=False)

    return Bare
