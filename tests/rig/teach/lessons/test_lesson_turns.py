"""A turn: reading a prediction, what was measured by hand, and what it comes to in words."""

import dataclasses
import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.errors import LessonError
from rig.run.opening import open_bench
from rig.run.receiver import Receiver
from rig.run.run import run_with
from rig.teach.lessons import turn_text
from rig.teach.lessons.lesson import Finding, Question, StepHeard, curve, plan_of, scene_of
from rig.teach.lessons.running import (
    Turn,
    concluded,
    givens_for,
    hear,
    predicted,
)
from rig.teach.lessons.template import LESSON

PART = LESSON.parts[0]
NUMBER = Question(text="How late?", unit="ms")
CHOICE = Question(text="Which way?", unit="m", choices=("nearer", "farther", "it stays"))


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("3", 3.0),
        (" -2.5 ", -2.5),
        ("1.5 ms", 1.5),
        ("1e3ms", 1000.0),
        ("1,5", 1.5),
        ("\N{MINUS SIGN}0,125 ms", -0.125),
        ("0.25 s", 250.0),
        ("1e-3 S", 1.0),
        ("12 µs", 0.012),
        ("12 msec", 12.0),
        ("2 milliseconds", 2.0),
    ],
)
def test_a_predicted_number_may_bring_its_unit_and_a_decimal_comma(text: str, value: float) -> None:
    assert predicted(NUMBER, text) == value


@pytest.mark.parametrize("text", ["", "soon", "nan", "inf", "3 m", "1,500", "1,5,2"])
def test_what_is_no_number_is_refused_and_the_unit_named(text: str) -> None:
    with pytest.raises(LessonError, match="give a number of ms"):
        predicted(NUMBER, text)


@pytest.mark.parametrize("text", ["farther", "Farther", " farther ", "2"])
def test_a_choice_is_known_by_its_words_or_its_place(text: str) -> None:
    assert predicted(CHOICE, text) == "farther"


@pytest.mark.parametrize("text", ["", "0", "4", "far", "-1"])
def test_what_is_no_choice_is_refused_and_the_choices_listed(text: str) -> None:
    with pytest.raises(LessonError, match="'nearer', 'farther', 'it stays'"):
        predicted(CHOICE, text)


def test_a_choice_that_is_a_number_is_meant_by_its_words() -> None:
    doubling = Question(text="How many times?", unit="times", choices=("2", "4", "1"))
    assert predicted(doubling, "4") == "4"
    assert predicted(doubling, "2") == "2"


def heard_in_tank() -> tuple[StepHeard, ...]:
    heard = []
    for step in PART.steps:
        plan = plan_of(step, LESSON.plan, source="template")
        with open_bench(plan, scene=scene_of(step, source="template"), seed=1) as bench:
            heard.append(hear(dataclasses.replace(step, pings=3), bench))
    return tuple(heard)


def on_a_real_bench(heard: tuple[StepHeard, ...]) -> tuple[StepHeard, ...]:
    """The same, as if a sound card had heard it."""
    real = []
    for h in heard:
        info = dataclasses.replace(h.receiver.info, front_end="sound-card", invented=False)
        run = run_with(Receiver(h.plan, info), h.run.results)
        real.append(dataclasses.replace(h, run=run))
    return tuple(real)


def test_in_an_invented_scene_what_is_measured_by_hand_is_exact() -> None:
    givens = givens_for(PART, heard_in_tank(), {})
    assert [(g.value, g.u_value) for g in givens.values()] == [(1.0, 0.0), (0.5, 0.0)]


def test_on_a_real_bench_what_is_measured_by_hand_must_be_given() -> None:
    heard = on_a_real_bench(heard_in_tank())
    with pytest.raises(LessonError, match="--given moved_m=VALUE"):
        givens_for(PART, heard, {"first_m": 1.0})
    givens = givens_for(PART, heard, {"first_m": 1.01, "moved_m": 0.52})
    assert givens["moved_m"].value == 0.52
    assert givens["moved_m"].u_value == PART.givens[1].u_value > 0


def test_every_ping_of_a_step_is_searched_by_itself_too() -> None:
    for heard, range_m in zip(heard_in_tank(), (1.0, 1.5), strict=True):
        assert len(heard.run.results) == 3
        for result in heard.run.results:
            nearest = min(abs(e.range_m - range_m) for e in result.echoes)
            # The ball's front, to ten times the bound of a single ping.
            assert nearest <= 10 * max(e.bound_m for e in result.echoes)


def test_an_answer_that_is_no_number_is_refused() -> None:
    broken = dataclasses.replace(PART, find=lambda _heard, _givens: finding(measured=math.nan))
    with pytest.raises(LessonError, match="measured: found nan"):
        concluded(broken, heard_in_tank(), {}, None)


def test_an_answer_that_is_none_of_the_choices_is_refused() -> None:
    broken = dataclasses.replace(
        PART, question=CHOICE, find=lambda _heard, _givens: finding(choice="sideways")
    )
    with pytest.raises(LessonError, match="'sideways'"):
        concluded(broken, heard_in_tank(), {}, None)


