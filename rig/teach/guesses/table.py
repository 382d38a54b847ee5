"""A class's guesses as tables for the teacher, safe to open in a spreadsheet."""

from __future__ import annotations

import csv
import io
import unicodedata
from collections.abc import Iterable, Mapping, Sequence

from rig.teach.exercises.scoring import HandedIn
from rig.teach.guesses.guesses import Guesses, Posed, Value
from rig.teach.lessons.running import Turn

_FORMULA = "=+-@"
_ROUNDS = ("guess", "second guess")


def guesses_csv(guesses: Guesses, turns: Mapping[str, Turn]) -> str:
    """Return one line for each page: what it guessed each time, beside what was measured.

    Parameters
    ----------
    guesses : Guesses
    turns : dict of str to Turn
        By the questions' names; of a question without one nothing was measured.
    """
    heads: list[str] = ["name"]
    for posed in guesses.posed:
        unit = "" if posed.question.choices else _in(posed.question.unit)
        heads += [f"{posed.name}: {_ROUNDS[n]}{unit}" for n in range(len(posed.rounds))]
        heads += [f"{posed.name}: measured{_in(posed.question.unit)}"]
        heads += [f"{posed.name}: standard uncertainty{_in(posed.question.unit)}"]
        if posed.question.choices:
            heads += [f"{posed.name}: the bench says"]
    rows = [
        [label, *(cell for posed in guesses.posed for cell in _cells(posed, visitor, turns))]
        for visitor, label in guesses.labels().items()
    ]
    return _written([heads, *rows])


def answers_csv(handed: Sequence[HandedIn]) -> str:
    """Return answers to exercises, as `exercise --mark` reads them."""
    rows = [[each.name, str(each.number), each.answer] for each in handed]
    return _written([["name", "number", "answer"], *rows])


def handed_in(guesses: Guesses) -> tuple[HandedIn, ...]:
    """Return answers to exercises as they would be handed in, each under a name of its own.

    The questions' names are their numbers. Who answered nothing handed in nothing.
    """
    return tuple(
        HandedIn(name=label, number=int(posed.name), answer=str(posed.rounds[-1][visitor]))
        for visitor, label in guesses.labels().items()
        for posed in guesses.posed
        if visitor in posed.rounds[-1]
    )


def harmless(text: str) -> str:
    """Return words that a spreadsheet takes for words: none begins as a formula does.

    Neither of its own nor behind a semicolon or a tab, which part the columns where a comma
    parts a number; a sign of full width counts as the plain one.

    References
    ----------
    OWASP, *CSV Injection* (from memory): a cell must not begin with ``= + - @``, a tab or a
    carriage return; an apostrophe before it keeps it text.

    Examples
    --------
    >>> harmless("=1+1"), harmless("red fox"), harmless("a;=1")
    ("'=1+1", 'red fox', 'a,=1')
    """
    plain = "".join("," if sign == ";" else sign for sign in text if sign.isprintable())
    first = unicodedata.normalize("NFKC", plain.lstrip()[:1])
    return f"'{plain}" if first and first in _FORMULA else plain


def _cells(posed: Posed, visitor: str, turns: Mapping[str, Turn]) -> list[Value]:
    cells: list[Value] = [each.get(visitor, "") for each in posed.rounds]
    turn = turns.get(posed.name)
    if turn is None:
        return [*cells, "", "", *([""] if posed.question.choices else [])]
    cells += [float(turn.finding.measured), float(turn.finding.u_measured)]
    return [*cells, turn.finding.choice] if posed.question.choices else cells


def _in(unit: str) -> str:
    return f" / {unit}" if unit else ""


def _written(rows: Iterable[Sequence[Value]]) -> str:
    # All words stand in quotes: a name with a comma in it stays one cell.
    text = io.StringIO()
    writer = csv.writer(text, quoting=csv.QUOTE_NONNUMERIC, lineterminator="\r\n")
    for row in rows:
        writer.writerow([cell if isinstance(cell, float) else harmless(cell) for cell in row])
    return text.getvalue()
