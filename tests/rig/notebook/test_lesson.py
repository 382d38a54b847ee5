"""Parts of lessons taken from Python, held against the command."""

import dataclasses
import json

import pytest

import rig
from rig.cli import main

NAME = "time-is-distance"


@pytest.fixture(scope="module")
def lesson():
    return rig.lesson_named(NAME)


def test_a_part_is_answered_as_by_the_command(lesson, tmp_path, capsys):
    turn = rig.take_part(lesson, lesson.parts[0], 11.6)
    words = ["lesson", NAME, "--part", lesson.parts[0].name, "--predict", "11.6"]
    assert main([*words, "--out", str(tmp_path), "--record", "--json"]) == 0
    told = json.loads(capsys.readouterr().out.splitlines()[-1])
    assert turn.prediction == told["prediction"] == 11.6
    assert turn.finding.measured == told["measured"]
    assert turn.finding.u_measured == told["u_measured"]
    assert turn.predicted_rightly == told["predicted_rightly"]

    recordings = told["parts"][0]["recordings"]
    again = rig.take_part(lesson, lesson.parts[0], recordings=recordings)
    assert again.prediction is None
    assert again.finding.measured == turn.finding.measured
    with pytest.raises(rig.LessonError, match="recordings: found 1, and there are 2 steps"):
        rig.take_part(lesson, lesson.parts[0], recordings=recordings[:1])


def test_a_turn_shows_itself(lesson):
    turn = rig.take_part(lesson, lesson.parts[0])
    assert turn._repr_png_().startswith(b"\x89PNG")
    assert "measured" in repr(turn)
    assert turn.part.because in str(turn)
    assert len(turn.figure().axes) == 1
    assert all(isinstance(heard.run, rig.Run) for heard in turn.heard)


def test_each_step_can_be_set_up(lesson):
    asked = []
    rig.take_part(lesson, lesson.parts[0], ready=lambda step: asked.append(step.name))
    assert asked == [step.name for step in lesson.parts[0].steps]


def test_a_real_bench_is_not_pinged_unprepared(lesson):
    with pytest.raises(rig.PlanError, match="without its plan or without ready"):
        rig.take_part(lesson, lesson.parts[0], front_end="sound-card")


def test_a_prediction_that_is_none_of_the_choices_is_refused_before_a_ping(lesson):
    asked = []
    part = dataclasses.replace(
        lesson.parts[0],
        question=dataclasses.replace(lesson.parts[0].question, choices=("near", "far")),
    )
    with pytest.raises(rig.LessonError, match="prediction: found 'up'"):
        rig.take_part(lesson, part, "up", ready=asked.append)
    assert asked == []
