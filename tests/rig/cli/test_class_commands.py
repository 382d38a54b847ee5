"""A class that is asked from a terminal: who closes, what is printed, and what is left on disk."""

import csv
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from rig.cli import main
from rig.show.room.asking import Asking
from rig.show.room.room import Room
from rig.teach.exercises.scoring import read_answers

LESSON = ("lesson", "time-is-distance", "--part", "out-and-back")
ROOM = ("--room", "127.0.0.1:0")


class Teacher:
    """Types a line each time one is waited for; before it, the class may do something."""

    def __init__(self, *lines: tuple[str, Callable[[], Any]]) -> None:
        self.lines = list(lines)

    def isatty(self) -> bool:
        return True

    def readline(self) -> str:
        if not self.lines:
            return ""
        line, before = self.lines.pop(0)
        before()
        return f"{line}\n"


@pytest.fixture
def classroom(monkeypatch: pytest.MonkeyPatch) -> list[Asking]:
    """What the room's pages would be asked, as the command hands it to the room."""
    asked: list[Asking] = []
    monkeypatch.setattr(Room, "ask", lambda _self, asking: asked.append(asking))
    monkeypatch.setattr("rig.cli.keyboard.drop_typed", lambda: None)  # nothing is typed early
    for screen in ("DISPLAY", "WAYLAND_DISPLAY"):
        monkeypatch.delenv(screen, raising=False)
    return asked


def guess(asked: list[Asking], visitor: str, answer: str, place: int = 0) -> None:
    question = asked[0].asked(visitor)["questions"][place]
    reply = asked[0].take(visitor, {"key": question["key"], "answer": answer})
    assert reply["taken"], reply


def nothing() -> None:
    pass


def taken(monkeypatch: pytest.MonkeyPatch, teacher: Teacher, *words: str) -> None:
    monkeypatch.setattr("sys.stdin", teacher)
    assert main(list(words)) == 0
    assert teacher.lines == []


@pytest.mark.usefixtures("undrawn_pictures")
def test_a_class_guesses_twice_at_a_terminal_and_is_kept_when_asked_for(
    classroom: list[Asking],
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
) -> None:
    def first() -> None:
        classroom[0].take("a", {"nickname": "=Ann"})
        for visitor, answer in (("a", "5.8"), ("b", "11.6"), ("c", "0.0058 s")):
            guess(classroom, visitor, answer)

    def second() -> None:
        guess(classroom, "a", "11.6")

    steps = [("", nothing)] * 2
    teacher = Teacher(("", first), ("r", nothing), ("", second), *steps, ("", nothing))
    words = (*LESSON, *ROOM, "--out", str(tmp_path), "--keep-guesses")
    taken(monkeypatch, teacher, *words)
    said = capsys.readouterr().out
    # How many, as they come, over the line that waits; never what.
    waiting = said.partition("Guesses: 3")[0].partition("pages;")[2]
    assert "\r3 of 0 pages have answered; Enter closes the question." in waiting
    assert "5.8" not in waiting
    assert "First guess: 3, from 5.8 ms to 11.6 ms; half lie below 5.8 ms." in said
    # 2 m there and back at 343.96 m/s are 11.6 ms: one first guess was right, and the second.
    assert "Came true: 1 of 3 first guesses, 1 of 1 guesses after talking" in said.replace(
        "\n", " "
    )
    (table,) = tmp_path.glob("*-guesses.csv")
    rows = list(csv.reader(table.read_text().splitlines()))
    assert [row[0] for row in rows] == ["name", "'=Ann", "page 2", "page 3"]
    assert rows[1][1:3] == ["5.8", "11.6"]
    sheet = (tmp_path / "time-is-distance-out-and-back-sheet.html").read_text()
    assert "What the class guessed" in sheet
    assert "Ann" not in sheet


@pytest.mark.usefixtures("undrawn_pictures")
def test_nothing_of_a_class_is_left_unless_it_is_asked_for(
    classroom: list[Asking], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    def first() -> None:
        classroom[0].take("a", {"nickname": "Zaphkiel"})
        guess(classroom, "a", "77.125")

    teacher = Teacher(("", first), *[("", nothing)] * 4)
    taken(monkeypatch, teacher, *LESSON, *ROOM, "--out", str(tmp_path))
    for path in tmp_path.iterdir():
        assert b"Zaphkiel" not in path.read_bytes(), path
        assert b"77.125" not in path.read_bytes(), path
    assert not list(tmp_path.glob("*.csv"))


@pytest.mark.parametrize("words", [("--keep-guesses",), (*ROOM, "--keep-guesses", "--json")])
def test_there_is_no_table_of_a_class_that_nobody_asks(
    words: tuple[str, ...], capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    assert main([*LESSON, "--out", str(tmp_path), *words]) == 2
    assert "--keep-guesses: found no class" in capsys.readouterr().err


EXERCISE = ("exercise", "--count", "2", "--topic", "nearer-or-farther", "--difficulty", "easy")


@pytest.mark.usefixtures("undrawn_pictures")
def test_exercises_one_by_one_are_marked_when_the_teacher_says(
    classroom: list[Asking],
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
) -> None:
    def answer() -> None:
        (question,) = classroom[0].asked("a")["questions"]
        for visitor, choice in zip("abc", question["choices"], strict=False):
            guess(classroom, visitor, choice)

    out = tmp_path / "class"
    teacher = Teacher(("", answer), ("", nothing), ("", answer), ("", nothing))
    words = (*EXERCISE, *ROOM, "--one-by-one", "--keep-answers", "--out", str(out))
    taken(monkeypatch, teacher, *words)
    said = capsys.readouterr().out
    # Three children, two questions; each choice was taken once, and one of them is right.
    assert "2 of 6 right" in said
    assert re.search(r"\d × time read the wrong way round", said)
    assert "page 1" not in said
    handed = read_answers(out / "class-answers.csv")
    assert len(handed) == 6
    # What was kept can be marked like any answers that were handed in.
    key = ("--key", str(out / "key" / "key.json"))
    assert main(["exercise", "--mark", str(out / "class-answers.csv"), *key]) == 0
    assert "2 of 6 right" in capsys.readouterr().out


@pytest.mark.usefixtures("undrawn_pictures")
def test_an_answer_that_is_taken_as_the_question_is_closed_is_counted_quietly(
    classroom: list[Asking], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    def answer_while_it_is_closed() -> None:
        asking: Any = classroom[0]
        # As when Enter is pressed on one thread just after the answer was taken on another.
        count = asking.taken
        asking.taken = lambda: (asking.close(), count())
        guess(classroom, "a", asking.asked("a")["questions"][0]["choices"][0])
        asking.taken = count

    teacher = Teacher(("", answer_while_it_is_closed), ("", nothing))
    taken(monkeypatch, teacher, *EXERCISE, *ROOM, "--out", str(tmp_path / "class"))


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--one-by-one", "--out", "x"), "--one-by-one: found without --room"),
        (("--mark-at-once", "--out", "x"), "--mark-at-once: found without --room"),
        ((*ROOM, "--json"), "found no terminal"),
    ],
)
def test_what_goes_with_no_class_is_refused(
    words: tuple[str, ...], told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main([*EXERCISE, *words]) == 2
    assert told in capsys.readouterr().err
