"""The lesson on loudness and size: handbook strengths and spreading, not its own output."""

import math
from collections.abc import Callable, Mapping
from typing import Any

import pytest
from air_scenes import scene

from rig.errors import LessonError, NotHeardError
from rig.teach.lessons.lesson import Finding, Part
from rig.teach.lessons.taught.how_loud_is_big import LESSON

# The sound speed at 20 °C and 50 % (computed with CoolProp 8.0.0, HumidAir), and the wave at
# the middle of the band.
WAVELENGTH_M = 343.963 / 14e3

# dB/m at 14 kHz, 20 °C, 50 % and 101.325 kPa (ISO 9613-1's formula from memory, worked out
# apart from the project's code; it gives 158.84 and 1318.24 dB/km at 10 and 40 kHz).
ABSORPTION_DB_M = 0.29003
# Over a band of 4 in 14 kHz its mean is 0.6 % above the middle's, and the band's centre of
# gravity lies 0.13 % below the middle.
ABSORPTION_SHARE = 0.01

# 99 % of a normal spread (JCGM 100:2008, table G.1).
K = 2.58

# Without a spacing, neither face sees a target beside its axis.
ONE_PLACE: Mapping[str, Any] = {
    **LESSON.plan,
    "geometry": {"baseline_m": 0.0, "time_zero": "calibration"},
}


def test_plate_rod_and_net_are_as_loud_against_the_ball_as_the_handbook_says(
    in_tank: Callable[..., Finding],
) -> None:
    finding = in_tank(LESSON, "plate-ball-rod-net", 11)
    points = {c.label: c for c in finding.curves if c.measured}
    ball_db = 20 * math.log10(0.04 / 2)
    # R. J. Urick, table 9.1 (memory): ball a²/4, plate (A/λ)², cylinder a L²/(2λ).
    handbook_db = {
        "plate": 20 * math.log10(0.08**2 / WAVELENGTH_M),
        "rod": 10 * math.log10(0.02 * 0.05**2 / (2 * WAVELENGTH_M)),
    }
    for name, strength_db in handbook_db.items():
        u = points[name].u_y
        assert u is not None
        # The tank bends far-field strengths towards a mirror's, by 0.02 dB for this rod at 2 m
        # (ratio 0.32 to the mirror's, to the fourth power, quartered), and the band's centre
        # of gravity is 0.13 % off its middle: 0.01 dB.
        off_db = float(points[name].y[0]) - (strength_db - ball_db)
        assert abs(off_db) <= K * float(u[0]) + 0.04
    # The powers of 30 balls of 10 mm radius add; they hang 0 to 80 mm behind the front of the
    # net, which takes off up to 40 log(2.08/2) = 0.68 dB.
    u = points["net of balls"].u_y
    assert u is not None
    nearest_db = 10 * math.log10(30 * 0.01**2 / 4) - ball_db
    off_db = float(points["net of balls"].y[0]) - nearest_db
    assert -0.68 - K * float(u[0]) <= off_db <= K * float(u[0])
    assert finding.measured == float(points["plate"].y[0])
    # So sure that twice the power (3 dB) is told from as much.
    assert float(u[0]) < 1.0


def test_twice_as_far_is_forty_log_of_two_for_a_ball_and_twenty_for_a_wall(
    in_tank: Callable[..., Finding],
) -> None:
    finding = in_tank(LESSON, "forty-log-range", 21, plan=ONE_PLACE)
    ball, wall = (c for c in finding.curves if c.measured)
    assert ball.u_y is not None
    assert wall.u_y is not None
    # Out and back, 0.7 m more each way.
    by_air_db = 2 * 0.7 * ABSORPTION_DB_M
    for points, spreading_db in ((ball, 40 * math.log10(2)), (wall, 20 * math.log10(2))):
        assert points.u_y is not None
        weaker_db = spreading_db + by_air_db
        assert (
            abs(float(points.y[-1]) - weaker_db)
            <= K * float(points.u_y[-1]) + ABSORPTION_SHARE * by_air_db
        )
    assert finding.measured == float(ball.y[-1])
    assert abs(finding.expected - 40 * math.log10(2) - by_air_db) <= ABSORPTION_SHARE * by_air_db


def test_gain_over_range_gives_a_ball_twice_as_large_four_times_the_power(
    in_tank: Callable[..., Finding],
) -> None:
    """Without the gain the small near ball is the stronger; with it, size decides (a²/4)."""
    finding = in_tank(LESSON, "gain-over-range", 31)
    assert abs(finding.measured - 20 * math.log10(2)) <= K * finding.u_measured
    # Heard: 40 log 2 of spreading and the air's share, less 20 log 2 of size; the pair's spacing
    # weakens the near one by 0.2 dB at the most.
    as_heard_db = float(finding.numbers[2][3])
    weaker_db = 20 * math.log10(2) + 2 * 0.7 * ABSORPTION_DB_M
    assert -weaker_db - 0.1 <= as_heard_db <= -weaker_db + 0.3


@pytest.mark.parametrize("part", LESSON.parts, ids=lambda p: p.name)
def test_without_a_body_an_echo_is_asked_for(in_tank: Callable[..., Finding], part: Part) -> None:
    empty: dict[str, Mapping[str, Any]] = {step.name: scene() for step in part.steps}
    with pytest.raises(NotHeardError, match="an echo is needed"):
        in_tank(LESSON, part.name, 41, scenes=empty)


def test_a_net_that_hangs_elsewhere_is_not_heard_as_a_faint_one(
    in_tank: Callable[..., Finding],
) -> None:
    away: dict[str, Mapping[str, Any]] = {"net": scene()}
    with pytest.raises(NotHeardError, match="no more than noise"):
        in_tank(LESSON, "plate-ball-rod-net", 42, scenes=away)


def test_a_radius_of_nothing_is_refused_by_name(in_tank: Callable[..., Finding]) -> None:
    with pytest.raises(LessonError, match="small_m: found 0"):
        in_tank(LESSON, "gain-over-range", 51, small_m=0.0)
