"""A stream that loses or repeats samples without saying so never shows a wrong range."""

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from slipping_streams import (
    BASELINE_M,
    PINGS,
    PULSES,
    RATE_HZ,
    SLIPPING,
    SPEED_M_S,
    Sounds,
    a_plan,
    heard,
    one_ping,
)

from rig.bench.capture import LEAD_S, CaptureBlock
from rig.bench.plan import plan_from_table
from rig.run.loop import ping_results
from rig.run.receiver import Receiver
from rig.run.results import PingResult


def strongest_m(result: PingResult) -> float:
    return max(result.echoes, key=lambda e: e.strength_db).range_m


# An echo that is as strong as the direct sound, and another: after a slip of more than the
# lead, the echo is the first sound of each block.
TWINS = ((0.0, 0.1), (1.9, 0.1), (3.2, 0.05))


@pytest.mark.parametrize("pulse", PULSES)
@settings(max_examples=16, deadline=None, derandomize=True)
@given(slip=st.integers(-4799, 4799), at=st.integers(0, PINGS * 4800 - 1))
def test_no_slip_of_any_size_anywhere_gives_a_wrong_range(pulse: str, slip: int, at: int) -> None:
    # At 40 dB and more a range's noise is below 1 mm for each of these pulses (the bound);
    # half a sample's path, 3.6 mm, is what a slip may hide. A lost ping is never wrong.
    for result in heard(a_plan(pulse), TWINS, slip=slip, at=at):
        if not result.lost:
            assert result.echoes
            assert abs(strongest_m(result) - 1.9) < 0.0036 + 0.001


def test_an_echo_that_moves_evenly_where_the_direct_sound_was_due_is_no_clock_that_drifts() -> None:
    # The stream slips at its very start, so that no mark is known yet, and brings an echo that is
    # as strong as the direct sound into its place. It goes at 0.26 m/s, 0.15 ms in 0.1 s, and two
    # clocks of quartz drift apart by a seventieth of that at the most.
    def sounds(ping: int) -> Sounds:
        return ((0.0, 0.1), (1.91 + 0.026 * ping, 0.077), (3.99, 0.075))

    for result in heard(a_plan("chirp"), sounds, slip=-519, at=8, pings=14):
        assert result.lost, result.index


def test_a_direct_sound_whose_echoes_fill_what_is_looked_at_loses_no_ping() -> None:
    # A tone's lobe is a millisecond wide: three echoes, one 5 dB louder, leave no quiet in the
    # 23 ms that are looked at for the mark. The rest of the block tells its noise: 40 dB below.
    sounds = ((0.0, 0.1), (0.696, 0.173), (2.269, 0.08), (3.608, 0.033))
    assert not any(result.lost for result in heard(a_plan("tone"), sounds))


@pytest.mark.parametrize("pulse", PULSES)
def test_an_echo_where_the_direct_sound_was_due_is_not_taken_for_it(pulse: str) -> None:
    # The echo from 1.9 m comes 10.70 ms after the direct sound: 514 samples. Blocks are cut anew
    # then, so that the two pings about the slip alone are lost.
    results = heard(a_plan(pulse), TWINS, slip=-514, at=2 * 4800 + 4000)
    assert [r.lost for r in results] == [False, False, True, True, False, False]
    for result in results:
        assert result.lost or strongest_m(result) == pytest.approx(1.9, abs=0.002)


def test_a_slip_that_leaves_the_direct_sound_in_its_block_costs_two_pings() -> None:
    results = heard(a_plan("chirp"), TWINS, slip=900, at=2 * 4800 + 4000)
    assert [r.lost for r in results] == [False, False, True, True, False, False]
    for result in results:
        assert result.lost or strongest_m(result) == pytest.approx(1.9, abs=0.002)


