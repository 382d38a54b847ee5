"""A look at a lesson's picture: what lies off its edges, and what lies on something else."""

from collections.abc import Callable
from itertools import combinations

import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text

from rig.lessons.running import Turn
from rig.view.lesson_picture import draw_turn


def flaws_in(figure: Figure) -> list[str]:
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    page = figure.bbox
    texts = [t for t in figure.findobj(Text) if t.get_visible() and t.get_text().strip()]
    for axis in (axis for axes in figure.axes for axis in (axes.xaxis, axes.yaxis)):
        low, high = sorted(axis.get_view_interval())
        beyond = [tick for tick in axis.get_major_ticks() if not low <= tick.get_loc() <= high]
        undrawn = [text for tick in beyond for text in (tick.label1, tick.label2)]
        texts = [t for t in texts if t not in undrawn]
    flaws = []
    boxes = []
    for text in texts:
        box = text.get_window_extent(canvas.get_renderer())
        # A pixel for the rounding of glyphs.
        if not (box.x0 >= -1 and box.y0 >= -1 and box.x1 <= page.x1 + 1 and box.y1 <= page.y1 + 1):
            flaws.append(f"clipped: {text.get_text()!r}")
        boxes.append((text, box))
    for (one, a), (other, b) in combinations(boxes, 2):
        wide = min(a.x1, b.x1) - max(a.x0, b.x0)
        tall = min(a.y1, b.y1) - max(a.y0, b.y0)
        # Boxes reach a little beyond their ink, above and below.
        if wide > 1 and tall > 4:
            flaws.append(f"{one.get_text()!r} lies on {other.get_text()!r}")
    return flaws


def flaws_of(turn: Turn, *, sheet: bool = False) -> list[str]:
    figure = Figure(figsize=(9.0, 4.0) if sheet else (12.8, 7.2), dpi=100)
    draw_turn(figure, turn, alone=not sheet)
    return flaws_in(figure)


@pytest.fixture(scope="session")
def picture_flaws() -> Callable[..., list[str]]:
    return flaws_of


@pytest.fixture(scope="session")
def figure_flaws() -> Callable[[Figure], list[str]]:
    return flaws_in
