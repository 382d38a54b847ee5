"""What a sum of all pings shows and no ping does: said to have moved, come or gone."""

import math
from collections.abc import Callable

import pytest
from moving_pings import Thing, moving_pings, still

from rig.bench.capture import StreamInfo
from rig.bench.plan import plan_from_table
from rig.measure.passes.following import passings_of
from rig.measure.smeared import Smear, smear_lines, smeared
from rig.run.hits import resolution_m
from rig.run.receiver import Receiver
from rig.run.run import Run, run_of

INFO = StreamInfo(front_end="made", device="samples made in a test", sample_rate_hz=48e3)
PLAN = plan_from_table(
    {
        "pulse": {"kind": "chirp", "start_hz": 4e3, "stop_hz": 12e3, "duration_s": 0.01},
        "timing": {"ping_interval_s": 0.1, "sample_rate_hz": 48e3},
        "receiver": {"range_start_m": 0.3, "range_stop_m": 3.0},
    }
)
PINGS, RMS = 24, 4e-4


def heard(*things: Thing, seed: int = 0) -> Run:
    made = moving_pings(PLAN, [still(0.05, 0.0), *things], pings=PINGS, rms=RMS, seed=seed)
    return run_of(Receiver(PLAN, INFO), made)


def smears(run: Run) -> tuple[Smear, ...]:
    return smeared(run, passings_of(run))


def test_what_stands_still_is_not_called_smeared() -> None:
    # The weakest at a 2E/N0 of 24 dB a ping: 226 samples' worth of energy over twice the noise's.
    for seed in range(4):
        strong, weak = still(0.02, 1.0), still(4e-4, 1.9)
        assert smears(heard(strong, weak, seed=seed)) == ()


@pytest.mark.parametrize(
    "swings_m",
    [lambda t: 0.15 * math.sin(2 * math.pi * t / 1.1), lambda t: 0.1 * math.cos(9.0 * t)],
)
def test_every_echo_that_a_swing_leaves_in_the_sum_is_called_smeared(
    swings_m: Callable[[float], float],
) -> None:
    ball = Thing(range_m=lambda t: 1.25 + swings_m(t), amplitude=lambda _: 0.02)
    run = heard(still(0.02, 2.0), ball)
    found, cell_m = smears(run), resolution_m(run.receiver)
    # It swings by 7 resolutions and more, faster than one a ping: in each place it is seldom.
    for echo in run.echoes:
        covered = any(smear.from_m <= echo.range_m <= smear.to_m for smear in found)
        assert covered == (abs(echo.range_m - 2.0) > cell_m), echo.range_m


def test_what_comes_late_is_said_to_be_in_a_few_pings_only() -> None:
    ball = Thing(range_m=lambda _: 1.5, amplitude=lambda t: 0.02 if t > 1.75 else 0.0)
    run = heard(still(0.02, 2.0), ball)
    (smear,) = smears(run)
    assert (smear.hits, smear.pings) == (6, PINGS)
    assert (smear.from_m + smear.to_m) / 2 == pytest.approx(1.5, abs=2e-3)
    (line,) = smear_lines(run, passings_of(run))
    assert line.startswith("what the sum shows about 1.500 m, 6 of 24 pings show")
