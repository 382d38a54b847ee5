"""The command `lesson`: predict, measure, compare."""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, TypeAlias

from rig.cli import opening, options, room
from rig.cli.lesson_course import Course
from rig.cli.lesson_shown import show_question, show_turn, wrapped
from rig.errors import EchobenchError, LessonError, NotHeardError, PlanError

if TYPE_CHECKING:
    from typing import Any

    from rig.show.room.room import Room
    from rig.show.sheets.lesson_pictures import LessonPictures, TurnPictures
    from rig.teach.lessons.lesson import Lesson, Part
    from rig.teach.lessons.running import Turn


def _lesson(given: argparse.Namespace) -> int:
    if given.list:
        return _list(given)
    from rig.show.sheets.lesson_pictures import LessonPictures
    from rig.teach.lessons.index import lesson_named, lesson_names
    from rig.teach.lessons.turn_text import CAUTION

    if given.name is None:
        raise LessonError(
            f"lesson: found no name; give one of {', '.join(lesson_names())}, or --list"
        )
    lesson = lesson_named(given.name)
    parts = _parts(lesson, given.part)
    course = Course(given, lesson, parts)
    parts = course.parts
    if course.real:  # the virtual tank makes no sound
        print(f"echobench: {CAUTION}", file=sys.stderr)
    problems: dict[str, EchobenchError] = dict(course.refused)
    for name, refusal in course.refused.items():
        print(f"echobench: part {name} is left out: {refusal}", file=sys.stderr)
    pictures = LessonPictures(looks=given.looks, yields=course.real)
    with room.opened_room(given) as there:
        course.ask_class(there)
        if course.in_window:
            turns, found, stopped = _in_window(course, there, pictures)
        else:
            room.show_code_picture(there)
            turns, found, stopped = _in_terminal(course, there, pictures)
        if course.guessing is not None:
            course.guessing.end()  # each page has its own guesses, and time to keep them
        if course.guessing is not None or not course.in_window:
            room.stay(given, there)
    problems |= found
    if turns or given.json:
        told = {name: str(p) for name, p in problems.items()}
        _hand_out(given, lesson, course, turns, told, pictures.drawn())
    if stopped is not None:
        raise stopped
    if not problems:
        return 0
    unusable = not turns and all(isinstance(p, PlanError) for p in problems.values())
    return 2 if unusable else 1


_Taken: TypeAlias = (
    "tuple[list[Turn], dict[str, EchobenchError], EchobenchError | KeyboardInterrupt | None]"
)


def _in_window(course: Course, there: Room | None, pictures: LessonPictures) -> _Taken:
    from rig.show.window.lesson_window import show_lesson

    turns, problems = show_lesson(course.for_window(), room=there)
    for turn in turns:
        pictures.begin(turn)
    for name, problem in problems.items():
        print(f"echobench: part {name}: {problem}", file=sys.stderr)
    return turns, problems, None


def _in_terminal(course: Course, there: Room | None, pictures: LessonPictures) -> _Taken:
    turns: list[Turn] = []
    problems: dict[str, EchobenchError] = {}
    stopped: EchobenchError | KeyboardInterrupt | None = None
    for number, part in enumerate(course.parts):
        if part.name in course.refused:
            continue
        try:
            if there is not None:
                show_question(there, course.lesson, part)
            turns.append(course.turn(number, part, there))
            pictures.begin(turns[-1])
            if there is not None and course.guessing is None:
                show_turn(there, course.lesson, turns[-1])
        except (NotHeardError, PlanError) as problem:
            # An echo that was missed, or a part that this bench cannot do, must not cost a
            # class the sheet of what it has done.
            problems[part.name] = problem
            print(f"echobench: part {part.name}: {problem}", file=sys.stderr)
        except (EchobenchError, KeyboardInterrupt) as stop:
            # Nor must a device that has gone, but nothing more can be done without it.
            if not turns:
                raise
            stopped = stop
            why = str(stop) or "stopped at the keyboard"
            problems |= {
                left.name: LessonError(f"not done: {why}") for left in course.parts[number:]
            }
            break
    return turns, problems, stopped


def _list(given: argparse.Namespace) -> int:
    import textwrap

    from rig.show.answers import lessons_answer
    from rig.teach.lessons.index import lessons

    if given.json:
        print(json.dumps(lessons_answer(lessons())))
        return 0
    for lesson in lessons():
        print(f"{lesson.name:<24} {lesson.minutes:>3} min  {lesson.title}")
        for line in textwrap.wrap(lesson.about, 70):
            print(f"    {line}")
        print(f"    parts: {', '.join(part.name for part in lesson.parts)}")
    return 0


