"""A guess on a real page: typed by keyboard, kept from others, changed, refused once closed."""

import dataclasses
import datetime
import json
import time
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from chromium import Browser, Opened
from typist import PATIENCE_S

from rig.show.room.exercise_asking import ExerciseAsking
from rig.show.room.lesson_asking import LessonAsking
from rig.show.room.picture import png_of
from rig.show.room.room import Room
from rig.teach.exercises.drawing import questions
from rig.teach.lessons.lesson import Finding, Question, curve
from rig.teach.lessons.running import Turn
from rig.teach.lessons.template import LESSON

pytestmark = pytest.mark.browser

HOW_FAR = Question(text="How far is it?", unit="m")
WHICH = Question(text="Which way?", unit="m", choices=("nearer", "farther"))
ANOTHERS = "7654.25"
SCRIPT = "<img src=x onerror=a()>"


def turn_of(question: Question) -> Turn:
    finding = Finding(
        measured=0.62,
        u_measured=0.002,
        expected=0.62,
        choice=question.choices[0] if question.choices else "",
        verdict="So it is.",
        x_label="x / m",
        y_label="y / m",
        curves=(curve("points", [1.0], [2.0], measured=True),),
        numbers=(("a",), ("b",)),
    )
    part = dataclasses.replace(LESSON.parts[0], question=question)
    return Turn(part=part, prediction=None, heard=(), givens={}, finding=finding)


@pytest.fixture
def asking(room: Room) -> LessonAsking:
    now = datetime.datetime(2026, 11, 29, 13, 0, tzinfo=datetime.UTC)
    made = LessonAsking("A lesson", parts=2, now=lambda: now)
    made.tell, made.count = room.tell, room.count
    room.ask(made)
    return made


@pytest.fixture
def join(browser: Browser, room: Room) -> Callable[[tuple[int, int]], Opened]:
    def joined(size: tuple[int, int]) -> Opened:
        page = Opened(browser, room.link, size=size)
        page.wait_for("document.getElementById('asked') !== null")
        return page

    return joined


def typed(page: Opened, text: str) -> None:
    for key in text:
        page.press(key)


def tab_to(page: Opened, selector: str) -> None:
    """Go there by Tab alone, as who cannot use a pointer does."""
    for _ in range(20):
        page.press("Tab")
        if page.value(f"document.activeElement.matches({json.dumps(selector)})"):
            return
    raise AssertionError(f"{selector} is not reached by Tab")


def wait_text(page: Opened, selector: str, text: str) -> None:
    page.wait_for(
        f"document.querySelector({json.dumps(selector)})?.textContent.includes({json.dumps(text)})"
    )


def wait_own(page: Opened, text: str) -> None:
    """Wait for the own sheet from outside: in it no script runs, not even the browser's timers."""
    until_s = time.monotonic() + PATIENCE_S
    shown = "location.pathname === '/own' && document.body ? document.body.innerText : ''"
    while text not in page.value(shown):
        assert time.monotonic() < until_s, page.value("document.documentElement.outerHTML")
        time.sleep(0.05)


def told(browser: Browser) -> str:
    """Return all that came over lines as text."""
    frames = [e for e in browser.events if e.get("method") == "Network.webSocketFrameReceived"]
    return " ".join(str(e["params"]["response"]["payloadData"]) for e in frames)


def fits(page: Opened) -> Any:
    return page.value("document.documentElement.scrollWidth <= window.innerWidth")


