"""A page's own guesses beside what was measured, to print or keep: words alone, drawn by nobody."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from rig.show.markup import Markup, element, headed_page
from rig.show.style import STYLE
from rig.show.wording import when_text

_OWN_STYLE = """
.question { font-weight: bold; max-width: none; }
.asked { break-inside: avoid; }
li { max-width: none; }
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnAnswer:
    """One question, and what became of one page's answers to it.

    Attributes
    ----------
    name : str
        Which part, or which question.
    question : str
    lines : tuple of str
        What was answered, what it was held against, and how it compares.
    """

    name: str
    question: str
    lines: tuple[str, ...]


def own_html(title: str, called: str, answers: Sequence[OwnAnswer], *, made: datetime) -> str:
    """Return one page's own sheet.

    Parameters
    ----------
    title : str
        Of the lesson or the exercises.
    called : str
        The nickname, or the page's number.
    answers : sequence of OwnAnswer
    made : datetime
    """
    words = (
        "Nobody else has this page: print it or keep it now. The bench forgets it when the lesson "
        "ends."
    )
    return headed_page(
        title,
        f"My own answers ({called}), {when_text(made)}.",
        element("p", words, class_="note"),
        *(_answer(each) for each in answers),
        style=STYLE + _OWN_STYLE,
    )


def _answer(each: OwnAnswer) -> Markup:
    return element(
        "section",
        element("h2", each.name),
        element("p", each.question, class_="question"),
        element("ul", *(element("li", line) for line in each.lines)),
        class_="asked",
    )