def _parts(lesson: Lesson, name: str | None) -> tuple[Part, ...]:
    if name is None:
        return lesson.parts
    for part in lesson.parts:
        if part.name == name:
            return (part,)
    names = ", ".join(part.name for part in lesson.parts)
    raise LessonError(f"--part: found {name!r}; {lesson.name} has {names}")


def _hand_out(
    given: argparse.Namespace,
    lesson: Lesson,
    course: Course,
    turns: Sequence[Turn],
    problems: Mapping[str, str],
    drawn: Mapping[str, TurnPictures],
) -> None:
    """Write each part's picture and the sheets, and answer."""
    from rig.files.whole import INTO_OUT, write_whole
    from rig.show.answers import lesson_answer
    from rig.show.sheets.lesson_sheet import pupil_html, sheet_html

    # A device that was not there left none.
    recorded = {
        name: [path for path in paths if os.path.exists(path)]
        for name, paths in course.recorded.items()
    }
    pictures = {
        turn.part.name: os.fspath(course.folder / f"{lesson.name}-{turn.part.name}.png")
        for turn in turns
    }
    for name, path in pictures.items():
        write_whole(path, drawn[name].of_class, what="picture", remedy=INTO_OUT)
    part = "" if given.part is None else f"-{given.part}"
    sheet = course.folder / f"{lesson.name}{part}-sheet.html"
    pupil = course.folder / f"{lesson.name}{part}-pupil.html"
    kept = course.guessing if given.keep_guesses else None
    if turns:
        spreads = None if kept is None else kept.spreads
        made = opening.now()
        teacher_s = sheet_html(lesson, turns, made=made, pictures=drawn, spreads=spreads)
        write_whole(sheet, teacher_s, what="sheet", remedy=INTO_OUT)
        pupil_s = pupil_html(lesson, turns, made=made, pictures=drawn)
        write_whole(pupil, pupil_s, what="sheet", remedy=INTO_OUT)
    if given.json:
        answer = lesson_answer(
            lesson,
            course.parts,
            turns,
            problems=problems,
            sheet=os.fspath(sheet) if turns else None,
            pictures=pictures,
            recordings=recorded,
        )
        print(json.dumps(answer))
        return
    print(f"\nThe sheet to hand out is in {pupil}; the teacher's, with the answers, in {sheet}")
    if kept is not None:
        guesses = course.folder / f"{lesson.name}{part}-guesses.csv"
        write_whole(guesses, kept.table, what="table of guesses", remedy=INTO_OUT)
        print(f"The class's guesses, by nickname, are in {guesses}")
    print("Prediction and measurement in one picture:")
    for picture in pictures.values():
        print(f"  {picture}")
    for paths in recorded.values():
        if paths:
            print(f"Recorded: {', '.join(paths)}")
    for line in wrapped(f"A common misreading: {lesson.misreading}"):
        print(line)


def add_to(commands: Any) -> None:
    """Add this module's command."""
    lesson = options.command(
        commands, "lesson", _lesson, "predict, measure, compare; ends with a sheet to hand out"
    )
    lesson.add_argument(
        "name", metavar="NAME|FILE.py", nargs="?", help="a lesson's name, or your own in a file"
    )
    lesson.add_argument("--list", action="store_true", help="say which lessons there are")
    lesson.add_argument(
        "--predict",
        metavar="VALUE",
        action="append",
        default=[],
        help="the answer you expect, a number or a choice; again for each further part",
    )
    lesson.add_argument("--part", metavar="NAME", help="do this part alone")
    lesson.add_argument(
        "--out",
        metavar="DIR",
        help="where the sheet and the pictures go (default: the folder at work)",
    )
    lesson.add_argument(
        "--recording",
        metavar="FILE",
        action="append",
        default=[],
        help="hear this recording in place of a bench; one for each step, in order",
    )
    lesson.add_argument(
        "--given",
        metavar="NAME=VALUE",
        action="append",
        default=[],
        help="what was measured by hand, such as near_m=1.02",
    )
    options.add_looks(lesson)
    options.add_front_end(lesson, needs_plan=False, has_scene=True)
    options.add_calibration(lesson)
    room.add_room(lesson)
    lesson.add_argument(
        "--keep-guesses",
        action="store_true",
        help="with --room: write the class's guesses to a table, by nickname, and their spread "
        "into the teacher's sheet; without it they are forgotten at the end",
    )
    lesson.add_argument(
        "--record", action="store_true", help="record every step, to the same folder"
    )
