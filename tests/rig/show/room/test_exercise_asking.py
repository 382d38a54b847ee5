"""Exercises on a class's pages: when an answer may be known, and what is counted of the class."""

import datetime
from typing import Any

import pytest

from rig.show.room.exercise_asking import ExerciseAsking
from rig.teach.exercises.drawing import questions
from rig.teach.exercises.question import Question
from rig.teach.exercises.scoring import class_lines, misreadings_counted, read_answers

TOPIC = "nearer-or-farther"
PICTURES = {1: b"png 1", 2: b"png 2"}


@pytest.fixture(scope="module")
def asked() -> tuple[Question, ...]:
    return tuple(questions(seed=3, count=2, topics=[TOPIC], difficulty="easy"))


def posed(asked: tuple[Question, ...], **how: bool) -> ExerciseAsking:
    how = {"one_by_one": False, "at_once": False, **how}
    now = datetime.datetime(2026, 11, 29, 13, 0, tzinfo=datetime.UTC)
    return ExerciseAsking(asked, PICTURES, now=lambda: now, **how)


def send(asking: ExerciseAsking, visitor: str, number: int, answer: str) -> Any:
    return asking.take(visitor, {"key": f"question-{number}", "answer": answer})


def wrong(question: Question) -> str:
    return next(c for c in question.draft.choices if c != question.draft.answer)


def everything(asking: ExerciseAsking, visitor: str) -> str:
    return f"{asking.asked(visitor)} {asking.own(visitor)}"


def test_no_answer_is_known_before_the_teacher_marks(asked: tuple[Question, ...]) -> None:
    asking = posed(asked)
    assert [q["key"] for q in asking.asked("a")["questions"]] == ["question-1", "question-2"]
    before = everything(asking, "a")
    for visitor in "bc":
        assert send(asking, visitor, 1, asked[0].draft.answer)["taken"]
    assert everything(asking, "a") == before
    assert asked[0].draft.reason not in before
    assert "Right" not in send(asking, "a", 1, asked[0].draft.answer)["said"]
    assert send(asking, "a", 1, wrong(asked[0]))["taken"]  # changed while open
    assert asking.answered == ((1, 3), (2, 0))
    asking.close()
    assert not send(asking, "a", 1, asked[0].draft.answer)["taken"]
    first, second = asking.asked("a")["questions"]
    assert first["said"].startswith(f"It is: {asked[0].draft.answer}.")
    assert asked[0].draft.reason in first["said"]
    assert second["said"].startswith("It is:")
    assert "Right." in asking.own("b")


def test_one_by_one_the_next_is_neither_asked_nor_shown_before_its_time(
    asked: tuple[Question, ...],
) -> None:
    asking = posed(asked, one_by_one=True)
    assert [q["key"] for q in asking.asked("a")["questions"]] == ["question-1"]
    assert (asking.picture("question-1"), asking.picture("question-2")) == (b"png 1", None)
    assert not send(asking, "a", 2, asked[1].draft.answer)["taken"]
    assert asking.left == 1
    asking.close()
    asking.go_on()
    assert [q["key"] for q in asking.asked("a")["questions"]] == ["question-2"]
    assert asking.picture("question-2") == b"png 2"
    assert asking.left == 0
    asking.end()
    assert len(asking.asked("a")["questions"]) == 2


def test_marked_at_once_an_answer_stands_and_others_may_go_on(
    asked: tuple[Question, ...],
) -> None:
    asking = posed(asked, at_once=True)
    assert send(asking, "a", 1, asked[0].draft.answer)["said"] == "Right."
    assert not send(asking, "a", 1, wrong(asked[0]))["taken"]
    assert send(asking, "b", 1, wrong(asked[0]))["said"].startswith("It is: ")
    mine, others = asking.asked("a")["questions"], asking.asked("c")["questions"]
    assert (mine[0]["open"], others[0]["open"]) == (False, True)
    assert others[0]["said"] == ""
    assert asked[0].draft.reason not in everything(asking, "c")


def test_the_class_is_counted_without_names_and_its_misreading_named(
    asked: tuple[Question, ...], tmp_path: Any
) -> None:
    asking = posed(asked)
    for visitor, name in (("a", "=Ann"), ("b", "Ben"), ("c", "ben")):
        asking.take(visitor, {"nickname": name})
        send(asking, visitor, 1, wrong(asked[0]) if visitor != "a" else asked[0].draft.answer)
    asking.close()
    scores = asking.scores()
    assert (scores.overall.right, scores.overall.asked, scores.blank) == (1, 6, 3)
    # Both took the same wrong choice; rig/teach/exercises/misreadings.py names what leads there.
    ((words, count),) = misreadings_counted(scores)
    assert count == 2
    lines = "\n".join(class_lines(scores))
    assert f"2 × {words}" in lines
    assert not any(name in lines.casefold() for name in ("ann", "ben"))
    (tmp_path / "a.csv").write_text(asking.table)
    assert [a.name for a in read_answers(tmp_path / "a.csv")] == ["'=Ann", "Ben", "ben (2)"]
