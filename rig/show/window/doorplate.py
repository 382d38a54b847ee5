"""The plate by which a class finds the room: its address, its code, and a QR picture of both.

It lies over the window until it is put away. What the pages are shown is taken off the window
before it is laid: who is in needs no plate.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from rig.show.pictures.page import ACCENT, INK, SOFT
from rig.show.room.invitation import code_text, qr_modules

if TYPE_CHECKING:
    from rig.show.room.room import Room

KEY = "j"

_WIDE, _HIGH = 1000, 400
_QUIET = 4
"""Of a QR picture's modules, which must stay white around it (ISO/IEC 18004, from memory)."""


class Doorplate:
    """Takes each picture off the window for the room, and lays the plate over it.

    Parameters
    ----------
    room : Room

    Attributes
    ----------
    shown : bool
        Whether the plate lies over the window.
    """

    def __init__(self, room: Room) -> None:
        self._room = room
        self.shown = True
        self._head, self._lines, self._ending = "", tuple[str, ...](), ""
        self._drawn: tuple[float, NDArray[np.uint8]] | None = None

    @property
    def title(self) -> str:
        """What stands in the window's title for good."""
        return f"room {self._room.url} code {code_text(self._room.code)}"

    def toggle(self) -> None:
        """Put the plate away, or lay it out."""
        self.shown = not self.shown

    def tell(self, head: str, lines: tuple[str, ...], ending: str) -> None:
        """Say what stands beside the next picture."""
        self._head, self._lines, self._ending = head, lines, ending

    def take(self, dots: NDArray[np.uint8]) -> None:
        """Hand the window's dots to the room, then lay the plate over them if it is out.

        Parameters
        ----------
        dots : ndarray of uint8, shape (rows, columns, 4)
            The window's own: written to.
        """
        self._room.show(dots, self._head, self._lines, ending=self._ending)
        if not self.shown:
            return
        high, wide = dots.shape[:2]
        plate = self._plate(min(wide / _WIDE, high / _HIGH) * 0.75)
        plate_high, plate_wide = plate.shape[:2]
        top, left = (high - plate_high) // 2, (wide - plate_wide) // 2
        dots[top : top + plate_high, left : left + plate_wide] = plate

    def _plate(self, scale: float) -> NDArray[np.uint8]:
        if self._drawn is None or self._drawn[0] != scale:
            self._drawn = scale, _drawn_plate(self._room, scale)
        return self._drawn[1]


def _drawn_plate(room: Room, scale: float) -> NDArray[np.uint8]:
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure
    from matplotlib.patches import Rectangle

    figure = Figure(figsize=(_WIDE / 100, _HIGH / 100), dpi=100 * scale, facecolor="white")
    canvas: Any = FigureCanvasAgg(figure)  # Matplotlib leaves it untyped
    figure.add_artist(
        Rectangle((0, 0), 1, 1, transform=figure.transFigure, fill=False, ec=INK, linewidth=6)
    )
    modules = np.pad(qr_modules(room.link), _QUIET)
    dots_each = max(int((_HIGH - 20) * scale) // len(modules), 1)
    square = np.where(np.kron(modules, np.ones((dots_each, dots_each), dtype=bool)), 0, 255)
    low = round((_HIGH * scale - len(square)) / 2)
    figure.figimage(square, low, low, cmap="gray", vmin=0, vmax=255)

    def write(x: float, y: float, words: str, size: float, **how: Any) -> None:
        figure.text(
            x / _WIDE,
            1 - y / _HIGH,
            words,
            # At 100 dots an inch a point is 100/72 dots; the figure's own dpi does the scaling.
            fontsize=size * 0.72,
            parse_math=False,
            **{"color": INK, "va": "baseline", **how},
        )

    left = 410
    write(left, 66, "Follow on your own screen", 34, weight="bold")
    write(left, 122, "Open this address, or point a camera here:", 24)
    size = 40 if len(room.url) <= 25 else 40 * 25 / len(room.url)
    write(left, 182, room.url, size, weight="bold", family="DejaVu Sans Mono")
    write(left, 240, "and type the code", 24)
    write(
        left, 312, code_text(room.code), 66, weight="bold", family="DejaVu Sans Mono", color=ACCENT
    )
    if room.alone:
        write(left, 350, "Now for this computer alone: see --help", 20, color=SOFT)
    write(left, 380, f"a click or {KEY} puts this away, {KEY} shows it again", 20, color=SOFT)
    canvas.draw()
    return np.array(canvas.buffer_rgba())
