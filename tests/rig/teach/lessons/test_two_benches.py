"""The lesson on two benches in one room: slanting lines, and a pulse turned round."""

import math
from collections.abc import Callable

import pytest
from air_scenes import scene

from rig.errors import NotHeardError
from rig.teach.lessons.lesson import Finding
from rig.teach.lessons.taught.two_benches import LESSON

SPEED_M_S = 343.963  # at 20 °C and 50 % (computed with CoolProp 8.0.0, HumidAir)
HUNG = {"position_m": [1.2, 0.0, 0.0]}


def test_another_bench_draws_a_slanting_line_by_the_difference_of_the_intervals(
    in_tank: Callable[..., Finding],
) -> None:
    finding = in_tank(LESSON, "another-bench", 1)
    assert finding.choice == "slanting lines"
    theirs_s = LESSON.parts[0].steps[0].scene["other_bench"][0]["interval_s"]
    # Half the difference, times the sound speed; the plan's own formula for that speed is
    # promised to 0.05 m/s (3e-4 of it leaves 0.2 mm), and noise less.
    on_m = (theirs_s - 0.036) * SPEED_M_S / 2
    assert finding.measured == pytest.approx(on_m, rel=3e-4)
    # It is not hidden that the bench lists what is not there.
    listed = int(finding.numbers[3][2].split()[0])
    assert listed >= 6
    assert f"listed {listed} of them as echoes" in finding.verdict
    # Of 32 pings added up each range hears it in one: 20 log 32 = 30.1 dB weaker, here below what
    # is listed.
    assert finding.numbers[4] == ("listed in the sum of all", "30 dB weaker", "none")
    assert "Added up, the 32 pings list none of them." in finding.verdict


def test_a_chirp_turned_round_sinks_the_other_s_mark_by_about_the_root_of_twice_bt(
    in_tank: Callable[..., Finding],
) -> None:
    """A chirp against one that runs the other way: a Fresnel integral.

    Its plateau is 1/√(2BT) of the fit, 12.0 dB for BT = 8. Either end lifts it by 0.17 of its
    amplitude at most (an edge's first maximum has 1.37 of the intensity: Fresnel integrals,
    M. Abramowitz, I. A. Stegun, *Handbook*, ch. 7, from memory): 2.6 dB for both. Ends that
    are rounded by a tenth take off less than 1 dB.
    """
    finding = in_tank(LESSON, "another-pulse", 2)
    plateau_db = 10 * math.log10(2 * 8)
    assert plateau_db - 2.6 - 1.0 < finding.measured < plateau_db + 1.0
    assert abs(finding.measured - finding.expected) < 2.58 * finding.u_measured
    # It sinks, and is listed all the same: as more marks, weaker ones.
    before, now = (int(row[2]) for row in finding.numbers[1:])
    assert now > before > 0
    assert f"listed {now} false echoes" in finding.verdict


@pytest.mark.parametrize("part", ["another-bench", "another-pulse"])
def test_without_another_bench_the_remedy_is_named(
    in_tank: Callable[..., Finding], part: str
) -> None:
    steps = next(p for p in LESSON.parts if p.name == part).steps
    with pytest.raises(NotHeardError, match="let the other bench send louder"):
        in_tank(LESSON, part, 4, scenes={step.name: scene(HUNG) for step in steps})
