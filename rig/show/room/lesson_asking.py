"""A lesson's questions to the pages of a room, and what the teacher's side does with them.

The teacher's side (a window or a terminal) poses, closes, asks again and concludes; the pages'
side is :class:`rig.show.room.asking.Asking`. Both may come from threads of their own.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import datetime

from rig.errors import LessonError
from rig.show.room.asking import Asked, Message, Question, Reply
from rig.show.room.taking import call_page, reply_to
from rig.show.sheets.own_guesses import OwnAnswer, own_html
from rig.teach.guesses.guesses import MOST_ROUNDS, Guesses, Spread, Value
from rig.teach.guesses.spread_text import ROUNDS, own_lines
from rig.teach.guesses.table import guesses_csv
from rig.teach.lessons import lesson
from rig.teach.lessons.running import Turn
from rig.teach.lessons.turn_text import expected_text, measured_text, plain_text, prediction_text

_GUESS = (
    "Guess for yourself, and change it until the question is closed. Nobody sees your guess "
    "before; then all guesses are shown, without names."
)
_AGAIN = "Talk with your neighbour, then guess once more."
_CLOSED = "The question is closed: look at what the class guessed."
_OVER = "The lesson has ended. Print or keep your own guesses now: the bench forgets them."


class LessonAsking:
    """Asks a class one question of a lesson after the other.

    Parameters
    ----------
    title : str
        The lesson's.
    parts : int
        How many questions will come.
    now : callable
        From nothing to the time of day.

    Attributes
    ----------
    tell : callable
        Called after each change, so that the pages are told; the room's own, once there is one.
    count : callable
        From nothing to how many pages there are, and how many have joined; the room's own, once
        there is one.
    taken : callable
        Called after each guess that was taken, on the server's thread.
    """

    def __init__(self, title: str, *, parts: int, now: Callable[[], datetime]) -> None:
        self.tell: Callable[[], None] = lambda: None
        self.count: Callable[[], tuple[int, int]] = lambda: (0, 0)
        self.taken: Callable[[], None] = lambda: None
        self._title, self._parts, self._now = title, parts, now
        self._lock = threading.Lock()
        self._guesses = Guesses()
        self._turns: dict[str, Turn] = {}
        self._over = False

    # The teacher's side

    def pose(self, name: str, question: lesson.Question) -> None:
        """Ask a question; guesses are taken from now on."""
        self._become(lambda guesses: guesses.pose(name, question))

    def close(self) -> Spread:
        """Take no more guesses, and return what was guessed."""
        self._become(lambda guesses: guesses.close(guesses.posed[-1].name))
        return self.spread

    def again(self) -> None:
        """Ask for a second guess.

        Raises
        ------
        LessonError
            Where it was guessed twice.
        """
        self._become(lambda guesses: guesses.again(guesses.posed[-1].name))

    def conclude(self, turn: Turn) -> None:
        """Say on each page how its own guess compares."""
        with self._lock:
            self._turns[turn.part.name] = turn
        self.tell()

    def end(self) -> None:
        """Say that no more is asked; the own guesses can still be kept."""
        with self._lock:
            self._over = True
            for posed in self._guesses.posed:
                self._guesses = self._guesses.close(posed.name)
        self.tell()

    @property
    def answered(self) -> int:
        """How many have guessed in the round at hand."""
        with self._lock:
            return self._guesses.answered(self._guesses.posed[-1].name)

    @property
    def spread(self) -> Spread:
        """What was guessed at the question at hand; it has to be closed."""
        with self._lock:
            return self._guesses.spread(self._guesses.posed[-1].name)

    @property
    def may_ask_again(self) -> bool:
        """Whether a second guess can still be asked for."""
        with self._lock:
            return len(self._guesses.posed[-1].rounds) < MOST_ROUNDS

    @property
    def table(self) -> str:
        """All that was guessed beside what was measured, as CSV for the teacher."""
        with self._lock:
            return guesses_csv(self._guesses, self._turns)

    @property
    def spreads(self) -> dict[str, Spread]:
        """What was guessed at each question that is closed, by its name."""
        with self._lock:
            closed = [posed.name for posed in self._guesses.posed if not posed.open]
            return {name: self._guesses.spread(name) for name in closed}

    def _become(self, change: Callable[[Guesses], Guesses]) -> None:
        with self._lock:
            self._guesses = change(self._guesses)
        self.tell()

    # The pages' side

    def asked(self, visitor: str) -> Asked:
        """Return the question at hand, or at the end all of them, as one visitor may see it."""
        with self._lock:
            guesses, places = self._guesses, range(len(self._guesses.posed))
            shown = [self._question(visitor, place) for place in places]
            words, heading = "", self._title
            if self._over:
                words = _OVER
            elif guesses.posed:
                last = guesses.posed[-1]
                words = _CLOSED if not last.open else _AGAIN if len(last.rounds) > 1 else _GUESS
                words = "" if last.name in self._turns else words
                heading = f"{self._title} · part {len(guesses.posed)} of {self._parts}"
            return Asked(
                heading=heading,
                words=words,
                asks_nickname=True,
                nickname=guesses.nicknames.get(visitor, ""),
                questions=shown if self._over else shown[-1:],
                own=bool(self._turns),
            )

    def take(self, visitor: str, message: Message) -> Reply:
        """Take a guess or a nickname, or say why not."""
        return reply_to(
            message,
            lambda: self._taken(visitor, message),
            lock=self._lock,
            taken=lambda: self.taken(),
        )

    def own(self, visitor: str) -> str:
        """Return a visitor's own guesses against what was measured; empty before there is any."""
        with self._lock:
            if not self._turns:
                return ""
            called = self._guesses.labels().get(visitor, "a page that did not guess")
            answers = [
                OwnAnswer(
                    name=f"{number}. {posed.name.replace('-', ' ').capitalize()}",
                    question=posed.question.text,
                    lines=(*self._own_lines(visitor, posed.name), *self._answer(posed.name)),
                )
                for number, posed in enumerate(self._guesses.posed, 1)
                if posed.name in self._turns
            ]
        return own_html(self._title, called, answers, made=self._now())

    def picture(self, key: str) -> bytes | None:  # noqa: ARG002
        """Return None: a lesson's picture is the bench's own."""
        return None

    def _taken(self, visitor: str, message: Message) -> Reply:
        if "nickname" in message:
            self._guesses, reply = call_page(self._guesses, visitor, message["nickname"])
            return reply
        key, text = message.get("key", ""), message.get("answer", "")
        place = len(self._guesses.posed) - 1
        if place < 0 or key != self._key(place):
            raise LessonError("your answer: is to another question; answer the one that is asked")
        posed = self._guesses.posed[place]
        self._guesses = self._guesses.guess(visitor, posed.name, text)
        value = self._guesses.own(visitor, posed.name)[-1]
        said = prediction_text(value, posed.question)
        return Reply(taken=True, said=f"Taken: {said}.")

    def _key(self, place: int) -> str:
        return f"q{place + 1}-{len(self._guesses.posed[place].rounds)}"

    def _question(self, visitor: str, place: int) -> Question:
        posed = self._guesses.posed[place]
        question, own = posed.question, self._guesses.own(visitor, posed.name)
        return Question(
            key=self._key(place),
            text=question.text,
            choices=list(question.choices),
            unit="" if question.choices else question.unit,
            open=posed.open,
            answer=_written(own[-1]),
            said=self._said(visitor, place),
            picture="",
        )

    def _said(self, visitor: str, place: int) -> str:
        posed = self._guesses.posed[place]
        if posed.name in self._turns:
            lines = (*self._answer(posed.name), *self._own_lines(visitor, posed.name))
            return " ".join(lines)
        *before, _ = self._guesses.own(visitor, posed.name)
        said = [
            f"Your {ROUNDS[n]}: {prediction_text(value, posed.question)}."
            for n, value in enumerate(before)
            if value is not None
        ]
        if not posed.open:
            said.append("Closed.")
        return " ".join(said)

    def _own_lines(self, visitor: str, name: str) -> tuple[str, ...]:
        question, own = self._guesses.of(name).question, self._guesses.own(visitor, name)
        return own_lines(own, self._turns.get(name), question)

    def _answer(self, name: str) -> tuple[str, ...]:
        turn = self._turns.get(name)
        if turn is None:
            return ()
        choice = f"The bench says: {turn.finding.choice}. " if turn.finding.choice else ""
        return (f"{choice}Measured {measured_text(turn)}; expected {expected_text(turn)}.",)


def _written(value: Value | None) -> str:
    """Return a guess as it could have been typed."""
    return "" if value is None else value if isinstance(value, str) else plain_text(value)
