"""One turn of a lesson: what was predicted, what was heard, what it comes to."""

from __future__ import annotations

import dataclasses
import math
import os
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from rig.bench.front_end_names import BOARDS, INVENTED_FRONT_ENDS
from rig.bench.plan import Plan
from rig.errors import LessonError, PlanError
from rig.files.sound_file import is_sound_file
from rig.front_ends.board.link import Identity
from rig.front_ends.board.settings import settings_for
from rig.measure.forecast import forecast
from rig.run.opening import Bench, open_replay
from rig.tank.scene import Noise, Scene
from rig.teach.lessons.lesson import (
    Finding,
    Given,
    Lesson,
    Part,
    Question,
    Step,
    StepHeard,
    Tables,
    plan_of,
    scene_of,
)
from rig.teach.lessons.unit_words import split_unit, times_to

Prediction = float | str | None
"""A number, or one of the choices; None where nobody predicted."""

_LARGEST = 1e9

_BOARD_LOUDER_DB = 26.0
"""A lesson's scenes have a loudspeaker turned low. A board drives its transmitter at full, and
amplifies what comes back until an 8-bit converter can tell it (common practice, no source)."""

_BOARD_NOISE_DB = -48.0
"""Half a step of an 8-bit converter, RMS: so much noise of its own keeps an echo that is
smaller than a step from being rounded away (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Turn:
    """A part, done.

    Attributes
    ----------
    part : Part
    prediction : float, str or None
    heard : tuple of StepHeard
        In the order of the part's steps.
    givens : mapping of str to Given
        As they were measured by hand.
    finding : Finding
    """

    part: Part
    prediction: Prediction
    heard: tuple[StepHeard, ...]
    givens: Mapping[str, Given]
    finding: Finding

    @property
    def off(self) -> float | None:
        """By how much a predicted number is more than the measured one."""
        if isinstance(self.prediction, float):
            return self.prediction - self.finding.measured
        return None

    @property
    def predicted_rightly(self) -> bool | None:
        """Whether the prediction came true; None without one, or where nobody can say.

        A number is held to three standard uncertainties of the measurement, or to 5 % of
        what was measured, whichever is more: a class does not predict to the last digit.
        """
        if isinstance(self.prediction, str):
            return self.prediction == self.finding.choice if self.finding.choice else None
        if self.off is None:
            return None
        allowed = max(3 * self.finding.u_measured, 0.05 * abs(self.finding.measured))
        # A lesson's numbers may be NumPy's, whose truths no JSON knows.
        return bool(abs(self.off) <= allowed)

    @property
    def agrees(self) -> bool | None:
        """Whether measurement and theory agree; None where another try has to decide.

        They do within twice their joint uncertainty, and do not beyond three times that. In
        between lies what chance alone does once in twenty times.
        """
        f = self.finding
        apart = abs(f.measured - f.expected)
        u = math.hypot(f.u_measured, f.u_expected)
        if apart <= 2 * u:
            return True
        return None if apart <= 3 * u else False

    @property
    def invented(self) -> bool:
        """Whether a step was heard in an invented scene."""
        return any(h.receiver.info.invented for h in self.heard)


def predicted(question: Question, text: str) -> float | str:
    """Read a prediction: a number, or a choice by its words or its place, from 1.

    A number may bring its unit, or another one of the same kind: 62 cm is 0.62 m.

    Raises
    ------
    LessonError
        Where it is neither; the message lists the choices.
    """
    words = text.strip()
    if question.choices:
        for choice in question.choices:
            if words.casefold() == choice.casefold():
                return choice
        if words.isdecimal() and 1 <= int(words) <= len(question.choices):
            return question.choices[int(words) - 1]
        listed = ", ".join(repr(choice) for choice in question.choices)
        places = f"1 to {len(question.choices)}"
        raise LessonError(f"prediction: found {text!r}; give one of {listed}, or {places}")
    written, unit_written = split_unit(words)
    times = times_to(question.unit, unit_written)
    number = math.nan if times is None else number_in(written) * times
    if not math.isfinite(number):
        unit = f" of {question.unit}" if question.unit else ""
        raise LessonError(f"prediction: found {text!r}; give a number{unit}, such as 0.5")
    return number


def number_in(text: str) -> float:
    """Read a number as people write it: with a point or a comma, or a true minus sign.

    NaN where it is none, where its comma may part thousands, or where it is larger than
    anything that a lesson measures.

    Examples
    --------
    >>> number_in("11.6"), number_in("0,5"), number_in("\N{MINUS SIGN}3"), number_in("1,000")
    (11.6, 0.5, -3.0, nan)
    """
    plain = text.strip().replace("\N{MINUS SIGN}", "-")
    if re.fullmatch(r"[-+]?[0-9]+,[0-9]+", plain) and not re.search(
        r"[1-9][0-9]*,[0-9]{3}$", plain
    ):
        plain = plain.replace(",", ".")
    try:
        number = float(plain)
    except ValueError:
        return math.nan
    return number if abs(number) <= _LARGEST else math.nan


def tables_for(lesson: Lesson, part: Part, own: Plan | None) -> Tables:
    """Return the plan's tables for a part: a bench's own, or else the lesson's."""
    return own.as_table() if own is not None else {**lesson.plan, **part.plan}


