"""Where a window can be opened, how large, and with no keys but ours."""

from __future__ import annotations

import contextlib
import importlib.util
import os
import sys
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from rig.errors import DeviceError
from rig.show.pictures.loading import load_figures
from rig.show.pictures.page import HEIGHT, WIDTH

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_TITLE_BAR_PX = 60  # room for a window's own title and a bar of the screen's


def screen_there() -> bool:
    """Say whether the program was started where there is a screen; asks no screen itself."""
    own_screen = sys.platform in ("win32", "darwin")
    return own_screen or any(os.environ.get(each) for each in ("DISPLAY", "WAYLAND_DISPLAY"))


def window_backend() -> str | None:
    """Return the matplotlib backend that can open a window here, or None.

    Tk comes with most Pythons and is asked first; Qt with the ``qt`` extra.
    """
    try:
        import tkinter

        tkinter.Tk().destroy()
        return "TkAgg"
    except Exception:  # tkinter may be missing, or its display; either way no window
        pass
    # Qt ends the whole program where it finds no display: ask before it does.
    if screen_there() and importlib.util.find_spec("PySide6") is not None:
        return "QtAgg"
    return None


def why_no_window() -> str:
    """Say why :func:`window_backend` found none, and what would do."""
    if importlib.util.find_spec("_tkinter") is None:
        return (
            "window: none can be opened, since Python's Tk is missing; "
            "on Debian: apt install python3-tk"
        )
    return "window: none can be opened, since the screen does not let it; see that one is there"


@contextlib.contextmanager
def window_figure(*, otherwise: str) -> Iterator[Figure]:
    """Open a window, and close it at the end; nothing of matplotlib's own answers in it.

    Parameters
    ----------
    otherwise : str
        What would do without a window, in words.

    Yields
    ------
    matplotlib.figure.Figure
        As large as the screen allows; shown by ``pyplot.show``.

    Raises
    ------
    DeviceError
        Where none can be opened.
    """
    backend = window_backend()
    if backend is None:
        raise DeviceError(f"{why_no_window()}, or {otherwise}")
    load_figures()
    import matplotlib
    from matplotlib import pyplot

    with matplotlib.rc_context():
        matplotlib.rcdefaults()
        matplotlib.rcParams["toolbar"] = "None"
        for name in matplotlib.rcParams:
            if name.startswith("keymap."):
                matplotlib.rcParams[name] = []
        pyplot.switch_backend(backend)
        figure = pyplot.figure(figsize=(12.8, 7.2), dpi=100)
        try:
            _fit_to_screen(figure.canvas.manager)
            yield figure
        finally:
            pyplot.close(figure)


def fill_screen(manager: Any) -> None:
    """Make a window fill the screen, also where no window manager is there to be asked."""
    manager.full_screen_toggle()
    window = manager.window
    if hasattr(window, "winfo_screenwidth"):
        window.geometry(f"{window.winfo_screenwidth()}x{window.winfo_screenheight()}+0+0")


def _fit_to_screen(manager: Any) -> None:
    """Make the window as large as the screen allows, for those who read from afar."""
    window = manager.window
    if hasattr(window, "winfo_screenwidth"):
        width, height = window.winfo_screenwidth(), window.winfo_screenheight()
    else:
        screen = window.screen().availableGeometry()
        width, height = screen.width(), screen.height()
    scale = min(width / WIDTH, (height - _TITLE_BAR_PX) / HEIGHT)
    width, height = int(scale * WIDTH), int(scale * HEIGHT)
    if hasattr(window, "winfo_screenwidth"):
        # Asked of the window itself, which then keeps it whatever the canvas wants.
        window.geometry(f"{width}x{height}")
    else:
        window.resize(width, height)
