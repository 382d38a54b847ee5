"""The sheet of questions and the sheet of answers, as HTML pages to print."""

from __future__ import annotations

from collections.abc import Sequence
from string import ascii_lowercase

from rig.show.markup import Markup, element, page
from rig.show.style import STYLE
from rig.teach.exercises.question import Question

_SHEET_STYLE = """
.who { display: flex; gap: 2rem; margin: .8rem 0 1rem; }
.who span { flex: 1; border-bottom: 1px solid var(--ink); padding-bottom: .2rem; }
.question h2 { border-top: 2px solid var(--ink); }
.question img { border: 1px solid var(--line); }
.ask { font-size: 1.1rem; max-width: none; margin: .7rem 0 .4rem; }
.choices { list-style: none; padding: 0; margin: .3rem 0 .6rem; max-width: none;
  display: flex; flex-wrap: wrap; gap: .3rem 2.2rem; }
.box { display: inline-block; width: .9rem; height: .9rem; border: 1.5px solid var(--ink);
  margin-right: .5rem; vertical-align: -.1rem; }
.room { margin: .2rem 0 0; max-width: none; }
.room span { display: block; height: 1.7rem; border-bottom: 1px solid var(--line); }
.how { max-width: none; }
.key { display: flow-root; border-top: 2px solid var(--ink); margin-top: 1.2rem; }
.key h2 { border: 0; margin: .3rem 0; }
.key img { float: right; width: 26rem; max-width: 100%; margin: .8rem 0 .3rem 1.5rem;
  border: 1px solid var(--line); }
@page { size: A4; margin: 10mm 12mm; }
@media print {
  html { font-size: 9.5pt; }
  .question, .key { break-inside: avoid; }
  .question h2 { margin: 1mm 0; padding-top: .5mm; font-size: 11pt; }
  .question img { width: auto; max-width: 100%; height: 82mm; margin: 0 auto; }
  .ask { margin: 1mm 0; font-size: 10.5pt; }
  .choices { margin: .5mm 0 1mm; }
  .room span { height: 6mm; }
  .how { margin: 1mm 0; }
  .who { margin: 2mm 0; }
  h1 { font-size: 14pt; }
  .key { margin-top: 4mm; }
  .key img { width: 90mm; }
}
"""

_HOW = (
    "Each picture shows an invented bench: first where the beam reaches; then the newest ping; "
    "then the pings before it, the newest next to the strip. Read it from the top down, or from "
    "left to right where the bench looks down. Tick one box for each picture and say what in the "
    "picture decided it. “It cannot be told” may be right."
)


def question_sheet(asked: Sequence[Question], pictures: Sequence[str]) -> str:
    """Return the page with the pictures and the questions, and nothing that answers them.

    Parameters
    ----------
    asked : sequence of Question
    pictures : sequence of str
        The picture of each, as the page finds it.
    """
    title = "Reading exercises"
    sections = [_asked(q, picture) for q, picture in zip(asked, pictures, strict=True)]
    who = element("div", *(element("span", f"{word}:") for word in ("Name", "Date")), class_="who")
    return _page(title, element("h1", title), element("p", _HOW, class_="how"), who, *sections)


def key_sheet(asked: Sequence[Question], pictures: Sequence[str]) -> str:
    """Return the page with the answers: what was there, and how it is read off."""
    title = "Reading exercises: the key"
    note = (
        "For the teacher. All scenes are invented. Each answer is what the scene holds, and what "
        "the bench's own measuring, which does not know the scene, makes of the same pings."
    )
    sections = [_answered(q, picture) for q, picture in zip(asked, pictures, strict=True)]
    return _page(title, element("h1", title), element("p", note, class_="how"), *sections)


def lettered(choices: Sequence[str]) -> list[tuple[str, str]]:
    """Return choices with the letters that stand for them."""
    return list(zip(ascii_lowercase, choices, strict=False))


def _asked(question: Question, picture: str) -> Markup:
    choices = [
        element("li", element("span", class_="box"), f"{letter}) {choice}")
        for letter, choice in lettered(question.draft.choices)
    ]
    return element(
        "section",
        element("h2", f"Question {question.number}"),
        element("img", src=picture, alt=f"Picture of question {question.number}"),
        element("p", question.draft.text, class_="ask"),
        element("ul", *choices, class_="choices"),
        element("div", "What decided it?", element("span"), element("span"), class_="room"),
        class_="question",
    )


def _answered(question: Question, picture: str) -> Markup:
    draft = question.draft
    letter = next(a for a, choice in lettered(draft.choices) if choice == draft.answer)
    return element(
        "section",
        element("img", src=picture, alt=f"Picture of question {question.number}"),
        element("h2", f"Question {question.number}: {letter}) {draft.answer}"),
        element("p", draft.text),
        element("p", element("strong", "Why. "), draft.reason),
        element("p", element("strong", "The scene. "), " ".join(draft.truth)),
        element("p", f"Topic: {question.topic.name}.", class_="made"),
        class_="key",
    )


def _page(title: str, *body: str) -> str:
    return page(title, *body, style=STYLE + _SHEET_STYLE, pictures_beside=True)
