"""A class taken through a lesson's parts: as the command line has it, asked, and heard."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from rig.cli import keyboard, opening
from rig.cli.lesson_shown import show_spread, wrapped
from rig.errors import LessonError, PlanError, StorageError

if TYPE_CHECKING:
    from pathlib import Path

    from rig.bench.plan import Plan
    from rig.bench.stored_calibration import Calibration
    from rig.run.opening import Bench
    from rig.show.room.lesson_asking import LessonAsking
    from rig.show.room.room import Room
    from rig.show.window.lesson_window import WindowCourse
    from rig.tank.scene import Scene
    from rig.teach.lessons.lesson import Given, Lesson, Part, Step, StepHeard
    from rig.teach.lessons.running import Prediction, Turn


class Course:
    """Takes a class through the parts, with what stood on the command line.

    All that can be wrong on the command line is found before a ping is sent.

    Attributes
    ----------
    real : bool
        Whether a bench stands there that can be heard.
    """

    def __init__(self, given: argparse.Namespace, lesson: Lesson, parts: Sequence[Part]) -> None:
        from rig.bench.front_end_names import INVENTED_FRONT_ENDS

        self._given = given
        self.lesson = lesson
        self.parts = tuple(parts)
        self.refused: dict[str, PlanError] = {}
        self._asks = sys.stdin.isatty() and not given.json
        self.real = given.front_end not in INVENTED_FRONT_ENDS and not given.recording
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
        self.guessing.tell, self.guessing.count = there.tell, there.count
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
        if self.real:
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
            show_spread(there, self.lesson, spread, turn)
        return turn

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
                hand for hand in part.givens if self.real and hand.name not in self._values
            ],
            note=note,
            check=lambda heard: missing_echo(heard) if self.real else "",
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
        if self.real and self._own is None:
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
        if self.real and not self._asks:
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
            counted = answered_text(guessing.answered, *guessing.count())
            keyboard.write_over(f"{counted}; Enter closes the question. ")

        guessing.pose(part.name, part.question)
        guessing.taken = count
        while True:
            self._answer("The class guesses on its pages; Enter closes the question. ")
            spread = guessing.close()
            for line in spread_lines(spread):
                self._say_wrapped(line)
            show_spread(there, self.lesson, spread, None)
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

        by_hand = self.real or (part.name, step.name) in self._recordings
        return set_up_text(step, invented=not by_hand)

    def _wait_for_set_up(self, step: Step) -> None:
        """Wait until the step stands; in the virtual tank, until somebody wants to hear it."""
        if not self.real and not self._asks:
            return
        keyboard.drop_typed()
        words = "Press Enter when it stands." if self.real else "Press Enter to ping."
        print(words, file=sys.stderr, flush=True)
        if not sys.stdin.readline() and self.real:
            raise LessonError(
                f"step {step.name}: the input ended before it; press Enter once it is set up, or "
                "give recordings"
            )

    def _stands(self, heard: StepHeard) -> bool:
        """Whether a real bench's step is heard where it was put, or is to be taken all the same."""
        from rig.teach.lessons.step_check import missing_echo

        missing = missing_echo(heard) if self.real else ""
        if not missing:
            return True
        self._say_wrapped(missing)
        return self._asks and self._answer("Enter: ping again; g: go on as it is: ") == "g"

    def _say(self, words: str) -> None:
        print(words, file=sys.stderr if self._given.json else sys.stdout, flush=True)

    def _say_wrapped(self, words: str) -> None:
        for line in wrapped(words):
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
        opening.warn_of_loss(recording, bench.origin)
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
