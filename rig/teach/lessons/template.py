"""A lesson of your own: copy this file, change it, and run `echobench lesson MY_FILE.py`.

A lesson is one constant, `LESSON`. It has parts, each with one question, which is asked
before anything is heard. A part has steps: what to set up, and the virtual tank's scene
that shows the same. When all its steps are heard, its function says what they answer.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from dsp.ping.ranging import path_from_range_m
from rig.teach.lessons.lesson import Finding, Given, Lesson, Part, Question, Step, StepHeard, curve
from rig.teach.lessons.picking import echo_near, u_noise_m


# The virtual tank's scene of each step: what really stands there, as in a scene file.
def _scene(range_m: float) -> dict[str, Any]:
    return {
        "medium": {"kind": "air", "sound_speed_m_s": 343.96},
        "noise": {"level_db": -70.0},
        "target": [{"body": "sphere", "radius_m": 0.06, "position_m": [range_m, 0.0, 0.0]}],
    }


# From what was heard at each step, in order, and what was measured by hand, to the answer.
def _find(heard: tuple[StepHeard, ...], givens: Mapping[str, Given]) -> Finding:
    first, moved = givens["first_m"], givens["moved_m"]
    start = echo_near(heard[0], first.value, within_m=0.2)
    stop = echo_near(heard[1], first.value + moved.value, within_m=0.2)
    speed = heard[0].receiver.sound_speed_m_s
    u_speed = heard[0].receiver.u_sound_speed_m_s
    baseline_m = heard[0].plan.geometry.baseline_m
    later_ms = 1e3 * (stop.delay_s - start.delay_s)
    # Between two ranges only noise counts; what else is wrong is wrong by as much in both.
    u_later_ms = 1e3 * 2 / speed * math.hypot(u_noise_m(start), u_noise_m(stop))
    # Expected: from theory and from what was measured by hand, never from the echoes.
    drawn_m = np.linspace(0.0, 1.5 * moved.value, 50)
    paths_m = path_from_range_m(first.value + np.array([0.0, moved.value, *drawn_m]), baseline_m)
    due_ms = 1e3 * (paths_m - paths_m[0]) / speed
    expected_ms = float(due_ms[1])
    u_expected_ms = expected_ms * math.hypot(moved.u_value / moved.value, u_speed / speed)
    return Finding(
        measured=later_ms,
        u_measured=u_later_ms,
        expected=expected_ms,
        u_expected=u_expected_ms,
        verdict=f"Moved {moved.value:.2f} m away, the ball's echo came {later_ms:.2f} ms later.",
        x_label="moved away by / m",
        y_label="echo later by / ms",  # the answer is read on this axis
        curves=(
            curve("out and back", drawn_m, due_ms[2:]),
            curve(
                "the ball", [0.0, moved.value], [0.0, later_ms], [0.0, u_later_ms], measured=True
            ),
        ),
        numbers=(
            ("step", "delay / ms", "range / m"),
            ("start", f"{1e3 * start.delay_s:.3f}", f"{start.range_m:.4f}"),
            ("away", f"{1e3 * stop.delay_s:.3f}", f"{stop.range_m:.4f}"),
        ),
    )


LESSON = Lesson(
    name="my-lesson",
    title="Half a metre farther",
    minutes=10,
    about="How much later an echo comes from a thing that has moved away.",
    # The plan for the virtual tank, as in a plan file; a real bench brings its own.
    plan={
        "pulse": {"kind": "chirp", "start_hz": 4000.0, "stop_hz": 12000.0, "duration_s": 0.005},
        "timing": {"ping_interval_s": 0.1},
        "receiver": {"range_start_m": 0.2, "range_stop_m": 3.0},
        "geometry": {"baseline_m": 0.12},
    },
    parts=(
        Part(
            name="farther",
            question=Question(
                text="A ball is moved half a metre farther away. How many milliseconds later "
                "does its echo come? Sound travels about 344 m in a second.",
                unit="ms",
                # For a word in place of a number: choices=("sooner", "later"), and the
                # finding's choice=… says which of them the bench supports.
            ),
            givens=(
                Given(
                    name="first_m",
                    text="from midway between source and receiver to the ball, by tape, in metres",
                    value=1.0,
                    u_value=0.002,
                ),
                Given(
                    name="moved_m",
                    text="how far the ball was moved, by tape, in metres",
                    value=0.5,  # in the scenes below
                    u_value=0.002,  # standard uncertainty, with a tape, on a real bench
                ),
            ),
            steps=(
                Step(name="start", set_up="Hang a ball 1 m away.", scene=_scene(1.0)),
                Step(name="away", set_up="Move it half a metre farther away.", scene=_scene(1.5)),
            ),
            find=_find,
            because="The way grows by half a metre out, and by half a metre back.",
            talk=("What if the ball moved sideways?",),
        ),
    ),
    misreading="“Twice as far is twice as late”: only from the pair on, not from where it hung.",
)
