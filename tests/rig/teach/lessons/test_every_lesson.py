"""What holds for every lesson that ships: on the virtual tank, and again on its recording."""

import dataclasses
import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from blank_paper import blank_paper

from rig.bench.capture import CaptureBlock
from rig.run.opening import Bench, open_bench, open_replay
from rig.show.pictures.bench_picture import draw_picture
from rig.show.pictures.saving import drawn_bytes
from rig.teach.lessons.index import lesson_named, lesson_names
from rig.teach.lessons.lesson import Lesson, Part, Step, StepHeard, plan_of, scene_of
from rig.teach.lessons.running import (
    Turn,
    check_recording,
    concluded,
    givens_for,
    hear,
    tables_for,
)

SEED = 20260301
EVERY = [(name, part.name) for name in lesson_names() for part in lesson_named(name).parts]


def part_of(lesson: str, part: str) -> tuple[Lesson, Part]:
    taught = lesson_named(lesson)
    return taught, next(p for p in taught.parts if p.name == part)


def bench_of(lesson: Lesson, part: Part, step: Step) -> Bench:
    plan = plan_of(step, tables_for(lesson, part, None), source=lesson.name)
    return open_bench(plan, scene=scene_of(step, source=lesson.name), seed=SEED)


def heard_in_tank(lesson: Lesson, part: Part, folder: Path) -> tuple[StepHeard, ...]:
    """Hear all steps of a part in its scenes, and record each in the folder."""
    heard = []
    for step in part.steps:
        with bench_of(lesson, part, step) as bench:
            heard.append(hear(step, bench, record=str(folder / step.name)))
    return tuple(heard)


def heard_again(part: Part, folder: Path) -> tuple[StepHeard, ...]:
    heard = []
    for step in part.steps:
        with open_replay(folder / f"{step.name}.sigmf-meta") as bench:
            heard.append(hear(step, bench))
    return tuple(heard)


def contents(block: CaptureBlock) -> dict[str, object]:
    held = {field.name: getattr(block, field.name) for field in dataclasses.fields(block)}
    return {**held, "samples": block.samples.tobytes()}


def is_recorded_whole(lesson: Lesson, part: Part, step: Step, folder: Path) -> bool:
    """Whether a step's recording has all that its pings are gone over by, bit for bit."""
    path = folder / f"{step.name}.sigmf-meta"
    with bench_of(lesson, part, step) as live, open_replay(path) as replay:
        check_recording(step, replay.receiver.plan, name=str(path))
        sent, again = (bench.front_end.blocks(step.pings) for bench in (live, replay))
        return (
            replay.recorded_pings == step.pings
            and replay.receiver.plan == live.receiver.plan
            and replay.front_end.info == live.front_end.info
            and all(
                contents(one) == contents(other) for one, other in zip(sent, again, strict=True)
            )
        )


@pytest.mark.parametrize(("lesson", "part"), EVERY)
def test_a_part_of_a_lesson_agrees_with_theory_live_and_replayed(
    lesson: str, part: str, tmp_path: Path, picture_flaws: Callable[..., list[str]]
) -> None:
    taught, asked = part_of(lesson, part)

    def turn_of(heard: tuple[StepHeard, ...]) -> Turn:
        return concluded(asked, heard, givens_for(asked, heard, {}), None)

    live = turn_of(heard_in_tank(taught, asked, tmp_path))
    found = live.finding
    # The uncertainties are standard ones, so that 2.58 of them hold 99 of 100 results of a normal
    # spread (JCGM 100:2008, table G.1). The tank's noise is only a part of them: its clock,
    # temperature and tape are right, so that the true rate of misses is lower. The seed is
    # fixed: this asks whether a lesson's theory and its bench agree, not how often.
    u = math.hypot(found.u_measured, found.u_expected)
    assert abs(found.measured - found.expected) <= 2.58 * u
    # An answer so unsure that it says nothing would pass the line above. A bar (2 u to each
    # side) that fills less than half of the picture lets a class tell it from a wrong answer.
    drawn = np.concatenate([c.y for c in found.curves])
    assert 4 * u <= 0.5 * (np.nanmax(drawn) - np.nanmin(drawn))

    # With a prediction as long as a choice may be, or a number that is somewhat off.
    choices = asked.question.choices
    prediction = max(choices, key=len) if choices else 1.3 * found.measured
    guessed = dataclasses.replace(live, prediction=prediction)
    assert picture_flaws(guessed) == []
    assert picture_flaws(guessed, sheet=True) == []

    # The same blocks come to the same, which each lesson's first part shows from end to end.
    assert all(is_recorded_whole(taught, asked, step, tmp_path) for step in asked.steps)
    if asked is not taught.parts[0]:
        return
    with blank_paper():  # the pictures of its bench on the sheet are laid out at the least
        for step in live.heard:
            drawn_bytes("svg", lambda page, run=step.run: draw_picture(page, run, note="step"))
    replayed = turn_of(heard_again(asked, tmp_path)).finding
    for name in ("measured", "u_measured", "expected", "u_expected", "choice", "verdict"):
        assert getattr(replayed, name) == getattr(found, name), name
    assert replayed.numbers == found.numbers


@pytest.mark.parametrize(("lesson", "part"), EVERY)
def test_every_steps_plan_and_scene_can_be_used(lesson: str, part: str) -> None:
    taught, asked = part_of(lesson, part)
    for step in asked.steps:
        plan = plan_of(step, tables_for(taught, asked, None), source=lesson)
        scene = scene_of(step, source=lesson)
        assert plan.medium.kind == scene.medium.kind
        # A recording of the step must be known again as its own.
        assert plan_of(step, plan.as_table(), source=lesson) == plan
        assert step.set_up.endswith((".", "!", "?"))


@pytest.mark.parametrize("lesson", lesson_names())
def test_every_lesson_says_what_a_sheet_needs(lesson: str) -> None:
    taught = lesson_named(lesson)
    assert taught.name == lesson
    assert 0 < taught.minutes <= 60
    words = [taught.title, taught.about, taught.misreading]
    for part in taught.parts:
        words += [part.question.text, part.because, *part.talk]
        assert part.talk, part.name
        for given in part.givens:
            assert given.u_value >= 0  # a count may be exact; a tape is not
            words.append(given.text)
    assert all(text.strip() for text in words)


def test_a_lesson_that_is_wrong_by_more_than_it_says_would_be_caught(tmp_path: Path) -> None:
    """Else the checks above would prove nothing."""
    taught, asked = part_of("time-is-distance", "out-and-back")
    heard = heard_in_tank(taught, asked, tmp_path)
    found = concluded(asked, heard, givens_for(asked, heard, {}), None).finding
    one_way = dataclasses.replace(found, expected=found.expected / 2)
    u = math.hypot(one_way.u_measured, one_way.u_expected)
    assert abs(one_way.measured - one_way.expected) > 2.58 * u