def part_recorded(
    lesson: Lesson,
    part: Part,
    path: str | os.PathLike[str],
    *,
    own: Plan | None,
    plan_path: str | None = None,
    calibration_path: str | None = None,
) -> Part:
    """Return a part as it was asked of the bench that its first step was recorded on.

    Parameters
    ----------
    lesson, part : Lesson, Part
    path : path
        The first step's recording.
    own : Plan or None
        The plan of that bench. Without it, the lesson's own where the recording was made by
        that, or else the recording's, which lacks only what the first step changes.
    plan_path, calibration_path : str, optional
        As for :func:`rig.run.opening.open_replay`.

    Raises
    ------
    PlanError
        Where that plan cannot show the part.
    """
    if own is not None or part.made_for is None:
        return part.on(own)
    with open_replay(path, plan_path=plan_path, calibration_path=calibration_path) as bench:
        recorded = bench.receiver.plan
    taught = plan_of(part.steps[0], tables_for(lesson, part, None), source=lesson.name)
    return part if recorded == taught else part.on(recorded)


def check_bench(
    step: Step, tables: Tables, *, front_end: str, source: str, board: Identity | None = None
) -> None:
    """Refuse a step that a bench cannot do, before anything is pinged.

    Parameters
    ----------
    step : Step
    tables : mapping
        The bench's plan.
    front_end : str
    source : str
        What the plan is called.
    board : Identity, optional
        What a board says of itself.

    Raises
    ------
    PlanError
        The message names the step.
    """
    sent = step.changes.get("pulse", {}).get("kind", "burst")
    if front_end in BOARDS and sent != "burst":
        raise PlanError(
            f"step {step.name}: it sends a {sent}, and a board sends bursts only; do this with a "
            "loudspeaker, or in the virtual tank"
        )
    plan = plan_of(step, tables, source=source)
    kind = scene_of(step, source=source).medium.kind
    if front_end in INVENTED_FRONT_ENDS and kind != plan.medium.kind:
        raise PlanError(
            f"{source}: medium.kind: found {plan.medium.kind!r}, and the scene of step "
            f"{step.name} is in {kind!r}; give a plan for that"
        )
    forecast(plan)  # the pulse can be made, and its echoes fit between two pings
    if board is None:
        return
    try:
        settings_for(plan, board)
    except PlanError as problem:
        raise PlanError(f"{source}, step {step.name}: {problem}") from problem


def scene_for(step: Step, own: Plan | None, *, front_end: str, source: str) -> Scene:
    """Return a step's scene; with the faces of a bench's own plan, where it brings one.

    A face keeps its tilt, which the step is about, and sends all round if it does in the scene.
    """
    scene = scene_of(step, source=source)
    if front_end in BOARDS:
        louder = dataclasses.replace(
            scene.source, level_db=scene.source.level_db + _BOARD_LOUDER_DB
        )
        own_db = -math.inf if scene.noise is None else scene.noise.level_db + _BOARD_LOUDER_DB
        noise = Noise(level_db=max(own_db, _BOARD_NOISE_DB))
        others = tuple(
            dataclasses.replace(other, level_db=other.level_db + _BOARD_LOUDER_DB)
            for other in scene.other_bench
        )
        scene = dataclasses.replace(scene, source=louder, noise=noise, other_bench=others)
    if own is None:
        return scene
    face = own.transducer
    sizes = {"shape": face.shape, "radius_m": face.radius_m, "length_m": face.length_m}
    faces = {
        name: dataclasses.replace(its, **sizes)
        for name in ("transducer", "source_transducer", "receiver_transducer")
        if (its := getattr(scene, name)) is not None and its.shape != "point"
    }
    return dataclasses.replace(scene, **faces)


def hear(step: Step, bench: Bench, *, record: str | None = None) -> StepHeard:
    """Send a step's pings, or take those of a recording, and go over them once.

    Every block is recorded, where it is asked for, before anything is done with it.
    """
    pings = step.pings if bench.recorded_pings is None else bench.recorded_pings
    return StepHeard(step=step, run=bench.ping(pings, record=record))


def hear_live(
    lesson: Lesson,
    part: Part,
    step: Step,
    *,
    own: Plan | None,
    front_end: str,
    open_bench: Callable[[Plan, Scene | None], Bench],
) -> StepHeard:
    """Open the bench that a step asks for, and hear the step.

    Parameters
    ----------
    lesson, part, step : Lesson, Part, Step
    own : Plan or None
        The bench's own plan; the lesson's, where there is none.
    front_end : str
    open_bench : callable
        From the step's plan and, where one is sounded, its scene to an open bench.

    Raises
    ------
    PlanError
        Where the changed plan cannot work.
    """
    with bench_for(
        lesson, part, step, own=own, front_end=front_end, open_bench=open_bench
    ) as bench:
        return hear(step, bench)