def finding(**changes: Any) -> Finding:
    made: dict[str, Any] = {
        "measured": 2.0,
        "u_measured": 0.1,
        "expected": 2.1,
        "verdict": "So it is.",
        "x_label": "x / m",
        "y_label": "y / ms",
        "curves": (curve("points", [1.0], [2.0], measured=True),),
        "numbers": (("a",), ("b",)),
    }
    return Finding(**{**made, **changes})


def turn(prediction: float | str | None, question: Question = NUMBER, **changes: Any) -> Turn:
    part = dataclasses.replace(PART, question=question)
    return Turn(part=part, prediction=prediction, heard=(), givens={}, finding=finding(**changes))


@pytest.mark.parametrize(
    ("prediction", "right"), [(2.25, True), (1.71, True), (2.35, False), (None, None)]
)
def test_a_number_is_predicted_rightly_within_three_times_its_uncertainty(
    prediction: float | None, right: bool | None
) -> None:
    assert turn(prediction).predicted_rightly is right


def test_a_class_need_not_predict_better_than_to_five_percent() -> None:
    assert turn(2.09, u_measured=1e-6).predicted_rightly is True
    assert turn(2.11, u_measured=1e-6).predicted_rightly is False


def test_a_choice_is_predicted_rightly_where_the_bench_says_the_same() -> None:
    assert turn("nearer", CHOICE, choice="nearer").predicted_rightly is True
    assert turn("farther", CHOICE, choice="nearer").predicted_rightly is False


def test_measurement_and_theory_agree_within_twice_their_joint_uncertainty() -> None:
    # 3, 4, 5: the joint standard uncertainty is 0.05.
    both = {"u_measured": 0.03, "u_expected": 0.04, "measured": 2.0}
    assert turn(None, expected=2.0999, **both).agrees
    # Between two and three lies what chance does once in twenty times (JCGM 100:2008, table G.1).
    assert turn(None, expected=2.1001, **both).agrees is None
    assert turn(None, expected=2.1499, **both).agrees is None
    assert turn(None, expected=2.1501, **both).agrees is False
    said = turn_text.agreement_text(turn(None, expected=2.12, **both))
    assert "once in twenty" in said
    assert "hear it again" in said


@pytest.mark.parametrize(
    ("expected", "words"),
    [(2.0876, "0.09 ms apart, and unsure by 0.10 ms"), (2.001, "less than 0.01 ms apart")],
)
def test_a_difference_has_no_more_digits_than_its_uncertainty(expected: float, words: str) -> None:
    both = {"u_measured": 0.03, "u_expected": 0.04, "measured": 2.0}
    assert words in turn_text.agreement_text(turn(None, expected=expected, **both))


@pytest.mark.parametrize(
    ("prediction", "words"),
    [
        (1.0, "1 ms less than what was measured, 50 % of it"),
        (4.0, "2 ms more than what was measured, 100 % of it"),
        (2.1, "within the uncertainty"),
    ],
)
def test_a_prediction_is_said_to_be_more_or_less(prediction: float, words: str) -> None:
    assert words in turn_text.off_text(turn(prediction))


def test_nothing_is_said_of_a_prediction_that_nobody_made() -> None:
    assert turn_text.off_text(turn(None)) == ""
    assert turn_text.prediction_text(None, NUMBER) == ""


def test_a_choice_that_was_wrong_is_set_right() -> None:
    assert "the bench says: nearer" in turn_text.off_text(turn("farther", CHOICE, choice="nearer"))


@given(
    value=st.floats(-1e6, 1e6, allow_nan=False),
    u=st.floats(1e-6, 1e4),
)
def test_a_value_is_written_to_two_digits_of_its_uncertainty(value: float, u: float) -> None:
    text = turn_text.value_text(value, u, "m")
    number, plus_minus, unsure, unit = text.replace("\N{MINUS SIGN}", "-").split()
    assert (plus_minus, unit) == ("±", "m")
    # Two digits of 2 u: rounding moves neither by more than 5 % of it, half a step of its
    # second digit; whole numbers at the coarsest.
    step = max(0.05 * 2 * u, 0.0) if 2 * u < 10 else max(0.05 * 2 * u, 0.5)
    assert abs(float(number) - value) <= step * (1 + 1e-9)
    assert abs(float(unsure) - 2 * u) <= step * (1 + 1e-9)
    assert len(unsure.partition(".")[2]) == len(number.partition(".")[2])


def test_curves_keep_a_copy_that_nobody_can_change() -> None:
    x = np.array([1.0, 2.0])
    made = curve("c", x, [1, 2])
    x[0] = 9.0
    assert made.x.tolist() == [1.0, 2.0]
    with pytest.raises(ValueError, match="read-only"):
        made.x[0] = 3.0


def test_a_step_says_who_does_what_it_asks_for() -> None:
    step = PART.steps[0]
    assert turn_text.set_up_text(step, invented=False) == step.set_up
    told = turn_text.set_up_text(step, invented=True)
    assert told.startswith("The virtual tank does it by itself")
    assert step.set_up in told
