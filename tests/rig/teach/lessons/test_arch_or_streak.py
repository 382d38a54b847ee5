"""The lesson on arches and streaks, and the facts of the trade that it teaches."""

import math
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import pytest
from air_scenes import passing_ball, scene

from rig.bench.plan import plan_from_table
from rig.errors import NotHeardError
from rig.front_ends.virtual_tank import open_virtual_tank
from rig.measure.passes.following import passings_of
from rig.run.receiver import Receiver
from rig.run.run import run_of
from rig.tank.scene import scene_from_table
from rig.teach.lessons.lesson import Finding, Part
from rig.teach.lessons.taught.arch_or_streak import LESSON

# ka sin θ where a round disc is down to half power, out and back (computed with scipy), and
# the sound speed at 20 °C and 50 % (computed with CoolProp 8.0.0, HumidAir), m/s.
HALF_POWER, SPEED_M_S = 1.1602860, 343.963
DISC_M, INTERVAL_S = 0.026, 0.036
HALF_RAD = math.asin(HALF_POWER * SPEED_M_S / (2 * math.pi * 14e3 * DISC_M))

# 99 % of a normal spread (JCGM 100:2008, table G.1).
K = 2.58
# A tapered chirp's centre of gravity lies 0.13 % off the middle of its band; the half angle
# goes with it, and the height of the arch with its square.
BAND_SHARE = 0.0015


def test_what_passes_draws_an_arch_and_what_stays_a_streak(in_tank: Callable[..., Finding]) -> None:
    """Common practice, no source; and the arch is as high as Pythagoras says."""
    finding = in_tank(LESSON, "pass-and-stay", 11)
    assert finding.choice == "an arch, then a streak"
    rise_mm = 1e3 * (1 / math.cos(HALF_RAD) - 1)  # R₀ (1/cos θ − 1), at 1 m
    allowed_mm = K * finding.u_measured + 2 * BAND_SHARE * rise_mm
    assert abs(finding.measured - rise_mm) <= allowed_mm
    assert abs(finding.expected - rise_mm) <= 2 * BAND_SHARE * rise_mm


def test_no_arch_is_measured_on_a_streak(in_tank: Callable[..., Finding]) -> None:
    still = scene({"position_m": [1.0, 0.0, 0.0]})
    with pytest.raises(NotHeardError, match="step pass: the ball made a streak"):
        in_tank(LESSON, "pass-and-stay", 14, scenes={"pass": still})


def test_two_passes_are_the_same_mark_both_times(in_tank: Callable[..., Finding]) -> None:
    again = scene(passing_ball(1.0, 0.9, middle_s=0.35))
    finding = in_tank(LESSON, "pass-and-stay", 15, scenes={"stay": again})
    assert finding.choice == "the same mark both times"


def test_a_tilted_beam_draws_half_an_arch_and_hears_best_where_it_looks(
    in_tank: Callable[..., Finding],
) -> None:
    """Half arches under tilt: common practice, no source."""
    finding = in_tank(LESSON, "half-arch", 21)
    assert finding.choice == "half an arch"
    beyond_mm = 1e3 * (1 / math.cos(math.radians(12.0)) - 1)
    assert abs(finding.measured - beyond_mm) <= K * finding.u_measured
    assert finding.expected == pytest.approx(beyond_mm, rel=1e-9)


# 44 pings of 36 ms at 0.5 m/s are 0.77 m of way: from −0.39 m it ends 21° beyond the closest point,
# outside a cone of 10° to each side but inside one that is turned by 14°.
@pytest.mark.parametrize(
    ("start_m", "tilt_deg", "choice"),
    [
        (-0.39, 0.0, "a whole arch"),
        (-0.2, 14.0, "half an arch"),
        (-0.39, 14.0, "cannot be told yet"),
    ],
)
def test_only_a_tilt_takes_a_leg_off_the_arch(
    in_tank: Callable[..., Finding], start_m: float, tilt_deg: float, choice: str
) -> None:
    way = {"position_m": [1.0, 0.0, start_m], "velocity_m_s": [0.0, 0.0, 0.5]}
    face = {"radius_m": DISC_M, "tilt_deg": tilt_deg}
    scenes = {"turned": scene(way, transducer=face)}
    assert in_tank(LESSON, "half-arch", 24, scenes=scenes, tilt_deg=tilt_deg).choice == choice


