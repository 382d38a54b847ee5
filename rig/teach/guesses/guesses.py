"""A class's guesses: who may guess when, and what may be told of it to whom.

While a question is open a page is told its own guess and how many have guessed; nothing that it
is told hangs on what the others guessed. Once it is closed no guess is taken, and the spread may
be shown. After talk in pairs the same question can be asked once more; the first guesses stay.

All is frozen: what changes something returns what has become of it. Nothing is written anywhere.
"""

from __future__ import annotations

import dataclasses
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TypeAlias

from rig.errors import LessonError
from rig.teach.lessons.lesson import Question
from rig.teach.lessons.running import predicted

MOST_PAGES = 200
"""More pages than this do not guess: what is held stays small, whoever sends."""

MOST_ROUNDS = 2
"""A first guess, and one after talk in pairs."""

MOST_NICKNAME = 24
"""Characters of a nickname."""

Value: TypeAlias = float | str
"""A number in the question's unit, or one of its choices."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Posed:
    """A question that was put to the class.

    Attributes
    ----------
    name : str
        Which it is.
    question : Question
    rounds : tuple of dict of str to float or str
        By visitor, what each guessed in each round; the last round is the one at hand.
    open : bool
        Whether guesses are taken.
    """

    name: str
    question: Question
    rounds: tuple[Mapping[str, Value], ...] = ({},)
    open: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """What a class guessed, without who.

    Attributes
    ----------
    question : Question
    rounds : tuple of tuple of float or str
        Sorted within each round: numbers by size, choices as the question has them.
    """

    question: Question
    rounds: tuple[tuple[Value, ...], ...]

    def counts(self, number: int) -> tuple[int, ...]:
        """Return how many took each choice in a round, from 0."""
        return tuple(self.rounds[number].count(choice) for choice in self.question.choices)


@dataclass(frozen=True, slots=True, kw_only=True)
class Guesses:
    """All that a class was asked in one sitting, and all that it guessed.

    Attributes
    ----------
    posed : tuple of Posed
        In the order in which they were asked.
    pages : tuple of str
        Visitors in the order of their first word: their numbers, where nobody has a name.
    nicknames : dict of str to str
        By visitor, for those who gave one.
    """

    posed: tuple[Posed, ...] = ()
    pages: tuple[str, ...] = ()
    nicknames: Mapping[str, str] = field(default_factory=dict)

    # What is asked

    def pose(self, name: str, question: Question) -> Guesses:
        """Ask a question; it is open.

        Raises
        ------
        LessonError
            Where it was asked before.
        """
        if any(each.name == name for each in self.posed):
            raise LessonError(f"question {name}: was asked before; ask it once more by a new round")
        return dataclasses.replace(self, posed=(*self.posed, Posed(name=name, question=question)))

    def close(self, name: str) -> Guesses:
        """Take no more guesses of a question; closed twice is closed."""
        return self._with(dataclasses.replace(self.of(name), open=False))

    def again(self, name: str) -> Guesses:
        """Open a closed question for a second guess.

        Raises
        ------
        LessonError
            Where it is open, or was opened for a second guess before.
        """
        found = self.of(name)
        if found.open:
            raise LessonError(f"question {name}: is still open; close it before it is asked again")
        if len(found.rounds) == MOST_ROUNDS:
            raise LessonError(f"question {name}: has been guessed twice; go on with the answer")
        return self._with(dataclasses.replace(found, rounds=(*found.rounds, {}), open=True))

    # What a page sends

    def guess(self, visitor: str, name: str, text: str) -> Guesses:
        """Take a visitor's guess as it was typed; it stands in place of the one before.

        Raises
        ------
        LessonError
            Where the question is closed or was never asked, where what was typed is no answer to
            it, or where more pages guess than a room holds.
        """
        found = self.of(name)
        if not found.open:
            raise LessonError("your answer: came after the question was closed; wait for the next")
        value = predicted(found.question, text)
        *before, last = found.rounds
        rounds = (*before, {**last, visitor: value})
        return self._counting(visitor)._with(dataclasses.replace(found, rounds=rounds))

    def call(self, visitor: str, nickname: str) -> Guesses:
        """Call a visitor by a nickname from now on; by none, where it is empty.

        Raises
        ------
        LessonError
            Where it is too long, or holds what is no letter or sign to be seen.
        """
        plain = nickname_in(nickname)
        others = {who: name for who, name in self.nicknames.items() if who != visitor}
        names = {**others, visitor: plain} if plain else others
        return dataclasses.replace(self._counting(visitor), nicknames=names)

    # What is told

    def of(self, name: str) -> Posed:
        """Return a question by its name.

        Raises
        ------
        LessonError
            Where it was never asked.
        """
        for each in self.posed:
            if each.name == name:
                return each
        raise LessonError(f"question {name!r}: is not asked here; look at what the page asks now")

    def answered(self, name: str) -> int:
        """Return how many have guessed in the round at hand."""
        return len(self.of(name).rounds[-1])

    def own(self, visitor: str, name: str) -> tuple[Value | None, ...]:
        """Return a visitor's own guess in each round of a question; None where there is none."""
        return tuple(each.get(visitor) for each in self.of(name).rounds)

    def spread(self, name: str) -> Spread:
        """Return what the class guessed, without who.

        Raises
        ------
        LessonError
            While the question is open.
        """
        found = self.of(name)
        if found.open:
            raise LessonError(f"question {name}: is open; close it before its spread is shown")
        choices = found.question.choices

        def place(value: Value) -> float:
            return choices.index(value) if isinstance(value, str) else value

        return Spread(
            question=found.question,
            rounds=tuple(tuple(sorted(each.values(), key=place)) for each in found.rounds),
        )

    def labels(self) -> dict[str, str]:
        """Return by visitor what each is called: its nickname or its number, none of them twice."""
        taken: set[str] = set()
        found: dict[str, str] = {}
        for number, visitor in enumerate(self.pages, 1):
            first = self.nicknames.get(visitor, f"page {number}")
            label, again = first, 1
            while label.casefold() in taken:
                again += 1
                label = f"{first} ({again})"
            taken.add(label.casefold())
            found[visitor] = label
        return found

    def _with(self, changed: Posed) -> Guesses:
        posed = tuple(changed if each.name == changed.name else each for each in self.posed)
        return dataclasses.replace(self, posed=posed)

    def _counting(self, visitor: str) -> Guesses:
        if visitor in self.pages:
            return self
        if len(self.pages) >= MOST_PAGES:
            raise LessonError(
                f"your page: would be one more than the {MOST_PAGES} that are held here; "
                "answer together with a neighbour"
            )
        return dataclasses.replace(self, pages=(*self.pages, visitor))


def nickname_in(text: str) -> str:
    """Return a nickname on one line, its blanks single.

    Raises
    ------
    LessonError
        Where it is too long, or holds what cannot be seen: such would reorder or hide the words
        beside it.

    Examples
    --------
    >>> nickname_in("  red   fox ")
    'red fox'
    """
    if any(unicodedata.category(sign)[0] in "CZ" and sign != " " for sign in text):
        raise LessonError("nickname: holds what cannot be seen; give letters, digits and signs")
    plain = unicodedata.normalize("NFC", " ".join(text.split()))
    if len(plain) > MOST_NICKNAME:
        raise LessonError(
            f"nickname: has {len(plain)} characters; give one of at most {MOST_NICKNAME}"
        )
    return plain
