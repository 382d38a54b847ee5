"""The part of the window that changes from ping to ping, drawn over a kept page.

A full drawing of the figure takes some hundred milliseconds, most of it for words that
never change. It is kept as an image; for each ping only what changes is drawn over it.
The window is handed all of it: that takes less than to lay most of it over what is there.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, cast

import numpy as np
from numpy.typing import NDArray

from rig.show.pictures.bench_picture import BenchPicture
from rig.show.window.doorplate import Doorplate
from rig.show.window.stamps import Stamps
from rig.show.window.tray import Tray

if TYPE_CHECKING:
    from matplotlib.figure import Figure
    from matplotlib.image import AxesImage


class Sheet:
    """Draws a picture's changes on an interactive figure.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        On an Agg canvas of a window's.
    picture : BenchPicture
        Laid out on it.
    over : matplotlib text
        Words that are laid over all at times.
    tray : Tray, optional
        What is laid over the foot while it is open.
    plate : Doorplate, optional
        Takes what is drawn for the room, and lays the room's plate over it.
    """

    def __init__(
        self,
        figure: Figure,
        picture: BenchPicture,
        over: Any,
        *,
        tray: Tray | None = None,
        plate: Doorplate | None = None,
    ) -> None:
        self._figure, self._canvas = figure, figure.canvas
        self._picture, self._over, self._tray = picture, over, tray
        self._plate = plate
        self._tray_artists = [] if tray is None else tray.artists
        self._bare: Any = None
        self._page: Any = None
        self._stamps = Stamps(figure)
        self._over_drawn: dict[str, tuple[int, int, NDArray[np.uint8]]] = {}
        # Left out of a full drawing; what belongs to a scale is drawn after it, by itself.
        for artist in (*picture.artists, *picture.scaled_axes, *self._tray_artists, over):
            artist.set_animated(True)

    def keep_page(self) -> None:
        """After a full drawing, which leaves out what changes: keep the page, add the rest."""
        canvas: Any = self._canvas
        self._bare = canvas.copy_from_bbox(self._figure.bbox)
        self._draw_scales()
        self.draw_changes()

    def show(self, *, rescaled: bool) -> None:
        """Bring the window up to date with the picture.

        Parameters
        ----------
        rescaled : bool
            Whether a scale has changed too.
        """
        canvas: Any = self._canvas
        if self._page is None:
            canvas.draw()
            return
        if rescaled:
            canvas.restore_region(self._bare)
            self._draw_scales()
        else:
            canvas.restore_region(self._page)
        self.draw_changes()
        canvas.blit()

    def _draw_scales(self) -> None:
        for axes in self._picture.scaled_axes:
            self._figure.draw_artist(axes)
        canvas: Any = self._canvas
        self._page = canvas.copy_from_bbox(self._figure.bbox)

    def draw_changes(self) -> None:
        """Draw what changes over the page."""
        from matplotlib.collections import Collection
        from matplotlib.image import AxesImage
        from matplotlib.text import Text

        canvas: Any = self._canvas
        renderer = canvas.get_renderer()
        for artist in [*self._picture.artists, *self._tray_artists]:
            if not artist.get_visible():
                continue
            if isinstance(artist, Text):
                self._stamps.draw(artist, renderer)
            elif isinstance(artist, AxesImage):
                _draw_image(renderer, artist)
            elif not (isinstance(artist, Collection) and not artist.get_paths()):
                self._figure.draw_artist(artist)
        if self._over.get_visible():
            gc = renderer.new_gc()
            renderer.draw_image(gc, *self._over_stamp(renderer))
            gc.restore()
        if self._plate is not None:
            self._plate.take(np.asarray(renderer.buffer_rgba()))

    def draw_ahead(self, words: str) -> bool:
        """Draw what may be laid over all, before it is asked for; return whether it was to do."""
        if words in self._over_drawn or self._page is None:
            return False
        told, is_seen = self._over.get_text(), self._over.get_visible()
        self._over.set(text=words, visible=True)
        self._over_stamp(cast(Any, self._canvas).get_renderer())
        self._over.set(text=told, visible=is_seen)
        return True

    def _over_stamp(self, renderer: Any) -> tuple[int, int, NDArray[np.uint8]]:
        """Return the words laid over all, drawn once, and where their lower left corner is."""
        words = self._over.get_text()
        if words not in self._over_drawn:
            own = type(renderer)(renderer.width, renderer.height, renderer.dpi)
            self._over.draw(own)
            box = self._over.get_bbox_patch().get_window_extent(own)
            # A dot more to each side: a line is drawn half outside of its own place.
            left, low = max(math.floor(box.x0) - 1, 0), max(math.floor(box.y0) - 1, 0)
            right, high = math.ceil(box.x1) + 1, math.ceil(box.y1) + 1
            from_below = np.asarray(own.buffer_rgba())[::-1]
            self._over_drawn[words] = left, low, from_below[low:high, left:right].copy()
        return self._over_drawn[words]


def _draw_image(renderer: Any, image: AxesImage) -> None:
    """Draw an image of strengths dot by dot, each dot the value whose place holds it.

    As matplotlib draws it with ``nearest``, less what it does for images of any kind.
    """
    values = np.ma.filled(cast(Any, image.get_array()), np.nan)
    inks = _inks(values, image)
    box = image.axes.bbox
    left, right, bottom, top = image.get_extent()
    to_dots = image.axes.transData.transform
    (x0, y0), (x1, y1) = to_dots([(left, bottom), (right, top)]).tolist()
    columns = _places(x0, x1, box.x0, box.x1, values.shape[1])
    # Dots count from below, rows from the top.
    rows = values.shape[0] - 1 - _places(y0, y1, box.y0, box.y1, values.shape[0])
    if not columns.size or not rows.size:
        return
    gc = renderer.new_gc()
    dots = inks[rows[:, np.newaxis], columns]
    corner = _first_dot(x0, box.x0), _first_dot(y0, box.y0)
    renderer.draw_image(gc, *corner, dots.view(np.uint8).reshape(*dots.shape, 4))
    gc.restore()


def _inks(values: NDArray[np.float64], image: AxesImage) -> NDArray[np.uint32]:
    """Return the colour of each value as one number of four bytes; NaN has none."""
    low, high = image.get_clim()
    colours = image.get_cmap()
    table = np.zeros((colours.N + 1, 4), dtype=np.uint8)
    table[:-1] = colours(np.arange(colours.N), bytes=True)
    steps = (values - low) * (colours.N / (high - low))
    np.clip(steps, 0, colours.N - 1, out=steps)
    steps[np.isnan(steps)] = colours.N
    return np.asarray(table.view(np.uint32)[:, 0][steps.astype(np.intp)])


def _first_dot(start: float, edge: float) -> int:
    """Return the first dot whose middle lies past both."""
    return math.ceil(max(start, edge) - 0.5)


def _places(
    start: float, stop: float, edge: float, other_edge: float, values: int
) -> NDArray[np.intp]:
    """Return which of equally wide values each dot shows, for the dots within two edges."""
    dots = np.arange(_first_dot(start, edge), math.ceil(min(stop, other_edge) - 0.5))
    places = np.floor((dots + 0.5 - start) * (values / (stop - start)))
    return np.asarray(np.clip(places, 0, values - 1), dtype=np.intp)
