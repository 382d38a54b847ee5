"""Time is distance: out and back, temperature, the blind zone, the longest range."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from rig.lessons.lesson import (
    Finding,
    Given,
    Lesson,
    Part,
    Question,
    Step,
    StepHeard,
    curve,
)
from rig.lessons.picking import echo_near

_SPEED_M_S = 343.963
"""Of air at 20 °C and 50 % humidity, computed with CoolProp: the scenes' truth."""

_NEAR_M, _FAR_M = 1.0, 2.0


def _plate_at(range_m: float, **tables: Any) -> dict[str, Any]:
    """Return a scene with a square plate and nothing else."""
    return {
        "medium": {"kind": "air", "sound_speed_m_s": _SPEED_M_S},
        "noise": {"level_db": -70.0},
        "target": [
            {"body": "plate", "width_m": 0.3, "height_m": 0.3, "position_m": [range_m, 0.0, 0.0]}
        ],
        **tables,
    }


# Out and back


def _out_and_back(heard: tuple[StepHeard, ...], givens: Mapping[str, Given]) -> Finding:
    tapes = (givens["near_m"], givens["far_m"])
    echoes = [
        echo_near(h, tape.value, within_m=0.15 * tape.value)
        for h, tape in zip(heard, tapes, strict=True)
    ]
    receiver = heard[0].receiver
    speed, u_speed = receiver.sound_speed_m_s, receiver.u_sound_speed_m_s
    baseline_m = receiver.plan.geometry.baseline_m
    # A range's uncertainty, without the sound speed's, is that of the delay.
    u_delay_s = [
        math.hypot(
            *(t.u for t in e.budget.terms if not t.name.startswith("sound speed")),
        )
        * 2
        / speed
        if e.budget is not None
        else math.inf
        for e in echoes
    ]
    paths_m = [math.hypot(2 * tape.value, baseline_m) for tape in tapes]
    expected_s = paths_m[1] / speed
    u_expected_s = math.hypot(2 * tapes[1].u_value / speed, expected_s * u_speed / speed)
    tape_m = np.linspace(0.0, 1.15 * tapes[1].value, 100)
    delay_ms = [1e3 * e.delay_s for e in echoes]
    rows = tuple(
        (
            h.step.name,
            f"{tape.value:.3f}",
            f"{path_m:.3f}",
            f"{1e3 * e.delay_s:.3f}",
            f"{path_m / e.delay_s:.1f}",
        )
        for h, tape, path_m, e in zip(heard, tapes, paths_m, echoes, strict=True)
    )
    ratio = echoes[1].delay_s / echoes[0].delay_s
    return Finding(
        measured=delay_ms[1],
        u_measured=1e3 * u_delay_s[1],
        expected=1e3 * expected_s,
        u_expected=1e3 * u_expected_s,
        verdict=f"The far echo came {ratio:.2f} times as late as the near one, from "
        f"{tapes[1].value / tapes[0].value:.2f} times as far. The sound went there and back.",
        x_label="distance by the tape / m",
        y_label="delay of the echo / ms",
        curves=(
            curve(
                "out and back, with the sound speed of the room",
                tape_m,
                1e3 * np.hypot(2 * tape_m, baseline_m) / speed,
            ),
            curve("if it only went there", tape_m, 1e3 * tape_m / speed),
            curve(
                "echoes",
                [tape.value for tape in tapes],
                delay_ms,
                [1e3 * u for u in u_delay_s],
                measured=True,
            ),
        ),
        numbers=(
            ("step", "by tape / m", "out and back / m", "delay / ms", "path over delay / m/s"),
            *rows,
        ),
    )


_OUT_AND_BACK = Part(
    name="out-and-back",
    question=Question(
        text="A plate stands 2 m away. How many milliseconds after the ping does its echo come "
        "back? Sound travels about 340 m in a second.",
        unit="ms",
    ),
    givens=(
        Given(
            name="near_m",
            text="from midway between source and receiver to the plate, first place, by tape, in m",
            value=_NEAR_M,
            u_value=0.002,
        ),
        Given(
            name="far_m",
            text="the same at the second place, in m",
            value=_FAR_M,
            u_value=0.002,
        ),
    ),
    steps=(
        Step(
            name="near",
            set_up="Stand a plate square to the pair, 1 m away by the tape.",
            scene=_plate_at(_NEAR_M),
        ),
        Step(
            name="far",
            set_up="Move the plate to 2 m, square to the pair again.",
            scene=_plate_at(_FAR_M),
        ),
    ),
    find=_out_and_back,
    because="The sound has to get there and back: 4 m for a plate at 2 m. A bench, like any "
    "echo sounder, measures a time and nothing else; it halves it and multiplies by the sound "
    "speed that it was told.",
    talk=(
        "Who forgot the way back? What would a screen show that forgot it too?",
        "The bench told the time to a hundredth of a millisecond. How long is that in sound?",
    ),
)


LESSON = Lesson(
    name="time-is-distance",
    title="Time is distance",
    minutes=30,
    about="A screen's depth is a time. What that time is worth, where it cannot be measured, and "
    "when it lies.",
    plan={
        "pulse": {"kind": "chirp", "start_hz": 4000.0, "stop_hz": 12000.0, "duration_s": 0.005},
        "timing": {"sample_rate_hz": 48000.0, "ping_interval_s": 0.1},
        "receiver": {"weighting": "hann", "range_start_m": 0.2, "range_stop_m": 4.0},
        "medium": {"kind": "air", "temperature_c": 20.0, "humidity_percent": 50.0},
        "geometry": {"baseline_m": 0.12},
        "transducer": {"radius_m": 0.03},
    },
    parts=(_OUT_AND_BACK,),
    misreading="“The screen measures depth.” It measures a time, and believes a sound speed.",
)
