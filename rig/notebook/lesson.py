"""A part of a lesson, taken from Python."""

from __future__ import annotations

import dataclasses
import os
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING

from rig.bench.front_end_names import INVENTED_FRONT_ENDS
from rig.bench.plan import Plan
from rig.bench.stored_calibration import Calibration
from rig.errors import LessonError, PlanError
from rig.notebook.bench import Bench, open_bench, open_replay
from rig.notebook.figures import figure_of
from rig.run.opening import START_LEVEL_DB
from rig.tank.scene import Scene
from rig.teach.lessons import running, turn_text
from rig.teach.lessons.lesson import Lesson, Part, Step
from rig.teach.lessons.running import Prediction

if TYPE_CHECKING:
    from matplotlib.figure import Figure


class Turn(running.Turn):
    """A part, done; a notebook shows prediction, measurement and theory in one picture."""

    def figure(self) -> Figure:
        """Draw prediction, measurement and theory, as a Matplotlib figure."""
        from rig.show.pictures.lesson_picture import draw_turn

        return figure_of(lambda figure: draw_turn(figure, self, alone=True))

    def __str__(self) -> str:
        """Put the turn into words: what was measured, what was expected, and why."""
        return "\n".join((*turn_text.result_lines(self), *turn_text.remark_lines(self)))

    def __repr__(self) -> str:
        measured, expected = turn_text.measured_text(self), turn_text.expected_text(self)
        return f"<Turn of {self.part.name}: measured {measured} (k = 2), expected {expected}>"

    def _repr_png_(self) -> bytes:
        from rig.show.pictures.lesson_picture import class_picture

        return class_picture(self)


def take_part(
    lesson: Lesson,
    part: Part,
    prediction: Prediction = None,
    *,
    plan: Plan | None = None,
    front_end: str = "virtual-tank",
    device: int | str | None = None,
    level_db: float = START_LEVEL_DB,
    calibration: Calibration | None = None,
    seed: int = 0,
    ready: Callable[[Step], object] | None = None,
    recordings: Sequence[str | os.PathLike[str]] = (),
    givens: Mapping[str, float] | None = None,
) -> Turn:
    """Hear the steps of a lesson's part, and put the answer beside a prediction.

    Parameters
    ----------
    lesson, part : Lesson, Part
        The part is one of ``lesson.parts``; its ``question.text`` says what is asked.
    prediction : float or str, optional
        A number in the question's unit, or one of its choices.
    plan : Plan, optional
        The bench's own; the lesson's, where none is given. A real bench needs one. The part's
        question is then another: ``part.on(plan).question.text`` says which.
    front_end, device, level_db, calibration, seed
        As for :func:`rig.open_bench`.
    ready : callable, optional
        Called with each step before it is pinged, to set up what its ``set_up`` says; a real
        bench needs it: ``lambda step: input(step.set_up)``.
    recordings : sequence of path
        Heard in place of a bench, one for each step, in order.
    givens : mapping of str to float, optional
        What was measured by hand, by the names in ``part.givens``. In an invented scene it is
        known without.

    Raises
    ------
    LessonError
        Where the prediction, a quantity or a recording is missing or does not fit.
    PlanError
        Where this bench cannot do the part.
    NotHeardError
        Where the echo that the answer needs is not there.
    """
    if recordings:
        part = running.part_recorded(lesson, part, recordings[0], own=plan)
    else:
        part = part.on(plan)
    predicted = prediction
    if predicted is not None:
        predicted = running.predicted(part.question, str(predicted))
    if recordings:
        if len(recordings) != len(part.steps):
            listed = ", ".join(step.name for step in part.steps)
            raise LessonError(
                f"recordings: found {len(recordings)}, and there are {len(part.steps)} steps "
                f"({listed}); give one for each, in that order"
            )
        heard = tuple(
            running.hear_recorded(step, path, own=plan, open_replay=open_replay)
            for step, path in zip(part.steps, recordings, strict=True)
        )
    else:

        def opened(step_plan: Plan, scene: Scene | None) -> Bench:
            return open_bench(
                step_plan,
                front_end=front_end,
                scene=scene,
                seed=seed,
                device=device,
                level_db=level_db,
                calibration=calibration,
            )

        if front_end not in INVENTED_FRONT_ENDS and (plan is None or ready is None):
            raise PlanError(
                f"front_end: found {front_end!r}, a real bench, without its plan or without "
                "ready, which lets it be set up for each step; give both"
            )
        tables = running.tables_for(lesson, part, plan)
        for step in part.steps:
            running.check_bench(step, tables, front_end=front_end, source=lesson.name)
        taken = []
        for step in part.steps:
            if ready is not None:
                ready(step)
            taken.append(
                running.hear_live(
                    lesson, part, step, own=plan, front_end=front_end, open_bench=opened
                )
            )
        heard = tuple(taken)
    turn = running.concluded(part, heard, running.givens_for(part, heard, givens or {}), predicted)
    return Turn(**{f.name: getattr(turn, f.name) for f in dataclasses.fields(turn)})
