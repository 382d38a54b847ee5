"""What moved is as strong as its best hit, and half an arch is said to be what it is."""

import math

import numpy as np
import pytest
from air_scenes import passing_ball, scene

from dsp.uncertainty import stated
from rig.bench.plan import plan_from_table
from rig.measure.passes.following import passings_of
from rig.measure.passes.words import passing_lines
from rig.measure.scale_card import two_way_cone_rad
from rig.measure.strength import unsmeared_echoes
from rig.run.opening import open_bench
from rig.run.run import Run
from rig.tank.scene import scene_from_table
from rig.teach.lessons.air_bench import ONE_BY_ONE, PLAN


def heard(*targets: dict[str, object], pings: int, **tables: dict[str, object]) -> Run:
    plan = plan_from_table({**PLAN, **{"receiver": {**PLAN["receiver"], **ONE_BY_ONE["receiver"]}}})
    with open_bench(plan, scene=scene_from_table(scene(*targets, **tables)), seed=7) as bench:
        return bench.ping(pings)


def test_a_ball_that_passed_is_as_strong_as_one_that_hung_on_the_axis() -> None:
    passed = heard(passing_ball(1.0, 0.5, middle_s=0.72), pings=40)
    hung = heard({"position_m": [1.0, 0.0, 0.0]}, pings=8)

    def strongest_db(run: Run) -> float:
        near = [e.strength_db for e in unsmeared_echoes(run) if abs(e.range_m - 1.0) < 0.1]
        return max(near)

    # Between two pings the ball goes 18 mm, so that one meets it within 9 mm, 0.5°, of the axis:
    # of a lobe that is 3 dB down at 10°, 3 (0.5/10)² = 0.01 dB. The ball's echo stands some 35 dB
    # above a ping's noise: 8.7 × 10^(−35/20) = 0.15 dB, at k = 3 0.46 dB, and the best of five hits
    # near the axis is a little too strong by as much.
    assert strongest_db(passed) == pytest.approx(strongest_db(hung), abs=0.5)
    # What is left of it in a sum of all pings is no strength: here it comes out far too weak.
    summed = [e.strength_db for e in passed.echoes if abs(e.range_m - 1.0) < 0.1]
    assert max(summed, default=-math.inf) < strongest_db(hung) - 2


@pytest.mark.parametrize(
    ("pings", "words"), [(44, "a whole pass before a beam that looks aside"), (18, "")]
)
def test_half_an_arch_is_half_a_pass_only_where_the_thing_did_not_cross_the_beam(
    pings: int, words: str
) -> None:
    ball = {"position_m": [1.0, 0.0, -0.2], "velocity_m_s": [0.0, 0.0, 0.5]}
    run = heard(ball, pings=pings, transducer={"radius_m": 0.026, "tilt_deg": 12.0})
    lines = passing_lines(passings_of(run))
    assert any(words in line for line in lines)
    assert words or not any("a whole pass" in line for line in lines)


def test_a_value_has_two_digits_of_its_uncertainty_and_no_two_kinds_of_minus() -> None:
    """JCGM 100:2008, 7.2.6."""
    rng = np.random.default_rng(5)
    for value, u in zip(rng.normal(0, 100, 200), 10 ** rng.uniform(-4, 1.5, 200), strict=True):
        shown, unsure = stated(float(value), float(u)).split(" ± ")
        assert "-" not in shown
        assert float(unsure) == pytest.approx(2 * u, rel=0.051)
        assert abs(float(shown.replace("−", "-")) - value) <= 0.051 * 2 * u + 1e-12


def test_a_one_way_cone_is_narrower_out_and_back() -> None:
    """A disc's half power: ka sin θ = 1.616 one way, 1.160 out and back (Bessel tables)."""
    once_rad = math.radians(25.0)
    expected = 2 * math.asin(math.sin(once_rad / 2) * 1.1602 / 1.6163)
    assert two_way_cone_rad(once_rad) == pytest.approx(expected, rel=1e-3)
