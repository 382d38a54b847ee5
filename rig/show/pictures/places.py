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

_TWO_OVER_ANGLES, _STRIP_OVER_ANGLES = 214, 100
_ANGLES_SHARE, _DOWN_ANGLES_SHARE = 0.46, 0.42
"""Of the history's room for the angles below it, or beside it."""


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
    angles : Box or None
        Where angles are asked for.
    sketch_caption, strip_caption, history_caption : float
        Where the words beside the panels begin.
    """

    down: bool
    views: tuple[Box, ...]
    strip: Box
    history: Box
    angles: Box | None
    sketch_caption: float
    strip_caption: float
    history_caption: float

    @property
    def panels(self) -> tuple[Box, ...]:
        """All of them."""
        angles = () if self.angles is None else (self.angles,)
        return (*self.views, self.strip, self.history, *angles)


def places(
    page: Page,
    *,
    down: bool,
    shares: tuple[float, ...],
    wide: bool = False,
    has_angles: bool = False,
) -> Places:
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
    has_angles : bool
        Part of the history's room is for angles.
    """
    angles = None
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
        if has_angles:
            room_left = history.width - _DOWN_GAP
            beside = _DOWN_ANGLES_SHARE * room_left
            history = Box(left=left, top=_DOWN_TOP, width=room_left - beside, height=high)
            angles = Box(left=page.right - beside, top=_DOWN_TOP, width=beside, height=high)
    else:
        length = page.right - LEFT
        if has_angles:
            sketch_high, strip_high = _TWO_OVER_ANGLES, _STRIP_OVER_ANGLES
        elif two:
            sketch_high, strip_high = _TWO_VIEWS, _STRIP_BELOW_TWO
        else:
            sketch_high, strip_high = _SKETCH, _STRIP
        heights = _split(sketch_high, shares)
        tops = [TOP + sum(heights[:i]) + i * _BETWEEN_VIEWS for i in range(len(shares))]
        views = tuple(
            Box(left=LEFT, top=top, width=length, height=height)
            for top, height in zip(tops, heights, strict=True)
        )
        strip = Box(left=LEFT, top=views[-1].bottom + _GAP, width=length, height=strip_high)
        top = strip.bottom + _GAP
        history = Box(left=LEFT, top=top, width=length, height=page.height - FOOT - top)
        if has_angles:
            room_left = history.height - _GAP
            below = _ANGLES_SHARE * room_left
            angles = Box(left=LEFT, top=history.bottom - below, width=length, height=below)
            history = Box(left=LEFT, top=top, width=length, height=room_left - below)
    return Places(
        down=down,
        views=views,
        strip=strip,
        history=history,
        angles=angles,
        sketch_caption=TOP,
        strip_caption=TOP + 210 if two else TOP + 170,
        history_caption=TOP + 380 if two else TOP + 350,
    )


def _split(room: float, shares: tuple[float, ...]) -> list[float]:
    left = room - _BETWEEN_VIEWS * (len(shares) - 1)
    return [left * share for share in shares]
