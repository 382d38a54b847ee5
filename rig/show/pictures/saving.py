"""Pictures into memory and into files; no screen is needed."""

from __future__ import annotations

import io
import os
import pathlib
from collections.abc import Callable
from contextlib import AbstractContextManager
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from rig.errors import StorageError
from rig.files.whole import write_whole
from rig.show.pictures.loading import load_figures
from rig.show.pictures.page import HEIGHT, WIDTH
from rig.show.pictures.svg_canvas import svg_canvas

if TYPE_CHECKING:
    from matplotlib.figure import Figure

PICTURE_SUFFIXES = (".png", ".svg", ".pdf")

_PACKED = 3
"""How hard zlib tries, of 9: the last level that does not look twice (its `deflate_fast`). Against
the usual 6 it takes two thirds of the time; a history is 1 % smaller for it, a plot 10 % larger."""

_OURS = ("backend", "interactive", "toolbar")
"""Settings of windows, on which no picture hangs; to ask for the first would load a window."""


def drawn_bytes(
    kind: str,
    draw: Callable[[Figure], object],
    *,
    size_px: tuple[float, float] = (WIDTH, HEIGHT),
    dpi: float | None = None,
) -> bytes:
    """Let `draw` fill a figure, and return it as a file's content.

    Parameters
    ----------
    kind : str
        "png", "svg" or "pdf".
    draw : callable
        Takes an empty figure.
    size_px : tuple of float
        Width and height of a PNG; the others keep its shape.
    dpi : float, optional
        Dots an inch; if not given, as many as let a page of any size hold as much.
    """
    load_figures()
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    if dpi is None:
        dpi = 100 * min(size_px[0] / WIDTH, size_px[1] / HEIGHT)
    with plain_settings():
        figure = Figure(figsize=(size_px[0] / dpi, size_px[1] / dpi), dpi=dpi)
        FigureCanvasAgg(figure)
        draw(figure)
        return packed(figure, kind, dpi)


def packed(figure: Figure, kind: str, dpi: float) -> bytes:
    """Return a figure as the content of a file of some kind."""
    if kind == "svg":
        svg_canvas()(figure)
        # As text: each of its many snippets would be encoded by itself.
        text = io.StringIO()
        figure.savefig(text, format=kind, dpi=dpi)
        return text.getvalue().encode()
    drawn = io.BytesIO()
    how: dict[str, Any] = {"pil_kwargs": {"compress_level": _PACKED}} if kind == "png" else {}
    figure.savefig(drawn, format=kind, dpi=dpi, **how)
    return drawn.getvalue()


def plain_settings() -> AbstractContextManager[None]:
    """Draw without the user's own settings, on which a picture does not hang.

    Matplotlib's own way to its defaults reads all its style sheets first.
    """
    from matplotlib import rc_context, rcParams, rcParamsDefault

    users = (n for n, plain in rcParamsDefault.items() if n not in _OURS and rcParams[n] != plain)
    return rc_context({name: rcParamsDefault[name] for name in users})


def drawn_dots(draw: Callable[[Figure], object]) -> NDArray[np.uint8]:
    """Let `draw` fill a figure, and return its dots.

    Parameters
    ----------
    draw : callable
        Takes an empty figure.

    Returns
    -------
    ndarray of uint8, shape (720, 1280, 4)
    """
    load_figures()
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    with plain_settings():
        figure = Figure(figsize=(WIDTH / 100, HEIGHT / 100), dpi=100)
        canvas: Any = FigureCanvasAgg(figure)  # Matplotlib leaves it untyped
        draw(figure)
        canvas.draw()
    return np.array(canvas.buffer_rgba())


def save_drawn(
    path: str | os.PathLike[str],
    draw: Callable[[Figure], object],
    *,
    size_px: tuple[float, float] = (WIDTH, HEIGHT),
) -> None:
    """Let `draw` fill a figure, and write it as a picture; no screen is needed.

    Parameters
    ----------
    path : path
        Its suffix says the kind: .png, .svg or .pdf.

    draw, size_px
        As for :func:`drawn_bytes`.

    Raises
    ------
    StorageError
        Where the file cannot be written, or its suffix is another.
    """
    suffix = check_picture_path(path)
    write_whole(path, drawn_bytes(suffix[1:], draw, size_px=size_px), what="picture")


def check_picture_path(path: str | os.PathLike[str]) -> str:
    """Return the suffix of a picture's path, so that a wrong one is found early.

    Raises
    ------
    StorageError
        Where it is none of :data:`PICTURE_SUFFIXES`.
    """
    suffix = pathlib.Path(path).suffix.lower()
    if suffix not in PICTURE_SUFFIXES:
        raise StorageError(
            f"{os.fspath(path)}: ends in {suffix or 'no suffix'!r}; "
            f"give a picture a name that ends in one of {', '.join(PICTURE_SUFFIXES)}"
        )
    return suffix


def free_path(path: pathlib.Path) -> pathlib.Path:
    """Return `path`, numbered where there is a file of that name already."""
    free, number = path, 2
    while os.path.exists(free):
        free = path.with_name(f"{path.stem}-{number}{path.suffix}")
        number += 1
    return free