@pytest.mark.parametrize(("seed", "slow_m_s", "fast_m_s"), [(32, 0.37, 0.85), (33, 0.43, 0.71)])
def test_hits_go_down_as_speed_goes_up_and_as_pings_get_rarer(
    in_tank: Callable[..., Finding], seed: int, slow_m_s: float, fast_m_s: float
) -> None:
    rng = np.random.default_rng(seed)
    scenes = {
        "slow": scene(passing_ball(1.0, slow_m_s, middle_s=0.72 + rng.uniform(-0.02, 0.02))),
        "fast": scene(passing_ball(1.0, fast_m_s, middle_s=0.43 + rng.uniform(-0.02, 0.02))),
    }
    finding = in_tank(
        LESSON, "speed-and-pings", seed, scenes=scenes, slow_m_s=slow_m_s, fast_m_s=fast_m_s
    )
    hits = [int(row[3]) for row in finding.numbers[1:]]
    spacings_m = [v * INTERVAL_S for v in (slow_m_s, fast_m_s, 2 * slow_m_s)]
    # 2 R tan θ over the way from ping to ping. A stretch of n + f spacings holds n or n + 1
    # marks: 1 off; and edges found to 1 % put at most 0.3 of 25 hits on top.
    for count, spacing_m in zip(hits, spacings_m, strict=True):
        assert abs(count - 2 * math.tan(HALF_RAD) / spacing_m) < 1.3
    assert hits[1] < hits[0]
    assert hits[2] < hits[0]
    # Two counts, each off by 1 at the most, in a ratio.
    assert abs(finding.measured - slow_m_s / fast_m_s) <= (1.3 + 1.3 * finding.measured) / hits[0]


def test_the_deep_arch_is_the_wide_arch(in_tank: Callable[..., Finding]) -> None:
    """A cone is an angle: 1.4 m over 0.7 m, twice as wide and twice as high."""
    finding = in_tank(LESSON, "deep-arch", 36)
    assert finding.choice == "wider"
    assert abs(finding.measured - 2.0) <= K * finding.u_measured
    for row, range_m in zip(finding.numbers[1:], (0.7, 1.4), strict=True):
        # 2 R tan θ over the way from ping to ping at 0.6 m/s; counts as above.
        assert abs(int(row[3]) - 2 * range_m * math.tan(HALF_RAD) / (0.6 * INTERVAL_S)) < 1.3
        # R (1/cos θ − 1); the angle to 1 %, its square to 2 %, and a whole millimetre written.
        height_mm = 1e3 * range_m * (1 / math.cos(HALF_RAD) - 1)
        assert float(row[5]) == pytest.approx(height_mm, rel=0.02, abs=0.5)


def test_a_deep_arch_is_no_wider_where_the_deep_ball_goes_twice_as_fast(
    in_tank: Callable[..., Finding],
) -> None:
    """Else the part would say "wider" of anything."""
    both = scene(passing_ball(0.7, 0.6, middle_s=0.9), passing_ball(1.4, 1.2, middle_s=0.9))
    finding = in_tank(LESSON, "deep-arch", 38, scenes={"both": both})
    assert finding.choice == "as wide"
    assert finding.measured == pytest.approx(1.0, abs=K * finding.u_measured + 2 * BAND_SHARE)


def test_a_boat_is_drawn_on_the_bench_with_as_many_hits_as_in_the_field(
    in_tank: Callable[..., Finding],
) -> None:
    finding = in_tank(LESSON, "bench-to-field", 41)
    assert [row[5] for row in finding.numbers[1:]] == ["an arch", "an arch", "a streak"]
    for row, boat_m_s in zip(finding.numbers[1:3], (1.8, 2.7), strict=True):
        assert float(row[2]) == boat_m_s
        # 10 m down, 10 pings a second: 2 R tan θ / v, times the pings a second.
        hits = 2 * 10.0 * math.tan(HALF_RAD) / boat_m_s * 10.0
        assert float(row[3]) == pytest.approx(hits, rel=BAND_SHARE, abs=0.05)
        assert abs(int(row[4]) - hits) < 1.3  # as above
    # In the field an arch of so many hits: the boat's own time in the cone, 1.3 to 2 s.
    assert finding.measured == float(finding.numbers[2][4])


