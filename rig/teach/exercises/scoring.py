"""Answers that were handed in, held against the key."""

from __future__ import annotations

import csv
import dataclasses
import os
import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from string import ascii_lowercase
from typing import TYPE_CHECKING, Any, Self

from rig.bench.given_files import json_of, read_bytes, read_text
from rig.bench.tables import build, shown, whole
from rig.errors import LessonError, one_line
from rig.teach.exercises.misreadings import misreadings_of

if TYPE_CHECKING:
    from rig.teach.exercises.question import Question

_NEEDED = ("number", "answer")
_ALLOWED = ("name", *_NEEDED)


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyEntry:
    """One question of the key."""

    number: int = whole(low=1, high=10**9)
    topic: str
    choices: tuple[str, ...]
    answer: str
    misreadings: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.answer not in self.choices:
            raise ValueError(f"answer: found {shown(self.answer)}, which is none of the choices")

    @classmethod
    def of(cls, question: Question) -> Self:
        """Return a drawn question's entry."""
        return cls(
            number=question.number,
            topic=question.topic.name,
            choices=question.draft.choices,
            answer=question.draft.answer,
            misreadings=misreadings_of(question.topic.name),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class HandedIn:
    """One answer as it was handed in.

    Attributes
    ----------
    name : str
        The pupil's; empty where the file has no names.
    number : int
    answer : str
        Empty where nothing was answered.
    """

    name: str
    number: int
    answer: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Score:
    """How many were right, of how many that were asked."""

    right: int
    asked: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Scores:
    """What came of holding answers against the key.

    Attributes
    ----------
    overall : Score
    by_topic, by_name : dict of str to Score
        Topics as in the key, names in alphabetical order; without names the one name is "".
    blank : int
        Questions that were asked and not answered; they count as not right.
    not_choices : tuple of HandedIn
        Answers that are none of their question's choices; they count as not right.
    missed : tuple of Missed
        Every answer that was another choice than the right one.
    """

    overall: Score
    by_topic: dict[str, Score]
    by_name: dict[str, Score]
    blank: int
    not_choices: tuple[HandedIn, ...]
    missed: tuple[Missed, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Missed:
    """A wrong answer, and the misreading that leads to it.

    Attributes
    ----------
    name : str
    number : int
    chosen, answer : str
        What was taken, and what is right.
    misreading : str
        In the words of who holds it; empty where the key names none.
    """

    name: str
    number: int
    chosen: str
    answer: str
    misreading: str


def read_key(path: str | os.PathLike[str]) -> tuple[KeyEntry, ...]:
    """Read the key that was written beside the exercises.

    Raises
    ------
    LessonError
        Where the file cannot be read, or is no such key.
    """
    remedy = "give the key.json that was written with the exercises"
    try:
        rows = json_of(read_text(path, error=LessonError, remedy=remedy))
    except LessonError:
        raise
    except ValueError as problem:
        raise LessonError(f"{path}: is not JSON ({problem}); {remedy}") from problem
    if not isinstance(rows, list) or not rows:
        raise LessonError(f"{path}: holds no list of answers; {remedy}")
    entries = tuple(_entry(row, place, path, remedy) for place, row in enumerate(rows, 1))
    if len({e.number for e in entries}) != len(entries):
        raise LessonError(f"{path}: has a number twice; {remedy}")
    return entries


def _entry(row: Any, place: int, path: str | os.PathLike[str], remedy: str) -> KeyEntry:
    names = [f.name for f in dataclasses.fields(KeyEntry) if f.name != "misreadings"]
    try:
        if not isinstance(row, dict):
            raise ValueError(f"found {shown(row)}, which is no table")
        entry = build(KeyEntry, {name: row[name] for name in names if name in row})
    except ValueError as problem:
        raise LessonError(
            f"{path}: entry {place} lacks a number, a topic, choices or an answer ({problem}); "
            f"{remedy}"
        ) from problem
    return dataclasses.replace(entry, misreadings=misreadings_of(entry.topic))


def read_answers(path: str | os.PathLike[str]) -> tuple[HandedIn, ...]:
    """Read a table of answers: columns `number` and `answer`, and `name` where there are several.

    Commas, semicolons or tabs part the columns, as a spreadsheet writes them where its user
    lives; a mark of the byte order is passed over, and so are empty lines.

    Raises
    ------
    LessonError
        On a wrong or missing column, a number that is none, or a file that cannot be read.
    """
    remedy = "give a CSV file with the columns number and answer, and name if you like"
    text = _text_of(path, remedy)
    if "\0" in text:
        raise LessonError(f"{path}: is not text; {remedy}")
    try:
        return tuple(_rows(text, path, remedy))
    except csv.Error as problem:
        raise LessonError(f"{path}: is no table ({problem}); {remedy}") from problem


def _rows(text: str, path: str | os.PathLike[str], remedy: str) -> Iterator[HandedIn]:
    lines = iter(text.splitlines())
    head = next((line for line in lines if line.strip()), "")
    separator = max(";\t,", key=head.count)
    columns = [_plain(cell) for cell in next(csv.reader([head], delimiter=separator), [])]
    for needed in _NEEDED:
        if columns.count(needed) != 1:
            raise LessonError(f"{path}: found the columns {', '.join(columns) or 'none'}; {remedy}")
    for column in columns:
        if column and column not in _ALLOWED:
            raise LessonError(f"{path}: column {column!r}: unknown; {remedy}")
    for row in csv.reader(lines, delimiter=separator):
        cells = {c: v.strip() for c, v in zip(columns, row, strict=False) if c}
        if not any(cells.values()):
            continue
        number = cells.get("number", "")
        if not re.fullmatch(r"[0-9]{1,9}", number):
            raise LessonError(
                f"{path}: number {number!r}: is no whole number; give the number of a question"
            )
        yield HandedIn(
            name=cells.get("name", ""), number=int(number), answer=cells.get("answer", "")
        )


def scored(answers: Sequence[HandedIn], key: Sequence[KeyEntry]) -> Scores:
    """Hold answers against the key.

    Everyone who handed in anything is asked every question of the key. An answer may be the
    choice's letter, its words, or both as on the sheet; case, spaces and a decimal comma make no
    difference.

    Raises
    ------
    LessonError
        On an answer to a question that the key does not have, or two by the same name to one
        question, or no answers at all.
    """
    if not answers:
        raise LessonError("answers: found none; give one line for each question")
    by_number = {entry.number: entry for entry in key}
    given: dict[tuple[str, int], HandedIn] = {}
    shown: dict[str, str] = {}
    for answer in answers:
        if answer.number not in by_number:
            raise LessonError(
                f"answers: question {answer.number}: not in the key, which has "
                f"{_runs(sorted(by_number))}; give the key of the same exercises"
            )
        who = _plain(answer.name)
        shown.setdefault(who, answer.name)
        if (who, answer.number) in given:
            by = f" by {answer.name}" if answer.name else ""
            raise LessonError(
                f"answers: question {answer.number}: answered twice{by}; give one answer each, "
                "or a column name with each pupil's own"
            )
        given[who, answer.number] = answer
    outcomes: list[tuple[str, str, bool]] = []
    blank, not_choices, missed = 0, [], []
    for who in sorted(shown):
        for entry in key:
            handed = given.get((who, entry.number))
            chosen = None
            if handed is None or not _plain(handed.answer):
                blank += 1
            else:
                chosen = _choice(handed.answer, entry.choices)
                if chosen is None:
                    not_choices.append(handed)
                elif chosen != entry.answer:
                    missed.append(
                        Missed(
                            name=handed.name,
                            number=entry.number,
                            chosen=chosen,
                            answer=entry.answer,
                            misreading=entry.misreadings.get(chosen, ""),
                        )
                    )
            outcomes.append((entry.topic, shown[who], chosen == entry.answer))
    return Scores(
        overall=_score(right for _, _, right in outcomes),
        by_topic=_scores((topic, right) for topic, _, right in outcomes),
        by_name=_scores((name, right) for _, name, right in outcomes),
        blank=blank,
        not_choices=tuple(not_choices),
        missed=tuple(missed),
    )


def score_lines(scores: Scores) -> tuple[str, ...]:
    """Put scores into words."""
    topics = {one_line(topic): score for topic, score in scores.by_topic.items()}
    width = max(len(topic) for topic in topics)
    lines = [f"{topic:<{width}}  {_score_text(s)}" for topic, s in topics.items()]
    lines.append(f"{'all':<{width}}  {_score_text(scores.overall)}")
    if list(scores.by_name) != [""]:
        lines += [
            f"{one_line(name) or '(no name)'}: {_score_text(s)}"
            for name, s in scores.by_name.items()
        ]
    lines += [_missed_text(missed) for missed in scores.missed]
    if scores.blank:
        lines.append(f"not answered: {scores.blank}")
    lines += [
        f"none of the choices: question {a.number}"
        f"{f', {one_line(a.name)}' if a.name else ''}: {a.answer!r}"
        for a in scores.not_choices
    ]
    return tuple(lines)


def class_lines(scores: Scores) -> tuple[str, ...]:
    """Put a class's scores into words that may stand before it: no name, misreadings counted."""
    nameless = dataclasses.replace(scores, by_name={"": scores.overall}, missed=())
    lines = list(score_lines(nameless))
    counted = misreadings_counted(scores)
    if counted:
        lines.append("Misreadings, and how often they led to an answer:")
        lines += [f"  {count} × {one_line(words)}" for words, count in counted]
    return tuple(lines)


def misreadings_counted(scores: Scores) -> tuple[tuple[str, int], ...]:
    """Count the misreadings that wrong answers stand for, the most frequent first."""
    counted = Counter(missed.misreading for missed in scores.missed if missed.misreading)
    return tuple(sorted(counted.items(), key=lambda each: (-each[1], each[0])))


def scores_answer(scores: Scores) -> dict[str, Any]:
    """Answer `exercise --mark --json`."""

    def counts(one: Score) -> dict[str, int]:
        return {"right": one.right, "asked": one.asked}

    return {
        **counts(scores.overall),
        "topics": [{"topic": topic, **counts(s)} for topic, s in scores.by_topic.items()],
        "names": [{"name": name, **counts(s)} for name, s in scores.by_name.items()],
        "missed": [
            {
                "name": m.name,
                "number": m.number,
                "chosen": m.chosen,
                "answer": m.answer,
                "misreading": m.misreading,
            }
            for m in scores.missed
        ],
        "not_answered": scores.blank,
        "none_of_the_choices": [
            {"name": a.name, "number": a.number, "answer": a.answer} for a in scores.not_choices
        ],
    }


def _score(rights: Iterable[bool]) -> Score:
    listed = list(rights)
    return Score(right=sum(listed), asked=len(listed))


def _scores(outcomes: Iterable[tuple[str, bool]]) -> dict[str, Score]:
    sorted_out: dict[str, list[bool]] = {}
    for name, right in outcomes:
        sorted_out.setdefault(name, []).append(right)
    return {name: _score(rights) for name, rights in sorted_out.items()}


def _score_text(score: Score) -> str:
    return f"{score.right} of {score.asked} right"


def _missed_text(missed: Missed) -> str:
    who = f"{missed.name}: " if missed.name else ""
    why = f" ({missed.misreading})" if missed.misreading else ""
    return f"{who}question {missed.number}: {missed.chosen!r}, and it is {missed.answer!r}{why}"


def _choice(answer: str, choices: Sequence[str]) -> str | None:
    """Return the choice that an answer means, by its words, its letter, or both."""
    wanted = _squeezed(answer)
    for choice in choices:
        if wanted == _squeezed(choice):
            return choice
    letter = wanted.rstrip(").")
    for own, choice in zip(ascii_lowercase, choices, strict=False):
        # As the sheet prints it, too: the letter, and the words after it.
        if letter == own or wanted == _squeezed(f"{own}) {choice}"):
            return choice
    # As a child writes it: "three" for "3", "the earlier" for "the earlier one".
    said = [] if re.match(r"[a-z]\)", wanted) else _words(answer)
    meant = [choice for choice in choices if said and _said_in(said, _words(choice))]
    return meant[0] if len(meant) == 1 else None


_COUNTED = {
    word: str(count)
    for count, word in enumerate(
        ("none", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")
    )
}
_FILLING = frozenset(
    {"the", "a", "an", "it", "is", "was", "one", "ones", "thing", "things", "they"}
)


def _words(text: str) -> list[str]:
    """Return what is said, without words that only fill; numbers in digits."""
    found = re.findall(r"[a-z]+|\d+(?:[.,]\d+)?", text.casefold())
    words = [w for w in found if w not in _FILLING] or found
    return [_COUNTED.get(w, w.replace(",", ".")) for w in words]


def _said_in(said: list[str], choice: list[str]) -> bool:
    """Whether all that was said stands in a choice, in its order."""
    rest = iter(choice)
    return all(word in rest for word in said)


def _plain(text: str) -> str:
    return " ".join(text.split()).casefold()


def _squeezed(text: str) -> str:
    """Return text without spaces, capitals, a full stop at its end, or a decimal comma."""
    return re.sub(r"(?<=\d),(?=\d)", ".", "".join(text.split()).casefold()).rstrip(".")


def _runs(numbers: Sequence[int]) -> str:
    if numbers[-1] - numbers[0] == len(numbers) - 1:
        return f"{numbers[0]} to {numbers[-1]}" if len(numbers) > 1 else str(numbers[0])
    return ", ".join(map(str, numbers))


def _text_of(path: str | os.PathLike[str], remedy: str) -> str:
    raw = read_bytes(path, error=LessonError, remedy=remedy)
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        # What older spreadsheets write in the west of Europe; a wrong letter in a name is
        # no harm, since choices are plain.
        return raw.decode("cp1252", errors="replace")
