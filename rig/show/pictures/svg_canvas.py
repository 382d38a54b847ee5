"""Pictures as SVG files, whose lines of text are laid out once for all pictures of a process.

In an SVG file a letter is an outline that is defined once and used at each of its places.
Matplotlib finds the font, lays out each line and writes each letter anew in each picture, which
takes half of the time that a picture takes; and the pictures of a lesson or a report say much
the same. What is drawn is the same.
"""

from __future__ import annotations

import codecs
import functools
import io
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.font_manager import FontProperties
    from matplotlib.path import Path

_UNITS = 64
"""Steps of a font's own grid, in which outlines are whole numbers, to a dot."""

_STROKES = {1: "M", 2: "L", 3: "Q", 4: "C", 79: "z"}
"""Of Matplotlib's codes for a path, as SVG has them (SVG 1.1, 8.3)."""


_DEFINED: dict[str, Any] = {}
"""What defines each letter that was used so far."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Line:
    """A line of text at the size at which Matplotlib lays out outlines.

    Attributes
    ----------
    width, height, descent : float
    uses : str
        Its letters at their places.
    letters : tuple of str
        The names that `uses` gives them.
    """

    width: float
    height: float
    descent: float
    uses: str
    letters: tuple[str, ...]


@functools.lru_cache(maxsize=4096)
def _laid(text: str, font: tuple[Any, ...]) -> _Line | None:
    """Lay out a line; None where it needs more than the one font."""
    from matplotlib.font_manager import FontProperties, findfont, get_font
    from matplotlib.path import Path
    from matplotlib.textpath import TextToPath, text_to_path

    family, style, variant, weight, stretch = font
    asked = FontProperties(
        family=family, style=style, variant=variant, weight=weight, stretch=stretch
    )
    asked.set_size(TextToPath.FONT_SCALE)
    face = get_font(findfont(asked))
    if not all(face.get_char_index(ord(each)) for each in text):
        return None
    size = text_to_path.get_text_width_height_descent(text, asked, ismath=False)
    face.set_size(TextToPath.FONT_SCALE, TextToPath.DPI)
    places, new, _ = text_to_path.get_glyphs_with_font(
        face, text, glyph_map=_DEFINED, return_new_glyphs_only=True
    )
    for name, (points, codes) in new.items():
        # A name of its own: lines that Matplotlib writes itself define theirs, too.
        _DEFINED[name] = (
            f'<path id="{name}." transform="scale({1 / _UNITS})" '
            f'd="{_drawn(Path(points * _UNITS, codes))}"/>\n'
        )
    uses = "".join(
        f'<use xlink:href="#{name}." x="{_number(x)}" y="{_number(y)}"/>\n'
        for name, x, y, _ in places
    )
    letters = tuple(dict.fromkeys(name for name, *_ in places))
    return _Line(width=size[0], height=size[1], descent=size[2], uses=uses, letters=letters)


def _drawn(outline: Path) -> str:
    """Write a path's strokes."""
    return " ".join(
        _STROKES[int(code)] + " ".join(map(_number, () if code == outline.CLOSEPOLY else points))
        for points, code in outline.iter_segments(simplify=False)
    )


def _number(value: float) -> str:
    return f"{value:.6f}".rstrip("0").rstrip(".")


def _line_of(text: str, asked: FontProperties) -> _Line | None:
    font = (
        tuple(asked.get_family()),
        asked.get_style(),
        asked.get_variant(),
        asked.get_weight(),
        asked.get_stretch(),
    )
    return _laid(text, font)


@functools.cache
def svg_canvas() -> type[FigureCanvasSVG]:
    """Return the kind of canvas that writes a figure so."""
    from matplotlib.backends.backend_mixed import MixedModeRenderer
    from matplotlib.backends.backend_svg import FigureCanvasSVG, RendererSVG
    from matplotlib.colors import rgb2hex
    from matplotlib.textpath import TextToPath

    # What Matplotlib leaves untyped.
    plain: Any = RendererSVG
    mixed: Any = MixedModeRenderer

    class Renderer(RendererSVG):
        def __init__(self, width: float, height: float, to: Any, **how: Any) -> None:
            self._to, self._defined = to, set[str]()
            plain.__init__(self, width, height, to, **how)

        def get_text_width_height_descent(self, s: str, prop: Any, ismath: Any) -> Any:
            line = None if ismath else _line_of(s, prop)
            if line is None:
                return plain.get_text_width_height_descent(self, s, prop, ismath)
            scale = prop.get_size_in_points() / TextToPath.FONT_SCALE
            return line.width * scale, line.height * scale, line.descent * scale

        def draw_text(
            self,
            gc: Any,
            x: float,
            y: float,
            s: str,
            prop: Any,
            angle: float,
            ismath: Any = False,
            mtext: Any = None,
        ) -> None:
            clipped = gc.get_clip_rectangle() is not None or gc.get_clip_path()[0] is not None
            line = None if ismath or clipped or gc.get_url() is not None else _line_of(s, prop)
            if line is None:
                plain.draw_text(self, gc, x, y, s, prop, angle, ismath=ismath, mtext=mtext)
                return
            writer: Any = self.writer
            writer.comment(s)  # and so the element before is written whole
            red, green, blue, alpha = gc.get_rgb()
            if gc.get_forced_alpha():
                alpha = gc.get_alpha()
            scale = _number(prop.get_size_in_points() / TextToPath.FONT_SCALE)
            self._to.write(
                f'<g fill="{rgb2hex((red, green, blue))}" opacity="{_number(alpha)}" transform="'
                f"translate({_number(x)} {_number(y)}) rotate({_number(-angle)}) "
                f'scale({scale} -{scale})">\n'
            )
            new = [name for name in line.letters if name not in self._defined]
            if new:
                self._defined.update(new)
                defined = "".join(map(_DEFINED.__getitem__, new))
                self._to.write(f"<defs>\n{defined}</defs>\n")
            self._to.write(f"{line.uses}</g>\n")

    class Canvas(FigureCanvasSVG):
        def print_svg(
            self,
            filename: Any,
            *,
            bbox_inches_restore: Any = None,
            metadata: Any = None,
            **_for_others: Any,
        ) -> None:
            figure = self.figure
            dpi, figure.dpi = figure.dpi, self.fixed_dpi
            wide, tall = figure.get_size_inches()
            size = wide * self.fixed_dpi, tall * self.fixed_dpi
            # To lay out a page, Matplotlib has one written into nowhere, as bytes.
            text = isinstance(filename, io.TextIOBase)
            to = filename if text else codecs.getwriter("utf-8")(filename)
            vectors = Renderer(*size, to, image_dpi=dpi, metadata=metadata)
            renderer = mixed(
                figure, wide, tall, dpi, vectors, bbox_inches_restore=bbox_inches_restore
            )
            figure.draw(renderer)
            renderer.finalize()

    return Canvas
