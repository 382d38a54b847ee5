"""Narrow-band pulses: their noise is alike over so long that a cut of a profile holds little."""

from typing import Any

import pytest

from rig.bench.capture import StreamInfo
from rig.bench.plan import plan_from_table
from rig.errors import PlanError
from rig.front_ends.virtual_tank import open_virtual_tank
from rig.run.loop import ping_results
from rig.run.receiver import Receiver
from rig.tank.scene import scene_from_table


def a_plan(duration_s: float, interval_s: float = 0.25, **receiver: Any) -> Any:
    return plan_from_table(
        {
            "pulse": {"kind": "tone", "centre_hz": 8e3, "duration_s": duration_s},
            "timing": {"ping_interval_s": interval_s},
            "receiver": receiver,
        }
    )


@pytest.mark.parametrize("weighting", ["none", "hann"])
@pytest.mark.parametrize("duration_s", [0.001, 0.002, 0.005])
def test_a_tone_bursts_echo_is_found_within_its_bound(weighting: str, duration_s: float) -> None:
    plan = a_plan(duration_s, weighting=weighting)
    scene = scene_from_table(
        {
            "medium": {"sound_speed_m_s": 343.987},
            "noise": {"level_db": -80.0},
            "target": [{"body": "sphere", "radius_m": 0.1, "position_m": [2.5, 0.0, 0.0]}],
        }
    )
    with open_virtual_tank(plan, scene=scene, seed=3) as tank:
        results = list(ping_results(Receiver(plan, tank.info), tank.blocks(4)))
    for result in results:
        assert not result.lost
        assert len(result.echoes) == 1
        echo = result.echoes[0]
        # The tank is made of free field and one ball: five times the noise's bound, half
        # again for a weighting, and 2 % of a wave of 43 mm for the ball's own colour and
        # what the direct sound's tail leaves.
        assert abs(echo.range_m - 2.5) < 7.5 * echo.bound_m + 0.02 * 343.987 / 8e3


def test_a_burst_too_long_for_its_interval_is_refused_with_the_interval_it_needs() -> None:
    silent = StreamInfo(front_end="made", device="a test", sample_rate_hz=48e3)
    plan = a_plan(0.010, interval_s=0.05, range_stop_m=3.0)
    with pytest.raises(PlanError, match=r"ping_interval_s: found 0.05, .* give at least"):
        Receiver(plan, silent)
