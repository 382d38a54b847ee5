"""The command `lesson`: predict, measure, compare."""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, TypeAlias

from rig.cli import keyboard, opening, options, room
from rig.errors import EchobenchError, LessonError, NotHeardError, PlanError, StorageError

if TYPE_CHECKING:
    from pathlib import Path
    from typing import Any

    from rig.bench.plan import Plan
    from rig.bench.stored_calibration import Calibration
    from rig.run.opening import Bench
    from rig.show.room.lesson_asking import LessonAsking
    from rig.show.room.room import Room
    from rig.show.sheets.lesson_pictures import LessonPictures, TurnPictures
    from rig.show.window.lesson_window import WindowCourse
    from rig.tank.scene import Scene
    from rig.teach.guesses.guesses import Spread
    from rig.teach.lessons.lesson import Given, Lesson, Part, Step, StepHeard
    from rig.teach.lessons.running import Prediction, Turn


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
    course = _Course(given, lesson, parts)
    parts = course.parts
    if course.real:  # the virtual tank makes no sound
        print(f"echobench: {CAUTION}", file=sys.stderr)
    problems: dict[str, EchobenchError] = dict(course.refused)
    for name, refusal in course.refused.items():
        print(f"echobench: part {name} is left out: {refusal}", file=sys.stderr)
    pictures = LessonPictures(looks=given.looks)
    with room.opened_room(given) as there:
        course.ask_class(there)
        if course.in_window:
            turns, found, stopped = _in_window(course, there)
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
        _hand_out(given, lesson, course, turns, told, pictures.drawn(turns))
    if stopped is not None:
        raise stopped
    if not problems:
        return 0
    unusable = not turns and all(isinstance(p, PlanError) for p in problems.values())
    return 2 if unusable else 1


_Taken: TypeAlias = (
    "tuple[list[Turn], dict[str, EchobenchError], EchobenchError | KeyboardInterrupt | None]"
)


def _in_window(course: _Course, there: Room | None) -> _Taken:
    from rig.show.window.lesson_window import show_lesson

    turns, problems = show_lesson(course.for_window(), room=there)
    for name, problem in problems.items():
        print(f"echobench: part {name}: {problem}", file=sys.stderr)
    return turns, problems, None


def _in_terminal(course: _Course, there: Room | None, pictures: LessonPictures) -> _Taken:
    turns: list[Turn] = []
    problems: dict[str, EchobenchError] = {}
    stopped: EchobenchError | KeyboardInterrupt | None = None
    for number, part in enumerate(course.parts):
        if part.name in course.refused:
            continue
        try:
            if there is not None:
                _show_question(there, course.lesson, part)
            turns.append(course.turn(number, part, there))
            if part is not course.parts[-1]:
                pictures.begin(turns[-1])
            if there is not None and course.guessing is None:
                _show_turn(there, course.lesson, turns[-1])
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


def _show_question(there: Room, lesson: Lesson, part: Part) -> None:
    """Show the room a part's question, while the terminal takes the prediction."""
    from rig.show.pictures.lesson_page import LessonPage, draw_page
    from rig.show.pictures.saving import drawn_dots

    page = LessonPage(
        heading=lesson.title,
        question=part.question,
        answer="",
        prediction=None,
        words="Predict, each for yourself.",
        keys="",
    )
    there.show(drawn_dots(lambda f: draw_page(f, page)), lesson.title, (part.question.text,))


def _show_turn(there: Room, lesson: Lesson, turn: Turn) -> None:
    """Show the room what was measured, against what was predicted and what theory expects."""
    from rig.show.pictures.lesson_picture import draw_turn
    from rig.show.pictures.saving import drawn_dots
    from rig.teach.lessons.turn_text import remark_lines, result_lines

    lines = (turn.part.question.text, *result_lines(turn), *remark_lines(turn))
    there.show(drawn_dots(lambda f: draw_turn(f, turn, alone=True)), lesson.title, lines)


def _show_spread(there: Room, lesson: Lesson, spread: Spread, turn: Turn | None) -> None:
    """Show the room what it guessed, with what was measured once that is known."""
    from rig.show.pictures.guess_spread import SpreadPage, draw_spread
    from rig.show.pictures.saving import drawn_dots
    from rig.teach.guesses.spread_text import spread_lines

    page = SpreadPage(heading=lesson.title, spread=spread, turn=turn)
    lines = (spread.question.text, *spread_lines(spread, turn))
    there.show(drawn_dots(lambda f: draw_spread(f, page)), lesson.title, lines)


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


