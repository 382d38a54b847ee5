"""The picture of prediction, theory and measurement: all there, nothing clipped, in grey too."""

import dataclasses
import io
import itertools
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from matplotlib.figure import Figure
from matplotlib.image import imread

from rig.show.pictures.lesson_picture import class_picture, draw_turn, sheet_picture
from rig.teach.lessons.lesson import Finding, Question, curve
from rig.teach.lessons.running import Turn
from rig.teach.lessons.template import LESSON

Flaws = Callable[..., list[str]]
LONG = (
    "A ball hangs two metres away, and a second one of the same size is moved towards it along "
    "the beam, a centimetre at a time. From how many centimetres apart on does the screen show "
    "two marks and not one, if the pulse is a chirp from 4 to 12 kHz?"
)


def turn(
    prediction: float | str | None = None, *, asked: dict[str, Any] | None = None, **changes: Any
) -> Turn:
    question = Question(**{"text": "How many?", "unit": "m", **(asked or {})})
    x = np.linspace(0.0, 10.0, 50)
    made: dict[str, Any] = {
        "measured": 4.02,
        "u_measured": 0.05,
        "expected": 4.0,
        "u_expected": 0.01,
        "verdict": "So it is.",
        "x_label": "distance / m",
        "y_label": "shown at / m",
        "curves": (
            curve("theory", x, 0.4 * x),
            curve("and another", x, 0.2 * x + 1),
            curve("bench", [2.0, 10.0], [0.81, 4.02], [0.05, 0.05], measured=True),
            curve("bench again", [5.0], [2.0], measured=True),
        ),
        "numbers": (("a",), ("b",)),
    }
    return Turn(
        part=dataclasses.replace(LESSON.parts[0], question=question),
        prediction=prediction,
        heard=(),
        givens={},
        finding=Finding(**{**made, **changes}),
    )


CHOICES = ("it stays where it was", "it comes nearer than before", "there are two of them")
TURNS = {
    "without a prediction": turn(),
    "right": turn(4.0),
    "off the picture above": turn(4000.0),
    "off the picture below": turn(-1e6),
    "a little beyond": turn(7.5),
    "long words": turn(
        1.0,
        asked={"text": LONG},
        verdict=LONG,
        x_label="from the first ball's front to the front of the second one, by tape / cm",
        y_label="distance between the two marks on the screen, or 0 where there is one / cm",
    ),
    "a choice": turn(CHOICES[0], asked={"choices": CHOICES}, choice=CHOICES[1]),
    "long labels": turn(curves=(curve(LONG, [0.0, 1.0], [0.0, 4.0]),)),
    "all equal": turn(4.0, measured=4.0, expected=4.0),
    "one point": turn(
        1.0,
        measured=1.0,
        expected=1.0,
        curves=(curve("only", [1.0], [1.0], measured=True),),
    ),
    "gaps": turn(curves=(curve("leaps", [0.0, 1.0, 2.0], [0.0, np.nan, 2.0]),)),
    "long numbers": turn(
        -123456.7, measured=-123456.789, u_measured=0.004, expected=-123456.0, u_expected=0.5
    ),
}


@pytest.mark.parametrize("name", TURNS)
def test_nothing_is_clipped_and_no_words_lie_on_others(name: str, picture_flaws: Flaws) -> None:
    assert picture_flaws(TURNS[name]) == []
    assert picture_flaws(TURNS[name], sheet=True) == []


def test_a_look_like_this_sees_flaws(figure_flaws: Callable[[Figure], list[str]]) -> None:
    """Else the check above would prove nothing."""
    figure = Figure(figsize=(4.0, 2.0))
    figure.text(0.9, 0.5, "reaches beyond the edge")
    figure.text(0.1, 0.2, "one")
    figure.text(0.1, 0.22, "other")
    assert figure_flaws(figure) == [
        "clipped: 'reaches beyond the edge'",
        "'one' lies on 'other'",
    ]


def test_class_picture_is_1280_by_720() -> None:
    pixels = imread(io.BytesIO(class_picture(TURNS["right"])), format="png")
    assert pixels.shape[:2] == (720, 1280)


def test_prediction_is_told_from_theory_without_colour() -> None:
    """Its line is there in grey: rows that only the prediction fills, dark enough and dashed."""
    with_it = grey(class_picture(turn(2.5)))
    without = grey(class_picture(turn()))
    row = int(np.argmax(np.abs(with_it - without).sum(axis=1)))
    line = with_it[row, 130:990]
    # WCAG 2.2, 1.4.11: graphics stand out by 3 : 1; against white that is a luminance of 0.3.
    assert np.quantile(line, 0.2) <= 0.3
    dashes = np.count_nonzero(np.diff((line < 0.5).astype(int)) == 1)
    assert dashes > 10


def grey(png: bytes) -> np.ndarray[Any, np.dtype[np.float64]]:
    """Relative luminance, as WCAG has it, of sRGB (IEC 61966-2-1; from memory)."""
    rgb = imread(io.BytesIO(png), format="png")[..., :3].astype(float)
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    return np.asarray(linear @ [0.2126, 0.7152, 0.0722])


def test_sheet_picture_leaves_the_words_to_the_sheet() -> None:
    assert sheet_picture(TURNS["long words"]).lstrip().startswith(b"<?xml")
    one = sheet_picture(turn(verdict="first"))
    other = sheet_picture(turn(verdict="second"))
    # The two differ in their ids and date alone.
    assert abs(len(one) - len(other)) < 200


@pytest.mark.parametrize("alone", [True, False])
@pytest.mark.parametrize("name", TURNS)
def test_the_legend_lies_on_no_point_and_waits_for_no_clock(
    name: str, alone: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    # A machine that takes ten seconds over each look at its clock; a warning is an error here.
    ticks = itertools.count(step=10.0)
    slow = SimpleNamespace(perf_counter=lambda: next(ticks))
    monkeypatch.setattr("matplotlib.legend.time", slow)
    figure = Figure(figsize=(12.8, 7.2) if alone else (9.0, 4.0), dpi=100)
    drawn = TURNS[name]
    draw_turn(figure, drawn, alone=alone)
    figure.draw_without_rendering()
    (axes,) = figure.axes
    legend = axes.get_legend()
    assert legend is not None
    box = legend.get_window_extent()
    points = np.concatenate([np.column_stack([c.x, c.y]) for c in drawn.finding.curves])
    assert not box.count_contains(axes.transData.transform(points[np.isfinite(points[:, 1])]))
