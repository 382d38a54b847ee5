"""What every kind of pulse owes: each that is registered stands here with an example."""

import math
from typing import get_args

import pytest

from rig.bench.plan import plan_from_table
from rig.bench.pulse_kinds import PulsePlan
from rig.bench.waveforms import pulses_of

EXAMPLES = {
    "chirp": {"start_hz": 4e3, "stop_hz": 12e3, "duration_s": 0.01},
    "tone": {"centre_hz": 8e3, "duration_s": 0.01},
    "barker13": {"centre_hz": 8e3, "chip_s": 5e-4},
    "golay": {"centre_hz": 8e3, "chip_s": 5e-4, "chips": 16},
    "burst": {"centre_hz": 8e3, "cycles": 8, "ring_s": 1e-4},
}


def _plan(kind: str) -> object:
    return plan_from_table({"pulse": {"kind": kind, **EXAMPLES[kind]}})


def test_every_kind_that_is_registered_has_its_example():
    kinds = {cls.__dataclass_fields__["kind"].default for cls in get_args(PulsePlan)}
    assert kinds == set(EXAMPLES)


@pytest.mark.parametrize("kind", EXAMPLES)
def test_its_band_is_the_one_that_its_pulses_were_made_to_fill(kind):
    plan = _plan(kind)
    for pulse in pulses_of(plan):
        assert pulse.band_hz == pytest.approx((plan.pulse.lowest_hz, plan.pulse.highest_hz))
    assert plan.pulse.lowest_hz < plan.pulse.centre_hz < plan.pulse.highest_hz


@pytest.mark.parametrize("kind", EXAMPLES)
def test_retuned_it_keeps_length_and_width(kind):
    pulse = _plan(kind).pulse
    moved = pulse.retuned(10e3)
    assert moved.centre_hz == pytest.approx(10e3)
    # 8 cycles at 8 kHz are 10 at 10 kHz: a burst lasts exactly as long here, too.
    assert moved.duration_s == pytest.approx(pulse.duration_s)
    assert moved.highest_hz - moved.lowest_hz == pytest.approx(pulse.highest_hz - pulse.lowest_hz)


@pytest.mark.parametrize("kind", EXAMPLES)
def test_stretched_it_lasts_as_long_as_asked_at_the_same_frequency(kind):
    pulse = _plan(kind).pulse
    longer = pulse.stretched(2 * pulse.duration_s)
    # A burst has whole cycles, so it is off by half of one at most.
    off_s = 0.5 / pulse.centre_hz if kind == "burst" else 1e-12
    assert abs(longer.duration_s - 2 * pulse.duration_s) <= off_s
    assert longer.centre_hz == pulse.centre_hz


@pytest.mark.parametrize("kind", EXAMPLES)
def test_only_a_sweep_shows_a_moving_target_elsewhere(kind):
    # Rihaczek, Principles of High-Resolution Radar, 1969, ch. 7 (memory): the shift of range is
    # speed times centre frequency times duration over the band swept; 8 kHz · 10 ms / 8 kHz.
    expected_s = 0.010 if kind == "chirp" else 0.0
    assert math.isclose(_plan(kind).pulse.coupling_s, expected_s, rel_tol=1e-12)


@pytest.mark.parametrize("kind", EXAMPLES)
def test_only_a_burst_is_one_that_a_board_can_send(kind):
    pulse = _plan(kind).pulse
    assert pulse.burst is (pulse if kind == "burst" else None)
