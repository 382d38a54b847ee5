"""The lesson on bottom and surface: reflection, geometry and averages, not its own output."""

import copy
import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from rig.errors import LessonError, NotHeardError
from rig.teach.lessons.lesson import Finding
from rig.teach.lessons.taught.bottom_and_surface import LESSON

# 99 % of a normal spread (JCGM 100:2008, table G.1).
K = 2.58


def scenes_of(part: str) -> dict[str, Any]:
    (asked,) = (p for p in LESSON.parts if p.name == part)
    return {step.name: copy.deepcopy(dict(step.scene)) for step in asked.steps}


@pytest.mark.parametrize(
    ("seed", "hard", "soft"), [(51, 0.7, 0.2), (52, 0.9, 0.45), (53, 0.37, 0.3), (54, 0.7, 0.2)]
)
def test_soft_ground_is_weaker_by_the_ratio_of_what_comes_back(
    in_tank: Callable[..., Finding], seed: int, hard: float, soft: float
) -> None:
    scenes = scenes_of("hard-and-soft")
    scenes["hard"]["bottom"]["reflection"] = hard
    scenes["soft"]["bottom"]["reflection"] = soft
    finding = in_tank(
        LESSON, "hard-and-soft", seed, scenes=scenes, hard_share=hard, soft_share=soft
    )
    # A level goes with 20 log of the pressure (definition of the decibel).
    assert abs(finding.measured - 20 * math.log10(soft / hard)) <= K * finding.u_measured
    assert finding.u_measured < 0.1


@pytest.mark.parametrize(("seed", "bottom_m", "behind_m"), [(55, 0.5, 0.03), (56, 0.35, 0.1)])
def test_a_second_bottom_shows_at_twice_the_way(
    in_tank: Callable[..., Finding], seed: int, bottom_m: float, behind_m: float
) -> None:
    scenes = scenes_of("second-bottom")
    scenes["still-surface"]["bottom"]["range_m"] = bottom_m
    scenes["still-surface"]["surface"]["behind_m"] = behind_m
    finding = in_tank(
        LESSON, "second-bottom", seed, scenes=scenes, bottom_m=bottom_m, behind_m=behind_m
    )
    # Image sources (Allen and Berkley 1979): down, up to the surface, down, up; halved.
    expected_m = (bottom_m + (bottom_m + behind_m) + (bottom_m + behind_m) + bottom_m) / 2
    assert abs(finding.measured - expected_m) <= K * finding.u_measured
    assert finding.u_measured < 0.005
    # Twice the way is 6 dB, a bounce off 0.7 another 3.1, and the surface keeps nothing; less the
    # pair's depth, and what each face loses by looking past what is near, below 0.2 dB.
    first, second = (float(row[3].replace("−", "-")) for row in finding.numbers[1:])
    due_db = 20 * math.log10(expected_m / bottom_m / 0.7)
    # Printed to 0.1 dB each.
    assert abs(first - second - due_db) <= 0.3


def test_without_a_surface_there_is_no_second_bottom(in_tank: Callable[..., Finding]) -> None:
    scenes = scenes_of("second-bottom")
    del scenes["still-surface"]["surface"]
    with pytest.raises(NotHeardError, match=r"within 0\.06 m of 1\.03 m"):
        in_tank(LESSON, "second-bottom", 57, scenes=scenes)


def test_clutter_that_is_new_at_each_ping_sinks_as_noise_does(
    in_tank: Callable[..., Finding],
) -> None:
    finding = in_tank(LESSON, "surface-clutter", 58)
    (points,) = (c for c in finding.curves if c.measured)
    assert points.u_y is not None
    # Powers of independent sums: the mean of N has 1/N of the variance (textbook).
    off_db = points.y + 10 * np.log10(points.x)
    assert np.all(np.abs(off_db) <= K * points.u_y + 1e-9)
    assert points.x[-1] == 16


def test_what_does_not_change_from_ping_to_ping_does_not_sink(
    in_tank: Callable[..., Finding],
) -> None:
    """The bottom's echo, beyond the clutter, is alike in all pings; so are its side lobes."""
    scenes = scenes_of("surface-clutter")
    scenes["ripples"]["bottom"] = {"range_m": 0.45, "reflection": 0.7}
    loud = in_tank(LESSON, "surface-clutter", 62, scenes=scenes)
    plain = in_tank(LESSON, "surface-clutter", 62)
    assert abs(loud.measured - plain.measured) <= K * math.hypot(loud.u_measured, plain.u_measured)


def test_still_background_removal_hides_what_rests_and_leaves_what_moves(
    in_tank: Callable[..., Finding],
) -> None:
    finding = in_tank(LESSON, "heavy-removal", 63)
    rows = {row[0]: row for row in finding.numbers[1:]}
    # What is alike in all pings is their median, and nothing is left of it but noise; a threshold
    # for one false alarm in 1e12 then marks none (1e3 bins × 24 pings × 1e-12).
    assert rows["still"][1:4] == ("24", "24", "0")
    # The moving one is elsewhere at most pings; where it is by chance in the middle of its way for
    # some pings, its share of the median is small.
    assert int(rows["moving"][3]) >= 22
    assert finding.measured == 0
    assert float(rows["still"][4]) > 10


def test_a_share_of_none_is_refused(in_tank: Callable[..., Finding]) -> None:
    with pytest.raises(LessonError, match="soft_share: found 0"):
        in_tank(LESSON, "hard-and-soft", 65, soft_share=0.0)