def bench_for(
    lesson: Lesson,
    part: Part,
    step: Step,
    *,
    own: Plan | None,
    front_end: str,
    open_bench: Callable[[Plan, Scene | None], Bench],
    source: str | None = None,
) -> Bench:
    """Open the bench that a step asks for.

    Parameters
    ----------
    source : str, optional
        What the bench's own plan is called.

    Others, and errors, as for :func:`hear_live`.
    """
    plan = plan_of(step, tables_for(lesson, part, own), source=source or lesson.name)
    scene = None
    if front_end in INVENTED_FRONT_ENDS:
        where = f"{lesson.name}, part {part.name}"
        scene = scene_for(step, own, front_end=front_end, source=where)
    return open_bench(plan, scene)


def hear_recorded(
    step: Step,
    path: str | os.PathLike[str],
    *,
    own: Plan | None,
    open_replay: Callable[..., Bench] = open_replay,
) -> StepHeard:
    """Hear a step from its recording, or from a sound file with the bench's own plan.

    Parameters
    ----------
    step : Step
    path : path
    own : Plan or None
        The bench's own plan, for a sound file.
    open_replay : callable
        :func:`rig.run.opening.open_replay`, or one that makes other runs.

    Raises
    ------
    LessonError
        Where the recording is of another step.
    """
    with replay_for(step, path, own=own, open_replay=open_replay) as bench:
        return hear(step, bench)


def replay_for(
    step: Step,
    path: str | os.PathLike[str],
    *,
    own: Plan | None,
    open_replay: Callable[..., Bench] = open_replay,
    plan_path: str | None = None,
    calibration_path: str | None = None,
) -> Bench:
    """Open a step's recording.

    Parameters
    ----------
    plan_path, calibration_path : str, optional
        As for :func:`rig.run.opening.open_replay`.

    Others, and errors, as for :func:`hear_recorded`.
    """
    plan = None
    if own is not None and is_sound_file(path):
        plan = plan_of(step, own.as_table(), source=plan_path or "plan")
    bench = open_replay(path, plan=plan, plan_path=plan_path, calibration_path=calibration_path)
    try:
        check_recording(step, bench.receiver.plan, name=os.fspath(path))
    except LessonError:
        bench.close()
        raise
    return bench


def check_recording(step: Step, plan: Plan, *, name: str) -> None:
    """Refuse a recording whose plan is not the one that a step asks for.

    Raises
    ------
    LessonError
        The message names the recording, the step and the key.
    """
    wanted = plan_of(step, plan.as_table(), source=name)
    asked, found = wanted.as_table(), plan.as_table()
    for table, keys in asked.items():
        for key, value in keys.items():
            if found[table].get(key) != value:
                raise LessonError(
                    f"{name}: {table}.{key}: found {found[table].get(key)!r}, and the step "
                    f"{step.name} needs {value!r}; give the recordings in the order of the steps, "
                    "and with --plan the bench's plan if it was not the lesson's"
                )


def givens_for(
    part: Part, heard: Sequence[StepHeard], values: Mapping[str, float]
) -> dict[str, Given]:
    """Return what was measured by hand, by name.

    In an invented scene what nobody measured is known from the scene, and exact.

    Raises
    ------
    LessonError
        Where a real bench's quantity was not given.
    """
    invented = all(h.receiver.info.invented for h in heard)
    found = {}
    for given in part.givens:
        if given.name in values:
            found[given.name] = dataclasses.replace(given, value=values[given.name])
        elif invented:
            found[given.name] = dataclasses.replace(given, u_value=0.0)
        else:
            raise missing_given(part, given)
    return found


def missing_given(part: Part, given: Given) -> LessonError:
    """Return the complaint that a quantity was not measured by hand."""
    return LessonError(
        f"part {part.name}: {given.name} is missing ({given.text}); measure it on the bench and "
        f"give --given {given.name}=VALUE"
    )


def concluded(
    part: Part,
    heard: tuple[StepHeard, ...],
    givens: Mapping[str, Given],
    prediction: Prediction,
) -> Turn:
    """Find the answer, and put it beside the prediction.

    Raises
    ------
    NotHeardError
        Where the echo that the answer needs is not there.
    LessonError
        Where the part's function gives something that is no answer.
    """
    finding = part.find(heard, givens)
    for name in ("measured", "u_measured", "expected", "u_expected"):
        value = getattr(finding, name)
        if not math.isfinite(value) or (name.startswith("u_") and value < 0):
            raise LessonError(
                f"part {part.name}: {name}: found {value:g}; its function must give a number"
            )
    choices = part.question.choices
    if choices and finding.choice not in choices:
        raise LessonError(
            f"part {part.name}: choice: found {finding.choice!r}; "
            f"its function must give one of {', '.join(map(repr, choices))}"
        )
    return Turn(part=part, prediction=prediction, heard=heard, givens=givens, finding=finding)
