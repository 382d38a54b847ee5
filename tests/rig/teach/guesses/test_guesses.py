"""A class's guesses: what is told to whom and when, and that it stays so whatever is sent.

The model under test is held against plain dictionaries that keep what was sent, in a state
machine that guesses, closes and asks again in any order.
"""

import contextlib
import csv
import io
import string
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from rig.errors import LessonError
from rig.teach.exercises.scoring import KeyEntry, scored
from rig.teach.guesses.guesses import MOST_NICKNAME, MOST_PAGES, Guesses, nickname_in
from rig.teach.guesses.table import answers_csv, guesses_csv, handed_in, harmless
from rig.teach.lessons.lesson import Question

HOW_FAR = Question(text="How far?", unit="m")
WHICH = Question(text="Which way?", unit="m", choices=("nearer", "farther", "it stays"))

VISITORS = st.sampled_from(["a", "b", "c", "d"])
NUMBERS = st.floats(-1e6, 1e6).map(lambda value: f"{value:.3f}")


def asked(**questions: Question) -> Guesses:
    guesses = Guesses()
    for name, question in questions.items():
        guesses = guesses.pose(name, question)
    return guesses


class AClass(RuleBasedStateMachine):
    """Guesses in any order, against what a careful clerk with a sheet of paper would have."""

    def __init__(self) -> None:
        super().__init__()
        self.guesses = asked(far=HOW_FAR, way=WHICH)
        self.paper: dict[str, list[dict[str, Any]]] = {"far": [{}], "way": [{}]}
        self.shut: dict[str, bool] = {"far": False, "way": False}

    def try_guess(self, visitor: str, name: str, text: str, value: Any) -> None:
        before = self.guesses
        if self.shut[name]:
            with pytest.raises(LessonError, match="closed"):
                before.guess(visitor, name, text)
            return
        self.guesses = before.guess(visitor, name, text)
        self.paper[name][-1][visitor] = value
        # What there was is as it was: each state is a value of its own.
        assert before.of(name).rounds is not self.guesses.of(name).rounds

    @rule(visitor=VISITORS, text=NUMBERS)
    def guess_a_number(self, visitor: str, text: str) -> None:
        self.try_guess(visitor, "far", text, float(text))

    @rule(visitor=VISITORS, choice=st.sampled_from(WHICH.choices))
    def guess_a_choice(self, visitor: str, choice: str) -> None:
        self.try_guess(visitor, "way", choice, choice)

    @rule(visitor=VISITORS, text=st.sampled_from(["soon", "", "nan", "3 kg", "1e99"]))
    def guess_nonsense(self, visitor: str, text: str) -> None:
        with pytest.raises(LessonError):
            self.guesses.guess(visitor, "far", text)

    @rule(name=st.sampled_from(["far", "way"]))
    def close(self, name: str) -> None:
        self.guesses = self.guesses.close(name)
        self.shut[name] = True

    @rule(name=st.sampled_from(["far", "way"]))
    def ask_again(self, name: str) -> None:
        if self.shut[name] and len(self.paper[name]) == 1:
            self.guesses = self.guesses.again(name)
            self.paper[name].append({})
            self.shut[name] = False
        else:
            with pytest.raises(LessonError):
                self.guesses.again(name)

    @invariant()
    def each_page_has_its_own(self) -> None:
        for name, rounds in self.paper.items():
            assert self.guesses.answered(name) == len(rounds[-1])
            for visitor in "abcd":
                assert self.guesses.own(visitor, name) == tuple(r.get(visitor) for r in rounds)

    @invariant()
    def the_spread_is_shown_when_closed_and_only_then(self) -> None:
        for name, rounds in self.paper.items():
            if not self.shut[name]:
                with pytest.raises(LessonError, match="open"):
                    self.guesses.spread(name)
                continue
            spread = self.guesses.spread(name)
            assert [sorted(each) for each in spread.rounds] == [sorted(r.values()) for r in rounds]

    @precondition(lambda self: self.shut["way"])
    @invariant()
    def every_choice_is_counted_once(self) -> None:
        spread = self.guesses.spread("way")
        for number, taken in enumerate(self.paper["way"]):
            assert sum(spread.counts(number)) == len(taken)


TestAClass = AClass.TestCase
TestAClass.settings = settings(max_examples=30, stateful_step_count=20)


def test_a_guess_may_bring_another_unit_of_the_same_kind() -> None:
    guesses = asked(far=HOW_FAR)
    for text in ("0.62 m", "62 cm", "0,62 m", "620mm", "62 centimetres"):
        assert guesses.guess("a", "far", text).own("a", "far") == (pytest.approx(0.62, rel=1e-12),)


@pytest.mark.parametrize("text", ["", "soon", "1e10", "62 kg", "nan", "--3", "3 m 4", "<b>3</b>"])
def test_nonsense_is_refused_in_words_and_changes_nothing(text: str) -> None:
    guesses = asked(far=HOW_FAR).guess("a", "far", "1")
    with pytest.raises(LessonError, match="give a number of m"):
        guesses.guess("a", "far", text)
    assert guesses.own("a", "far") == (1.0,)


