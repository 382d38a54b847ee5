"""The command `exercise`."""

from __future__ import annotations

import argparse
import itertools
import json
from typing import Any

from rig.cli import class_exercise, options, output
from rig.errors import LessonError


def _exercise(given: argparse.Namespace) -> int:
    if given.list:
        return _list(given)
    if given.mark is not None:
        return _score(given)
    if given.key is not None:
        raise LessonError("--key: found without --mark; give --mark FILE with the answers")
    class_exercise.check(given)
    if given.out is None and given.room is None:
        raise LessonError("--out: missing; give a folder to draw into, or --mark FILE to mark")
    from rig.show.sheets.exercise_files import (
        handout_answer,
        question_pictures,
        write_handout,
    )
    from rig.show.wording import counted
    from rig.teach.exercises.drawing import questions

    drawn = questions(
        seed=given.seed, count=given.count, topics=given.topic, difficulty=given.difficulty
    )
    coming = output.progress(drawn, given.count, "question")
    if given.out is None:
        alone = list(coming)
        class_exercise.ask_class(given, alone, question_pictures(alone, looks=given.looks))
        return 0
    coming, again = itertools.tee(coming)
    made = write_handout(given.out, coming, looks=given.looks)
    if given.json:
        print(json.dumps(handout_answer(made)))
        return 0
    print(f"{counted(len(made.questions), 'question')} in {made.sheet}, to print and hand out")
    print(f"Answers go into {made.answers}: the letter, or the words")
    print(f"The key, for the teacher alone, is in {made.key_sheet.parent}")
    redrawn = sum(made.redrawn.values())
    print(f"Scenes drawn and not used, since measuring did not decide them as they were: {redrawn}")
    if given.room is not None:
        kept = list(again)
        class_exercise.ask_class(given, kept, question_pictures(kept))
    return 0


def _list(given: argparse.Namespace) -> int:
    from rig.teach.exercises.topics import TOPICS

    if given.json:
        print(json.dumps({"topics": [{"name": t.name, "title": t.title} for t in TOPICS.values()]}))
        return 0
    width = max(map(len, TOPICS))
    for topic in TOPICS.values():
        print(f"{topic.name:<{width}}  {topic.title}")
    return 0


def _score(given: argparse.Namespace) -> int:
    from rig.teach.exercises.scoring import (
        read_answers,
        read_key,
        score_lines,
        scored,
        scores_answer,
    )

    if given.key is None:
        raise LessonError("--key: missing; give the key.json that was written with the exercises")
    scores = scored(read_answers(given.mark), read_key(given.key))
    if given.json:
        print(json.dumps(scores_answer(scores)))
        return 0
    for line in score_lines(scores):
        print(line)
    return 0


def add_to(commands: Any) -> None:
    """Add this module's command."""
    exercise = options.command(
        commands,
        "exercise",
        _exercise,
        "draw pictures to read, with a key apart, and mark the answers",
    )
    exercise.add_argument(
        "--seed",
        metavar="K",
        type=options.seed,
        default=0,
        help="the same seed gives the same questions (default: 0)",
    )
    exercise.add_argument(
        "--count", metavar="N", type=options.count, default=10, help="questions (default: 10)"
    )
    exercise.add_argument(
        "--topic",
        metavar="T",
        action="append",
        default=[],
        help="ask about this alone; may be given again for another (default: all; see --list)",
    )
    exercise.add_argument(
        "--difficulty",
        metavar="D",
        default="middle",
        help='"easy", "middle" or "hard" (default: middle)',
    )
    exercise.add_argument("--out", metavar="DIR", help="the folder to write to")
    options.add_looks(exercise)
    exercise.add_argument("--list", action="store_true", help="list the topics")
    exercise.add_argument(
        "--mark",
        metavar="FILE",
        help="mark these answers: a CSV file with the columns number and answer, and name if "
        "several hand in",
    )
    exercise.add_argument("--key", metavar="FILE", help="the key.json to mark by")
    class_exercise.add_to(exercise)
