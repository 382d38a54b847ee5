"""A lesson's sheet to hand out: one HTML page for A4, with room to write.

It needs nothing but itself: no network, no script. It says what was asked, predicted,
measured and expected, shows it, and leaves the why for after the talk.
"""

from __future__ import annotations

import functools
import os
import re
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime

from rig.files.whole import write_whole
from rig.show.markup import Markup, element, figure, joined, page, table
from rig.show.pictures.bench_picture import draw_picture
from rig.show.pictures.guess_spread import sheet_spread
from rig.show.pictures.lesson_picture import sheet_picture
from rig.show.pictures.saving import drawn_bytes
from rig.show.pictures.side_by_side import drawn_each
from rig.show.style import STYLE
from rig.show.wording import pulse_text, when_text
from rig.teach.guesses.guesses import Spread
from rig.teach.guesses.spread_text import spread_lines
from rig.teach.lessons.lesson import Lesson, StepHeard
from rig.teach.lessons.running import Turn
from rig.teach.lessons.turn_text import (
    CAUTION,
    agreement_text,
    expected_text,
    measured_text,
    off_text,
    plain_text,
    prediction_text,
    set_up_text,
    value_text,
)

_SVG = "image/svg+xml"

_SHEET_STYLE = """
.name { display: grid; grid-template-columns: auto 3fr auto 1fr; gap: .6rem; margin: 1rem 0; }
.name span:nth-child(even), .blank { border-bottom: 1px solid var(--soft); }
.blank { display: inline-block; min-width: min(14rem, 40vw); height: 1.3em; }
.question { font-size: 1.12rem; font-weight: bold; max-width: none; }
.answers { font-size: 1.05rem; }
.answers { display: block; }
.answers div { display: grid; grid-template-columns: minmax(8rem, 13rem) 1fr; gap: 0 1rem; }
.answers dt { color: var(--ink); }
.rule { height: 1.9rem; border-bottom: 1px solid var(--line); }
.talk { break-inside: avoid; margin-bottom: 1.2rem; }
p, figcaption { max-width: none; }
@media print {
  h1, h2, h3 { break-after: avoid; }
  h2 { margin-top: 1.4rem; }
  header .note { margin: .3rem 0; padding: .1rem .8rem; }
  figure { margin: .4rem 0; }
  .question { break-after: avoid; }
  .answers { display: flex; flex-wrap: wrap; gap: .3rem 1.6rem; break-inside: avoid; }
  .answers div { display: flex; gap: .6rem; }
  .blank { min-width: 8rem; }
  .part figure img { width: 68%; }
  .asked + .asked { break-before: page; }
  .asked figure img { width: 100%; }
  .tables { display: flex; flex-wrap: wrap; gap: 0 2rem; }
  .tables .wide { margin: .3rem 0; break-inside: avoid; }
  .talk { margin-bottom: .8rem; }
  .misreading { break-inside: avoid; }
  .steps figure { display: grid; grid-template-columns: 60% 1fr; gap: 1rem; }
  .steps .between img { display: none; }
  .steps .between figcaption { grid-column: 1 / -1; }
}
"""


_RULES = 3
"""Lines to write on under each question."""


def sheet_html(
    lesson: Lesson,
    turns: Sequence[Turn],
    *,
    made: datetime,
    looks: str | None = None,
    spreads: Mapping[str, Spread] | None = None,
) -> str:
    """Return the whole sheet.

    Parameters
    ----------
    lesson : Lesson
    turns : sequence of Turn
        The parts that were done, in order.
    made : datetime
    looks : {"along", "down"}, optional
        How the benches' ranges run; as their plan says, if not given.
    spreads : dict of str to Spread, optional
        What a class guessed, by the parts' names.
    """
    steps = [heard for turn in turns for heard in turn.heard]
    drawn = drawn_each(
        [functools.partial(sheet_picture, turn) for turn in turns]
        + [functools.partial(_step_picture, heard, looks) for heard in steps]
    )
    of_parts, of_steps = drawn[: len(turns)], iter(drawn[len(turns) :])
    return page(
        lesson.title,
        _header(lesson, made, " " + lesson.about, _invented(turns), _caution(turns)),
        element(
            "main",
            *(
                _part(number, turn, picture, (spreads or {}).get(turn.part.name))
                for number, (turn, picture) in enumerate(zip(turns, of_parts, strict=True), 1)
            ),
            element(
                "section",
                element("h2", "A common misreading"),
                element("p", lesson.misreading),
                class_="misreading",
            ),
            *(_set_up(number, turn, of_steps) for number, turn in enumerate(turns, 1)),
        ),
        style=STYLE + _SHEET_STYLE,
    )


