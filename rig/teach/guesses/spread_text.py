"""A class's spread of guesses, in words: for a terminal, a screen reader and the sheet."""

from __future__ import annotations

import dataclasses
import statistics
from collections.abc import Sequence

from rig.teach.guesses.guesses import Spread, Value
from rig.teach.lessons.lesson import Question
from rig.teach.lessons.running import Turn
from rig.teach.lessons.turn_text import expected_text, measured_text, off_text, prediction_text

ROUNDS = ("first guess", "guess after talking")


def answered_text(answered: int, here: int, joined: int) -> str:
    """Say how many have guessed, of how many pages that are there, and whether more have joined.

    Who joins anew is another page, and may guess again: a class that stands behind one address
    cannot be told from one pupil there, so the teacher is told.

    Examples
    --------
    >>> answered_text(3, 25, 25), answered_text(1, 1, 1)
    ('3 of 25 pages have answered', '1 of 1 page has answered')
    >>> answered_text(27, 25, 31)
    '27 have answered; 25 pages are here, 31 have joined'
    """
    have = "has" if answered == 1 else "have"
    pages = "page" if here == 1 else "pages"
    if joined > here:
        are = "is" if here == 1 else "are"
        return f"{answered} {have} answered; {here} {pages} {are} here, {joined} have joined"
    return f"{answered} of {here} {pages} {have} answered"


def spread_lines(spread: Spread, turn: Turn | None = None) -> tuple[str, ...]:
    """Say what was guessed in each round; with a turn, what came true.

    Parameters
    ----------
    spread : Spread
    turn : Turn, optional
        What was measured; its own prediction does not matter.
    """
    lines = [f"{_named(spread, n)}: {round_text(spread, n)}" for n in range(len(spread.rounds))]
    if turn is None:
        return tuple(lines)
    if spread.question.choices:
        lines.append(f"The bench says: {turn.finding.choice} ({measured_text(turn)}).")
    else:
        lines.append(f"Measured {measured_text(turn)} (k = 2), expected {expected_text(turn)}.")
    return (*lines, right_text(spread, turn))


def right_text(spread: Spread, turn: Turn) -> str:
    """Say how many guesses came true in each round."""
    counted = [
        f"{_right(guesses, turn)} of {len(guesses)} {ROUNDS[n] if n else 'first guesses'}"
        for n, guesses in enumerate(spread.rounds)
    ]
    if len(counted) == 1:
        counted = [f"{_right(spread.rounds[0], turn)} of {len(spread.rounds[0])}"]
    else:
        counted[1] = counted[1].replace("guess after", "guesses after")
    words = f"Came true: {', '.join(counted)}"
    if spread.question.choices:
        return f"{words}."
    return f"{words} (within 5 % of what was measured, or within its uncertainty)."


def own_lines(
    own: Sequence[Value | None], turn: Turn | None, question: Question
) -> tuple[str, ...]:
    """Say how one page's own guesses, round by round, compare with what was measured."""
    lines = []
    for number, value in enumerate(own):
        name = "Your guess" if len(own) == 1 else f"Your {ROUNDS[number]}"
        if value is None:
            lines.append(f"{name}: none.")
            continue
        words = f"{name}: {prediction_text(value, question)}."
        compared = "" if turn is None else off_text(dataclasses.replace(turn, prediction=value))
        lines.append(f"{words} {compared}".rstrip())
    return tuple(lines)


def _named(spread: Spread, number: int) -> str:
    return "Guesses" if len(spread.rounds) == 1 else ROUNDS[number].capitalize()


def round_text(spread: Spread, number: int) -> str:
    """Say what was guessed in a round, from 0."""
    guesses, question = spread.rounds[number], spread.question
    if not guesses:
        return "none."
    if question.choices:
        counts = zip(question.choices, spread.counts(number), strict=True)
        return "; ".join(f"{choice}: {count}" for choice, count in counts) + "."
    numbers = [value for value in guesses if isinstance(value, float)]
    if len(numbers) == 1:
        return f"1, {prediction_text(numbers[0], question)}."
    ends = (
        f"from {prediction_text(numbers[0], question)} to {prediction_text(numbers[-1], question)}"
    )
    middle = prediction_text(float(statistics.median(numbers)), question)
    return f"{len(numbers)}, {ends}; half lie below {middle}."


def _right(guesses: Sequence[Value], turn: Turn) -> int:
    return sum(
        dataclasses.replace(turn, prediction=value).predicted_rightly is True for value in guesses
    )
