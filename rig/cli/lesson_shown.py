"""What of a lesson is shown: to the room in pictures, on the terminal in lines."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rig.show.room.room import Room
    from rig.teach.guesses.guesses import Spread
    from rig.teach.lessons.lesson import Lesson, Part
    from rig.teach.lessons.running import Turn


def show_question(there: Room, lesson: Lesson, part: Part) -> None:
    """Show the room a part's question, while the terminal takes the prediction."""
    from rig.show.pictures.lesson_page import LessonPage, draw_page
    from rig.show.pictures.saving import drawn_dots

    page = LessonPage(
        heading=lesson.title,
        question=part.question,
        answer="",
        prediction=None,
        words="Predict, each for yourself.",
        keys="",
    )
    there.show(drawn_dots(lambda f: draw_page(f, page)), lesson.title, (part.question.text,))


def show_turn(there: Room, lesson: Lesson, turn: Turn) -> None:
    """Show the room what was measured, against what was predicted and what theory expects."""
    from rig.show.pictures.lesson_picture import draw_turn
    from rig.show.pictures.saving import drawn_dots
    from rig.teach.lessons.turn_text import remark_lines, result_lines

    lines = (turn.part.question.text, *result_lines(turn), *remark_lines(turn))
    there.show(drawn_dots(lambda f: draw_turn(f, turn, alone=True)), lesson.title, lines)


def show_spread(there: Room, lesson: Lesson, spread: Spread, turn: Turn | None) -> None:
    """Show the room what it guessed, with what was measured once that is known."""
    from rig.show.pictures.guess_spread import SpreadPage, draw_spread
    from rig.show.pictures.saving import drawn_dots
    from rig.teach.guesses.spread_text import spread_lines

    page = SpreadPage(heading=lesson.title, spread=spread, turn=turn)
    lines = (spread.question.text, *spread_lines(spread, turn))
    there.show(drawn_dots(lambda f: draw_spread(f, page)), lesson.title, lines)


def wrapped(words: str) -> list[str]:
    """Return words in lines of the terminal's width."""
    import shutil
    import textwrap

    width = min(shutil.get_terminal_size((80, 24)).columns, 100)
    return textwrap.wrap(words, width)
