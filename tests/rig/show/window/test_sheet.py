"""What is drawn over the kept page, against matplotlib's own drawing of the same figure."""

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from rig.front_ends.virtual_tank import open_virtual_tank
from rig.run.receiver import Receiver
from rig.run.run import Run
from rig.show.pictures.bench_picture import BenchPicture
from rig.show.window.sheet import Sheet
from rig.tank.built_in import built_in

SIZES = {"1280x720": (12.8, 7.2), "800x480": (8.0, 4.8)}


@pytest.fixture(scope="module")
def heard():
    scene, plan = built_in("bench")
    with open_virtual_tank(plan, scene=scene, seed=4) as front_end:
        run = Run(Receiver(plan, front_end.info))
        return run, list(run.over(front_end.blocks(12)))


def laid_out(run, inches):
    figure = Figure(figsize=inches, dpi=100)
    FigureCanvasAgg(figure)
    return figure, BenchPicture(figure, run, history_pings=40)


def dots_of(figure):
    return np.asarray(figure.canvas.buffer_rgba())[..., :3].astype(int)


def panel_of(axes, dots):
    """What is seen inside a panel's frame."""
    box, height = axes.get_window_extent(), dots.shape[0]
    rows = slice(int(height - box.y1) + 3, int(height - box.y0) - 3)
    return dots[rows, int(box.x0) + 3 : int(box.x1) - 3]


@pytest.mark.parametrize("inches", SIZES.values(), ids=SIZES)
def test_it_shows_what_a_full_drawing_shows(heard, inches):
    run, results = heard
    how = {"pointed_range_m": results[-1].echoes[0].range_m, "limits_db": (-80.0, -20.0)}
    whole, picture = laid_out(run, inches)
    picture.show(results, **how)
    whole.canvas.draw()
    expected = dots_of(whole)

    figure, picture = laid_out(run, inches)
    over = figure.text(0.5, 0.5, "", bbox={}, visible=False)
    figure.canvas.mpl_connect("draw_event", lambda _: sheet.keep_page())
    sheet = Sheet(figure, picture, over)
    # Another ping first, with other limits: nothing of it may stay behind.
    picture.show(results[:6], limits_db=(-70.0, -40.0))
    sheet.show(rescaled=True)
    sheet.show(rescaled=picture.show(results, **how))
    found = dots_of(figure)

    # The history's ink is a look-up: the same dot for dot, but for words that lie on it.
    # The axes of both figures stand at the same place.
    ours, theirs = (panel_of(picture.panels[2], dots) for dots in (found, expected))
    newest = slice(0, ours.shape[0] // 5)
    assert (ours[newest] == theirs[newest]).all()
    # Some 120 letters change, of about 100 dots each at 1280 × 720: 1.3 % of all dots. They
    # stand up to half a dot from where they stood, so that edges differ, never more than them.
    apart = np.abs(found - expected).max(axis=2)
    assert (apart > 32).mean() < 0.013
    # Their ink is the same to 2 %, which is what rounding a stroke's edge may give or take.
    assert found.mean() == pytest.approx(expected.mean(), rel=0.02 * 0.013)


def test_what_it_shows_hangs_on_nothing_shown_before(heard):
    run, results = heard
    how = {"limits_db": (-80.0, -20.0)}
    shown = []
    for before in (results[:3], results[:9]):
        figure, picture = laid_out(run, (12.8, 7.2))
        over = figure.text(0.5, 0.5, "", bbox={}, visible=False)
        sheet = Sheet(figure, picture, over)
        figure.canvas.mpl_connect("draw_event", lambda _, sheet=sheet: sheet.keep_page())
        picture.show(before, **how)
        sheet.show(rescaled=True)
        sheet.show(rescaled=picture.show(results, **how))
        shown.append(dots_of(figure))
    assert (shown[0] == shown[1]).all()


def test_words_laid_over_all_are_drawn_ahead_and_taken_off_whole(heard):
    run, results = heard
    figure, picture = laid_out(run, (12.8, 7.2))
    # Across the captions, which no ping changes.
    over = figure.text(0.8, 0.5, "keys\n" * 9, fontsize=20, bbox={}, visible=False)
    sheet = Sheet(figure, picture, over)
    figure.canvas.mpl_connect("draw_event", lambda _: sheet.keep_page())
    picture.show(results, limits_db=(-80.0, -20.0))
    sheet.show(rescaled=True)
    bare = dots_of(figure).copy()
    for shown in (True, True, False):
        over.set_visible(shown)
        sheet.show(rescaled=False)
        assert (dots_of(figure) != bare).any() == shown
    # Others that were drawn ahead, of which nothing was to be seen.
    assert sheet.draw_ahead("other\nkeys")
    assert not sheet.draw_ahead("other\nkeys")
    sheet.show(rescaled=False)
    assert (dots_of(figure) == bare).all()
    over.set(text="other\nkeys", visible=True)
    sheet.show(rescaled=False)
    assert (dots_of(figure) != bare).any()