def write_sheet(
    path: str | os.PathLike[str],
    lesson: Lesson,
    turns: Sequence[Turn],
    *,
    made: datetime,
    looks: str | None = None,
    spreads: Mapping[str, Spread] | None = None,
) -> None:
    """Write the sheet, whole or not at all; parameters as for :func:`sheet_html`.

    Raises
    ------
    StorageError
    """
    remedy = "give --out a folder that may be written to and has room"
    sheet = sheet_html(lesson, turns, made=made, looks=looks, spreads=spreads)
    write_whole(path, sheet, what="sheet", remedy=remedy)


def pupil_html(
    lesson: Lesson, turns: Sequence[Turn], *, made: datetime, looks: str | None = None
) -> str:
    """Return the pupil's pages: question, room to predict, what was heard, room for why.

    Nothing on them answers; parameters as for :func:`sheet_html`.
    """
    return page(
        lesson.title,
        _header(lesson, made, "", _caution(turns)),
        element("main", *(_asked(number, turn, looks) for number, turn in enumerate(turns, 1))),
        style=STYLE + _SHEET_STYLE,
    )


def write_pupil_sheet(
    path: str | os.PathLike[str],
    lesson: Lesson,
    turns: Sequence[Turn],
    *,
    made: datetime,
    looks: str | None = None,
) -> None:
    """Write the pupil's pages, whole or not at all.

    Raises
    ------
    StorageError
    """
    remedy = "give --out a folder that may be written to and has room"
    write_whole(
        path, pupil_html(lesson, turns, made=made, looks=looks), what="sheet", remedy=remedy
    )


def _header(lesson: Lesson, made: datetime, about: str, *notes: Markup) -> Markup:
    """Return a sheet's head: what it is, room for who and when, and what is to be noted."""
    when = when_text(made)
    return element(
        "header",
        element("h1", lesson.title),
        element("p", f"A lesson on the echo bench, {when}.{about}", class_="made"),
        element(
            "div",
            element("span", "Name"),
            element("span", ""),
            element("span", "Date"),
            element("span", ""),
            class_="name",
        ),
        *notes,
    )


def _asked(number: int, turn: Turn, looks: str | None) -> Markup:
    """Ask a part's question, with the last step's pings and without what they come to."""
    part, heard = turn.part, turn.heard[-1]
    choices = joined([])
    if part.question.choices:
        choices = element("p", f"Choose: {'; '.join(part.question.choices)}.")
    drawn = drawn_bytes(
        "svg",
        lambda paper: draw_picture(paper, heard.run, note="", names_echoes=False, looks=looks),
    )
    unit = "" if part.question.choices else f" {part.question.unit}"
    return element(
        "section",
        element("h2", _title(number, turn)),
        element("p", part.question.text, class_="question"),
        choices,
        element("p", "My prediction: ", element("span", class_="blank"), unit),
        figure(
            drawn,
            kind=_SVG,
            alt="The bench as it was heard: sketch, strength over range, and history.",
            caption=f"Heard at step {heard.step.name}. {_done_for(heard)}",
        ),
        element("p", "Measured: ", element("span", class_="blank"), unit),
        _talk("Why is it so?"),
        *(_talk(question) for question in part.talk),
        class_="part asked",
    )


def _caution(turns: Sequence[Turn]) -> Markup:
    """Warn of loudspeakers, unless all was silent."""
    if all(turn.invented for turn in turns):
        return joined([])
    return element("p", element("strong", "Caution. "), CAUTION, class_="note")


def _invented(turns: Sequence[Turn]) -> Markup:
    if not any(turn.invented for turn in turns):
        return joined([])
    words = (
        "Nothing on this sheet was measured in a room or in water. The pings come from a virtual "
        "tank: its scene is invented, and so is every echo."
    )
    return element("p", element("strong", "Invented scene. "), words, class_="note")


def _title(number: int, turn: Turn) -> str:
    return f"{number}. {turn.part.name.replace('-', ' ').capitalize()}"


