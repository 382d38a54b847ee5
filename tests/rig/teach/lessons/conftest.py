"""What tests of several lessons share: a part heard in the virtual tank, and a look at a picture.

The look tells what lies off a picture's edges, and what lies on something else.
"""

import dataclasses
from collections.abc import Callable, Mapping
from itertools import combinations

import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text

from rig.run.opening import open_bench
from rig.show.pictures.lesson_picture import draw_turn
from rig.teach.lessons.lesson import Finding, Lesson, Tables, plan_of, scene_of
from rig.teach.lessons.running import Turn, hear


def flaws_in(figure: Figure) -> list[str]:
    canvas = FigureCanvasAgg(figure)
    figure.draw_without_rendering()  # all is placed, and nothing painted
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


def finding_in_tank(
    lesson: Lesson,
    name: str,
    seed: int,
    *,
    plan: Tables | None = None,
    scenes: Mapping[str, Tables] | None = None,
    **values: float,
) -> Finding:
    """Hear a part in the virtual tank, and let it find its answer with all tapes exact.

    Each step has noise of its own: with the same, errors would cancel between steps.
    """
    part = next(p for p in lesson.parts if p.name == name)
    heard = []
    for number, planned in enumerate(part.steps):
        step = dataclasses.replace(planned, scene=(scenes or {}).get(planned.name, planned.scene))
        asked = plan_of(step, {**(plan or lesson.plan), **part.plan}, source="test")
        with open_bench(
            asked, scene=scene_of(step, source="test"), seed=100 * seed + number
        ) as bench:
            heard.append(hear(step, bench))
    givens = {
        given.name: dataclasses.replace(
            given, value=values.get(given.name, given.value), u_value=0.0
        )
        for given in part.givens
    }
    return part.find(tuple(heard), givens)


@pytest.fixture(scope="session")
def in_tank() -> Callable[..., Finding]:
    return finding_in_tank