def test_no_more_pages_guess_than_a_room_holds() -> None:
    guesses = asked(far=HOW_FAR)
    for number in range(MOST_PAGES):
        guesses = guesses.guess(str(number), "far", "1")
    with pytest.raises(LessonError, match="neighbour"):
        guesses.guess("one more", "far", "1")
    assert guesses.guess("0", "far", "2").answered("far") == MOST_PAGES


def test_a_question_is_asked_once_by_its_name() -> None:
    with pytest.raises(LessonError, match="before"):
        asked(far=HOW_FAR).pose("far", WHICH)
    with pytest.raises(LessonError, match="not asked"):
        asked(far=HOW_FAR).guess("a", "near", "1")


def test_pages_with_one_nickname_are_told_apart_and_those_without_are_numbered() -> None:
    guesses = asked(far=HOW_FAR)
    for visitor in "wxyz":
        guesses = guesses.guess(visitor, "far", "1")
    guesses = guesses.call("w", "Fox").call("x", "page 3").call("z", "fox")
    assert list(guesses.labels().values()) == ["Fox", "page 3", "page 3 (2)", "fox (2)"]
    assert guesses.call("w", "").labels()["w"] == "page 1"


@pytest.mark.parametrize(
    "text",
    ["a\nb", "a\tb", "\0", "\x1b[2J", "a\N{RIGHT-TO-LEFT OVERRIDE}b", "a\N{ZERO WIDTH SPACE}b"],
)
def test_a_nickname_that_hides_something_is_refused(text: str) -> None:
    with pytest.raises(LessonError, match="cannot be seen"):
        nickname_in(text)


def test_a_nickname_has_a_length_at_most() -> None:
    assert nickname_in("x" * MOST_NICKNAME) == "x" * MOST_NICKNAME
    with pytest.raises(LessonError, match="at most 24"):
        nickname_in("x" * (MOST_NICKNAME + 1))


@given(st.text(max_size=40))
def test_no_cell_begins_a_formula_whatever_parts_the_columns(text: str) -> None:
    # OWASP, CSV Injection (memory): a cell must not begin with = + - @, tab or carriage return.
    for separator in ",;\t":
        for line in csv.reader(io.StringIO(f'"{harmless(text)}"'), delimiter=separator):
            assert not any(cell.lstrip().startswith(tuple("=+-@\t\r")) for cell in line[:1])
    assert ";" not in harmless(text)
    assert "\t" not in harmless(text)


@pytest.mark.parametrize("name", ["=1+1", "+1", "-1", "@SUM(A1)", "＝1", " =1", "a;=1+1", 'a",=1'])
def test_a_nickname_that_is_a_formula_is_words_in_the_table(name: str) -> None:
    guesses = asked(far=HOW_FAR).guess("a", "far", "1").call("a", name)
    text = guesses_csv(guesses, {})
    for separator in ",;\t":
        for row in csv.reader(io.StringIO(text), delimiter=separator):
            assert not any(cell.lstrip().startswith(tuple("=+@＝")) for cell in row)
    rows = list(csv.reader(io.StringIO(text)))
    assert rows[0][:2] == ["name", "far: guess / m"]
    assert rows[1][1] == "1.0"
    assert len(rows[1]) == len(rows[0])


def test_the_table_has_a_line_a_page_and_a_column_a_round() -> None:
    guesses = asked(far=HOW_FAR, way=WHICH).guess("a", "far", "1").guess("b", "way", "nearer")
    guesses = guesses.close("far").again("far").guess("b", "far", "-2.5").call("b", "Ann")
    rows = list(csv.reader(io.StringIO(guesses_csv(guesses, {}))))
    assert [row[0] for row in rows] == ["name", "page 1", "Ann"]
    assert rows[0][1:3] == ["far: guess / m", "far: second guess / m"]
    assert rows[1][1:3] == ["1.0", ""]
    assert rows[2][1:3] == ["", "-2.5"]
    assert rows[2][rows[0].index("way: guess")] == "nearer"


def test_two_pages_of_one_nickname_hand_in_as_two() -> None:
    key = [
        KeyEntry(number=1, topic="t", choices=WHICH.choices, answer="nearer"),
        KeyEntry(number=2, topic="t", choices=WHICH.choices, answer="farther"),
    ]
    guesses = Guesses().pose("1", WHICH).pose("2", WHICH)
    guesses = (
        guesses.guess("a", "1", "nearer").guess("b", "1", "farther").guess("b", "2", "farther")
    )
    guesses = guesses.call("a", "Kim").call("b", "kim")
    scores = scored(handed_in(guesses), key)
    assert (scores.overall.right, scores.overall.asked) == (2, 4)
    assert scores.blank == 1
    assert answers_csv(handed_in(guesses)).splitlines()[0] == '"name","number","answer"'


@given(st.lists(st.text(string.printable, max_size=30), max_size=5))
def test_whatever_is_typed_is_an_answer_or_is_refused(typed: list[str]) -> None:
    guesses = asked(far=HOW_FAR, way=WHICH)
    for text in typed:
        for name in ("far", "way"):
            with contextlib.suppress(LessonError):
                guesses = guesses.guess("a", name, text)
    (number,), (choice,) = guesses.own("a", "far"), guesses.own("a", "way")
    assert number is None or (isinstance(number, float) and abs(number) <= 1e9)
    assert choice is None or choice in WHICH.choices
