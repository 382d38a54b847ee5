"""Where the panels stand: under each other, or side by side where the pair looks down."""

from __future__ import annotations

from dataclasses import dataclass

from rig.show.pictures.page import LEFT, Page
from rig.show.pictures.panel import Box

TOP, FOOT = 92, 84
"""Above the panels and below them, where they stand under each other."""

_GAP, _BETWEEN_VIEWS = 12, 8
_SKETCH, _STRIP = 150, 176
_TWO_VIEWS, _STRIP_BELOW_TWO = 250, 120

_DOWN_TOP, _DOWN_FOOT, _DOWN_GAP = 112, 108, 18
_DOWN_SKETCH, _DOWN_STRIP = 190, 220
_DOWN_TWO_VIEWS, _DOWN_STRIP_BESIDE_TWO = 324, 204


@dataclass(frozen=True, slots=True, kw_only=True)
class Places:
    """Where everything stands on a page.

    Attributes
    ----------
    down : bool
        Whether the range axis runs down the page.
    views : tuple of Box
        Of the sketch: one or two.
    strip, history : Box
    sketch_caption, strip_caption, history_caption : float
        Where the words beside the panels begin.
    """

    down: bool
    views: tuple[Box, ...]
    strip: Box
    history: Box
    sketch_caption: float
    strip_caption: float
    history_caption: float

    @property
    def panels(self) -> tuple[Box, ...]:
        """All of them."""
        return (*self.views, self.strip, self.history)


def places(page: Page, *, down: bool, shares: tuple[float, ...], wide: bool = False) -> Places:
    """Share out a page.

    Parameters
    ----------
    page : Page
    down : bool
        Whether the range axis runs down the page.
    shares : tuple of float
        Of the sketch's room for each of its views; they add up to 1.
    wide : bool
        One view gets the room of two, to show where echoes come from.
    """
    two = wide or len(shares) > 1
    if down:
        high = page.height - _DOWN_FOOT - _DOWN_TOP
        room = _DOWN_TWO_VIEWS if two else _DOWN_SKETCH
        widths = _split(room, shares)
        lefts = [LEFT + sum(widths[:i]) + i * _BETWEEN_VIEWS for i in range(len(shares))]
        views = tuple(
            Box(left=left, top=_DOWN_TOP, width=width, height=high)
            for left, width in zip(lefts, widths, strict=True)
        )
        strip = Box(
            left=views[-1].right + _DOWN_GAP,
            top=_DOWN_TOP,
            width=_DOWN_STRIP_BESIDE_TWO if two else _DOWN_STRIP,
            height=high,
        )
        left = strip.right + _DOWN_GAP
        history = Box(left=left, top=_DOWN_TOP, width=page.right - left, height=high)
    else:
        wide = page.right - LEFT
        heights = _split(_TWO_VIEWS if two else _SKETCH, shares)
        tops = [TOP + sum(heights[:i]) + i * _BETWEEN_VIEWS for i in range(len(shares))]
        views = tuple(
            Box(left=LEFT, top=top, width=wide, height=height)
            for top, height in zip(tops, heights, strict=True)
        )
        height = _STRIP_BELOW_TWO if two else _STRIP
        strip = Box(left=LEFT, top=views[-1].bottom + _GAP, width=wide, height=height)
        top = strip.bottom + _GAP
        history = Box(left=LEFT, top=top, width=wide, height=page.height - FOOT - top)
    return Places(
        down=down,
        views=views,
        strip=strip,
        history=history,
        sketch_caption=TOP,
        strip_caption=TOP + 210 if two else TOP + 170,
        history_caption=TOP + 380 if two else TOP + 350,
    )


def _split(room: float, shares: tuple[float, ...]) -> list[float]:
    left = room - _BETWEEN_VIEWS * (len(shares) - 1)
    return [left * share for share in shares]
