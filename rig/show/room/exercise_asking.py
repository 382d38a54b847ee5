"""Exercises put to the pages of a room: all or one by one, marked at once or when the teacher says.

The teacher's side goes on and marks; the pages' side is :class:`rig.show.room.asking.Asking`.
Both may come from threads of their own. Pictures are drawn before, by who makes this.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime

from rig.errors import LessonError
from rig.show.room import asking
from rig.show.room.asking import Asked, Message, Reply
from rig.show.room.taking import call_page, reply_to
from rig.show.sheets.own_guesses import OwnAnswer, own_html
from rig.teach.exercises.question import Question
from rig.teach.exercises.scoring import KeyEntry, Scores, scored
from rig.teach.guesses.guesses import Guesses, Spread
from rig.teach.guesses.spread_text import round_text
from rig.teach.guesses.table import answers_csv, handed_in
from rig.teach.lessons import lesson

_ANSWER = "Look at the picture, then choose. You may change it until it is closed."
_ANSWER_AT_ONCE = "Look at the picture, then choose. What you send is marked at once: look well."
_MARKED = "Marked. “It cannot be told” may be right."
_OVER = "That was all. Print or keep your own answers now: the bench forgets them."

TITLE = "Reading exercises"


class ExerciseAsking:
    """Asks a class to read pictures.

    Parameters
    ----------
    questions : sequence of Question
    pictures : dict of int to bytes
        Each question's PNG, by its number.
    one_by_one : bool
        Whether each waits for the teacher; otherwise all are asked together.
    at_once : bool
        Whether an answer is marked as it comes, and then stands.
    now : callable
        From nothing to the time of day.

    Attributes
    ----------
    tell, taken : callable
        As :class:`rig.show.room.lesson_asking.LessonAsking` has them.
    """

    def __init__(
        self,
        questions: Sequence[Question],
        pictures: Mapping[int, bytes],
        *,
        one_by_one: bool,
        at_once: bool,
        now: Callable[[], datetime],
    ) -> None:
        self.tell: Callable[[], None] = lambda: None
        self.taken: Callable[[], None] = lambda: None
        self._questions = {str(q.number): q for q in questions}
        self._pictures = {_key(str(number)): drawn for number, drawn in pictures.items()}
        self._one_by_one, self._at_once, self._now = one_by_one, at_once, now
        self._lock = threading.Lock()
        self._guesses = Guesses()
        self._over = False
        self._pose()

    # The teacher's side

    @property
    def left(self) -> int:
        """How many questions have not been asked yet."""
        with self._lock:
            return len(self._questions) - len(self._guesses.posed)

    @property
    def answered(self) -> tuple[tuple[int, int], ...]:
        """How many have answered each question that is open, by its number."""
        with self._lock:
            return tuple(
                (int(posed.name), self._guesses.answered(posed.name))
                for posed in self._guesses.posed
                if posed.open
            )

    def close(self) -> tuple[Spread, ...]:
        """Close what is open, and mark it; return what the class answered to each."""
        with self._lock:
            names = [posed.name for posed in self._guesses.posed if posed.open]
            for name in names:
                self._guesses = self._guesses.close(name)
            found = tuple(self._guesses.spread(name) for name in names)
        self.tell()
        return found

    def go_on(self) -> None:
        """Ask what comes next."""
        with self._lock:
            self._pose()
        self.tell()

    def end(self) -> None:
        """Close all, and say that no more is asked."""
        self.close()
        with self._lock:
            self._over = True
        self.tell()

    def scores(self) -> Scores:
        """Hold all answers against the key; who answered nothing is not counted.

        Raises
        ------
        LessonError
            Where nobody answered anything.
        """
        with self._lock:
            asked = [self._questions[posed.name] for posed in self._guesses.posed]
            return scored(handed_in(self._guesses), [KeyEntry.of(question) for question in asked])

    @property
    def table(self) -> str:
        """All that was answered, as CSV that `exercise --mark` reads."""
        with self._lock:
            return answers_csv(handed_in(self._guesses))

    def _pose(self) -> None:
        left = [name for name in self._questions if name not in _names(self._guesses)]
        for name in left[:1] if self._one_by_one else left:
            draft = self._questions[name].draft
            question = lesson.Question(text=draft.text, unit="", choices=draft.choices)
            self._guesses = self._guesses.pose(name, question)

    # The pages' side

    def asked(self, visitor: str) -> Asked:
        """Return the questions as one visitor may see them."""
        with self._lock:
            posed = self._guesses.posed
            shown = posed[-1:] if self._one_by_one and not self._over else posed
            is_open = any(each.open for each in shown)
            words = _OVER if self._over else _ANSWER if is_open else _MARKED
            return Asked(
                heading=TITLE,
                words=_ANSWER_AT_ONCE if is_open and self._at_once else words,
                asks_nickname=True,
                nickname=self._guesses.nicknames.get(visitor, ""),
                questions=[self._question(visitor, each.name) for each in shown],
                own=any(self._marked(visitor, each.name) for each in posed),
            )

    def take(self, visitor: str, message: Message) -> Reply:
        """Take an answer or a nickname, or say why not."""
        return reply_to(
            message,
            lambda: self._taken(visitor, message),
            lock=self._lock,
            taken=lambda: self.taken(),
        )

    def own(self, visitor: str) -> str:
        """Return a visitor's own answers as they were marked; empty before there is any."""
        with self._lock:
            marked = [name for name in _names(self._guesses) if self._marked(visitor, name)]
            if not marked:
                return ""
            called = self._guesses.labels().get(visitor, "a page that did not answer")
            answers = [
                OwnAnswer(
                    name=f"Question {name}",
                    question=self._questions[name].draft.text,
                    lines=(self._chosen(visitor, name), *self._marks(visitor, name)),
                )
                for name in marked
            ]
        return own_html(TITLE, called, answers, made=self._now())

    def picture(self, key: str) -> bytes | None:
        """Return a question's picture; None before it is asked."""
        with self._lock:
            if key not in map(_key, _names(self._guesses)):
                return None
            return self._pictures.get(key)

    def _taken(self, visitor: str, message: Message) -> Reply:
        if "nickname" in message:
            self._guesses, reply = call_page(self._guesses, visitor, message["nickname"])
            return reply
        key = message.get("key", "")
        name = next((each for each in _names(self._guesses) if _key(each) == key), "")
        if name and self._marked(visitor, name):
            raise LessonError("your answer: came after it was marked; go on to another question")
        self._guesses = self._guesses.guess(visitor, name, message.get("answer", ""))
        if self._at_once:
            return Reply(taken=True, said=" ".join(self._marks(visitor, name)[:1]))
        return Reply(taken=True, said=f"Taken: {self._guesses.own(visitor, name)[-1]}.")

    def _question(self, visitor: str, name: str) -> asking.Question:
        draft, marked = self._questions[name].draft, self._marked(visitor, name)
        return asking.Question(
            key=_key(name),
            text=f"{name}. {draft.text}",
            choices=list(draft.choices),
            unit="",
            open=self._guesses.of(name).open and not marked,
            answer=str(self._guesses.own(visitor, name)[-1] or ""),
            said=" ".join((*self._marks(visitor, name), *self._counts(name))) if marked else "",
            picture=f"The bench of question {name}: sketch, strength over range, and history.",
        )

    def _marked(self, visitor: str, name: str) -> bool:
        """Whether a visitor may know the answer: closed, or marked as it came."""
        posed = self._guesses.of(name)
        return not posed.open or (self._at_once and visitor in posed.rounds[-1])

    def _chosen(self, visitor: str, name: str) -> str:
        return f"Your answer: {self._guesses.own(visitor, name)[-1] or 'none'}."

    def _marks(self, visitor: str, name: str) -> tuple[str, ...]:
        question, chosen = self._questions[name], self._guesses.own(visitor, name)[-1]
        answer, why = question.draft.answer, question.draft.reason
        if chosen == answer:
            return ("Right.", why)
        misreading = KeyEntry.of(question).misreadings.get(str(chosen), "")
        known = (f"A common misreading: {misreading}.",) if misreading else ()
        return (f"It is: {answer}.", *known, why)

    def _counts(self, name: str) -> tuple[str, ...]:
        """Say what the class chose, once no more answers are taken."""
        if self._guesses.of(name).open:
            return ()
        return (f"In the class: {round_text(self._guesses.spread(name), 0)}",)


def _names(guesses: Guesses) -> list[str]:
    return [posed.name for posed in guesses.posed]


def _key(name: str) -> str:
    return f"question-{name}"
