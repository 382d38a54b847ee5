"""A part: what a wrong temperature does to a range."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from dsp.ping.ranging import path_from_range_m, range_from_path_m
from rig.bench.believed_speed import believed_speed_m_s
from rig.errors import NotHeardError
from rig.run.receiver import Receiver
from rig.teach.lessons.bench_in_use import BenchInUse, metres, two_digits
from rig.teach.lessons.by_hand import by_tape
from rig.teach.lessons.lesson import Finding, Given, Part, Question, Step, StepHeard, curve
from rig.teach.lessons.picking import echo_near, u_noise_m
from rig.teach.lessons.plate import plate_at

_TOLD_C = {True: (-20.0, 50.0), False: (0.0, 40.0)}
"""What a plan may be told, in air and in water."""


def _temperature(heard: tuple[StepHeard, ...], givens: Mapping[str, Given]) -> Finding:
    tape = givens["far_m"]
    right = heard[0].receiver
    echoes = [echo_near(h, tape.value, within_m=0.15 * tape.value) for h in heard]
    told_c = [h.plan.medium.temperature_c for h in heard]
    if told_c[0] == told_c[2]:
        raise NotHeardError(
            f"step {heard[2].step.name}: found the right temperature, {told_c[0]:g} °C; it must be "
            "told a wrong one: do this part where it is not so warm"
        )
    moved_mm = [1e3 * (e.range_m - echoes[0].range_m) for e in echoes]
    u_mm = [0.0] + [1e3 * math.hypot(u_noise_m(e), u_noise_m(echoes[0])) for e in echoes[1:]]
    expected_mm = [1e3 * _moved_m(right, h.receiver.sound_speed_m_s, tape.value) for h in heard]
    per_m = expected_mm[2] / tape.value
    # The room's own sound speed is unsure too, and the way to the plate.
    u_room = right.u_sound_speed_m_s / right.sound_speed_m_s
    drawn_c = np.linspace(min(told_c) - 2, max(told_c) + 2, 60)
    drawn_mm = [1e3 * _moved_m(right, speed, tape.value) for speed in _speeds_m_s(right, drawn_c)]
    rows = [
        (
            h.step.name,
            f"{c:g}",
            f"{h.receiver.sound_speed_m_s:.2f}",
            f"{e.range_m:.4f}",
            f"{mm:.1f}",
        )
        for h, c, e, mm in zip(heard, told_c, echoes, moved_mm, strict=True)
    ]
    side = "farther" if moved_mm[2] > 0 else "nearer"
    wrong_c = told_c[2] - told_c[0]
    words = "too warm" if wrong_c > 0 else "too cold"
    return Finding(
        measured=moved_mm[2],
        u_measured=u_mm[2],
        expected=expected_mm[2],
        u_expected=math.hypot(per_m * tape.u_value, expected_mm[2] * u_room),
        verdict=f"The plate stood still. Told {abs(wrong_c):g} °C {words}, the bench drew it "
        f"{abs(moved_mm[2]):.0f} mm {side}: {abs(moved_mm[2] / echoes[0].range_m) / 10:.1f} % of "
        "its range.",
        x_label="temperature that the bench was told / °C",
        y_label="how far the plate moved on the screen / mm",
        curves=(
            curve("by the sound speed's formula", drawn_c, drawn_mm),
            curve("the plate on the screen", told_c, moved_mm, u_mm, measured=True),
        ),
        numbers=(
            ("step", "told / °C", "sound speed / m/s", "shown at / m", "moved by / mm"),
            *rows,
        ),
    )


def _moved_m(right: Receiver, told_m_s: float, range_m: float) -> float:
    """Return how far a target moves on the screen if another sound speed is believed.

    Counted from the direct sound, the baseline's own travel time is believed wrong as well.
    """
    geometry = right.plan.geometry
    start_m = geometry.baseline_m if geometry.time_zero == "direct" else 0.0
    path_m = float(path_from_range_m(range_m, geometry.baseline_m))
    shown_m = start_m + (path_m - start_m) * told_m_s / right.sound_speed_m_s
    return float(range_from_path_m(shown_m, geometry.baseline_m)) - range_m


def _speeds_m_s(right: Receiver, told_c: np.ndarray[Any, np.dtype[np.float64]]) -> list[float]:
    medium = right.plan.medium
    own = believed_speed_m_s(medium)
    others = [
        believed_speed_m_s(medium, c)
        for c in np.clip(told_c, *_TOLD_C[medium.kind == "air"]).tolist()
    ]
    return [speed * right.sound_speed_m_s / own for speed in others]


_WRONG_C = 10.0


def temperature_on(bench: BenchInUse) -> Part:
    """Return the part as a bench can show it."""
    (far_m,) = bench.places_m(2.0)
    right_c = bench.plan.medium.temperature_c
    least_c, most_c = _TOLD_C[bench.in_air]
    colder_c, warmer_c = max(right_c - _WRONG_C, least_c), min(right_c + _WRONG_C, most_c)
    where = "room" if bench.in_air else "tank"
    faster = bench.faster_per_c_m_s
    share = 100 * faster * _WRONG_C / bench.speed_m_s
    return Part(
        name="temperature",
        question=Question(
            text=f"The plate stands {metres(far_m)} away, in a {where} at {right_c:g} °C, where "
            f"sound travels {two_digits(bench.speed_m_s)} m in a second; {two_digits(faster)} m "
            "more for each degree that it is warmer. Someone tells the bench that it is "
            f"{warmer_c:g} °C. By how many millimetres does the plate move on the screen? Minus "
            "for nearer.",
            unit="mm",
        ),
        givens=(by_tape("far_m", "the plate", far_m, 0.002),),
        steps=(
            Step(
                name="right",
                set_up=f"Leave the plate at {metres(far_m)}. The plan holds what the thermometer "
                "shows.",
                scene=plate_at(bench, far_m),
            ),
            *(
                Step(
                    name=name,
                    set_up=f"Touch nothing. The bench is now told {told_c:g} °C, whatever the "
                    "thermometer shows.",
                    scene=plate_at(bench, far_m),
                    changes={"medium": {"temperature_c": told_c}},
                )
                for name, told_c in (("colder", colder_c), ("warmer", warmer_c))
            ),
        ),
        find=_temperature,
        because=f"Sound is faster where it is warmer: here by {two_digits(faster)} m/s for each "
        f"degree, which is {two_digits(share)} % for ten. The bench hears the same time whatever "
        "it is told, and turns it into a distance with the sound speed that it believes. The "
        "temperature on a screen is that of its sensor, and of no other place.",
        talk=(
            "A sounder's sensor hangs in the sun-warmed top of a lake. Does it show the bottom too "
            "deep or too shallow?",
            f"How well must the temperature be known for a range of {metres(far_m)} to be right to "
            "1 mm?",
        ),
    )
