"""The picture of a class's guesses: each guess is a mark, none hides another, no word is lost."""

import dataclasses
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text

from rig.show.pictures.dot_stacks import axis_limits, stacked_dots
from rig.show.pictures.guess_spread import SpreadPage, draw_spread
from rig.show.pictures.lesson_picture import draw_turn
from rig.teach.guesses.guesses import Guesses, Spread
from rig.teach.lessons.index import lessons
from rig.teach.lessons.lesson import Finding, Part, curve
from rig.teach.lessons.running import Turn

PARTS = [part for lesson in lessons() for part in lesson.parts]
HOW_LATE = next(p for p in PARTS if p.question.unit == "ms")
WORDS = [p for p in PARTS if p.question.choices]


def turn_of(part: Part, **changes: Any) -> Turn:
    made: dict[str, Any] = {
        "measured": 11.65,
        "u_measured": 0.5,
        "expected": 12.0,
        "choice": part.question.choices[0] if part.question.choices else "",
        "verdict": "So it is.",
        "x_label": "x / m",
        "y_label": "y",
        "curves": (curve("points", [1.0], [2.0], measured=True),),
        "numbers": (("a",), ("b",)),
    }
    finding = Finding(**{**made, **changes})
    return Turn(part=part, prediction=None, heard=(), givens={}, finding=finding)


def spread_of(part: Part, *rounds: list[str]) -> Spread:
    guesses = Guesses().pose("it", part.question)
    for number, texts in enumerate(rounds):
        guesses = guesses.again("it") if number else guesses
        for visitor, text in enumerate(texts):
            guesses = guesses.guess(str(visitor), "it", text)
        guesses = guesses.close("it")
    return guesses.spread("it")


def drawn(page: SpreadPage, size: tuple[float, float] = (12.8, 7.2)) -> Figure:
    figure = Figure(figsize=size, dpi=100)
    canvas = FigureCanvasAgg(figure)
    draw_spread(figure, page)
    canvas.draw()
    return figure


def words_of(figure: Figure) -> list[Text]:
    # Matplotlib keeps numbers beyond an axis's ends, and does not draw them.
    beyond = [
        label
        for axes in figure.axes
        for label in axes.get_xticklabels()
        if not axes.get_xlim()[0] <= label.get_position()[0] <= axes.get_xlim()[1]
    ]
    return [
        t
        for t in figure.findobj(Text)
        if t.get_visible() and t.get_text().strip() and t not in beyond
    ]


@given(st.lists(st.floats(0, 1000), max_size=60), st.floats(1, 50))
def test_no_dot_hides_another_and_none_strays(places: list[float], size: float) -> None:
    stacked = stacked_dots(np.array(places), size)
    assert len(stacked) == len(places)
    assert len({(x, level) for x, level in stacked.tolist()}) == len(places)
    # Wilkinson: a dot stands within half a dot of what it stands for.
    assert np.all(np.abs(stacked[:, 0] - np.sort(places)) <= size / 2 + 1e-9)


@given(st.lists(st.floats(-1e9, 1e9), max_size=30))
def test_the_axis_holds_half_of_the_guesses_and_all_of_the_answer(guesses: list[float]) -> None:
    turn = turn_of(HOW_LATE)
    low, high = axis_limits(np.array(guesses), turn)
    assert low < 11.65 - 1.0
    assert high > max(12.0, 11.65 + 1.0)
    assert sum(low <= g <= high for g in guesses) >= len(guesses) / 2
    alone = axis_limits(np.array(guesses), None)
    assert alone[0] < alone[1]


def test_a_wild_guess_is_told_and_does_not_squeeze_the_others() -> None:
    spread = spread_of(HOW_LATE, ["10", "11", "12", "13", "1e8"])
    figure = drawn(SpreadPage(heading="A lesson", spread=spread))
    (axes,) = figure.axes
    assert axes.get_xlim()[1] < 20
    (dots,) = [line for line in axes.lines if line.get_marker() == "o"]
    assert len(dots.get_xdata()) == 4  # type: ignore[arg-type]
    assert any("1 beyond, up to 100000000 ms" in t.get_text() for t in words_of(figure))


