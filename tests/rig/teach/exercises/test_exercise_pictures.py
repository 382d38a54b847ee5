"""What a reader is shown, and what is left for the reader to find."""

from typing import Any

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text

from rig.run.run import Run
from rig.show.pictures.bench_picture import BenchPicture
from rig.show.sheets.exercise_files import with_even_threshold
from rig.teach.exercises.bench import Act, air_plan, air_scene, ball, heard


@pytest.fixture(scope="module")
def two_things() -> Run:
    scene = air_scene(ball(1.234, 0.05), ball(2.1, 0.06), noise_db=-60.0)
    return heard(air_plan(), [Act(scene=scene, pings=4)], seed=1)


def words_of(two_things: Run, **how: Any) -> str:
    figure = Figure(figsize=(12.8, 7.2), dpi=100)
    FigureCanvasAgg(figure)
    picture = BenchPicture(figure, two_things)
    picture.show(two_things.results, **how)
    shown = [t for t in figure.findobj(Text) if t.get_visible()]
    return "\n".join(t.get_text() for t in shown)


def test_echoes_are_neither_labelled_nor_counted(two_things: Run) -> None:
    told = words_of(two_things)
    assert "1.23" in told
    assert "2 echoes" in told
    asked = words_of(two_things, names_echoes=False)
    assert "1.23" not in asked
    assert "echoes." not in asked


def test_stream_does_not_say_how_many_things_there_are(two_things: Run) -> None:
    assert "target" not in words_of(two_things, names_echoes=False)


def test_an_echo_rises_above_the_threshold_that_is_drawn(two_things: Run) -> None:
    """The caption tells the reader so; the search's own line follows each echo's flanks."""
    shown = with_even_threshold(two_things)
    assert shown.threshold_db is not None
    assert shown.profile is not None
    for echo in two_things.last.echoes:
        place = int(np.abs(shown.profile.delay_s - echo.delay_s).argmin())
        assert echo.strength_db > shown.threshold_db[place] + 6
    # Away from the echoes nothing was touched.
    away = np.abs(shown.profile.delay_s - 0.0095) < 5e-4
    assert two_things.last.threshold_db is not None
    assert np.array_equal(shown.threshold_db[away], two_things.last.threshold_db[away])
