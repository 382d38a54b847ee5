"""The lesson on the widening cone: its numbers against a disc's handbook beam, not its own."""

import math
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import pytest
from air_scenes import passing_ball, scene

from rig.errors import LessonError, NotHeardError
from rig.teach.lessons.lesson import Finding, Part
from rig.teach.lessons.taught.widening_cone import LESSON

# ka sin θ where a round disc is down to half power, out and back (computed with scipy), and
# the sound speed at 20 °C and 50 % (computed with CoolProp 8.0.0, HumidAir), m/s.
HALF_POWER, SPEED_M_S = 1.1602860, 343.963
DISC_M, INTERVAL_S = 0.026, 0.036

# 99 % of a normal spread (JCGM 100:2008, table G.1).
K = 2.58
# A tapered chirp's centre of gravity lies a little off the middle of its band, by 0.13 % here;
# the half angle and all widths go with it.
BAND_SHARE = 0.0015


def half_rad(frequency_hz: float, disc_m: float = DISC_M) -> float:
    return math.asin(HALF_POWER * SPEED_M_S / (2 * math.pi * frequency_hz * disc_m))


def test_the_footprint_is_twice_the_range_times_the_tangent_of_the_half_angle(
    in_tank: Callable[..., Finding],
) -> None:
    finding = in_tank(LESSON, "footprint", 11)
    measured = next(c for c in finding.curves if c.measured)
    assert measured.u_y is not None
    expected_m = 2 * measured.x * math.tan(half_rad(14e3))
    assert measured.x.tolist() == [0.6, 1.0, 1.5]
    assert np.all(np.abs(measured.y - expected_m) <= K * measured.u_y + BAND_SHARE * expected_m)
    # The answer is the farthest; sure enough to tell 19° from 20° from edge to edge (5 %).
    assert finding.measured == measured.y[-1]
    assert 2 * finding.u_measured < 0.05 * finding.measured
    assert finding.expected == pytest.approx(expected_m[-1], rel=BAND_SHARE)


@pytest.mark.parametrize(("seed", "speed_m_s"), [(21, 0.45), (23, 0.77)])
def test_hits_grow_with_range_as_the_cone_widens(
    in_tank: Callable[..., Finding], seed: int, speed_m_s: float
) -> None:
    """More hits deeper (common practice, no source); how many is 2 R tan θ over v T."""
    ranges_m = (0.5, 0.8, 1.1, 1.4)
    # Each crosses the axis at a time of its own, so that counts do not all round alike.
    middles_s = np.random.default_rng(seed).uniform(0.8, 1.0, 4)
    strewn = scene(
        *(
            passing_ball(range_m, speed_m_s, middle_s=float(middle_s))
            for range_m, middle_s in zip(ranges_m, middles_s, strict=True)
        )
    )
    finding = in_tank(LESSON, "hits", seed, scenes={"strewn": strewn}, speed_m_s=speed_m_s)
    balls = next(c for c in finding.curves if c.measured)
    expected = 2 * np.array(ranges_m) * math.tan(half_rad(14e3)) / (speed_m_s * INTERVAL_S)
    assert balls.u_y is not None
    # A stretch of n + f spacings holds n or n + 1 marks: less than 1 off, with a variance of 1/6
    # on average. What is left of the uncertainty is that of where the edges are.
    by_edges = np.sqrt(np.maximum(balls.u_y**2 - 1 / 6, 0.0))
    assert np.all(np.abs(balls.y - expected) < 1 + K * by_edges + BAND_SHARE * expected)
    assert np.all(by_edges < 0.5)
    assert np.all(np.diff(balls.y) > 0)


def test_a_higher_frequency_has_the_narrower_cone(in_tank: Callable[..., Finding]) -> None:
    """Higher frequency, narrower cone (common practice, no source), and by how much (formula)."""
    finding = in_tank(LESSON, "three-frequencies", 31)
    rows = finding.numbers[1:]
    angles_deg = [float(row[4].split(" ± ")[0]) for row in rows]
    expanded_deg = [float(row[4].split(" ± ")[1]) for row in rows]
    expected_deg = [math.degrees(half_rad(f)) for f in (8e3, 12e3, 16e3)]
    for angle, expanded, expected in zip(angles_deg, expanded_deg, expected_deg, strict=True):
        # The table gives k = 2, rounded to 0.01°.
        assert abs(angle - expected) <= K / 2 * expanded + BAND_SHARE * expected + 0.01
    assert angles_deg == sorted(angles_deg, reverse=True)
    ratio = expected_deg[0] / expected_deg[2]
    assert abs(finding.measured - ratio) <= K * finding.u_measured + BAND_SHARE * ratio


def test_a_bench_with_its_own_disc_pulse_and_pair_gets_its_own_theory(
    in_tank: Callable[..., Finding],
) -> None:
    """Another disc, band, spacing, interval and stacking than the lesson's, and other places."""
    own = {
        "pulse": {"kind": "chirp", "start_hz": 7e3, "stop_hz": 11e3, "duration_s": 0.003},
        "timing": {"sample_rate_hz": 44100, "ping_interval_s": 0.05},
        "receiver": {"range_start_m": 0.3, "range_stop_m": 3.0, "stack": 4},
        "geometry": {"baseline_m": 0.09},
        "transducer": {"radius_m": 0.04},
    }
    places = {"near": 0.7, "middle": 1.2, "far": 1.8}
    face = {"radius_m": 0.04}
    scenes = {
        name: scene(passing_ball(range_m, 0.5, middle_s=1.0), transducer=face)
        for name, range_m in places.items()
    }
    finding = in_tank(
        LESSON,
        "footprint",
        41,
        plan=own,
        scenes=scenes,
        speed_m_s=0.5,
        **{f"{name}_m": range_m for name, range_m in places.items()},
    )
    # A band that is wider against its middle, 4 in 9 kHz, has its centre of gravity further off.
    expected_m = 2 * 1.8 * math.tan(half_rad(9e3, 0.04))
    assert abs(finding.measured - expected_m) <= K * finding.u_measured + 0.003 * expected_m


@pytest.mark.parametrize("part", LESSON.parts, ids=lambda p: p.name)
def test_without_a_ball_it_says_that_none_was_heard_and_what_would_do(
    in_tank: Callable[..., Finding], part: Part
) -> None:
    empty: dict[str, Mapping[str, Any]] = {step.name: scene() for step in part.steps}
    with pytest.raises(NotHeardError, match="draw the ball through the axis"):
        in_tank(LESSON, part.name, 51, scenes=empty)


def test_a_speed_of_nothing_is_refused_by_name(in_tank: Callable[..., Finding]) -> None:
    with pytest.raises(LessonError, match="speed_m_s: found 0"):
        in_tank(LESSON, "footprint", 52, speed_m_s=0.0)


def test_a_face_smaller_than_the_wave_has_no_cone_to_measure(
    in_tank: Callable[..., Finding],
) -> None:
    tiny = {**LESSON.plan, "transducer": {"radius_m": 0.004}}
    everywhere = scene(passing_ball(0.6, 0.6, middle_s=0.72), transducer={"radius_m": 0.004})
    with pytest.raises(NotHeardError):
        in_tank(LESSON, "footprint", 53, plan=tiny, scenes={"near": everywhere})
