"""The lesson on the history: ages by the watch and by a disc's beam, not by its own output."""

import math
from collections.abc import Callable

import pytest
from air_scenes import passing_ball, scene

from rig.errors import NotHeardError
from rig.teach.lessons.lesson import Finding
from rig.teach.lessons.taught.history_is_the_past import LESSON

# ka sin θ where a round disc is down to half power, out and back (computed with scipy), and the
# sound speed at 20 °C and 50 % (computed with CoolProp 8.0.0, HumidAir), m/s.
HALF_POWER, SPEED_M_S = 1.1602860, 343.963
DISC_M, INTERVAL_S = 0.026, 0.036
# 99 % of a normal spread (JCGM 100:2008, table G.1).
K = 2.58
# A tapered chirp's centre of gravity lies a little off the middle of its band, by 0.13 %.
BAND_SHARE = 0.0015


def edge_m(range_m: float) -> float:
    sine = HALF_POWER * SPEED_M_S / (2 * math.pi * 14e3 * DISC_M)
    return range_m * math.tan(math.asin(sine))


def vanishing(taken_s: float) -> dict[str, object]:
    """A ball that creeps through the side of a box that swallows all sound, at an instant."""
    ball = {"position_m": [1.2, 0.0, 0.0], "velocity_m_s": [0.0, 0.002 / taken_s, 0.0]}
    box = {"size_m": [4.0, 2.002, 4.0], "pair_m": [0.5, 2.0, 2.0], "order": 1}
    return scene({**ball, "radius_m": 0.03}, walls=box)


@pytest.mark.parametrize(("seed", "taken_s"), [(92, 0.5), (94, 1.7)])
def test_the_newest_mark_is_as_old_as_the_removal(
    in_tank: Callable[..., Finding], seed: int, taken_s: float
) -> None:
    finding = in_tank(
        LESSON, "taken-away", seed, scenes={"taken": vanishing(taken_s)}, taken_s=taken_s
    )
    last_ping_s = 55 * INTERVAL_S
    # It goes at any instant between two pings: no further off than half an interval. The sound
    # takes 3.5 ms there, and the pulse is 2 ms long: the ball goes that much sooner.
    assert abs(finding.measured - (last_ping_s - taken_s)) <= INTERVAL_S / 2 + 0.006
    # An even spread over an interval (JCGM 100:2008, 4.3.7).
    assert finding.u_measured == pytest.approx(INTERVAL_S / math.sqrt(12), rel=1e-6)
    assert "The strip shows no ball" in finding.verdict


def test_a_ball_that_is_still_there_is_not_the_past(in_tank: Callable[..., Finding]) -> None:
    still = scene({"position_m": [1.2, 0.0, 0.0], "radius_m": 0.03})
    with pytest.raises(NotHeardError, match="still there at the last ping"):
        in_tank(LESSON, "taken-away", 95, scenes={"taken": still})


def test_without_a_ball_it_says_where_to_hang_it(in_tank: Callable[..., Finding]) -> None:
    with pytest.raises(NotHeardError, match=r"within 0\.08 m of 1\.2 m; hang the ball there"):
        in_tank(LESSON, "taken-away", 96, scenes={"taken": scene()})


@pytest.mark.parametrize(
    ("seed", "range_m", "speed_m_s", "middle_s"),
    [(97, 1.2, 0.5, 0.9), (98, 1.0, 0.4, 0.8), (99, 1.4, 0.6, 1.0)],
)
def test_a_ball_leaves_the_beam_when_speed_and_cone_say(
    in_tank: Callable[..., Finding],
    seed: int,
    range_m: float,
    speed_m_s: float,
    middle_s: float,
) -> None:
    crossing = scene(passing_ball(range_m, speed_m_s, middle_s=middle_s))
    finding = in_tank(
        LESSON,
        "left-the-beam",
        seed,
        scenes={"pass": crossing},
        closest_m=range_m,
        speed_m_s=speed_m_s,
        middle_s=middle_s,
    )
    way_s = edge_m(range_m) / speed_m_s
    expected_s = 70 * INTERVAL_S - middle_s - way_s
    # The cone's edge is where a disc is down to half power; the two faces stand 6 cm apart.
    assert abs(finding.measured - expected_s) <= K * finding.u_measured + BAND_SHARE * way_s
    assert 2 * finding.u_measured < 0.1 * way_s
    # It stays on the history after it has gone.
    assert "still on the history" in finding.verdict


def test_a_ball_that_has_not_left_yet_is_not_the_past(in_tank: Callable[..., Finding]) -> None:
    late = scene(passing_ball(1.2, 0.5, middle_s=2.4))
    with pytest.raises(NotHeardError):
        in_tank(LESSON, "left-the-beam", 100, scenes={"pass": late}, middle_s=2.4)
