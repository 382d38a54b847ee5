"""Exercises on a class's own pages: asked, closed and marked from the terminal."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING

from rig.cli import keyboard, opening, room
from rig.errors import LessonError

if TYPE_CHECKING:
    from rig.show.room.exercise_asking import ExerciseAsking
    from rig.show.room.room import Room
    from rig.teach.exercises.question import Question


def add_to(exercise: argparse.ArgumentParser) -> None:
    """Add the room and how its class is asked."""
    room.add_room(exercise)
    exercise.add_argument(
        "--one-by-one",
        action="store_true",
        help="with --room: ask one question after the other (default: all together)",
    )
    exercise.add_argument(
        "--mark-at-once",
        action="store_true",
        help="with --room: mark each answer as it comes (default: when you press Enter)",
    )
    exercise.add_argument(
        "--keep-answers",
        action="store_true",
        help="with --room and --out: write the class's answers there, by nickname; without it "
        "they are forgotten at the end",
    )


def check(given: argparse.Namespace) -> None:
    """Refuse what does not go together, before anything is drawn.

    Raises
    ------
    LessonError
    """
    if given.room is None:
        for name in ("one_by_one", "mark_at_once", "keep_answers"):
            if getattr(given, name):
                raise LessonError(f"--{name.replace('_', '-')}: found without --room; give both")
        return
    if given.json or not sys.stdin.isatty():
        raise LessonError(
            "--room: found no terminal at which a question could be closed; leave --json away, "
            "and start it by hand"
        )
    if given.keep_answers and given.out is None:
        raise LessonError("--keep-answers: found without --out; give a folder to write them to")


def ask_class(
    given: argparse.Namespace, questions: Sequence[Question], pictures: Sequence[bytes]
) -> None:
    """Ask a class on its pages until all is closed, and say what came of it."""
    from rig.show.room.exercise_asking import ExerciseAsking
    from rig.teach.guesses.spread_text import round_text

    with room.opened_room(given) as there:
        if there is None:
            return
        asking = ExerciseAsking(
            questions,
            {q.number: drawn for q, drawn in zip(questions, pictures, strict=True)},
            one_by_one=given.one_by_one,
            at_once=given.mark_at_once,
            now=opening.now,
        )
        asking.tell, asking.taken = there.tell, lambda: _count(asking, there)
        there.ask(asking)
        room.show_code_picture(there)
        while True:
            _wait("The class answers on its pages; Enter closes and marks. ")
            for spread in asking.close():
                print(f"{spread.question.text} {round_text(spread, 0)}")
            if not asking.left:
                break
            _wait("Enter: the next question. ")
            asking.go_on()
        asking.end()
        _say_scores(asking)
        if given.keep_answers:
            _keep(given, asking)
        room.stay(given, there)


def _wait(words: str) -> None:
    keyboard.drop_typed()
    print(words, end="", flush=True)
    if not sys.stdin.readline():
        print()


def _count(asking: ExerciseAsking, there: Room) -> None:
    from rig.show.wording import counted as things
    from rig.teach.guesses.spread_text import answered_text

    still_open = asking.answered
    if not still_open:  # closed between the answer and the count of it
        return
    (number, answered), *others = still_open
    if others:
        together = answered + sum(each for _, each in others)
        here, joined = there.count()
        more = f" ({joined} have joined)" if joined > here else ""
        counted = f"{things(together, 'answer')} from {things(here, 'page')}{more}"
    else:
        counted = f"question {number}: {answered_text(answered, *there.count())}"
    keyboard.write_over(f"{counted}; Enter closes and marks. ")


def _say_scores(asking: ExerciseAsking) -> None:
    from rig.teach.exercises.scoring import class_lines

    try:
        scores = asking.scores()
    except LessonError:
        print("Nobody answered.")
        return
    for line in class_lines(scores):
        print(line)


def _keep(given: argparse.Namespace, asking: ExerciseAsking) -> None:
    from rig.files.whole import INTO_OUT, write_whole

    path = os.path.join(given.out, "class-answers.csv")
    write_whole(path, asking.table, what="table of answers", remedy=INTO_OUT)
    print(f"The class's answers, by nickname, are in {path}")
