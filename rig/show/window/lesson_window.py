"""A lesson in a window: question, prediction, pings as they come, answer, reason.

With a class on pages of its own the window asks nobody: it says how many have answered, a key
closes the question and shows the spread, and measurement and theory are drawn into that.

Each page waits for a key. Keys that were pressed while something was worked out or heard are
dropped: they were meant for the page before.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, cast

import numpy as np

from rig.errors import EchobenchError, LessonError
from rig.run.opening import Bench
from rig.run.results import PingResult
from rig.run.run import Run
from rig.show.pictures.guess_spread import SpreadPage, draw_spread
from rig.show.pictures.lesson_page import LessonPage, draw_page
from rig.show.pictures.lesson_picture import draw_reason, draw_turn
from rig.show.window import doorplate
from rig.show.window.backend import window_figure
from rig.show.window.doorplate import Doorplate
from rig.show.window.pace import paced
from rig.show.window.pump import Pump
from rig.teach.guesses.guesses import Spread
from rig.teach.guesses.spread_text import answered_text, spread_lines
from rig.teach.lessons.lesson import Given, Part, Step, StepHeard
from rig.teach.lessons.running import Prediction, Turn, predicted
from rig.teach.lessons.turn_text import remark_lines, result_lines

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from rig.show.room.lesson_asking import LessonAsking
    from rig.show.room.room import Room

_POLL_MS = 30
_WIDE_PX, _TALL_PX = 1280.0, 720.0
_NEXT = {"open": "spread", "spread": "step", "compared": "result", "result": "why"}
"""From a page that only waits to the one after it."""

_TYPED = frozenset("0123456789.,-+eE\N{MINUS SIGN}")


@dataclass(frozen=True, slots=True, kw_only=True)
class WindowCourse:
    """What a lesson in a window is taken through, and what is asked of the bench.

    Attributes
    ----------
    title : str
    parts : tuple of Part
        As they are asked of this bench; without those that it cannot do.
    predictions : tuple
        Those given beforehand, for each part; None where the window asks.
    opened : callable
        From a part and a step to an open bench.
    record : callable
        From a part and a step to the name to record under; None where nothing is recorded.
    set_up : callable
        From a part and a step to what is done for it, in words.
    wanted : callable
        From a part to what is still to be measured by hand.
    note : callable
        Takes the name and the value of what was measured by hand.
    check : callable
        From what a step was heard as to what is missing; empty where nothing is.
    conclude : callable
        From part, what was heard and prediction to the turn.
    guessing : LessonAsking or None
        Where a class guesses on its own pages.
    """

    title: str
    parts: tuple[Part, ...]
    predictions: tuple[Prediction, ...]
    opened: Callable[[Part, Step], Bench]
    record: Callable[[Part, Step], str | None]
    set_up: Callable[[Part, Step], str]
    wanted: Callable[[Part], Sequence[Given]]
    note: Callable[[Given, str], None]
    check: Callable[[StepHeard], str]
    conclude: Callable[[Part, tuple[StepHeard, ...], Prediction], Turn]
    guessing: LessonAsking | None = None


def show_lesson(
    course: WindowCourse, *, room: Room | None = None
) -> tuple[list[Turn], dict[str, EchobenchError]]:
    """Take a class through a lesson's parts in a window.

    Parameters
    ----------
    course : WindowCourse
    room : Room, optional
        Follows what is shown; not closed.

    Returns
    -------
    turns : list of Turn
        Of the parts that were done.
    problems : dict
        Why the others were not, by name.

    Raises
    ------
    DeviceError
        Where no window can be opened.
    """
    with window_figure(otherwise="take the lesson in the terminal") as figure:
        from matplotlib import pyplot

        window = LessonWindow(figure, course, plate=None if room is None else Doorplate(room))
        timer = figure.canvas.new_timer(interval=_POLL_MS)
        timer.add_callback(window.look)
        figure.canvas.mpl_connect("close_event", lambda _: timer.stop())
        timer.start()
        try:
            pyplot.show(block=True)
        finally:
            timer.stop()
            window.stop()
    for part in course.parts:
        if part.name not in window.problems and part.name not in {
            t.part.name for t in window.turns
        }:
            window.problems[part.name] = LessonError("not done: the window was closed")
    return window.turns, window.problems


class LessonWindow:
    """The pages of a lesson on an interactive figure, and what the keys do to them.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        In a window of its own, of pyplot's making.
    course : WindowCourse
    plate : Doorplate, optional
        By which a room follows what is shown.

    Attributes
    ----------
    turns : list of Turn
    problems : dict of str to EchobenchError
    stage : str
        "ask", "step", "hear", "given", "result", "why" or "failed"; with a class "open" in place
        of "ask", "spread" once that is closed, and "compared" before "result".
    """

    def __init__(
        self, figure: Figure, course: WindowCourse, *, plate: Doorplate | None = None
    ) -> None:
        self._figure = figure
        self._plate = plate
        self._canvas = cast(Any, figure.canvas)  # a backend's own, known only when it runs
        self._course = course
        self.turns: list[Turn] = []
        self.problems: dict[str, EchobenchError] = {}
        self._closed = self._deaf = False
        self._pump: Pump | None = None
        title = f"echobench: {course.title}"
        self._canvas.manager.set_window_title(title if plate is None else f"{title}, {plate.title}")
        self._canvas.mpl_connect("close_event", self._note_closed)
        self._canvas.mpl_connect("resize_event", lambda _: self._show())
        self._canvas.mpl_connect("key_press_event", lambda event: self.press(event.key or ""))
        self._canvas.mpl_connect("button_press_event", lambda _: self._put_plate_away())
        self._begin(0)

    # What comes next

    def _begin(self, number: int) -> None:
        """Ask a part's question, or close after the last."""
        if number >= len(self._course.parts):
            self._close()
            return
        self._number, self._part = number, self._course.parts[number]
        self._prediction = self._course.predictions[number]
        self._heard: list[StepHeard] = []
        self._step = 0
        # A step whose echo was not where it was put: to be heard again, or taken as it is.
        self._missing: StepHeard | None = None
        self._typed, self._message = "", ""
        self._run: Run | None = None
        self._results: list[PingResult] = []
        self._spread: Spread | None = None
        self._counted = (0, 0, 0)
        self.stage = "ask" if self._prediction is None else "step"
        if self._course.guessing is not None:
            self._course.guessing.pose(self._part.name, self._part.question)
            self.stage = "open"
        self._show()

    def _put_plate_away(self) -> None:
        if self._plate is not None and self._plate.shown:
            self._plate.toggle()
            self._show()

    def press(self, key: str) -> None:
        """Do what a key, by matplotlib's name, stands for; other keys do nothing."""
        if self._deaf or self._closed:
            return
        if key == "q":
            self._close()
        elif key == doorplate.KEY and self._plate is not None:
            self._plate.toggle()
            self._show()
        elif key == "f":
            self._canvas.manager.full_screen_toggle()
        elif self.stage in ("ask", "given"):
            self._type(key)
        elif key in ("enter", " ", "g", "r"):
            self._go_on(key)

    def _type(self, key: str) -> None:
        if key == "backspace":
            self._typed = self._typed[:-1]
        elif key == "enter":
            self._enter()
            return
        elif key in _TYPED and len(self._typed) < 12:
            self._typed += key
        self._message = ""
        self._show()

    def _enter(self) -> None:
        typed, self._typed = self._typed, ""
        try:
            if self.stage == "given":
                self._course.note(self._wanted()[0], typed)
            elif typed:
                self._prediction = predicted(self._part.question, typed)
        except LessonError as problem:
            self._message = str(problem)
            self._show()
            return
        self._message = ""
        if self.stage == "ask":
            self.stage = "step"
        elif not self._wanted():
            self._conclude()
            return
        self._show()

    def _wanted(self) -> Sequence[Given]:
        return self._course.wanted(self._part)

    def _go_on(self, key: str) -> None:
        if self.stage == "step" and key == "g" and self._missing:
            self._take_step()
        elif key == "r":
            self._ask_again()
        elif self.stage == "step":
            if key != "g":
                self._hear()
        elif self.stage in _NEXT:
            self.stage = _NEXT[self.stage]
            if self.stage == "spread" and self._course.guessing is not None:
                self._spread = self._course.guessing.close()
            self._show()
        elif self.stage in ("why", "failed"):
            self._begin(self._number + 1)

    def _ask_again(self) -> None:
        """Open the question for a second guess, after talk in pairs."""
        guessing = self._course.guessing
        if self.stage == "spread" and guessing is not None and guessing.may_ask_again:
            guessing.again()
            self.stage = "open"
            self._show()

    def _hear(self) -> None:
        """Send a step's pings, on a thread of their own."""
        self._missing, self._results, self._run, self._message = None, [], None, ""
        self.stage = "hear"
        self._pump = Pump(self._pings(self._part.steps[self._step]))
        self._pump.start()
        self._show()

    def _pings(self, step: Step) -> Iterator[PingResult]:
        with self._course.opened(self._part, step) as bench:
            run = bench.run()
            pings = step.pings if bench.recorded_pings is None else bench.recorded_pings
            record = self._course.record(self._part, step)
            results = bench.over(run, pings, record=record, one_by_one=True)
            self._run = run
            yield from paced(results, run.plan.timing.ping_interval_s)

    def look(self) -> None:
        """Take the pings that have come, and show them; go on after the last."""
        pump, guessing = self._pump, self._course.guessing
        if self.stage == "open" and guessing is not None and not self._closed:
            if self._counted != (guessing.answered, *guessing.count()):
                self._show()
            return
        if pump is None or self._closed:
            return
        ending = pump.ending
        came = pump.waiting()
        self._results += came
        if came:
            self._show()
        if not ending:
            return
        self._pump = None
        if isinstance(pump.problem, EchobenchError):
            self._fail(pump.problem)
        elif pump.problem is not None:
            raise pump.problem
        elif self._run is not None:
            self._after(StepHeard(step=self._part.steps[self._step], run=self._run))

    def _after(self, heard: StepHeard) -> None:
        with _Deaf(self):
            missing = self._course.check(heard)
        if missing:
            self._missing = heard
            self._message = f"{missing} Space: ping again. g: go on as it is."
            self.stage = "step"
            self._show()
            return
        self._missing = heard
        self._take_step()

    def _take_step(self) -> None:
        if self._missing is None:
            return
        self._heard.append(self._missing)
        self._missing, self._message = None, ""
        self._step += 1
        if self._step < len(self._part.steps):
            self.stage = "step"
            self._show()
        elif self._wanted():
            self.stage = "given"
            self._show()
        else:
            self._conclude()

    def _conclude(self) -> None:
        self.stage, self._message = "hear", "Working it out …"
        self._show()
        try:
            with _Deaf(self):
                turn = self._course.conclude(self._part, tuple(self._heard), self._prediction)
        except EchobenchError as problem:
            self._fail(problem)
            return
        self.turns.append(turn)
        self.stage = "result"
        if self._course.guessing is not None:
            self._course.guessing.conclude(turn)
            self.stage = "compared"
        self._show()

    def _fail(self, problem: EchobenchError) -> None:
        self.problems[self._part.name] = problem
        self._message = f"{problem}"
        self.stage = "failed"
        self._show()

    # What is shown

    def _show(self) -> None:
        """Draw the page at the size of the window; its words grow with it."""
        if self._closed or self._canvas.manager is None:
            return
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure

        wide_px, tall_px = (int(side) for side in self._figure.bbox.size)
        scale = min(wide_px / _WIDE_PX, tall_px / _TALL_PX)
        if scale <= 0.1:
            return
        paper = Figure(figsize=(wide_px / scale / 100, tall_px / scale / 100), dpi=100 * scale)
        canvas: Any = FigureCanvasAgg(paper)  # Matplotlib leaves it untyped
        self._draw(paper)
        canvas.draw()
        self._figure.clear()
        dots = np.asarray(canvas.buffer_rgba())
        if self._plate is not None:
            self._plate.tell(self._heading, self._said(), "")
            self._plate.take(dots)
        self._figure.figimage(dots, resize=False)
        self._canvas.draw()

    @property
    def _heading(self) -> str:
        return f"{self._course.title} · part {self._number + 1} of {len(self._course.parts)}"

    @property
    def _any_time(self) -> str:
        """Which keys do something on every page that is drawn here."""
        join = "" if self._plate is None else f"{doorplate.KEY} how to join · "
        return f"{join}f fill the screen · q quit"

    def _said(self) -> tuple[str, ...]:
        """Say what the page shows, for who cannot see it."""
        asked = self._part.question.text
        if self.stage in ("spread", "compared") and self._spread is not None:
            turn = self.turns[-1] if self.stage == "compared" else None
            return (asked, *spread_lines(self._spread, turn))
        if self.stage in ("result", "why"):
            return (asked, *result_lines(self.turns[-1]), *remark_lines(self.turns[-1]))
        return tuple(words for words in (asked, self._page().answer, self._page().words) if words)

    def _draw(self, paper: Figure) -> None:
        if self.stage in ("spread", "compared") and self._spread is not None:
            draw_spread(paper, self._spread_page(self._spread))
            return
        if self.stage == "result":
            keys = "space: why is it so? · q quit"
            draw_turn(paper, self.turns[-1], alone=True, keys=keys, spread=self._spread)
            return
        if self.stage == "why":
            last = self._number + 1 == len(self._course.parts)
            go_on = "space: to the end" if last else "space: the next question"
            draw_reason(paper, self.turns[-1], keys=f"{go_on} · q quit")
            return
        draw_page(paper, self._page())

    def _spread_page(self, spread: Spread) -> SpreadPage:
        guessing = self._course.guessing
        keys = self._any_time
        if self.stage == "compared":
            keys = f"space: the picture of what was measured · {keys}"
            return SpreadPage(heading=self._heading, spread=spread, turn=self.turns[-1], keys=keys)
        if guessing is not None and guessing.may_ask_again:
            keys = f"r: talk in pairs, then guess once more · {keys}"
        return SpreadPage(
            heading=self._heading, spread=spread, keys=f"space: on to the pings · {keys}"
        )

    def _page(self) -> LessonPage:
        part, question = self._part, self._part.question
        answer, words, keys = "", self._message, self._any_time
        if self.stage == "ask":
            unit = "" if question.choices else f" {question.unit}"
            answer = f"Your prediction: {self._typed}▏{unit}".rstrip()
            what = "the choice's number" if question.choices else "a number"
            keys = f"type {what}, then Enter; Enter alone for none · {keys}"
        elif self.stage == "open" and self._course.guessing is not None:
            guessing = self._course.guessing
            self._counted = guessing.answered, *guessing.count()
            answer = f"{answered_text(*self._counted)}."
            again = not guessing.may_ask_again
            words = "Talk in pairs, then guess once more." if again else "Guess, each for yourself."
            keys = f"space: close, and show the spread · {keys}"
        elif self.stage == "given":
            wanted = self._wanted()[0]
            answer = f"{wanted.name}: {self._typed}▏"
            words = self._message or f"Measured by hand: {wanted.text}."
            keys = f"type a number, then Enter · {keys}"
        elif self.stage in ("step", "hear"):
            step = part.steps[min(self._step, len(part.steps) - 1)]
            place = f"Step {min(self._step + 1, len(part.steps))} of {len(part.steps)}"
            words = self._message or f"{place}: {self._course.set_up(part, step)}"
            keys = f"{'space: ping' if self.stage == 'step' else 'pinging …'} · {keys}"
        else:
            keys = f"space: go on · {keys}"
        step = part.steps[min(self._step, len(part.steps) - 1)]
        return LessonPage(
            heading=self._heading,
            question=question,
            answer=answer,
            prediction=self._prediction,
            words=words,
            keys=keys,
            receiver=None if self._run is None else self._run.receiver,
            results=tuple(self._results),
            pings=max(step.pings, len(self._results), 1),
            spread=self._spread,
        )

    def _note_closed(self, _event: object) -> None:
        self._closed = True

    def _close(self) -> None:
        from matplotlib import pyplot

        pyplot.close(self._figure)

    def stop(self) -> None:
        """Let the ping under way finish, and take no more."""
        if self._pump is not None:
            self._pump.stop()

    def drop_keys(self) -> None:
        """Drop what was pressed until now."""
        self._deaf = True
        try:
            self._canvas.flush_events()
        finally:
            self._deaf = False


class _Deaf:
    """While something is worked out: keys pressed meanwhile are dropped at its end."""

    def __init__(self, window: LessonWindow) -> None:
        self._window = window

    def __enter__(self) -> None:
        pass

    def __exit__(self, *_problem: object) -> None:
        self._window.drop_keys()