@pytest.mark.parametrize(("slip", "lost"), [(-4800, 2), (-3000, 2), (3000, 3), (4800, 3)])
def test_codes_that_take_turns_are_known_again_after_more_than_half_a_block(
    slip: int, lost: int
) -> None:
    # The ping that a block then holds was sent with the other code. What is added by so much
    # fills a block in which no ping is whole.
    results = heard(a_plan("golay"), TWINS, slip=slip, at=2 * 4800 + 4000)
    assert [r.lost for r in results] == [2 <= k < 2 + lost for k in range(PINGS)]
    for result in results:
        # At 40 dB and more noise is below 1 mm; half a sample's path is 3.6 mm.
        assert result.lost or strongest_m(result) == pytest.approx(1.9, abs=0.0046)


@pytest.mark.parametrize("pulse", PULSES)
@pytest.mark.parametrize("share", [0.1, 0.5, 0.9])
def test_one_sample_lost_inside_the_direct_sound_is_seen(pulse: str, share: float) -> None:
    plan = a_plan(pulse)
    inside = round((LEAD_S + share * plan.pulse.duration_s) * RATE_HZ)
    results = heard(plan, ((0.0, 0.2), (3.0, 0.1)), slip=-1, at=2 * 4800 + inside)
    for result in results:
        # Half a sample is what a slip may hide: 3.6 mm, and 1 mm of noise.
        assert result.lost or abs(strongest_m(result) - 3.0) < 0.0036 + 0.001
    # At the very middle of a tone it moves its sound by half a sample, and by half in the next
    # ping: no more than what may be hidden. There it is seen or not as the noise is.
    assert any(r.lost for r in results) or (pulse, share) == ("tone", 0.5)
    assert not results[0].lost
    assert not results[5].lost


@pytest.mark.parametrize("gain", [0.1, 0.3, 4.0])
def test_a_gain_that_is_turned_moves_no_range(gain: float) -> None:
    # A second sound 1.1 ms behind the direct one, which after the turn is as strong as the
    # direct sound was before, or nearly: at a range of √(0.4984² − 0.12²)/2 = 0.242 m.
    second = (math.sqrt((BASELINE_M + 1.1e-3 * SPEED_M_S) ** 2 - BASELINE_M**2) / 2, 0.03)
    sounds = ((0.0, 0.05), second, (2.0, 0.02))
    results = heard(a_plan("chirp"), sounds, gains=(1.0, 1.0, 1.0, gain, gain, gain))
    assert [r.lost for r in results] == [False, False, True, False, False, False]
    assert "not as strong" in results[2].reason
    for result in results:
        if not result.lost:
            far = [e for e in result.echoes if e.range_m > 1.5]
            assert len(far) == 1
            assert abs(far[0].range_m - 2.0) < 5 * far[0].bound_m + 1e-4


def test_a_first_mark_that_is_not_where_the_front_end_heard_it_is_not_believed() -> None:
    # The direct sound was cut off before the first block: what comes first is an echo.
    results = heard(a_plan("chirp"), TWINS, slip=-900, at=10)
    assert all(r.lost for r in results)
    assert "no direct sound was heard where it is due" in results[0].reason


def test_a_moved_mark_is_not_known_again_where_two_sounds_fit() -> None:
    # Evenly spaced echoes that hardly fade, between two bare walls: shifted by one spacing
    # the picture is all but the same, and nobody can say which sound is the direct one.
    spaced = tuple((math.sqrt((0.12 + 1.0 * k) ** 2 - 0.12**2) / 2, 0.1) for k in range(6))
    spacing = round(1.0 / SPEED_M_S * RATE_HZ)
    for result in heard(a_plan("tone"), spaced, slip=-spacing, at=2 * 4800 + 4000)[3:]:
        assert result.lost


