"""What a set of exercises is on disk: pictures and a sheet to hand out, and a key apart.

The key lies in a folder of its own, so that all else can be handed on. Nothing outside
that folder, down to names and to what a picture's file says of itself, holds an answer.
"""

from __future__ import annotations

import csv
import dataclasses
import functools
import io
import itertools
import json
import os
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from rig.errors import StorageError
from rig.files.whole import INTO_OUT, already_there, write_whole
from rig.run.results import PingResult
from rig.run.run import Run
from rig.show.pictures.bench_picture import draw_picture
from rig.show.pictures.saving import drawn_bytes
from rig.show.pictures.side_by_side import SideBySide
from rig.show.sheets.exercise_sheets import key_sheet, question_sheet
from rig.teach.exercises.question import Question

COLUMNS = ("name", "number", "answer")
"""Of the file that answers are handed in with."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Handout:
    """Where everything is.

    Attributes
    ----------
    questions : tuple of dict
        What `exercise --json` lists of each.
    sheet, answers : Path
        The page to print, and the empty table for the answers.
    key, key_sheet : Path
        The key for the machine and for the teacher.
    redrawn : dict of str to int
        Scenes that were drawn and not used, by topic.
    """

    questions: tuple[dict[str, Any], ...]
    sheet: Path
    answers: Path
    key: Path
    key_sheet: Path
    redrawn: dict[str, int]


def write_handout(
    folder: str | os.PathLike[str], asked: Iterable[Question], *, looks: str | None = None
) -> Handout:
    """Draw and write everything.

    A set that is there already is never replaced: its sheets may have been handed out, and
    pupils' answers may stand in its table.

    Parameters
    ----------
    folder : path
        Made, where it is not there.
    asked : iterable of Question
    looks : {"along", "down"}, optional
        How the pictures' ranges run; as each question's bench looks, if not given.

    Raises
    ------
    StorageError
    LessonError
        From drawing the questions.
    """
    out = Path(folder)
    for there in (out / "answers.csv", out / "key" / "key.json"):
        if os.path.exists(there):
            raise already_there(
                there, remedy="give --out another folder, or move the old exercises away"
            )
    _make(out / "key")
    asked, to_draw = itertools.tee(asked)
    pictures = question_pictures(to_draw, looks=looks)
    kept = list(asked)
    names = [_picture_name(q) for q in kept]
    for name, picture in zip(names, pictures, strict=True):
        _write(out / name, picture, what="picture")
    made = Handout(
        questions=tuple(_listed(q, out) for q in kept),
        sheet=out / "questions.html",
        answers=out / "answers.csv",
        key=out / "key" / "key.json",
        key_sheet=out / "key" / "key.html",
        redrawn=_redrawn(kept),
    )
    _write(made.sheet, question_sheet(kept, names), what="sheet")
    _write(made.answers, _blank(kept), what="table of answers")
    _write(made.key, _key(kept), what="key")
    _write(made.key_sheet, key_sheet(kept, [f"../{name}" for name in names]), what="key")
    return made


def handout_answer(made: Handout) -> dict[str, Any]:
    """Answer `exercise --json`."""
    return {
        "questions": list(made.questions),
        "key": os.fspath(made.key),
        "sheet": os.fspath(made.sheet),
        "answers": os.fspath(made.answers),
        "key_sheet": os.fspath(made.key_sheet),
        "redrawn": made.redrawn,
    }


def question_pictures(asked: Iterable[Question], *, looks: str | None = None) -> list[bytes]:
    """Draw each question's picture, a PNG, while the next is asked for; nothing in it answers."""
    drawing = SideBySide()
    for question in asked:
        drawing.add([functools.partial(_picture, question, looks)])
    return drawing.drawn()


def _picture_name(question: Question) -> str:
    return f"question-{question.number:02d}.png"


def _picture(question: Question, looks: str | None) -> bytes:
    heard = question.heard
    return drawn_bytes(
        "png",
        lambda page: draw_picture(
            page,
            heard,
            [*heard.results[:-1], with_even_threshold(heard)],
            note=f"Reading exercise, question {question.number}. The scene is invented.",
            names_echoes=False,
            looks=looks,
        ),
    )


def with_even_threshold(heard: Run) -> PingResult:
    """Return the newest ping with the threshold that its echoes were held to.

    Beneath an echo that was found, the search's threshold follows that echo's own flanks, so
    that they are not taken for further echoes. A reader who is told that echoes rise above it
    needs the line as it runs on from both sides.
    """
    last = heard.results[-1]
    if (threshold_db := last.threshold_db) is None or last.profile is None:
        return last
    delay_s, width_s = last.profile.delay_s, heard.receiver.shape.width_s
    told = np.isfinite(threshold_db)
    beside = told.copy()
    for echo in last.echoes:
        beside &= np.abs(delay_s - echo.delay_s) > 2 * width_s
    if not beside.any():
        return last
    even_db = np.interp(delay_s, delay_s[beside], threshold_db[beside])
    threshold_db = np.where(told, even_db, np.nan)
    return dataclasses.replace(last, threshold=functools.partial(np.asarray, threshold_db))


def _listed(question: Question, out: Path) -> dict[str, Any]:
    return {
        "number": question.number,
        "picture": os.fspath(out / _picture_name(question)),
        "topic": question.topic.name,
        "question": question.draft.text,
        "choices": list(question.draft.choices),
    }


def _key(asked: Iterable[Question]) -> str:
    rows = [
        {
            "number": q.number,
            "topic": q.topic.name,
            "choices": list(q.draft.choices),
            "answer": q.draft.answer,
            "reason": q.draft.reason,
            "scene": list(q.draft.truth),
        }
        for q in asked
    ]
    return json.dumps(rows, indent=1, ensure_ascii=False) + "\n"


def _blank(asked: Iterable[Question]) -> str:
    text = io.StringIO()
    rows = csv.writer(text)
    rows.writerow(COLUMNS)
    rows.writerows(("", q.number, "") for q in asked)
    return text.getvalue()


def _redrawn(asked: Iterable[Question]) -> dict[str, int]:
    counted: Counter[str] = Counter()
    for question in asked:
        counted[question.topic.name] += question.redrawn
    return dict(counted)


def _make(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        raise StorageError(
            f"{folder}: the folder cannot be made ({problem.strerror}); "
            "give --out a folder that may be written to"
        ) from problem


def _write(target: Path, content: str | bytes, *, what: str) -> None:
    write_whole(target, content, what=what, remedy=INTO_OUT)