@pytest.mark.parametrize("boat_m_s", [1.8, 2.2, 2.7, 0.0])
@pytest.mark.parametrize(
    ("cone_deg", "depth_m", "pings_per_s"),
    [(16.0, 6.0, 15.0), (20.0, 10.0, 10.0), (28.0, 5.0, 8.0)],
)
def test_a_moving_boat_makes_arches_and_a_standing_one_streaks(
    boat_m_s: float, cone_deg: float, depth_m: float, pings_per_s: float
) -> None:
    """At 4 to 6 mph with common cones, depths and ping rates: common practice, no source.

    On a bench of 1 m, in the same share of the distance from ping to ping (which needs no
    formula of the project's).
    """
    drawn_m_s = boat_m_s * (1.0 / depth_m) / (pings_per_s * INTERVAL_S)
    disc_m = HALF_POWER * SPEED_M_S / (2 * math.pi * 14e3 * math.sin(math.radians(cone_deg / 2)))
    half_m = math.tan(math.radians(cone_deg / 2))
    pings = 24 if boat_m_s == 0 else math.ceil(3.2 * half_m / (drawn_m_s * INTERVAL_S))
    ball = passing_ball(1.0, drawn_m_s, middle_s=pings * INTERVAL_S / 2)
    plan = plan_from_table({**LESSON.plan, "transducer": {"radius_m": disc_m}})
    seen = scene_from_table(scene(ball, transducer={"radius_m": disc_m}))
    with open_virtual_tank(plan, scene=seen, seed=51) as tank:
        receiver = Receiver(plan, tank.info)
        passings = passings_of(run_of(receiver, tank.blocks(pings)))
    longest = max(passings, key=lambda p: p.passage.hits)
    assert longest.passage.kind == ("stay" if boat_m_s == 0 else "pass")


@pytest.mark.parametrize("part", LESSON.parts, ids=lambda p: p.name)
def test_without_a_ball_there_is_no_track_and_the_remedy_is_named(
    in_tank: Callable[..., Finding], part: Part
) -> None:
    empty: dict[str, Mapping[str, Any]] = {step.name: scene() for step in part.steps}
    with pytest.raises(NotHeardError, match=r"send louder|draw the ball"):
        in_tank(LESSON, part.name, 61, scenes=empty)


def _chord_width_mm(diameter_m: float) -> float:
    """Half-power width of a disc's point, all of its beam added up: its chords folded twice."""
    y = np.linspace(-1, 1, 4001)
    folded = np.convolve(*(np.sqrt(np.maximum(1 - y**2, 0)),) * 2)
    lag = np.linspace(-2, 2, folded.size)
    below = lag[(lag > 0) & (folded < folded.max() * math.sqrt(0.5))][0]
    return 1e3 * float(below) * diameter_m / 2


def test_an_arch_is_folded_into_a_point_a_third_of_the_disc_wide(
    in_tank: Callable[..., Finding],
) -> None:
    """Half the disc along the way at the most; with a wrong speed it blurs.

    L. J. Cutrona, *J. Acoust. Soc. Am.* 58, 1975 (from memory).
    """
    finding = in_tank(LESSON, "into-focus", 41)
    assert finding.choice == "it blurs"
    assert abs(finding.measured - finding.expected) <= K * finding.u_measured
    # A beam that is cut off at its first null makes a point 7 % wider than the whole one does
    # (tests/dsp/history/test_focusing.py adds it up), give or take what is measured.
    apart = finding.measured / _chord_width_mm(2 * DISC_M) - 1.07
    assert abs(apart) <= K * finding.u_measured / finding.measured
    assert finding.measured < 1e3 * DISC_M
    theory, ball = finding.curves
    assert theory.y.min() == pytest.approx(theory.y[theory.y.size // 2], rel=0.01)
    assert ball.y[[0, -1]].min() > 1.5 * ball.y.min()


def test_a_ball_that_hangs_still_is_folded_into_nothing(in_tank: Callable[..., Finding]) -> None:
    still = scene({"position_m": [0.65, 0.0, 0.0]})
    with pytest.raises(NotHeardError, match="step past: found nothing that passed"):
        in_tank(LESSON, "into-focus", 42, scenes={"past": still})
