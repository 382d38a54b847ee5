"""A lesson's pages: what waits for what, and what is drawn before anything is heard."""

import dataclasses
import datetime
import functools
import os
import pathlib
import subprocess
import sys
import time
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text
from typist import PATIENCE_S
from virtual_screen import Screen, eventually

from rig.errors import LessonError
from rig.run.opening import Bench, open_bench
from rig.show.room.lesson_asking import LessonAsking
from rig.show.window.lesson_window import LessonWindow, WindowCourse
from rig.teach.lessons.lesson import Given, Lesson, Part, Step, StepHeard
from rig.teach.lessons.running import Prediction, Turn, bench_for, concluded, givens_for
from rig.teach.lessons.template import LESSON

ACCENT_RGB = (0xC2, 0x41, 0x0C)
"""The one colour beside ink, which is the prediction's (rig/show/pictures/page.py)."""


DASHED = 120
"""Dots of a dashed line across a panel a fifth as wide as the page: 280, of which 4 in 6.5 are
inked. No line of type has as many."""


_PART = LESSON.parts[0]
FEW = dataclasses.replace(
    LESSON,
    parts=(
        dataclasses.replace(
            _PART, steps=tuple(dataclasses.replace(s, pings=2) for s in _PART.steps)
        ),
    ),
)
"""Two pings are enough to tell which page waits for which."""


class Taken:
    """A course on the virtual tank that notes what it was asked."""

    def __init__(self, lesson: Lesson = FEW, *, missing: str = "", givens: int = 0) -> None:
        self.lesson, self.missing = lesson, missing
        self.opened: list[str] = []
        self.values: dict[str, float] = {}
        self.asks_for = givens

    def course(self, **more: Any) -> WindowCourse:
        return WindowCourse(
            **more,
            title=self.lesson.title,
            parts=self.lesson.parts,
            predictions=tuple(None for _ in self.lesson.parts),
            opened=self._opened,
            set_up=lambda _, step: step.set_up,
            record=lambda _part, _step: None,
            wanted=self._wanted,
            note=self._note,
            check=lambda _heard: self.missing,
            conclude=self._conclude,
        )

    def _opened(self, part: Part, step: Step) -> Bench:
        self.opened.append(step.name)
        return bench_for(
            self.lesson, part, step, own=None, front_end="virtual-tank", open_bench=self._bench
        )

    @staticmethod
    def _bench(plan: object, scene: object) -> Bench:
        return open_bench(plan, scene=scene, seed=5)  # type: ignore[arg-type]

    def _wanted(self, part: Part) -> list[Given]:
        return [g for g in part.givens[: self.asks_for] if g.name not in self.values]

    def _note(self, hand: Given, text: str) -> None:
        if not text:
            raise LessonError(f"{hand.name}: found nothing; give a number")
        self.values[hand.name] = float(text)

    def _conclude(self, part: Part, heard: tuple[StepHeard, ...], prediction: Prediction) -> Turn:
        return concluded(part, heard, givens_for(part, heard, self.values), prediction)


def window_of(
    taken: Taken, size: tuple[float, float] = (12.8, 7.2), *, plate: Any = None, **more: Any
) -> LessonWindow:
    figure = Figure(figsize=size, dpi=100)
    canvas = FigureCanvasAgg(figure)
    canvas.manager = SimpleNamespace(  # type: ignore[assignment]
        set_window_title=lambda _words: None, full_screen_toggle=lambda: None
    )
    return LessonWindow(figure, taken.course(**more), plate=plate)


def wait(window: LessonWindow, stage: str) -> None:
    ends = time.monotonic() + PATIENCE_S  # a guard against hanging, and no claim
    while window.stage != stage:
        assert time.monotonic() < ends, window.stage
        window.look()
        time.sleep(0.01)


def longest_accent(shown: np.ndarray) -> int:
    """Count the prediction's dots in the line that has the most of them."""
    alike = np.abs(shown[..., :3].astype(int) - ACCENT_RGB).max(axis=2) < 12
    return int(alike.sum(axis=1).max())


def shown_by(window: LessonWindow) -> np.ndarray:
    return np.asarray(window._figure.canvas.buffer_rgba())  # type: ignore[attr-defined]


def typed(window: LessonWindow, text: str) -> None:
    for key in [*text, "enter"]:
        window.press(key)


