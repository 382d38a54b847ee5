"""What a lesson tells each page: its own guess, never another's before the question is closed."""

import dataclasses
import datetime
import html.parser
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.errors import LessonError
from rig.show.room.asking import Asking
from rig.show.room.lesson_asking import LessonAsking
from rig.teach.lessons.lesson import Finding, Part, Question, curve
from rig.teach.lessons.running import Turn
from rig.teach.lessons.template import LESSON

HOW_FAR = Question(text="How far <b>is</b> it?", unit="m")
WHICH = Question(text="Which?", unit="m", choices=("nearer", "farther"))
SCRIPT = "<img src=x onerror=alert(1)>"


def a_class() -> LessonAsking:
    return LessonAsking("A lesson", parts=2, now=lambda: datetime.datetime(2026, 11, 29, 13, 0))


def send(asking: Asking, visitor: str, text: str, place: int = 0) -> dict[str, Any]:
    key = asking.asked(visitor)["questions"][place]["key"]
    return dict(asking.take(visitor, {"key": key, "answer": text}))


def turn_of(name: str, question: Question, **changes: Any) -> Turn:
    made: dict[str, Any] = {
        "measured": 0.62,
        "u_measured": 0.002,
        "expected": 0.62,
        "choice": question.choices[0] if question.choices else "",
        "verdict": "So it is.",
        "x_label": "x / m",
        "y_label": "y / m",
        "curves": (curve("points", [1.0], [2.0], measured=True),),
        "numbers": (("a",), ("b",)),
    }
    part: Part = dataclasses.replace(LESSON.parts[0], name=name, question=question)
    finding = Finding(**{**made, **changes})
    return Turn(part=part, prediction=None, heard=(), givens={}, finding=finding)


OTHERS = st.lists(st.tuples(st.sampled_from("bcd"), st.floats(-1e6, 1e6)), max_size=6)


@given(OTHERS, OTHERS, st.booleans())
def test_what_a_page_is_told_does_not_hang_on_what_others_guessed(
    one: list[tuple[str, float]], other: list[tuple[str, float]], second: bool
) -> None:
    told = []
    for guesses in (one, other):
        asking = a_class()
        asking.pose("far", HOW_FAR)
        send(asking, "a", "0.5")
        if second:
            asking.close()
            asking.again()
            send(asking, "a", "0.7")
        for visitor, value in guesses:
            send(asking, visitor, f"{value:.4f}")
        told.append((asking.asked("a"), asking.asked("new"), asking.own("a")))
    assert told[0] == told[1]


def test_a_guess_is_taken_changed_and_refused_after_closing() -> None:
    asking = a_class()
    assert asking.asked("a")["questions"] == []
    asking.pose("far", HOW_FAR)
    (question,) = asking.asked("a")["questions"]
    assert (question["open"], question["answer"], question["unit"]) == (True, "", "m")
    taken = send(asking, "a", "62 cm")
    assert taken["taken"]
    assert "0.62 m" in taken["said"]
    assert asking.asked("a")["questions"][0]["answer"] == "0.62"
    assert not send(asking, "a", "a long way")["taken"]
    assert asking.asked("a")["questions"][0]["answer"] == "0.62"
    assert send(asking, "a", "0,7 m")["taken"]
    asking.close()
    late = send(asking, "a", "0.62")
    assert not late["taken"]
    assert "closed" in late["said"]
    assert asking.asked("a")["questions"][0]["answer"] == "0.7"
    assert asking.asked("a")["questions"][0]["open"] is False


def test_a_second_guess_is_another_question_to_the_page_and_the_first_is_said() -> None:
    asking = a_class()
    asking.pose("far", HOW_FAR)
    key = asking.asked("a")["questions"][0]["key"]
    send(asking, "a", "0.5")
    asking.close()
    asking.again()
    (question,) = asking.asked("a")["questions"]
    assert question["key"] != key
    assert question["answer"] == ""
    assert "Your first guess: 0.5 m." in question["said"]
    # A page that was slow answers the first round no more.
    assert not asking.take("a", {"key": key, "answer": "9"})["taken"]
    assert send(asking, "a", "0.6")["taken"]
    asking.close()
    with pytest.raises(LessonError, match="twice"):
        asking.again()


def test_all_that_is_asked_changes_by_the_teacher_and_is_told_each_time() -> None:
    asking = a_class()
    told: list[int] = []
    asking.tell = lambda: told.append(1)
    asking.pose("far", HOW_FAR)
    asking.close()
    asking.again()
    asking.close()
    asking.conclude(turn_of("far", HOW_FAR))
    asking.end()
    assert len(told) == 6


def test_at_the_end_each_page_has_its_own_guesses_against_what_was_measured() -> None:
    asking = a_class()
    for name, question in (("far", HOW_FAR), ("way", WHICH)):
        asking.pose(name, question)
        send(asking, "a", "0.5" if name == "far" else "farther")
        if name == "far":
            send(asking, "b", "0.62")
        asking.close()
        asking.conclude(turn_of(name, question))
    asking.end()
    first, second = asking.asked("a")["questions"]
    # 0.5 is 0.12 less than 0.62, a fifth of it: worked out by hand.
    assert "Your guess: 0.5 m. The prediction was 0.12 m less" in first["said"]
    assert "the bench says: nearer" in second["said"]
    sheet = asking.own("a")
    assert "0.12 m less" in sheet
    assert "Your guess: 0.62 m" in asking.own("b")
    assert "Your guess: none." in asking.own("nobody")
    assert "<script" not in sheet
    assert "How far &lt;b&gt;is&lt;/b&gt; it?" in sheet


class Tags(html.parser.HTMLParser):
    def __init__(self, text: str) -> None:
        super().__init__()
        self.names: set[str] = set()
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.names.add(tag)
        assert not any(name.startswith("on") for name, _ in attrs)


def test_script_in_a_nickname_is_words_on_the_own_sheet() -> None:
    asking = a_class()
    asking.pose("far", HOW_FAR)
    assert asking.take("a", {"nickname": SCRIPT[:24]})["taken"]
    send(asking, "a", "1")
    asking.close()
    asking.conclude(turn_of("far", HOW_FAR))
    sheet = asking.own("a")
    assert "img" not in Tags(sheet).names
    assert "script" not in Tags(sheet).names
    assert "&lt;img src=x" in sheet


@given(st.dictionaries(st.sampled_from(["key", "answer", "nickname"]), st.text(max_size=80)))
def test_nothing_that_a_page_sends_is_more_than_refused(message: dict[str, str]) -> None:
    asking = a_class()
    for _ in range(2):
        reply = asking.take("a", message)  # type: ignore[arg-type]
        assert reply["said"]
        assert "\n" not in reply["said"]
        if not asking.asked("a")["questions"]:
            asking.pose("far", HOW_FAR)
