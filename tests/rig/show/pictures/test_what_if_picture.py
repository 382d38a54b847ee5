"""The picture of two histories: legible, on one scale, and whole at 1280 × 720."""

import dataclasses
import itertools
from pathlib import Path

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.image import imread

from rig.bench.plan import plan_from_table
from rig.errors import StorageError
from rig.front_ends.virtual_tank import open_virtual_tank
from rig.measure.what_if.change import read_change
from rig.measure.what_if.history import what_if
from rig.run.receiver import Receiver
from rig.run.run import run_of, run_with
from rig.show.pictures.saving import save_drawn
from rig.show.pictures.what_if_picture import draw_what_if
from rig.tank.scene import scene_from_table

PLAN = {
    "pulse": {"kind": "chirp", "start_hz": 12e3, "stop_hz": 20e3, "duration_s": 0.004},
    "timing": {"ping_interval_s": 0.05},
    "receiver": {"range_stop_m": 3.0},
}
SCENE = {
    "medium": {"kind": "air", "sound_speed_m_s": 343.963},
    "noise": {"level_db": -65.0},
    "transducer": {"radius_m": 0.03},
    "target": [
        {
            "body": "sphere",
            "radius_m": 0.05,
            "position_m": [2.0, 0.0, -1.0],
            "velocity_m_s": [0.0, 0.0, 0.8],
        }
    ],
}


@pytest.fixture(scope="module")
def heard():
    plan = plan_from_table(PLAN)
    with open_virtual_tank(plan, scene=scene_from_table(SCENE), seed=1) as tank:
        receiver = Receiver(plan, tank.info)
        pings = run_of(receiver, tank.blocks(50)).results
    results = [dataclasses.replace(r, profile=r.alone) for r in pings]
    # One ping that was lost, as a slip would.
    results[40] = dataclasses.replace(
        results[40], lost=True, reason="a slip", profile=None, alone=None, time_zero=None
    )
    return run_with(receiver, results)


@pytest.fixture(scope="module")
def figure(heard):
    figure = Figure(figsize=(12.8, 7.2), dpi=100)
    FigureCanvasAgg(figure)
    found = what_if(heard, read_change("disc=2x"))
    draw_what_if(figure, heard, found, note="An invented bench with a rather long name.")
    figure.canvas.draw()
    return figure


def test_all_words_are_on_the_page_and_none_meets_another(figure):
    renderer = figure.canvas.get_renderer()
    texts = [t for t in figure.texts if t.get_text()]
    for axes in figure.axes:
        texts += [t for t in axes.texts if t.get_visible() and t.get_text()]
        texts += [t for t in [*axes.get_xticklabels(), *axes.get_yticklabels()] if t.get_text()]
    boxes = [(t.get_text(), t.get_window_extent(renderer)) for t in texts]
    assert len(boxes) > 20
    for words, box in boxes:
        assert 0 <= box.x0 < box.x1 <= 1280, words
        assert 0 <= box.y0 < box.y1 <= 720, words
        # 12 points at 100 dots an inch, what the rest of the pictures keeps to.
        assert box.height >= 8, words
    for (words, one), (others, other) in itertools.combinations(boxes, 2):
        wide = min(one.x1, other.x1) - max(one.x0, other.x0)
        high = min(one.y1, other.y1) - max(one.y0, other.y0)
        # A box has its line's spare room about it; letters meet only deeper in.
        assert min(wide, high) < 3, (words, others)


def test_both_histories_share_their_axes_and_their_strength_scale(figure):
    left, right = figure.axes[:2]
    assert left.get_xlim() == right.get_xlim() == (0.0, 3.0)
    assert left.get_ylim() == right.get_ylim()
    (one,), (other,) = left.images, right.images
    assert one.get_clim() == other.get_clim()
    assert one.get_array().shape == other.get_array().shape


def test_the_arch_is_narrower_in_the_forecast_and_dark_in_grey(figure):
    # A reader's eye, in grey: rows of each panel in which the stretch about 2 m is dark.
    pixels = np.asarray(figure.canvas.buffer_rgba())[:, :, :3].astype(float)
    grey = pixels @ [0.2126, 0.7152, 0.0722]
    dark = []
    for axes in figure.axes[:2]:
        box = axes.get_window_extent()
        top, bottom = round(720 - box.y1) + 2, round(720 - box.y0) - 2
        per_m = box.width / 3.0
        columns = slice(round(box.x0 + 1.99 * per_m), round(box.x0 + 2.12 * per_m))
        dark.append(int((grey[top:bottom, columns].min(axis=1) < 140).sum()))
    assert dark[0] > 60
    # Half the cone, half the rows; a third either way for where grey counts as dark.
    assert dark[1] / dark[0] == pytest.approx(0.5, rel=0.35)


def test_a_picture_is_written_at_the_size_that_was_asked_for(heard, tmp_path: Path):
    found = what_if(heard, read_change("tilt=10"))
    save_drawn(
        tmp_path / "both.png", lambda figure: draw_what_if(figure, heard, found), size_px=(640, 360)
    )
    assert imread(tmp_path / "both.png").shape[:2] == (360, 640)


def test_another_suffix_and_a_missing_folder_are_refused_before_and_after_drawing(tmp_path: Path):
    drawn = []
    with pytest.raises(StorageError, match=r"ends in '\.gif'"):
        save_drawn(tmp_path / "both.gif", drawn.append)
    assert not drawn
    with pytest.raises(StorageError, match="cannot be written"):
        save_drawn(tmp_path / "no" / "both.png", drawn.append)