@pytest.mark.parametrize("size", [(390, 844), (1920, 1080)])
def test_a_guess_by_keyboard_alone_from_question_to_own_sheet(
    browser: Browser,
    asking: LessonAsking,
    join: Callable[[tuple[int, int]], Opened],
    size: tuple[int, int],
) -> None:
    page = join(size)
    asking.pose(LESSON.parts[0].name, HOW_FAR)
    wait_text(page, "#questions legend", "How far is it?")
    asking.take("another", {"key": "q1-1", "answer": ANOTHERS})

    tab_to(page, "#questions input[type=text]")
    typed(page, "62 cm")
    page.press("Enter")
    wait_text(page, "#questions .own", "Your answer: 0.62 m")
    assert asking.answered == 2

    # Nonsense is told, and what was taken stays.
    for _ in "62 cm":
        page.press("Backspace")
    typed(page, "far")
    page.press("Enter")
    wait_text(page, "#said", "give a number of m")
    assert "0.62 m" in page.value("document.querySelector('#questions .own').textContent")

    for _ in "far":
        page.press("Backspace")
    typed(page, "0,7")
    page.press("Enter")
    wait_text(page, "#questions .own", "Your answer: 0.7 m")
    assert ANOTHERS not in told(browser)
    assert ANOTHERS not in page.value("document.documentElement.outerHTML")
    assert fits(page)

    spread = asking.close()
    assert spread.rounds == ((0.7, float(ANOTHERS)),)
    wait_text(page, "#questions .said", "Closed.")
    assert page.value("document.querySelector('#questions input').disabled")
    # Nor is it taken where script sends it all the same.
    page.value(
        "(() => { const i = document.querySelector('#questions input'); i.disabled = false;"
        " i.value = '9'; i.form.requestSubmit(); })()"
    )
    wait_text(page, "#said", "closed")
    assert asking.spread.rounds == spread.rounds

    asking.again()
    wait_text(page, "#questions .said", "Your first guess: 0.7 m.")
    tab_to(page, "#questions input[type=text]")
    typed(page, "0.63")
    page.press("Enter")
    wait_text(page, "#questions .own", "Your answer: 0.63 m")
    asking.close()
    asking.conclude(turn_of(HOW_FAR))
    # 0.63 is 0.01 m more than 0.62, worked out by hand.
    wait_text(page, "#questions .said", "0.01 m more than what was measured")
    assert fits(page)

    tab_to(page, "#own a")
    page.call("Page.navigate", url=page.value("document.activeElement.href"))
    wait_own(page, "Your guess after talking: 0.63 m.")
    assert fits(page)
    refused = [c for c in page.complaints if "Content Security Policy" in json.dumps(c)]
    assert refused == []


def test_a_choice_is_taken_by_arrow_keys_and_a_nickname_with_script_is_words(
    room: Room,
    asking: LessonAsking,
    join: Callable[[tuple[int, int]], Opened],
) -> None:
    page = join((800, 480))
    asking.pose(LESSON.parts[0].name, WHICH)
    wait_text(page, "#questions legend", "Which way?")
    tab_to(page, "#nickname")
    typed(page, SCRIPT)
    page.press("Enter")
    wait_text(page, "#said", SCRIPT)
    assert page.value("document.querySelectorAll('#asked img').length") == 0

    tab_to(page, "#questions input[type=radio]")
    page.press("ArrowDown")
    page.press("Enter")
    wait_text(page, "#questions .own", "farther")
    asking.close()
    asking.conclude(turn_of(WHICH))
    wait_text(page, "#questions .said", "the bench says: nearer")
    page.call("Page.navigate", url=f"{room.url.rstrip('/')}/own")
    wait_own(page, SCRIPT)
    assert page.value("document.images.length") == 0
    assert SCRIPT in asking.table


def test_an_exercise_is_read_off_its_picture_and_marked_as_it_is_sent(
    room: Room, join: Callable[[tuple[int, int]], Opened]
) -> None:
    asked = tuple(questions(seed=3, count=1, topics=["nearer-or-farther"], difficulty="easy"))
    drawn = png_of(np.full((72, 128, 4), 200, dtype=np.uint8))
    now = datetime.datetime(2026, 11, 29, 13, 0, tzinfo=datetime.UTC)
    made = ExerciseAsking(asked, {1: drawn}, one_by_one=False, at_once=True, now=lambda: now)
    made.tell = room.tell
    room.ask(made)
    page = join((390, 844))
    page.wait_for("document.querySelector('#questions img').naturalWidth === 128")
    tab_to(page, "#questions a")  # opens the picture by itself, as large as one likes
    tab_to(page, "#questions input[type=radio]")
    draft = asked[0].draft
    page.press(" ")
    for _ in range(draft.choices.index(draft.answer)):
        page.press("ArrowDown")
    page.press("Enter")
    wait_text(page, "#questions .said", "Right.")
    assert page.value("[...document.querySelectorAll('#questions input')].every(i => i.disabled)")
    assert fits(page)
    assert page.complaints == []