def test_a_stream_that_cannot_slip_looks_for_its_first_mark_anywhere() -> None:
    plan = a_plan("chirp")
    samples = np.roll(one_ping(plan, 0, ((0.0, 0.2), (1.9, 0.1))), 700)
    block = CaptureBlock(index=0, samples=samples, start_sample=0, mark_s=LEAD_S)
    steady = dataclasses.replace(SLIPPING, can_slip=False, confirms_last=False)
    (result,) = ping_results(Receiver(plan, steady), [block])
    assert not result.lost
    assert strongest_m(result) == pytest.approx(1.9, abs=0.001)


def samples_behind(range_m: float) -> float:
    """How many samples an echo comes behind the direct sound."""
    return (math.hypot(2 * range_m, BASELINE_M) - BASELINE_M) / SPEED_M_S * RATE_HZ


@pytest.mark.parametrize("pulse", PULSES)
@settings(max_examples=6, deadline=None, derandomize=True, report_multiple_bugs=False)
@given(
    ratios=st.tuples(st.floats(0.7, 1.4), st.floats(0.7, 1.4)),
    to_second=st.booleans(),
    more=st.integers(-1, 1),
    # Before the second ping nothing is confirmed yet.
    at=st.integers(4800, 5 * 4800),
)
def test_an_echo_that_slips_into_the_place_of_a_weaker_direct_sound_is_not_taken_for_it(
    pulse: str, ratios: tuple[float, float], to_second: bool, more: int, at: int
) -> None:
    sounds = ((0.0, 0.1), (1.9, 0.1 * ratios[0]), (3.4, 0.1 * ratios[1]))
    slip = more - round(samples_behind(3.4 if to_second else 1.9))
    for result in heard(a_plan(pulse), sounds, slip=slip, at=at):
        # 40 dB and more: noise is below 1 mm (the bound); half a sample's path is 3.6 mm.
        for range_m in (1.9, 3.4):
            assert result.lost or min(abs(e.range_m - range_m) for e in result.echoes) < 0.0046


@pytest.mark.parametrize("gain", [0.2, 0.5, 1.8])
def test_a_gain_that_is_turned_as_the_sound_slips_hides_no_slip(gain: float) -> None:
    # After the turn the echo that slips into the direct sound's place is just as strong as
    # that was before.
    sounds = ((0.0, 0.05), (1.9, 0.05 / gain), (3.2, 0.05 / gain))
    gains = (1.0, 1.0, 1.0, gain, gain, gain)
    slip = -round(samples_behind(1.9))
    for result in heard(a_plan("chirp"), sounds, slip=slip, at=2 * 4800 + 4000, gains=gains):
        assert result.lost or min(abs(e.range_m - 1.9) for e in result.echoes) < 0.0046


@pytest.mark.parametrize("pulse", ["chirp", "tone"])
@pytest.mark.parametrize("speed_m_s", [-1.0, 0.05, 0.5])
@pytest.mark.parametrize("ratio", [0.9, 1.1])
def test_a_plate_that_moves_and_is_as_loud_as_the_direct_sound_costs_no_ping(
    pulse: str, speed_m_s: float, ratio: float
) -> None:
    results = heard(
        a_plan(pulse), lambda ping: ((0.0, 0.1), (2.2 + 0.1 * ping * speed_m_s, 0.1 * ratio))
    )
    assert not any(r.lost for r in results)


def test_a_first_mark_that_is_late_is_not_believed_though_it_is_the_loudest_sound() -> None:
    # An echo that is louder than the direct sound slips to 30 samples from its place.
    sounds = ((0.0, 0.1), (1.9, 0.15))
    slip = 30 - round(samples_behind(1.9))
    assert all(r.lost for r in heard(a_plan("chirp"), sounds, slip=slip, at=10))