class _Course:
    """Takes a class through the parts, with what stood on the command line.

    All that can be wrong on the command line is found before a ping is sent.
    """

    def __init__(self, given: argparse.Namespace, lesson: Lesson, parts: Sequence[Part]) -> None:
        from rig.bench.front_end_names import INVENTED_FRONT_ENDS

        self._given = given
        self.lesson = lesson
        self.parts = tuple(parts)
        self.refused: dict[str, PlanError] = {}
        self._asks = sys.stdin.isatty() and not given.json
        self._real = given.front_end not in INVENTED_FRONT_ENDS and not given.recording
        self._own = opening.plan_or_none(given.plan)
        self._recordings = self._recordings_by_step()
        self._check_plan()
        self.parts = tuple(self._as_asked(part) for part in parts)
        self._predictions = self._predicted()
        self._values = self._measured_by_hand()
        self.folder = _folder(given.out)
        self.recorded: dict[str, list[str]] = {part.name: [] for part in parts}
        if given.record:
            self._check_room_for_recordings()
        self._refuse()
        self.guessing: LessonAsking | None = None
        if given.keep_guesses and (given.room is None or not self._asks):
            raise LessonError(
                "--keep-guesses: found no class to ask; give --room too, at a terminal and "
                "without --json"
            )

    def ask_class(self, there: Room | None) -> None:
        """Put the questions to the room's pages, where somebody is here to close them."""
        if there is None or not self._asks:
            return
        from rig.show.room.lesson_asking import LessonAsking

        done = len(self.parts) - len(self.refused)
        self.guessing = LessonAsking(self.lesson.title, parts=done, now=opening.now)
        self.guessing.tell, self.guessing.count = there.tell, lambda: there.here
        there.ask(self.guessing)

    def turn(self, number: int, part: Part, there: Room | None = None) -> Turn:
        """Ask, set up, hear and compare."""
        from rig.teach.lessons.running import concluded, givens_for

        self._say(f"\nPart {number + 1} of {len(self.parts)}: {part.name}")
        self._say_wrapped(part.question.text)
        if self.guessing is not None and there is not None:
            self._guessed(self.guessing, part, there)
            prediction = self._predictions[number]
        else:
            prediction = self._prediction(number, part)
        if self._real:
            for hand in part.givens:
                self._say_wrapped(f"Measure by hand as you go: {hand.text} ({hand.name}).")
        heard = tuple(self._heard(part, step) for step in part.steps)
        values = self._with_those_asked_for(part, heard)
        turn = concluded(part, heard, givens_for(part, heard, values), prediction)
        self._say_turn(turn)
        if self.guessing is not None and there is not None:
            from rig.teach.guesses.spread_text import right_text

            self.guessing.conclude(turn)
            spread = self.guessing.spreads[part.name]
            self._say_wrapped(right_text(spread, turn))
            _show_spread(there, self.lesson, spread, turn)
        return turn

    @property
    def real(self) -> bool:
        """Whether a bench stands there that can be heard."""
        return self._real

    @property
    def in_window(self) -> bool:
        """Whether somebody sits before a screen on which a window can be opened."""
        if not self._asks:
            return False
        from rig.show.window.backend import screen_there, window_backend

        return screen_there() and window_backend() is not None

    def for_window(self) -> WindowCourse:
        """Return what a window asks of this bench."""
        from rig.show.window.lesson_window import WindowCourse
        from rig.teach.lessons.running import concluded, givens_for
        from rig.teach.lessons.step_check import missing_echo

        done = [part for part in self.parts if part.name not in self.refused]

        def conclude(part: Part, heard: tuple[StepHeard, ...], prediction: Prediction) -> Turn:
            return concluded(part, heard, givens_for(part, heard, self._values), prediction)

        def note(hand: Given, text: str) -> None:
            self._values[hand.name] = _number(hand.name, text)

        return WindowCourse(
            title=self.lesson.title,
            parts=tuple(done),
            predictions=tuple(
                self._predictions[n] for n, part in enumerate(self.parts) if part in done
            ),
            opened=self._opened,
            record=self._record_under,
            set_up=self._set_up,
            wanted=lambda part: [
                hand for hand in part.givens if self._real and hand.name not in self._values
            ],
            note=note,
            check=lambda heard: missing_echo(heard) if self._real else "",
            conclude=conclude,
            guessing=self.guessing,
        )

    # What stands on the command line

    def _recordings_by_step(self) -> dict[tuple[str, str], str]:
        found = self._given.recording
        if not found:
            return {}
        if self._given.record:
            raise LessonError("--record: found with --recording; leave one of them out")
        steps = [(part.name, step.name) for part in self.parts for step in part.steps]
        if len(found) != len(steps):
            listed = ", ".join("/".join(step) for step in steps)
            alone = ", or --part NAME for one part alone" if len(self.parts) > 1 else ""
            raise LessonError(
                f"--recording: found {len(found)}, and there are {len(steps)} steps ({listed}); "
                f"give one for each, in that order{alone}"
            )
        return dict(zip(steps, found, strict=True))

    def _check_plan(self) -> None:
        if self._real and self._own is None:
            raise PlanError(
                f"--plan: found none with --front-end {self._given.front_end}; a real bench needs "
                "its own plan, see README.md"
            )

    def _as_asked(self, part: Part) -> Part:
        """Return a part as it is asked of this bench; as it stands where the bench cannot do it."""
        from rig.teach.lessons.running import part_recorded

        try:
            if not self._recordings:
                return part.on(self._own)
            first = self._recordings[part.name, part.steps[0].name]
            return part_recorded(
                self.lesson,
                part,
                first,
                own=self._own,
                plan_path=self._given.plan,
                calibration_path=self._given.calibration,
            )
        except PlanError as problem:
            self.refused[part.name] = PlanError(f"{self._given.plan or part.name}: {problem}")
            return part

    def _predicted(self) -> list[Prediction]:
        from rig.teach.lessons.running import predicted

        given = self._given.predict
        if len(given) > len(self.parts):
            names = ", ".join(part.name for part in self.parts)
            raise LessonError(
                f"--predict: found {len(given)}, and there is one question in each of {names}; "
                "give at most one for each"
            )
        found: list[Prediction] = [
            predicted(part.question, text) for part, text in zip(self.parts, given, strict=False)
        ]
        return found + [None] * (len(self.parts) - len(given))

    def _measured_by_hand(self) -> dict[str, float]:
        from rig.teach.lessons.running import missing_given

        known = {hand.name: hand for part in self.parts for hand in part.givens}
        values = {}
        for text in self._given.given:
            name, sign, number = text.partition("=")
            if name not in known:
                has = ", ".join(known) or "none"
                raise LessonError(f"--given: found {text!r}; the quantities here are: {has}")
            values[name] = _number(f"--given {name}", number if sign else "")
        if self._real and not self._asks:
            for part in self.parts:
                for hand in part.givens:
                    if hand.name not in values:
                        raise missing_given(part, hand)
        return values

    def _check_room_for_recordings(self) -> None:
        for part in self.parts:
            for step in part.steps:
                meta = f"{self._recording_name(part, step)}.sigmf-meta"
                if os.path.exists(meta):
                    raise StorageError(
                        f"{meta}: is already there and is not overwritten; give --out another "
                        "folder, or move the old recording away"
                    )

    def _refuse(self) -> None:
        """Note the parts that this bench cannot do, with the reason; ask the bench itself."""
        from rig.teach.lessons.running import check_bench, tables_for

        board = None
        if self._own is not None and not self._recordings:
            # A device that is not there, too, is better missed before a class has predicted.
            board = opening.board_identity(self._given, self._own)
            self._calibration(self._own)
        for part in () if self._recordings else self.parts:
            if part.name in self.refused:
                continue
            try:
                tables = tables_for(self.lesson, part, self._own)
                for step in part.steps:
                    check_bench(
                        step,
                        tables,
                        front_end=self._given.front_end,
                        source=self._given.plan or self.lesson.name,
                        board=board,
                    )
            except PlanError as problem:
                self.refused[part.name] = problem
        if len(self.refused) == len(self.parts):
            raise next(iter(self.refused.values()))

    # What is asked and said

    def _guessed(self, guessing: LessonAsking, part: Part, there: Room) -> None:
        """Have the class guess on its pages until Enter; once more, where that is asked for."""
        from rig.teach.guesses.spread_text import answered_text, spread_lines

        def count() -> None:
            counted = answered_text(guessing.answered, guessing.here)
            keyboard.write_over(f"{counted}; Enter closes the question. ")

        guessing.pose(part.name, part.question)
        guessing.taken = count
        while True:
            self._answer("The class guesses on its pages; Enter closes the question. ")
            spread = guessing.close()
            for line in spread_lines(spread):
                self._say_wrapped(line)
            _show_spread(there, self.lesson, spread, None)
            words = "Enter: on to the pings; r: talk in pairs, then guess once more: "
            if not guessing.may_ask_again or self._answer(words) != "r":
                return
            guessing.again()

    def _prediction(self, number: int, part: Part) -> Prediction:
        from rig.teach.lessons.running import predicted
        from rig.teach.lessons.turn_text import prediction_text

        choices = part.question.choices
        for place, choice in enumerate(choices, 1):
            self._say(f"  {place}  {choice}")
        prediction = self._predictions[number]
        if prediction is not None or not self._asks:
            if prediction is not None:
                self._say(f"Your prediction: {prediction_text(prediction, part.question)}")
            return prediction
        unit = "" if choices else f", in {part.question.unit}" if part.question.unit else ""
        while True:
            text = self._answer(f"Your prediction{unit} (Enter for none): ")
            if not text:
                return None
            try:
                return predicted(part.question, text)
            except LessonError as problem:
                self._say(str(problem))

    def _with_those_asked_for(self, part: Part, heard: Sequence[StepHeard]) -> Mapping[str, float]:
        if not self._asks or all(h.receiver.info.invented for h in heard):
            return self._values
        for hand in part.givens:
            while hand.name not in self._values:
                text = self._answer(f"{hand.name}: {hand.text}: ")
                try:
                    self._values[hand.name] = _number(hand.name, text)
                except LessonError as problem:
                    self._say(str(problem))
        return self._values

    def _answer(self, words: str) -> str:
        keyboard.drop_typed()
        print(words, end="", flush=True)
        line = sys.stdin.readline()
        if not line:
            print()
            self._asks = False
        return line.strip()

    def _set_up(self, part: Part, step: Step) -> str:
        """Say what is done for a step: by whoever stands at the bench, or by the virtual tank."""
        from rig.teach.lessons.turn_text import set_up_text

        by_hand = self._real or (part.name, step.name) in self._recordings
        return set_up_text(step, invented=not by_hand)

    def _wait_for_set_up(self, step: Step) -> None:
        """Wait until the step stands; in the virtual tank, until somebody wants to hear it."""
        if not self._real and not self._asks:
            return
        keyboard.drop_typed()
        words = "Press Enter when it stands." if self._real else "Press Enter to ping."
        print(words, file=sys.stderr, flush=True)
        if not sys.stdin.readline() and self._real:
            raise LessonError(
                f"step {step.name}: the input ended before it; press Enter once it is set up, or "
                "give recordings"
            )

    def _stands(self, heard: StepHeard) -> bool:
        """Whether a real bench's step is heard where it was put, or is to be taken all the same."""
        from rig.teach.lessons.step_check import missing_echo

        missing = missing_echo(heard) if self._real else ""
        if not missing:
            return True
        self._say_wrapped(missing)
        return self._asks and self._answer("Enter: ping again; g: go on as it is: ") == "g"

    def _say(self, words: str) -> None:
        print(words, file=sys.stderr if self._given.json else sys.stdout, flush=True)

    def _say_wrapped(self, words: str) -> None:
        for line in _wrapped(words):
            self._say(line)

    def _say_turn(self, turn: Turn) -> None:
        from rig.teach.lessons import turn_text

        for line in turn_text.result_lines(turn):
            self._say(line)
        for line in turn_text.remark_lines(turn):
            self._say_wrapped(line)

    # What is heard

    def _heard(self, part: Part, step: Step) -> StepHeard:
        from rig.teach.lessons.running import hear

        self._say_wrapped(f"Step {step.name}: {self._set_up(part, step)}")
        if (part.name, step.name) in self._recordings:
            with self._opened(part, step) as bench:
                return hear(step, bench)
        while True:
            self._wait_for_set_up(step)
            record = self._record_under(part, step)
            with self._opened(part, step) as bench:
                heard = hear(step, bench, record=record)
            if self._stands(heard) or not self._asks:
                return heard

    def _opened(self, part: Part, step: Step) -> Bench:
        """Open a step's recording, or the bench for it."""
        from rig.teach.lessons.running import bench_for, replay_for

        recording = self._recordings.get((part.name, step.name))
        if recording is None:
            return bench_for(
                self.lesson,
                part,
                step,
                own=self._own,
                source=self._given.plan,
                front_end=self._given.front_end,
                open_bench=self._bench,
            )
        bench = replay_for(
            step,
            recording,
            own=self._own,
            plan_path=self._given.plan,
            calibration_path=self._given.calibration,
        )
        if bench.origin.lost_at_end:
            opening.warn(f"{recording}: {bench.origin.lost_at_end}")
        return bench

    def _record_under(self, part: Part, step: Step) -> str | None:
        """Return the name to record a step under, where it is asked for; another try, another."""
        if not self._given.record or self._recordings:
            return None
        first = name = self._recording_name(part, step)
        number = 1
        while os.path.exists(f"{name}.sigmf-meta"):
            number += 1
            name = f"{first}-{number}"
        self.recorded[part.name].append(f"{name}.sigmf-meta")
        return name

    def _calibration(self, plan: Plan) -> Calibration | None:
        if self._own is None:
            return None
        return opening.calibration_for(self._given, plan)

    def _bench(self, plan: Plan, scene: Scene | None) -> Bench:
        return opening.bench_of(self._given, plan, scene=scene, calibration=self._calibration(plan))

    def _recording_name(self, part: Part, step: Step) -> str:
        return os.fspath(self.folder / f"{self.lesson.name}-{part.name}-{step.name}")


