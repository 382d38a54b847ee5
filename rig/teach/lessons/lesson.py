"""What a lesson is made of: words, steps to ping, and one small function for each part.

A lesson is data. It knows no screen, no file and no front end: the same parts run on the
virtual tank, on a sound card, on a board and on recordings.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rig.bench.plan import Plan, plan_from_table
from rig.run.receiver import Receiver
from rig.run.run import Run
from rig.tank.scene import Scene, scene_from_table

Tables = Mapping[str, Any]
"""TOML as Python sees it: the keys of a plan or of a scene."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """What is asked before anything is heard.

    Attributes
    ----------
    text : str
        The question, in a pupil's words.
    unit : str
        Of the number that is asked for, and of what is measured: "m", "hits", "°C".
    choices : tuple of str
        Where a word is asked for and not a number; empty otherwise.
    """

    text: str
    unit: str
    choices: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Given:
    """A quantity that someone measures by hand on the bench, with a tape or a watch.

    Attributes
    ----------
    name : str
        Its key, with its unit at the end: "near_m".
    text : str
        What is to be measured, and how.
    value, u_value : float
        As the virtual tank's scene has it; and its standard uncertainty on a real bench.
    """

    name: str
    text: str
    value: float
    u_value: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One arrangement of the bench, and how many pings to send at it.

    Attributes
    ----------
    name : str
        Short, unique within the part, fit for a file name: "near".
    set_up : str
        What to do on a real bench, in a sentence or two.
    scene : mapping
        The virtual tank's scene that shows the same.
    pings : int
    changes : mapping
        Keys that this step changes in the plan, table by table. A table with a `kind`
        replaces the plan's whole table.
    expects_echo : bool
        Whether what its scene holds must be heard on a real bench, before the next step.
    """

    name: str
    set_up: str
    scene: Tables
    pings: int = 8
    changes: Mapping[str, Tables] = field(default_factory=dict)
    expects_echo: bool = True


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StepHeard:
    """What one step sounded like.

    Attributes
    ----------
    step : Step
    run : Run
        Its pings: one by one, each searched for echoes of its own, and all added up.
    """

    step: Step
    run: Run

    @property
    def receiver(self) -> Receiver:
        """Which holds the plan in use and the sound speed."""
        return self.run.receiver

    @property
    def plan(self) -> Plan:
        """The plan that the step was heard by."""
        return self.run.plan


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Curve:
    """A line or a row of points in the picture of prediction and measurement.

    Attributes
    ----------
    label : str
    x, y : ndarray of float64, shape (points,)
    u_y : ndarray of float64, shape (points,), or None
        Standard uncertainties, drawn as bars.
    measured : bool
        Points, as the bench gave them; otherwise a line, as theory has it.
    """

    label: str
    x: NDArray[np.float64]
    y: NDArray[np.float64]
    u_y: NDArray[np.float64] | None = None
    measured: bool = False


def curve(
    label: str,
    x: ArrayLike,
    y: ArrayLike,
    u_y: ArrayLike | None = None,
    *,
    measured: bool = False,
) -> Curve:
    """Make a curve from anything that NumPy takes as numbers; the arrays are copied."""

    def kept(values: ArrayLike) -> NDArray[np.float64]:
        array = np.array(values, dtype=np.float64, ndmin=1)
        array.setflags(write=False)
        return array

    return Curve(
        label=label,
        x=kept(x),
        y=kept(y),
        u_y=None if u_y is None else kept(u_y),
        measured=measured,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Finding:
    """What the bench answered to a part's question.

    Attributes
    ----------
    measured, u_measured : float
        From the echoes, with its standard uncertainty.
    expected, u_expected : float
        From theory and from what was measured by hand: never from the echoes.
    choice : str
        The choice that the measurement supports, for a question with choices.
    verdict : str
        One or two sentences: what was seen, and what follows.
    x_label, y_label : str
        Of the picture, with units. The question's answer is read on the axis of `y`.
    curves : tuple of Curve
    numbers : tuple of tuple of str
        A table for the sheet, its heading first.
    """

    measured: float
    u_measured: float
    expected: float
    u_expected: float = 0.0
    choice: str = ""
    verdict: str
    x_label: str
    y_label: str
    curves: tuple[Curve, ...]
    numbers: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One turn of predict, measure, compare.

    Attributes
    ----------
    name : str
        Short, unique within the lesson: "out-and-back".
    question : Question
    steps : tuple of Step
        Pinged in this order.
    find : callable
        From what was heard at each step, in order, and what was measured by hand, by name,
        to the finding. Raises `rig.errors.NotHeardError` where the echo that it needs is not
        there, and says what would do.
    because : str
        Why it is so, to be read after the comparison.
    talk : tuple of str
        Questions for the class, with room to write on the sheet.
    givens : tuple of Given
    plan : mapping
        The plan for the virtual tank, where it differs from the lesson's.
    made_for : callable, optional
        From a bench's own plan to the same part as it is asked of that bench. Raises
        `rig.errors.PlanError` where the plan cannot show it, with values that can. None for a
        part that is asked alike of every bench.
    """

    name: str
    question: Question
    steps: tuple[Step, ...]
    find: Callable[[tuple[StepHeard, ...], Mapping[str, Given]], Finding]
    because: str
    talk: tuple[str, ...]
    givens: tuple[Given, ...] = ()
    plan: Tables = field(default_factory=dict)
    made_for: Callable[[Plan], Part] | None = None

    def on(self, own: Plan | None) -> Part:
        """Return the part as it is asked of a bench with a plan of its own.

        Raises
        ------
        PlanError
            Where that plan cannot show it.
        """
        if own is None or self.made_for is None:
            return self
        return self.made_for(own)


@dataclass(frozen=True, slots=True, kw_only=True)
class Lesson:
    """A short guided run: some parts on one subject.

    Attributes
    ----------
    name : str
        As typed on the command line: "time-is-distance".
    title : str
    minutes : int
        How long it takes with a class.
    about : str
        One or two sentences: what can be read off a screen afterwards.
    plan : mapping
        The plan for the virtual tank. A real bench brings its own.
    parts : tuple of Part
        The first part's question is the one that `--predict` answers first.
    misreading : str
        The common misreading that this lesson cures.
    """

    name: str
    title: str
    minutes: int
    about: str
    plan: Tables
    parts: tuple[Part, ...]
    misreading: str


def plan_of(step: Step, plan: Tables, *, source: str) -> Plan:
    """Return the plan that a step is pinged by: a plan's tables, with the step's changes.

    Raises
    ------
    PlanError
        Where the changed plan cannot work; the message names `source` and the step.
    """
    tables: dict[str, Any] = {name: dict(table) for name, table in plan.items()}
    for name, changed in step.changes.items():
        kept = {} if "kind" in changed else tables.get(name, {})
        tables[name] = {**kept, **changed}
    return plan_from_table(tables, source=f"{source}, step {step.name}")


def scene_of(step: Step, *, source: str) -> Scene:
    """Return the virtual tank's scene of a step."""
    return scene_from_table(step.scene, source=f"{source}, step {step.name}")