@pytest.mark.parametrize("share", [0.1, 0.5, 0.9])
@pytest.mark.parametrize("slip", [-1, 3])
def test_a_slip_inside_the_witness_of_a_stored_time_zero_is_seen(share: float, slip: int) -> None:
    table = {"pulse": PULSES["barker13"], "timing": {"ping_interval_s": 0.1}}
    plan = plan_from_table({**table, "geometry": {"time_zero": "calibration"}})
    inside = round((LEAD_S + share * plan.pulse.duration_s) * RATE_HZ)
    leaving_s = LEAD_S - BASELINE_M / SPEED_M_S
    known = dataclasses.replace(SLIPPING, knows_leaving=True, u_leaving_s=1e-6)
    sounds = ((0.0, 0.2), (1.9, 0.1))
    results = heard(plan, sounds, slip=slip, at=4800 + inside, info=known, mark_s=leaving_s)
    for result in results:
        assert result.lost or abs(strongest_m(result) - 1.9) < 0.0046
    assert all(r.lost for r in results[2:])


def test_a_clock_that_creeps_away_from_a_stored_time_zero_is_seen() -> None:
    # 0.24 samples later each ping, 50 ppm, which is less than a slip from one to the next.
    table = {"pulse": PULSES["barker13"], "timing": {"ping_interval_s": 0.1}}
    plan = plan_from_table({**table, "geometry": {"time_zero": "calibration"}})
    samples, rng = one_ping(plan, 0, ((0.0, 0.2), (1.9, 0.1))), np.random.default_rng(1)
    turns = np.fft.rfftfreq(samples.size)
    blocks = []
    for k in range(12):
        later = np.exp(-2j * np.pi * turns * 0.24 * k)
        crept = np.fft.irfft(np.fft.rfft(samples) * later, samples.size)
        crept = crept + 1e-3 * rng.standard_normal(samples.size)
        leaves_s = LEAD_S - BASELINE_M / SPEED_M_S
        blocks.append(
            CaptureBlock(index=k, samples=crept, start_sample=k * samples.size, mark_s=leaves_s)
        )
    known = dataclasses.replace(SLIPPING, knows_leaving=True, u_leaving_s=1e-6)
    results = list(ping_results(Receiver(plan, known), blocks))
    assert not results[0].lost
    for result in results:
        assert result.lost or abs(strongest_m(result) - 1.9) < 0.0046
    assert all(r.lost for r in results[4:])


def test_a_side_lobe_of_a_loopback_pulse_that_slipped_over_the_edge_is_not_taken_for_it() -> None:
    # Marks stand 240 samples into their blocks: 249 lost, and nine of a pulse are cut off.
    table = {"pulse": PULSES["chirp"], "timing": {"ping_interval_s": 0.1}}
    plan = plan_from_table({**table, "geometry": {"time_zero": "loopback"}})
    rng = np.random.default_rng(1)
    wire = np.concatenate([one_ping(plan, k, ((0.0, 0.3),)) for k in range(8)])
    room = np.concatenate([one_ping(plan, k, ((0.0, 0.3), (1.9, 0.1))) for k in range(8)])
    both = np.stack([room, wire]) + 1e-4 * rng.standard_normal((2, wire.size))
    both = np.delete(both, np.s_[3 * 4800 + 3900 : 3 * 4800 + 3900 + 249], axis=1)
    blocks = [
        CaptureBlock(
            index=k,
            samples=both[:, k * 4800 : (k + 1) * 4800],
            start_sample=k * 4800,
            mark_s=LEAD_S,
            confirms_only=k == PINGS,
        )
        for k in range(PINGS + 1)
    ]
    info = dataclasses.replace(SLIPPING, channels=2, loopback=1)
    results = list(ping_results(Receiver(plan, info), blocks))
    assert [r.lost for r in results] == [False, False, False, True, True, False]
    # From the wire's pulse the echo's path is the direct sound's shorter than from leaving.
    path_m = math.hypot(2 * 1.9, BASELINE_M) - BASELINE_M
    range_m = math.sqrt(path_m**2 - BASELINE_M**2) / 2
    assert strongest_m(results[5]) == pytest.approx(range_m, abs=0.002)
