"""The room's page in a real browser, beside a real command."""

from __future__ import annotations

import os
import re
import signal
from pathlib import Path

import numpy as np
import pytest
from chromium import Browser, Opened
from room_visits import served
from typist import PATIENCE_S, SCREENS

from rig.show.room.asking import Asked, Message, Question, Reply
from rig.show.room.room import Room

pytestmark = pytest.mark.browser

PHONE, WALL = (390, 844), (1920, 1080)


WITHOUT_SCREEN = {key: value for key, value in os.environ.items() if key not in SCREENS}


def shot(page: Opened, name: str) -> None:
    """Keep what the page looks like where ROOM_SHOTS names a folder, to be looked at."""
    folder = os.environ.get("ROOM_SHOTS")
    if folder:
        Path(folder, name).write_bytes(page.picture())


def typed_in(page: Opened, words: str) -> None:
    for letter in words:
        page.press(letter)


def test_page_joins_by_keyboard_alone_sees_pings_arrive_and_the_run_end(
    browser: Browser, tmp_path: Path
) -> None:
    run = ("demo", "--room", "127.0.0.1:0", "--pings", "100000", "--picture", "demo.png")
    with served(*run, folder=tmp_path, environment=WITHOUT_SCREEN) as (process, url, code):
        page = Opened(browser, url, size=PHONE)
        # It comes there by itself, and not before the page has first been laid out.
        page.wait_for("document.activeElement.id === 'code'")
        shot(page, "join-phone.png")
        typed_in(page, code.lower())
        page.press("Enter")
        page.wait_for("Number(document.body.dataset.seen) >= 2")
        assert page.value("document.getElementById('state').textContent") == "Live"
        assert re.match(
            r"Ping \d+: \d+ echo", page.value("document.getElementById('head').innerText")
        )
        # While one picture takes another's place there is none for a moment.
        page.wait_for("document.getElementById('picture').naturalWidth === 1280")
        assert " ± " in page.value("document.getElementById('lines').innerText")
        first = page.value("Number(document.body.dataset.seen)")
        page.wait_for(f"Number(document.body.dataset.seen) > {first}")
        shot(page, "live-phone.png")
        # By the keyboard alone: the picture's box scrolls, and the button makes it large.
        page.press("Tab")
        page.press("Tab")
        assert page.value("document.activeElement.id") == "larger"
        page.press(" ")
        page.wait_for("document.getElementById('picture').clientWidth === 1280")
        shot(page, "large-phone.png")
        process.send_signal(signal.SIGINT)
        page.wait_for("document.getElementById('state').textContent.includes('has ended')")
        # The last picture stays, though nobody serves it any more.
        process.wait(timeout=PATIENCE_S)
        page.wait_for("document.getElementById('picture').naturalWidth === 1280")
        shot(page, "ended-phone.png")
        assert [u for u in page.fetched if not u.startswith((url, "blob:"))] == []
        assert page.complaints == []


class Questions:
    """Asks a number and a choice, and keeps what was sent."""

    def __init__(self) -> None:
        self.open = True
        self.taken: list[tuple[str, Message]] = []
        self.answers = {"number": "", "choice": ""}
        self.nickname = ""

    def asked(self, _visitor: str) -> Asked:
        closed = "" if self.open else "Closed."
        number: Question = {
            "key": "number",
            "text": "How far is the ball? <b>Guess</b>",
            "choices": [],
            "unit": "m",
            "open": self.open,
            "answer": self.answers["number"],
            "said": closed,
            "picture": "",
        }
        choice: Question = {
            **number,
            "key": "choice",
            "text": "What happens to the echo when the ball moves away?",
            "choices": ["it comes later", "it comes sooner", "nothing"],
            "unit": "",
            "answer": self.answers["choice"],
        }
        return {
            "heading": "How far? · part 1 of 2",
            "words": "Guess, each for yourself.",
            "asks_nickname": True,
            "nickname": self.nickname,
            "questions": [number, choice],
            "own": True,
        }

    def take(self, visitor: str, message: Message) -> Reply:
        self.taken.append((visitor, message))
        if "nickname" in message:
            self.nickname = message["nickname"]
            return {"taken": True, "said": f"You are {self.nickname}."}
        if not self.open:
            return {"taken": False, "said": "It is closed."}
        self.answers[message["key"]] = message["answer"]
        return {"taken": True, "said": "Taken."}

    def own(self, _visitor: str) -> str:
        return "<!DOCTYPE html><title>own</title><p id=own>Mine</p>"

    def picture(self, _key: str) -> bytes | None:
        return None


def test_page_sends_changes_and_is_refused_after_closing_by_keyboard_alone(
    browser: Browser, room: Room
) -> None:
    questions = Questions()
    room.ask(questions)
    room.show(np.full((720, 1280, 4), 220, np.uint8), "Ping 3: 1 echo", ["1.203 m ± 2 mm"])
    # As a QR picture leads there: the code behind the #, which the page puts into its form.
    page = Opened(browser, room.link, size=WALL)
    page.wait_for("document.querySelectorAll('fieldset').length === 2")
    # Before a picture is seen, its part of the page is not there for the keyboard.
    page.wait_for("document.body.dataset.seen === '1'")
    page.wait_for("document.getElementById('picture').naturalWidth === 1280")
    assert "#" not in page.value("location.href")
    assert page.value("document.querySelector('legend').textContent") == (
        "How far is the ball? <b>Guess</b>"
    )
    assert page.value("document.querySelectorAll('fieldset b').length") == 0
    for _ in range(3):
        page.press("Tab")
    assert page.value("document.activeElement.closest('fieldset').dataset.key") == "number"
    typed_in(page, "1.2")
    page.press("Enter")
    page.wait_for("document.querySelector('.own').textContent === 'Your answer: 1.2 m'")
    page.press("Backspace")
    typed_in(page, "4")
    page.press("Enter")
    page.wait_for("document.querySelector('.own').textContent === 'Your answer: 1.4 m'")
    page.press("Tab")
    page.press("Tab")
    page.press(" ")
    page.press("ArrowDown")
    page.press("Enter")
    page.wait_for("document.querySelectorAll('.own')[1].textContent.includes('sooner')")
    shot(page, "asked-wall.png")
    questions.open = False
    room.tell()
    page.wait_for("document.querySelector('fieldset input').disabled")
    # A page that sends all the same is refused by who asks.
    shot(page, "closed-wall.png")
    visitors = {visitor for visitor, _ in questions.taken}
    assert len(visitors) == 1
    assert [message["answer"] for _, message in questions.taken] == [
        "1.2",
        "1.4",
        "it comes sooner",
    ]
    phone = Opened(browser, room.url, size=PHONE)
    phone.wait_for("document.querySelectorAll('fieldset').length === 2")
    assert phone.value("document.documentElement.scrollWidth <= innerWidth")
    shot(phone, "asked-phone.png")
    page.wait_for("document.getElementById('state').textContent.includes('another tab')")
    room.close()
    phone.wait_for("document.getElementById('state').textContent.includes('has ended')")
    assert phone.complaints == []