@pytest.mark.usefixtures("unseen_pictures")
def test_each_page_of_a_lesson_waits_for_a_key() -> None:
    taken = Taken()
    window = window_of(taken)
    assert window.stage == "ask"
    typed(window, "2.9")
    for step in FEW.parts[0].steps:
        window.look()
        assert window.stage == "step"
        assert step.name not in taken.opened
        window.press(" ")
        assert window.stage == "hear"
        wait(window, "step" if step is not FEW.parts[0].steps[-1] else "result")
    # The way grows by 1 m (0.5 m out and back, less the little of a 12 cm baseline): at 343.96 m/s
    # 2.9 ms, worked out by hand.
    (turn,) = window.turns
    assert turn.finding.measured == pytest.approx(2.9, abs=0.02)
    assert turn.predicted_rightly
    window.press(" ")
    assert window.stage == "why"


def test_the_prediction_is_in_the_picture_before_anything_is_heard() -> None:
    taken = Taken()
    window = window_of(taken)
    assert longest_accent(shown_by(window)) < DASHED
    typed(window, "4")
    assert taken.opened == []
    assert longest_accent(shown_by(window)) > DASHED


@pytest.mark.usefixtures("unseen_pictures")
def test_keys_pressed_while_pings_come_are_not_taken_for_the_next_page() -> None:
    window = window_of(Taken())
    typed(window, "3")
    window.press(" ")
    for key in (" ", "enter", "5", "g"):
        window.press(key)
    wait(window, "step")
    window.look()
    assert window.stage == "step"


@pytest.mark.usefixtures("unseen_pictures")
def test_a_step_without_its_echo_is_heard_again_or_taken_as_it_is() -> None:
    taken = Taken(missing="No echo from about 1.00 m.")
    window = window_of(taken)
    typed(window, "3")
    window.press(" ")
    wait(window, "step")
    window.press(" ")  # once more
    wait(window, "step")
    assert taken.opened == ["start", "start"]
    window.press("g")
    window.press(" ")
    wait(window, "step")
    assert taken.opened == ["start", "start", "away"]


@pytest.mark.usefixtures("unseen_pictures")
def test_what_was_measured_by_hand_is_asked_for_and_a_slip_is_asked_again() -> None:
    taken = Taken(givens=1)
    window = window_of(taken)
    typed(window, "")
    for _ in FEW.parts[0].steps:
        window.press(" ")
        wait(window, "step" if len(taken.opened) == 1 else "given")
    typed(window, "")
    assert window.stage == "given"
    typed(window, "1.0")
    assert window.stage == "result"
    assert taken.values == {"first_m": 1.0}


@pytest.mark.usefixtures("unseen_pictures")
def test_a_choice_is_typed_by_its_number_and_a_wrong_number_is_told() -> None:
    question = dataclasses.replace(_PART.question, choices=("sooner", "later"))
    part = dataclasses.replace(_PART, question=question)
    window = window_of(Taken(dataclasses.replace(FEW, parts=(part,))))
    typed(window, "3")
    assert window.stage == "ask"
    assert "give one of" in window._message
    typed(window, "2")
    assert (window.stage, window._prediction) == ("step", "later")


@pytest.mark.parametrize("size", [(8.0, 4.8), (12.8, 7.2), (19.2, 10.8)])
def test_no_word_of_a_page_lies_off_the_window(size: tuple[float, float]) -> None:
    window = window_of(Taken(), size)
    scale = min(size[0] / 12.8, size[1] / 7.2)
    paper = Figure(figsize=(size[0] / scale, size[1] / scale), dpi=100)
    canvas = FigureCanvasAgg(paper)
    window._draw(paper)
    canvas.draw()
    for text in paper.findobj(Text):
        box = text.get_window_extent(canvas.get_renderer())
        if text.get_visible() and text.get_text().strip():
            assert min(box.x0, box.y0) >= 0, text.get_text()
            assert box.x1 <= paper.bbox.x1, text.get_text()
            assert box.y1 <= paper.bbox.y1, text.get_text()


# With a class that guesses on pages of its own.


def a_class() -> LessonAsking:
    return LessonAsking(FEW.title, parts=1, now=lambda: datetime.datetime(2026, 11, 29, 13, 0))


def guess(asking: LessonAsking, visitor: str, answer: str) -> bool:
    key = asking.asked(visitor)["questions"][0]["key"]
    return asking.take(visitor, {"key": key, "answer": answer})["taken"]


