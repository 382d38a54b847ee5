"""Pictures that nobody looks at: laid out by the program as ever, or not even that; saved blank.

To lay one out takes a processor a fifth of a second, to paint and pack it an eighth, and a lesson
has fifteen; a window paints one whenever it lays out its page. Tests that look at pictures stand in
`tests/rig/show/pictures/`, and in `test_every_lesson.py`; at windows, `test_sheet.py`,
`test_live.py` and those of `test_hands.py` that share one.
"""

import contextlib
import struct
import zlib
from collections.abc import Iterator
from typing import IO, Any

import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from rig.show.pictures import guess_spread, lesson_picture, saving
from rig.show.pictures.page import HEIGHT, WIDTH
from rig.show.report import document, pictures
from rig.show.sheets import exercise_files, lesson_pictures
from rig.show.window.sheet import Sheet

_DRAW = (guess_spread, lesson_picture, saving, document, pictures, exercise_files, lesson_pictures)
"""All that fill a figure for a file."""

_PAINT = Figure.savefig
_SVG = (
    '<?xml version="1.0" encoding="utf-8" standalone="no"?>\n'
    '<svg xmlns="http://www.w3.org/2000/svg" width="{wide_pt:g}pt" height="{tall_pt:g}pt"/>\n'
)


def _chunk(kind: bytes, content: bytes) -> bytes:
    checked = kind + content
    return struct.pack(">I", len(content)) + checked + struct.pack(">I", zlib.crc32(checked))


def _blank_png(width: int, height: int) -> bytes:
    """A white picture of one bit a dot (PNG, ISO/IEC 15948)."""
    head = struct.pack(">IIBBBBB", width, height, 1, 0, 0, 0, 0)
    rows = (b"\0" + b"\xff" * -(-width // 8)) * height
    chunks = ((b"IHDR", head), (b"IDAT", zlib.compress(rows)), (b"IEND", b""))
    return b"\x89PNG\r\n\x1a\n" + b"".join(_chunk(*chunk) for chunk in chunks)


def _leave_blank(figure: Figure, to: IO[Any], *, format: str, **how: Any) -> None:
    wide_in, tall_in = figure.get_size_inches()
    if format == "png":
        dpi = how.get("dpi", figure.dpi)
        to.write(_blank_png(round(wide_in * dpi), round(tall_in * dpi)))
    elif format == "svg":
        to.write(_SVG.format(wide_pt=72 * wide_in, tall_pt=72 * tall_in))
    else:
        _PAINT(figure, to, format=format, **how)


def _undrawn(
    kind: str, draw: object, *, size_px: tuple[float, float] = (WIDTH, HEIGHT), **_: Any
) -> bytes:
    assert callable(draw)
    if kind == "png":
        return _blank_png(*map(round, size_px))
    return _SVG.format(wide_pt=0.72 * size_px[0], tall_pt=0.72 * size_px[1]).encode()


def _lay_out(canvas: FigureCanvasAgg) -> None:
    renderer = canvas.get_renderer()
    with renderer._draw_disabled():
        canvas.figure.draw(renderer)


@contextlib.contextmanager
def blank_paper() -> Iterator[None]:
    """Save PNG and SVG pictures unpainted, at their own size, for as long as the context lasts.

    So do windows that are opened in it leave their canvas blank.
    """
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(Figure, "savefig", _leave_blank)
        patched.setattr(FigureCanvasAgg, "draw", _lay_out)
        patched.setattr(Sheet, "draw_changes", lambda _sheet: None)
        yield


@contextlib.contextmanager
def no_drawing() -> Iterator[None]:
    """Save blank paper for each picture that a command would draw, and lay out none.

    For tests of what a command answers. Each kind of picture is drawn where it is looked at, and
    those of a lesson in a lesson that is taken whole.
    """
    with blank_paper(), pytest.MonkeyPatch.context() as patched:
        for module in _DRAW:
            patched.setattr(module, "drawn_bytes", _undrawn)
        yield
