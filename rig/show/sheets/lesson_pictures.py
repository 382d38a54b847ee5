"""What a lesson's turns look like on its sheets, drawn while the class goes on."""

from __future__ import annotations

import functools
import itertools
from collections.abc import Callable
from dataclasses import dataclass

from rig.show.pictures.bench_picture import draw_picture
from rig.show.pictures.lesson_picture import class_picture, sheet_picture
from rig.show.pictures.saving import drawn_bytes
from rig.show.pictures.side_by_side import SideBySide
from rig.teach.lessons.lesson import StepHeard
from rig.teach.lessons.running import Turn


@dataclass(frozen=True, slots=True, kw_only=True)
class TurnPictures:
    """Of one turn: a PNG for the class, the others SVG.

    Attributes
    ----------
    of_class, result : bytes
        Prediction, theory and measurement: for the class, and for the teacher's sheet.
    steps : tuple of bytes
        The bench at each step.
    asked : bytes
        The bench at the last step, without what its pings come to.
    """

    of_class: bytes
    result: bytes
    steps: tuple[bytes, ...]
    asked: bytes


class LessonPictures:
    """Draws turns' pictures beside whatever else is done.

    Parameters
    ----------
    looks : {"along", "down"}, optional
        How the benches' ranges run; as their plan says, if not given.
    yields : bool
        Whether the benches go first wherever they and a picture want one core.
    """

    def __init__(self, *, looks: str | None, yields: bool) -> None:
        self._looks = looks
        self._drawing = SideBySide(yields=yields)
        self._turns: list[Turn] = []

    def begin(self, turn: Turn) -> None:
        """Begin to draw what a turn came to, while the next is taken."""
        self._turns.append(turn)
        self._drawing.add(self._draws(turn))

    def drawn(self) -> dict[str, TurnPictures]:
        """Return all turns' pictures by their parts' names, once they are drawn."""
        pictures = iter(self._drawing.drawn())
        return {
            turn.part.name: TurnPictures(
                of_class=next(pictures),
                result=next(pictures),
                asked=next(pictures),
                steps=tuple(itertools.islice(pictures, len(turn.heard))),
            )
            for turn in self._turns
        }

    def _draws(self, turn: Turn) -> list[Callable[[], bytes]]:
        looks = self._looks
        return [
            functools.partial(class_picture, turn),
            functools.partial(sheet_picture, turn),
            functools.partial(_asked_picture, turn.heard[-1], looks),
            *(functools.partial(_step_picture, heard, looks) for heard in turn.heard),
        ]


def _step_picture(heard: StepHeard, looks: str | None) -> bytes:
    note = f"step {heard.step.name}"
    return drawn_bytes("svg", lambda page: draw_picture(page, heard.run, note=note, looks=looks))


def _asked_picture(heard: StepHeard, looks: str | None) -> bytes:
    return drawn_bytes(
        "svg",
        lambda page: draw_picture(page, heard.run, note="", names_echoes=False, looks=looks),
    )
