"""Words drawn once and put down again: text that changes costs next to nothing.

Laying out and drawing a line of letters costs matplotlib some milliseconds, and most of
a line is the same from ping to ping. Here each word and each digit is drawn once, and a
line is put together from them. All digits are equally wide in the font of the pictures,
so that a line is measured once, whatever its numbers are. Text that stays is put together
once, too.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeAlias, cast

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from matplotlib.figure import Figure
    from matplotlib.text import Text

_PIECES = re.compile(r"\d|[^\d\s]+")
_DIGITS = re.compile(r"\d")
_PARTS = 4
"""A letter stands on a quarter of a dot: nearer than an eye tells it."""

_KEPT = 128
"""So many texts are kept put together: some times what a window shows, in some megabytes."""

_Stamp: TypeAlias = "tuple[int, int, NDArray[np.uint8]]"
"""How far right of a place and above it the lower left corner is, and the dots from below."""


@dataclass(frozen=True, slots=True)
class _Layout:
    """Where the lines of a text stand from its anchor, in dots, up and to the right."""

    lines: tuple[tuple[float, float, tuple[float, ...]], ...]
    box: tuple[float, float, float, float]


class Stamps:
    """Draws texts that stand upright on an Agg canvas.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        Its resolution is that of all stamps.
    """

    def __init__(self, figure: Figure) -> None:
        self._figure = figure
        self._measures = _canvas(1, 1, figure.dpi)
        self._advances: dict[tuple[object, ...], float] = {}
        self._layouts: dict[tuple[object, ...], _Layout] = {}
        self._pieces: dict[tuple[object, ...], _Stamp] = {}
        self._texts: dict[tuple[object, ...], _Stamp] = {}

    def draw(self, text: Text, renderer: Any) -> None:
        """Draw a text as it now stands, over its halo and its white ground if it has them.

        Parameters
        ----------
        text : matplotlib.text.Text
        renderer : matplotlib.backends.backend_agg.RendererAgg
            What is drawn on.
        """
        x, y = text.get_transform().transform(text.get_position()).tolist()
        (x, part_x), (y, part_y) = (divmod(round(_PARTS * at), _PARTS) for at in (x, y))
        key = (text.get_text(), text.get_color(), *_style(text), part_x, part_y)
        if key not in self._texts:
            if len(self._texts) == _KEPT:
                self._texts.clear()
            self._texts[key] = self._put_together(text, part_x / _PARTS, part_y / _PARTS)
        right, up, dots = self._texts[key]
        gc = renderer.new_gc()
        renderer.draw_image(gc, x + right, y + up, dots)
        gc.restore()

    def _put_together(self, text: Text, x: float, y: float) -> _Stamp:
        """Return a whole text whose anchor is parts of a dot right of a place and above it."""
        words = text.get_text()
        layout = self._layout(text, words)
        pieces: list[_Stamp] = []
        if text.get_bbox_patch() is not None:
            left, bottom, width, height = layout.box
            blank = np.full((math.ceil(height), math.ceil(width), 4), 255, dtype=np.uint8)
            pieces.append((round(x + left), round(y + bottom), blank))
        # All halos first, so that none lies on a neighbour's letters.
        for layer in ("halo", "letters") if text.get_path_effects() else ("plain",):
            for line, (from_x, from_y, starts) in zip(words.split("\n"), layout.lines, strict=True):
                for found, start in zip(_PIECES.finditer(line), starts, strict=True):
                    at, part = divmod(round((x + from_x + start) * _PARTS), _PARTS)
                    right, up, dots = self._piece(text, found[0], part, layer)
                    pieces.append((at + right, round(y + from_y) + up, dots))
        return self._laid_on_each_other(pieces)

    def _laid_on_each_other(self, pieces: list[_Stamp]) -> _Stamp:
        left = min((right for right, _, _ in pieces), default=0)
        low = min((up for _, up, _ in pieces), default=0)
        width = max((right - left + dots.shape[1] for right, _, dots in pieces), default=1)
        height = max((up - low + dots.shape[0] for _, up, dots in pieces), default=1)
        own = _canvas(width, height, self._figure.dpi)
        gc = own.new_gc()
        for right, up, dots in pieces:
            own.draw_image(gc, right - left, up - low, dots)
        gc.restore()
        return left, low, _from_below(own)

    def _layout(self, text: Text, words: str) -> _Layout:
        words = _DIGITS.sub("0", words)
        key = (words, *_style(text))
        if key not in self._layouts:
            self._layouts[key] = self._laid_out(text, words)
        return self._layouts[key]

    def _laid_out(self, text: Text, words: str) -> _Layout:
        from matplotlib.text import Text as PlainText
        from matplotlib.transforms import IdentityTransform

        plain = PlainText(
            0,
            0,
            words,
            fontproperties=text.get_fontproperties(),
            ha=text.get_horizontalalignment(),
            va=text.get_verticalalignment(),
            linespacing=1.2,
            parse_math=False,
            transform=IdentityTransform(),
        )
        plain.set_figure(self._figure)
        # A line without a letter is not drawn, and has no place of its own.
        places = iter(_line_places(plain, self._measures))
        box = (0.0, 0.0, 0.0, 0.0)
        if text.get_bbox_patch() is not None:
            box = plain.get_window_extent(self._measures).bounds
        return _Layout(
            lines=tuple(
                (*(next(places) if line else (0.0, 0.0)), self._starts(text, line))
                for line in words.split("\n")
            ),
            box=box,
        )

    def _starts(self, text: Text, line: str) -> tuple[float, ...]:
        """How far along a line each of its pieces begins."""
        starts, at, space = [], 0.0, self._advance(text, " ")
        for piece in re.findall(rf"\s|{_PIECES.pattern}", line):
            if piece.isspace():
                at += space
            else:
                starts.append(at)
                at += self._advance(text, piece)
        return tuple(starts)

    def _advance(self, text: Text, piece: str) -> float:
        """By how much a piece moves on what follows it."""
        key = (piece, text.get_fontsize(), text.get_fontweight(), bool(text.get_path_effects()))
        if key not in self._advances:
            # From bar to bar, since a bar's edges always count.
            self._advances[key] = self._width(text, f"|{piece}|") - self._width(text, "||")
        return self._advances[key]

    def _width(self, text: Text, words: str) -> float:
        from matplotlib.textpath import text_to_path

        font = text.get_fontproperties()
        if text.get_path_effects():
            # With a halo it is drawn as outlines, whose spacing no dots have rounded.
            pt, _, _ = text_to_path.get_text_width_height_descent(words, font, ismath=False)
            return float(pt) * float(self._figure.dpi) / 72
        width, _, _ = self._measures.get_text_width_height_descent(words, font, False)
        return float(width)

    def _piece(self, text: Text, piece: str, part: int, layer: str) -> _Stamp:
        """Return a piece as drawn from a part of a dot right of a place on."""
        key = (piece, text.get_fontsize(), text.get_fontweight(), text.get_color(), part, layer)
        if key not in self._pieces:
            self._pieces[key] = self._drawn(text, piece, part / _PARTS, layer)
        return self._pieces[key]

    def _drawn(self, text: Text, piece: str, shift: float, layer: str) -> _Stamp:
        from matplotlib.colors import to_rgba
        from matplotlib.patheffects import Normal, PathEffectRenderer

        font = text.get_fontproperties()
        # Letters rise above their line by no more than their size; below it, by half of that.
        room = math.ceil(0.5 * float(text.get_fontsize()) * self._figure.dpi / 72)
        width, height = math.ceil(self._advance(text, piece)) + 2 * room, 4 * room
        own: Any = _canvas(width, height, self._figure.dpi)
        gc = own.new_gc()
        # A halo is drawn with white letters in it, which the letters themselves then cover.
        gc.set_foreground(to_rgba("white" if layer == "halo" else text.get_color()), isRGBA=True)
        painter = own
        if layer != "plain":
            effects = [Normal()] if layer == "letters" else text.get_path_effects()
            painter = PathEffectRenderer(effects, own)
        painter.draw_text(gc, room + shift, height - room, piece, font, 0.0)
        gc.restore()
        dots = _from_below(own)
        rows, columns = (np.flatnonzero(dots[..., 3].any(axis=axis)) for axis in (1, 0))
        if not rows.size:
            return 0, 0, dots[:1, :1]
        up, right = int(rows[0]), int(columns[0])
        inked = dots[up : rows[-1] + 1, right : columns[-1] + 1]
        return right - room, up - room, inked.copy()


def _style(text: Text) -> tuple[object, ...]:
    """Return what else than its words and its colour a text's look hangs on."""
    return (
        text.get_fontsize(),
        text.get_fontweight(),
        text.get_horizontalalignment(),
        text.get_verticalalignment(),
        bool(text.get_path_effects()),
        text.get_bbox_patch() is not None,
    )


def _from_below(canvas: Any) -> NDArray[np.uint8]:
    """Return a canvas' dots as an image is handed on: from its lowest row up."""
    return np.array(canvas.buffer_rgba())[::-1].copy()


def _canvas(width: int, height: int, dpi: float) -> Any:
    from matplotlib.backends import backend_agg

    return cast(Any, backend_agg).RendererAgg(width, height, dpi)


def _line_places(text: Text, renderer: Any) -> list[tuple[float, float]]:
    """Return where matplotlib begins each line of a text: right of and above its anchor."""
    from matplotlib.backend_bases import RendererBase

    places: list[tuple[float, float]] = []

    class Listener(RendererBase):
        """Told where to draw text, which it does not."""

        def points_to_pixels(self, points: Any) -> Any:
            return renderer.points_to_pixels(points)

        def get_text_width_height_descent(self, s: str, prop: Any, ismath: Any) -> Any:
            return renderer.get_text_width_height_descent(s, prop, ismath)

        def get_canvas_width_height(self) -> tuple[float, float]:
            return 0.0, 0.0

        def draw_text(self, gc: Any, x: float, y: float, *_: Any, **__: Any) -> None:  # noqa: ARG002
            places.append((x, -y))

    text.draw(Listener())
    return places