def _set_up(number: int, turn: Turn, pictures: Iterator[bytes]) -> Markup:
    first, *others = turn.heard
    # The heading and the first picture stay on one page, whatever a browser makes of the rest.
    return element(
        "section",
        element(
            "div",
            element("h2", f"{_title(number, turn)}: what was set up"),
            _step(first, next(pictures), between=False),
            class_="whole",
        ),
        *(_step(heard, next(pictures), between=heard is not turn.heard[-1]) for heard in others),
        class_="steps",
    )


def _guessed(spread: Spread | None, turn: Turn) -> Markup:
    """Show what the class guessed, without who; nothing where no class was asked."""
    if spread is None:
        return joined([])
    lines = spread_lines(spread, turn)
    return joined(
        [
            element("h3", "What the class guessed"),
            figure(
                sheet_spread(spread, turn), kind=_SVG, alt=" ".join(lines), caption=" ".join(lines)
            ),
        ]
    )


def _part(number: int, turn: Turn, picture: bytes, spread: Spread | None) -> Markup:
    part, finding = turn.part, turn.finding
    answers: list[tuple[str, str | Markup]] = [
        (
            "Your prediction",
            prediction_text(turn.prediction, turn.part.question) or element("span", class_="blank"),
        ),
        ("Measured (± is k = 2)", _whole(measured_text(turn), part.question.unit)),
        ("Expected", _whole(expected_text(turn), part.question.unit)),
    ]
    if finding.choice:
        answers.append(("The bench says", finding.choice))
    choices = joined([])
    if part.question.choices:
        choices = element("p", f"Choose: {'; '.join(part.question.choices)}.")
    compared = " ".join(words for words in (off_text(turn), agreement_text(turn)) if words)
    return element(
        "section",
        element("h2", _title(number, turn)),
        element("p", part.question.text, class_="question"),
        choices,
        element(
            "dl",
            *(element("div", element("dt", name), element("dd", words)) for name, words in answers),
            class_="answers",
        ),
        element("p", turn.finding.verdict),
        element("p", _whole(compared, part.question.unit)),
        figure(
            picture,
            kind=_SVG,
            alt=f"{finding.y_label} over {finding.x_label}: prediction, theory and measurement. "
            f"{finding.verdict}",
            caption="Points are what the bench measured, their bars k = 2; lines are theory.",
        ),
        _guessed(spread, turn),
        element(
            "div",
            table(finding.numbers[0], finding.numbers[1:], caption="The numbers behind it."),
            _givens(turn),
            class_="tables",
        ),
        element("h3", "To talk about"),
        *(_talk(question) for question in part.talk),
        element("h3", "Why it is so"),
        element("p", part.because),
        class_="part",
    )


def _whole(words: str, unit: str) -> str:
    """Keep numbers and their units on one line."""
    return re.sub(rf"(?<=[\d±]) (?=[\d±%]|{re.escape(unit)}\b)", "\N{NO-BREAK SPACE}", words)


def _givens(turn: Turn) -> Markup:
    if not turn.givens:
        return joined([])
    # A name ends in its unit, which the words for it say as well.
    rows = [
        (given.text, value_text(given.value, given.u_value, ""), given.name)
        for given in turn.givens.values()
    ]
    return table(
        ("measured by hand", "value", "called"), rows, caption="By tape and by watch, ± is k = 2."
    )


def _talk(question: str) -> Markup:
    return element(
        "div",
        element("p", question),
        *(element("div", class_="rule") for _ in range(_RULES)),
        class_="talk",
    )


def _done_for(heard: StepHeard) -> str:
    return set_up_text(heard.step, invented=heard.receiver.info.invented)


def _step_picture(heard: StepHeard, looks: str | None) -> bytes:
    """Draw a step's bench."""
    note = f"step {heard.step.name}"
    return drawn_bytes("svg", lambda page: draw_picture(page, heard.run, note=note, looks=looks))


def _step(heard: StepHeard, drawn: bytes, *, between: bool) -> Markup:
    """Show a step's bench; of one between the first and the last, paper gets the words alone."""
    echoes = ", ".join(f"{plain_text(e.range_m)} m" for e in heard.run.echoes[:5])
    picture = figure(
        drawn,
        kind=_SVG,
        alt=f"The bench at step {heard.step.name}: sketch, strength over range, and history. "
        f"Echoes in all pings added up: {echoes or 'none'}.",
        caption=f"Step {heard.step.name}. {_done_for(heard)} {pulse_text(heard.plan)}.",
    )
    return element("div", picture, class_="between" if between else "end")
