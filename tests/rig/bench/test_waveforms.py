"""The pulses that a plan sends."""

import math

import numpy as np
import pytest

from rig.bench.plan import plan_from_table
from rig.bench.waveforms import pulses_of
from rig.errors import PlanError

PULSES = {
    "chirp": {"start_hz": 4e3, "stop_hz": 12e3, "duration_s": 0.01},
    "tone": {"centre_hz": 8e3, "duration_s": 0.01},
    "barker13": {"centre_hz": 8e3, "chip_s": 0.0005},
    "golay": {"centre_hz": 8e3, "chip_s": 0.0005, "chips": 16},
}


def _plan(kind: str, **keys: object) -> object:
    return plan_from_table({"pulse": {"kind": kind, **PULSES[kind], **keys}})


@pytest.mark.parametrize("kind", PULSES)
def test_each_kind_gives_as_many_pulses_as_take_turns_and_of_the_planned_length(kind):
    plan = _plan(kind)
    pulses = pulses_of(plan)
    assert len(pulses) == plan.pulses_per_cycle
    for pulse in pulses:
        # A pulse has round(duration · rate) samples: the contract of the plan file.
        assert pulse.samples.size == round(plan.pulse.duration_s * 48000)
        assert pulse.sample_rate_hz == 48000.0
        assert pulse.samples.dtype == np.float32


def test_the_taper_of_the_plan_is_the_taper_of_the_pulse():
    (square,) = pulses_of(_plan("chirp", taper="none"))
    (tapered,) = pulses_of(_plan("chirp", taper="hann"))
    # Mean square of a Hann window: 3/8 (closed form); of a chirp at unit height 1/2.
    # 480 samples of a sweep leave ends of up to 2 % of the energy uneven.
    share = np.sum(tapered.samples.astype(float) ** 2) / np.sum(square.samples.astype(float) ** 2)
    assert math.isclose(share, 3 / 8, rel_tol=0.02)


def test_the_two_pulses_of_a_golay_pair_differ():
    first, second = pulses_of(_plan("golay"))
    assert not np.array_equal(first.samples, second.samples)


def test_a_code_whose_band_leaves_the_sampled_range_is_a_plan_error():
    # 8 kHz chips of one sample: the band's lower edge is taken as 0, the upper is over half
    # the rate; the plan's own check and the pulse's agree on where that is.
    with pytest.raises(PlanError, match="pulse"):
        _plan("barker13", chip_s=1 / 20000)
