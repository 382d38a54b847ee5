"""Lessons ask about the bench in use: each part on the recommended plans and on drawn ones.

`every_part.py` hears all of them, and prints a table; this is a sample.
"""

import dataclasses
import math
import re

import every_part
import pytest

from rig.bench.start_plans import START_PLANS
from rig.errors import PlanError
from rig.teach.lessons.index import lesson_named, lessons
from rig.teach.lessons.lesson import Lesson, Part

PLANS = every_part.plans()
BOARD_CANNOT = {
    "which-ping",
    "blind-zone",
    "three-frequencies",
    "into-focus",  # a band that is folded down keeps no phase to add up by
    "burst-length",
    "bandwidth",
    "compression",
    "side-lobes",
    "coded-pair",
    "another-pulse",
    "small-or-edge",  # it hears with one receiver
}
"""What a board cannot send: tones, chirps, codes, or another frequency than its transducers'."""


def part_of(lesson: str, part: str) -> tuple[Lesson, Part]:
    taught = lesson_named(lesson)
    return taught, next(p for p in taught.parts if p.name == part)


@pytest.mark.parametrize("bench", PLANS)
def test_every_part_is_asked_of_every_bench_or_says_what_would_do(bench: str) -> None:
    own = PLANS[bench]
    refused: dict[str, str] = {}
    for lesson in lessons():
        for part in lesson.parts:
            try:
                asked = part.on(own)
            except PlanError as problem:
                refused[part.name] = str(problem)
                continue
            for step in asked.steps:
                assert step.scene["medium"]["kind"] == own.medium.kind, (part.name, step.name)
    assert all(re.search(r"give|do this part", words) for words in refused.values())
    if bench == "board":
        assert set(refused) == BOARD_CANNOT
    elif bench in START_PLANS:
        assert refused == {}
    else:
        # A long pulse before a short range leaves too little noise to count false alarms in.
        assert set(refused) <= {"false-alarms"}


@pytest.mark.parametrize(
    ("lesson", "part", "bench"),
    [
        ("time-is-distance", "out-and-back", "tank"),
        ("bottom-and-surface", "second-bottom", "air"),
        ("how-loud-is-big", "gain-over-range", "board"),
        ("history-is-the-past", "taken-away", "drawn-2"),
    ],
)
def test_a_pupil_who_answers_by_theory_is_told_so(lesson: str, part: str, bench: str) -> None:
    taught, asked = part_of(lesson, part)
    row = every_part.row_of(taught, asked, bench, PLANS[bench])
    assert row.verdict == "right", row.problem
    assert row.apart <= 3


def test_the_footprint_s_width_in_the_question_is_this_bench_s() -> None:
    """A disc's edge out and back: ka sin θ = 1.160 (R. J. Urick's tables, from memory)."""
    _, part = part_of("widening-cone", "footprint")
    own = PLANS["air"]
    wave_m = 343.99 / 8000.0  # of the plan's middle; Cramer's speed at 20 °C and 50 %
    half_rad = math.asin(1.160 * wave_m / (2 * math.pi * own.transducer.radius_m))
    near_m, width_m = map(
        float, re.findall(r"([\d.]+) m (?:away this|wide\. H)", part.on(own).question.text)
    )
    # Two digits are written: the last one may be off by half.
    assert width_m == pytest.approx(2 * near_m * math.tan(half_rad), abs=0.006)


def test_a_plan_whose_range_is_too_short_is_told_what_would_do() -> None:
    own = PLANS["air"]
    short = dataclasses.replace(
        own, receiver=dataclasses.replace(own.receiver, range_start_m=0.2, range_stop_m=0.5)
    )
    _, part = part_of("widening-cone", "footprint")
    with pytest.raises(PlanError, match=r"range_stop_m: found 0\.5; .* give at least"):
        part.on(short)