def test_measurement_interval_and_theory_stand_at_their_places_on_the_axis() -> None:
    spread = spread_of(HOW_LATE, ["10", "11", "12"], ["11", "12"])
    figure = drawn(SpreadPage(heading="A lesson", spread=spread, turn=turn_of(HOW_LATE)))
    (axes,) = figure.axes
    upright = {
        float(np.asarray(line.get_xdata())[0]) for line in axes.lines if len(line.get_xdata()) == 2
    }  # type: ignore[arg-type]
    assert {11.65, 12.0} <= upright
    band = axes.patches[0].get_extents().transformed(axes.transData.inverted())
    assert (band.x0, band.x1) == pytest.approx((11.65 - 2 * 0.5, 11.65 + 2 * 0.5))
    first, second = (next(line for line in axes.lines if line.get_marker() == m) for m in "oD")
    assert (len(first.get_xdata()), len(second.get_xdata())) == (3, 2)  # type: ignore[arg-type]
    assert np.min(first.get_ydata()) > np.max(second.get_ydata())


def test_guesses_stand_at_their_heights_beside_what_was_measured() -> None:
    # 11.65 is measured and 2 drawn: the axis holds both, and no wild guess stretches it.
    figure = Figure(figsize=(12.8, 7.2), dpi=100)
    canvas = FigureCanvasAgg(figure)
    spread = spread_of(HOW_LATE, ["5", "11.5", "11.5", "900"])
    draw_turn(figure, turn_of(HOW_LATE), alone=True, spread=spread)
    canvas.draw()
    (axes,) = figure.axes
    assert axes.get_ylim()[1] < 30
    (dots,) = [line for line in axes.lines if line.get_zorder() == 5]
    across, up = (np.asarray(each, dtype=float) for each in dots.get_data())
    # At most half a dot away: 19 of some 460 hundredths of an inch, on an axis of some 12 ms.
    assert sorted(up) == pytest.approx([5.0, 11.5, 11.5], abs=0.5)
    assert across.min() > 0.78  # behind all that was measured, which ends there
    assert "guesses" in [t.get_text() for t in axes.get_legend().get_texts()]  # type: ignore[union-attr]


def test_each_choice_has_a_bar_as_long_as_its_count_in_each_round() -> None:
    (part, *_) = WORDS
    a, b, *_ = part.question.choices
    spread = spread_of(part, [a, a, b], [b])
    figure = drawn(SpreadPage(heading="A lesson", spread=spread, turn=turn_of(part)))
    lengths = [round(bar.get_width()) for bar in figure.axes[0].patches]  # type: ignore[attr-defined]
    assert lengths[:4] == [2, 0, 1, 1]
    (says,) = [t.get_text() for t in words_of(figure) if "the bench says" in t.get_text()]
    assert says.startswith("0")  # beside the first choice's last round


LONGEST = max(PARTS, key=lambda part: len(part.question.text))


@pytest.mark.usefixtures("unseen_pictures")
@pytest.mark.parametrize("measured", [False, True])
def test_no_word_is_cut_off_or_lies_on_another(measured: bool) -> None:
    # The longest question and every one with choices: the others have fewer words.
    for part in (LONGEST, HOW_LATE, *WORDS):
        texts = list(part.question.choices) or ["1", "2", "2", "3", "1e7"]
        spread = spread_of(part, texts * 5, texts)
        keys = "space: on to the pings · r: talk in pairs, then guess once more · q quit"
        turn = turn_of(part) if measured else None
        page = SpreadPage(heading="A lesson · part 1 of 4", spread=spread, turn=turn, keys=keys)
        figure = drawn(page)
        boxes = [(t.get_text(), t.get_window_extent()) for t in words_of(figure)]
        for n, (words, box) in enumerate(boxes):
            assert min(box.x0, box.y0) >= 0, words
            assert box.x1 <= figure.bbox.x1, words
            assert box.y1 <= figure.bbox.y1, words
            for other, its in boxes[:n]:
                over = min(box.x1, its.x1) - max(box.x0, its.x0) > 1
                assert not (over and min(box.y1, its.y1) - max(box.y0, its.y0) > 1), (words, other)
        assert figure.axes[0].get_window_extent().height > 150


def test_nobody_guessed_is_drawn_too() -> None:
    for part in (HOW_LATE, WORDS[0]):
        for turn in (None, turn_of(part)):
            figure = drawn(SpreadPage(heading="", spread=spread_of(part, []), turn=turn))
            assert words_of(figure)


def test_what_is_written_is_plain_words_to_the_font() -> None:
    part = dataclasses.replace(
        HOW_LATE, question=dataclasses.replace(HOW_LATE.question, text="$x^2$ <b>& how late?")
    )
    figure = drawn(SpreadPage(heading="$h$", spread=spread_of(part, ["1"])))
    assert "$x^2$ <b>& how late?" in [t.get_text() for t in words_of(figure)]
