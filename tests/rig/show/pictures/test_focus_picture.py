"""The picture of a focus: legible, whole, and each point under the top of its own arch."""

import itertools

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from rig.bench.plan import plan_from_table
from rig.measure.focus.kept import KeptProfiles
from rig.measure.focus.measurement import focus_of
from rig.run.opening import open_bench
from rig.show.pictures.focus_picture import draw_focus
from rig.tank.scene import scene_from_table

PLAN = {
    "pulse": {"kind": "chirp", "start_hz": 80e3, "stop_hz": 160e3, "duration_s": 0.0006},
    "timing": {"sample_rate_hz": 400000, "ping_interval_s": 0.02},
    "receiver": {"weighting": "hann", "range_start_m": 0.2, "range_stop_m": 0.8},
    "medium": {"kind": "fresh-water", "temperature_c": 20.0},
    "geometry": {"baseline_m": 0.05},
    "transducer": {"radius_m": 0.015},
}
PLACES_M = ((0.25, 0.35), (0.27, 0.5))


@pytest.fixture(scope="module")
def drawn():
    balls = [
        {
            "body": "sphere",
            "radius_m": 0.004,
            "position_m": [range_m, -along_m, 0.0],
            "velocity_m_s": [0.0, 0.25, 0.0],
        }
        for along_m, range_m in PLACES_M
    ]
    scene = {
        "medium": {"kind": "fresh-water", "sound_speed_m_s": 1482.35},
        "noise": {"level_db": -75.0},
        "transducer": {"radius_m": 0.015},
        "target": balls,
    }
    with open_bench(plan_from_table(PLAN), scene=scene_from_table(scene), seed=1) as bench:
        run = bench.ping(110)
    figures = {}
    with KeptProfiles(run.receiver, run.plan.receiver.range_stop_m) as kept:
        for result in run.results:
            kept.take(result)
        found = focus_of(run, kept=kept)
        wrong = focus_of(run, kept=kept, speed_m_s=0.23)
        for looks, focus in itertools.product(("along", "down"), (found, wrong)):
            figure = Figure(figsize=(12.8, 7.2), dpi=100)
            FigureCanvasAgg(figure)
            draw_focus(figure, run, kept, focus, note="Invented.", looks=looks)
            figures[looks, focus is found] = figure
    return found, figures


@pytest.mark.parametrize("looks", ["along", "down"])
@pytest.mark.parametrize("right", [True, False])
def test_all_words_are_on_the_page_and_none_meets_another(drawn, looks, right):
    figure = drawn[1][looks, right]
    figure.draw_without_rendering()
    renderer = figure.canvas.get_renderer()
    texts = list(figure.texts)
    for axes in figure.axes:
        texts += axes.texts
        for axis in (axes.xaxis, axes.yaxis):
            low, high = sorted(axis.get_view_interval())
            ticks = [t for t in axis.get_major_ticks() if low <= t.get_loc() <= high]
            texts += [t.label1 for t in ticks if t.label1.get_visible()]
    boxes = [(t.get_text(), t.get_window_extent(renderer)) for t in texts if t.get_text()]
    assert len(boxes) > 20
    for words, box in boxes:
        assert 0 <= box.x0 < box.x1 <= 1280, words
        assert 0 <= box.y0 < box.y1 <= 720, words
    for (words, one), (others, other) in itertools.combinations(boxes, 2):
        wide = min(one.x1, other.x1) - max(one.x0, other.x0)
        high = min(one.y1, other.y1) - max(one.y0, other.y0)
        # A box has its line's spare room about it; letters meet only deeper in.
        assert min(wide, high) < 4, (words, others)


@pytest.mark.parametrize("looks", ["along", "down"])
def test_each_point_stands_under_the_top_of_its_arch(drawn, looks):
    found, figures = drawn
    past, folded = figures[looks, True].axes[:2]
    side = slice(2, 4) if looks == "down" else slice(0, 2)
    limits = [tuple(axes.axis()[side]) for axes in (past, folded)]
    assert limits[0] == limits[1]
    inked = []
    for axes in (past, folded):
        rows = np.asarray(axes.images[0].get_array())
        inked.append(rows.T if looks == "down" else rows)
    columns = inked[0].shape[1]
    assert inked[1].shape[1] == columns
    assert len(found.points) == len(PLACES_M)
    for along_m, range_m in PLACES_M:
        at = round(range_m / 0.8 * columns)
        near = slice(at - columns // 25, at + columns // 25)
        # How far down each panel it is strongest, as a share: level with each other.
        level = []
        for rows in inked:
            row, column = np.unravel_index(np.argmax(rows[:, near]), rows[:, near].shape)
            assert abs(near.start + column - at) <= 0.01 * columns
            level.append(row / rows.shape[0])
        # An arch's top is as strong over many pings.
        assert abs(level[0] - level[1]) < 0.1
        assert level[1] == pytest.approx(1 - along_m / (110 * 0.005), abs=0.02)


def test_points_are_named_and_a_blurred_one_is_called_so(drawn):
    _, figures = drawn
    sharp, blurred = (
        "\n".join(text.get_text() for text in figures["along", right].findobj(match=_is_text))
        for right in (True, False)
    )
    assert "0.25 m along, at 0.350 m, " in sharp
    assert "mm wide" in sharp
    assert "where sharpest" in sharp
    assert "blurred" in blurred
    assert "as given" in blurred
    # Down the page as well each point has its name.
    down = "\n".join(text.get_text() for text in figures["down", True].findobj(match=_is_text))
    assert down.count("m along\n") == len(PLACES_M)


def _is_text(artist):
    return hasattr(artist, "get_text")