@pytest.mark.usefixtures("unseen_pictures")
def test_a_class_guesses_until_a_key_closes_and_the_answer_is_drawn_into_its_spread() -> None:
    asking, told = a_class(), []
    plate = SimpleNamespace(
        title="", tell=lambda *words: told.append(words), take=lambda dots: sizes.add(dots.shape)
    )
    sizes: set[tuple[int, ...]] = set()
    taken = Taken()
    window = window_of(taken, plate=plate, guessing=asking)
    assert window.stage == "open"
    typed(window, "2.9")  # typing is for the pages; Enter closes
    assert window.stage == "spread"
    window.press("r")
    assert window.stage == "open"
    asking.count = lambda: (3, 3)
    assert guess(asking, "a", "2.9 ms")
    assert guess(asking, "b", "0,004 s")
    window.look()
    assert "2 of 3 pages have answered." in told[-1][1]
    window.press(" ")
    assert window.stage == "spread"
    assert not guess(asking, "a", "3")
    assert taken.opened == []
    assert "Guess after talking: 2, from 2.9 ms to 4 ms; half lie below 3.45 ms." in told[-1][1]
    window.press("r")  # twice is enough
    assert window.stage == "spread"
    window.press(" ")
    for step in FEW.parts[0].steps:
        assert window.stage == "step"
        window.press(" ")
        wait(window, "step" if step is not FEW.parts[0].steps[-1] else "compared")
    # 1 m more of way at 343.96 m/s: 2.9 ms, as above; 4 ms is more than 5 % off.
    assert "Came true: 0 of 0 first guesses, 1 of 2 guesses after talking" in told[-1][1][-1]
    assert sizes == {(720, 1280, 4)}
    assert "Your guess after talking: 2.9 ms." in asking.asked("a")["questions"][0]["said"]
    for stage in ("result", "why"):
        window.press(" ")
        assert window.stage == stage


CHILD = """
import io, pathlib, sys
class Terminal(io.StringIO):
    def isatty(self):
        return True
sys.stdin = Terminal("")
from rig.cli import main
from rig.show.window import lesson_window
shown = lesson_window.LessonWindow._show
def told(self):
    shown(self)
    pathlib.Path("stage").write_text(f"{self.stage} {len(self._heard)}{self._typed}")
lesson_window.LessonWindow._show = told
sys.exit(main(sys.argv[1:]))
"""


@pytest.mark.window
def test_a_lesson_is_taken_in_a_real_window(display: Screen, tmp_path: pathlib.Path) -> None:
    root = str(pathlib.Path(__file__).parents[4])
    environment = {**os.environ, "DISPLAY": display.name, "PYTHONPATH": root}
    words = ["lesson", "time-is-distance", "--part", "out-and-back", "--out", "sheets", "--record"]
    child = subprocess.Popen(
        [sys.executable, "-W", "error", "-c", CHILD, *words],
        cwd=tmp_path,
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )

    def stands_at(stage: str) -> Callable[[], bool]:
        return lambda: child.poll() is None and (tmp_path / "stage").read_text() == stage

    def press(*keys: str) -> None:
        for key in keys:
            subprocess.run(
                ["xdotool", "key", "--window", focused(), key], env=environment, check=False
            )

    @functools.cache
    def focused() -> str:
        search = ["xdotool", "search", "--name", "echobench:"]

        def named() -> list[str]:
            # A window has its name some time after it is there.
            found = subprocess.run(
                search, env=environment, check=False, stdout=subprocess.PIPE, text=True
            )
            return found.stdout.split()

        window: str = eventually(named)[0]
        subprocess.run(["xdotool", "windowfocus", window], env=environment, check=False)
        return window

    def recorded() -> int:
        return len(list((tmp_path / "sheets").glob("*.sigmf-meta")))

    with child:
        try:
            eventually(lambda: (tmp_path / "stage").exists())
            eventually(stands_at("ask 0"))
            # The focus comes as an event of its own; keys before it are lost.
            eventually(lambda: (press("BackSpace", "1"), time.sleep(1), stands_at("ask 01")())[-1])
            press("BackSpace", "BackSpace", "5", "period", "8")
            eventually(stands_at("ask 05.8"))
            press("Return")
            eventually(stands_at("step 0"))
            assert recorded() == 0
            eventually(lambda: longest_accent(display.rgb()) > DASHED)
            press("space")
            eventually(stands_at("step 1"))
            assert recorded() == 1
            press("space")
            eventually(stands_at("result 2"))
            press("space")
            eventually(stands_at("why 2"))
            press("space")
            out, err = child.communicate(timeout=PATIENCE_S)
        finally:
            child.kill()
    assert child.returncode == 0, err
    assert "sheet to hand out" in out
    assert recorded() == 2