def _hand_out(
    given: argparse.Namespace,
    lesson: Lesson,
    course: _Course,
    turns: Sequence[Turn],
    problems: Mapping[str, str],
    drawn: Mapping[str, TurnPictures],
) -> None:
    """Write each part's picture and the sheets, and answer."""
    from rig.files.whole import write_whole
    from rig.show.answers import lesson_answer
    from rig.show.sheets.lesson_sheet import write_pupil_sheet, write_sheet

    # A device that was not there left none.
    recorded = {
        name: [path for path in paths if os.path.exists(path)]
        for name, paths in course.recorded.items()
    }
    pictures = {
        turn.part.name: os.fspath(course.folder / f"{lesson.name}-{turn.part.name}.png")
        for turn in turns
    }
    remedy = "give --out a folder that may be written to and has room"
    for name, path in pictures.items():
        write_whole(path, drawn[name].of_class, what="picture", remedy=remedy)
    part = "" if given.part is None else f"-{given.part}"
    sheet = course.folder / f"{lesson.name}{part}-sheet.html"
    pupil = course.folder / f"{lesson.name}{part}-pupil.html"
    kept = course.guessing if given.keep_guesses else None
    if turns:
        spreads = None if kept is None else kept.spreads
        made = opening.now()
        write_sheet(sheet, lesson, turns, made=made, pictures=drawn, spreads=spreads)
        write_pupil_sheet(pupil, lesson, turns, made=made, pictures=drawn)
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
        write_whole(guesses, kept.table, what="table of guesses", remedy=remedy)
        print(f"The class's guesses, by nickname, are in {guesses}")
    print("Prediction and measurement in one picture:")
    for picture in pictures.values():
        print(f"  {picture}")
    for paths in recorded.values():
        if paths:
            print(f"Recorded: {', '.join(paths)}")
    for line in _wrapped(f"A common misreading: {lesson.misreading}"):
        print(line)


def _wrapped(words: str) -> list[str]:
    import shutil
    import textwrap

    width = min(shutil.get_terminal_size((80, 24)).columns, 100)
    return textwrap.wrap(words, width)


def _folder(out: str | None) -> Path:
    from pathlib import Path

    folder = Path(out or ".")
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        raise StorageError(
            f"{folder}: cannot be made ({problem.strerror}); give --out a folder"
        ) from problem
    return folder


def _number(name: str, text: str) -> float:
    import math

    from rig.teach.lessons.running import number_in

    value = number_in(text)
    if not math.isfinite(value):
        raise LessonError(f"{name}: found {text!r}; give a number such as 0.98, in the name's unit")
    return value


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
