"""Which pings are trusted, and that their ranges are those of the sound that was made.

The blocks are made here, by shifting a pulse's spectrum in phase: no code of the
receiver or of the virtual tank has a part in them.
"""

import dataclasses
import math
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest

from dsp.ping.search.search import lead_bins
from rig.bench.capture import LEAD_S, CaptureBlock, CaptureFlag, StreamInfo
from rig.bench.plan import Plan, plan_from_table
from rig.bench.waveforms import pulses_of
from rig.errors import DeviceError, PlanError
from rig.run.loop import ping_results
from rig.run.receiver import Receiver
from rig.run.results import TimeZero
from rig.run.run import run_of

RATE_HZ, SPEED_M_S, BASELINE_M = 48_000.0, 343.96, 0.12
CHIRP = {"kind": "chirp", "start_hz": 4e3, "stop_hz": 12e3, "duration_s": 0.01}
GOLAY = {"kind": "golay", "centre_hz": 8e3, "chip_s": 2.5e-4, "chips": 32}
TARGETS = ((0.5, 0.05), (1.2, 0.02), (3.1, 0.004))
STEADY = StreamInfo(front_end="made", device="samples made in a test", sample_rate_hz=RATE_HZ)
SLIPPING = dataclasses.replace(STEADY, can_slip=True, confirms_last=True)


def a_plan(pulse: dict[str, Any] = CHIRP, **receiver: Any) -> Plan:
    return plan_from_table({"pulse": pulse, "receiver": receiver})


def sound(plan: Plan, index: int, *, late: float, targets: Any, seed: int) -> np.ndarray:
    """One ping's samples: direct sound and echoes at exact delays, in noise."""
    pulse = pulses_of(plan)[index % plan.pulses_per_cycle].samples.astype(float)
    length = 1 << 15
    frequency = np.fft.rfftfreq(length, 1 / RATE_HZ)
    leaving_s = LEAD_S - BASELINE_M / SPEED_M_S + late / RATE_HZ
    response = np.zeros(frequency.size, dtype=complex)
    for range_m, amplitude in ((0.0, 0.3), *targets):
        delay_s = leaving_s + math.hypot(2 * range_m, BASELINE_M) / SPEED_M_S
        response += amplitude * np.exp(-2j * np.pi * frequency * delay_s)
    samples = np.fft.irfft(np.fft.rfft(pulse, length) * response, length)[: plan.interval_samples]
    noise = np.random.default_rng((seed, index)).standard_normal(plan.interval_samples)
    return samples + 1e-3 * noise


def echo_of(plan: Plan, range_m: float, amplitude: float, *, late: float = 0.0) -> np.ndarray:
    """One echo's samples, for source and receiver in one place."""
    pulse = pulses_of(plan)[0].samples.astype(float)
    length = 1 << 15
    frequency = np.fft.rfftfreq(length, 1 / RATE_HZ)
    delay_s = LEAD_S - BASELINE_M / SPEED_M_S + late / RATE_HZ + 2 * range_m / SPEED_M_S
    shifted = np.fft.rfft(pulse, length) * np.exp(-2j * np.pi * frequency * delay_s)
    return amplitude * np.fft.irfft(shifted, length)[: plan.interval_samples]


def blocks(
    plan: Plan,
    pings: int,
    *,
    slips: dict[int, float] | None = None,
    flags: dict[int, CaptureFlag] | None = None,
    closing: bool = False,
    targets: Any = TARGETS,
    seed: int = 1,
) -> Iterator[CaptureBlock]:
    """Blocks of a stream that slips by some samples before the pings named."""
    late = 0.0
    for index in range(pings + closing):
        late += (slips or {}).get(index, 0.0)
        yield CaptureBlock(
            index=index,
            samples=sound(plan, index, late=late, targets=targets, seed=seed),
            start_sample=index * plan.interval_samples,
            mark_s=LEAD_S,
            pulse_index=index % plan.pulses_per_cycle,
            flags=(flags or {}).get(index, CaptureFlag.NONE),
            confirms_only=index == pings,
        )


def ranges(echoes: Any) -> list[float]:
    return [round(e.range_m, 3) for e in echoes]


@pytest.mark.parametrize("weighting", ["none", "hann"])
def test_ranges_are_those_of_the_targets_within_their_own_uncertainty(weighting: str) -> None:
    plan = a_plan(weighting=weighting)
    for result in ping_results(Receiver(plan, STEADY), blocks(plan, 5)):
        assert not result.lost
        assert len(result.echoes) == len(TARGETS)
        for echo, (range_m, amplitude) in zip(result.echoes, TARGETS, strict=True):
            # The plan's speed of 343.99 is 0.03 off the true one, well inside its
            # stated 0.32; five times the bound is what noise may add.
            believed = range_m * 343.987 / SPEED_M_S
            assert abs(echo.range_m - believed) < 5 * echo.bound_m + 1e-4
            assert abs(echo.range_m - range_m) < 2 * echo.u_range_m
            # An amplitude is noisy by 1/d, 8.7/d dB: five times that, and 0.05 dB for what
            # is left of the others' side lobes.
            d = 10 ** (echo.snr_db / 20)
            expected_db = 20 * math.log10(amplitude)
            assert echo.strength_db == pytest.approx(expected_db, abs=5 * 8.7 / d + 0.05)


def test_bound_is_the_cramer_rao_bound_on_the_range() -> None:
    # σ_R = (c/2)/(d β), and β from the pulse's own samples.
    plan = a_plan()
    pulse = pulses_of(plan)[0].samples.astype(float)
    energy = np.abs(np.fft.rfft(pulse, 1 << 16)) ** 2
    omega = 2 * np.pi * np.fft.rfftfreq(1 << 16, 1 / RATE_HZ)
    mean = omega @ energy / energy.sum()
    beta = math.sqrt((omega - mean) ** 2 @ energy / energy.sum())
    result = next(iter(ping_results(Receiver(plan, STEADY), blocks(plan, 1))))
    for echo, (_, amplitude) in zip(result.echoes, TARGETS, strict=True):
        d = amplitude * math.sqrt(pulse @ pulse) / 1e-3
        # The noise is learnt from 64 cells: 16 % of its power, 8 % of the bound; three
        # times that. The baseline lengthens the path by less than 1 %.
        assert echo.bound_m == pytest.approx(SPEED_M_S / 2 / (d * beta), rel=0.25)


def test_latency_is_from_where_the_ping_was_placed_to_where_it_left() -> None:
    plan = a_plan()
    result = next(iter(ping_results(Receiver(plan, STEADY), blocks(plan, 1))))
    expected = LEAD_S - BASELINE_M / SPEED_M_S
    assert result.latency_s == pytest.approx(expected, abs=1e-6)  # 0.03 m/s off: 30 ns; noise


def test_a_slip_without_a_flag_loses_the_pings_on_both_sides_of_it() -> None:
    plan = a_plan()
    made = blocks(plan, 6, slips={3: 1.0}, closing=True)
    results = list(ping_results(Receiver(plan, SLIPPING), made))
    assert [r.lost for r in results] == [False, False, True, True, False, False]
    assert "slipped" in results[2].reason
    assert "slipped" in results[3].reason


@pytest.mark.parametrize("slip", [1.0, -1.0, 37.0, 160.0, 450.0])
def test_no_slip_ever_moves_a_range_that_is_shown(slip: float) -> None:
    plan = a_plan()
    made = blocks(plan, 7, slips={2: slip, 5: -slip}, closing=True)
    results = list(ping_results(Receiver(plan, SLIPPING), made))
    good = [r for r in results if not r.lost]
    assert len(good) >= 2
    assert {tuple(ranges(r.echoes)) for r in good} <= {(0.5, 1.2, 3.1), (0.5, 1.2, 3.099)} | {
        (0.5, 1.2, 3.101)
    }


def test_samples_that_were_left_as_nothing_amid_sound_lose_their_ping_alone() -> None:
    # Nine of a code's 192 samples: its side lobes no longer cancel those of the code before.
    plan = a_plan(GOLAY)
    made = list(blocks(plan, 6))
    direct = round(LEAD_S * RATE_HZ)
    holed = made[3].samples.copy()
    holed[0, direct + 60 : direct + 69] = 0.0
    made[3] = dataclasses.replace(made[3], samples=holed)
    results = list(ping_results(Receiver(plan, STEADY), iter(made)))
    assert [r.lost for r in results] == [False, False, False, True, False, False]
    assert results[3].reason == "samples are missing: some stand at exactly 0 amid sound"
    # By the first code alone the middle one is hidden by what the strongest leaves.
    told = [tuple(round(e.range_m, 2) for e in r.echoes) for r in results]
    assert told == [(0.5, 3.1), (0.5, 1.2, 3.1), (0.5, 3.1), (), (0.5, 3.1), (0.5, 1.2, 3.1)]


def test_pings_whose_far_echoes_are_cut_off_are_lost_until_blocks_are_cut_anew() -> None:
    # Looking to 35 m takes 70 m of path, 203.5 ms, and 10 ms of pulse; with 4.7 ms of lead a block
    # of 250 ms has 31.8 ms to spare. A lasting slip of 40 ms is more than that.
    plan = a_plan(range_stop_m=35.0)
    made = blocks(plan, 6, slips={2: 1920.0}, closing=True)
    results = list(ping_results(Receiver(plan, SLIPPING), made))
    assert [r.lost for r in results] == [False, True, True, False, False, False]
    for result in results:
        assert result.lost or ranges(result.echoes) == [0.5, 1.2, 3.1]


@pytest.mark.parametrize("ppm", [-100.0, 40.0, 60.0, 150.0])
def test_two_clocks_cost_no_ping_however_far_apart_quartz_lets_them_be(ppm: float) -> None:
    plan = a_plan()
    drift = ppm * 1e-6 * plan.interval_samples
    made = blocks(plan, 6, slips=dict.fromkeys(range(1, 7), drift), closing=True)
    results = list(ping_results(Receiver(plan, SLIPPING), made))
    assert not any(r.lost for r in results)
    for result in results:
        # To the millimetre that they are rounded to, as above.
        assert ranges(result.echoes) == pytest.approx([0.5, 1.2, 3.1], abs=0.0011)


def test_two_clocks_and_a_slip_cost_the_two_pings_about_the_slip() -> None:
    plan = a_plan()
    drift = 60e-6 * plan.interval_samples
    made = blocks(plan, 8, slips={k: drift + 30.0 * (k == 4) for k in range(1, 9)}, closing=True)
    results = list(ping_results(Receiver(plan, SLIPPING), made))
    assert [r.lost for r in results] == [False] * 3 + [True] * 2 + [False] * 3


def test_two_clocks_that_drift_evenly_are_no_slip() -> None:
    # 25 parts in a million: 0.3 of a sample a ping.
    plan = a_plan()
    made = blocks(plan, 12, slips=dict.fromkeys(range(1, 13), 0.3), closing=True)
    assert not any(r.lost for r in ping_results(Receiver(plan, SLIPPING), made))


def test_last_ping_is_lost_where_nothing_confirms_it() -> None:
    plan = a_plan()
    results = list(ping_results(Receiver(plan, SLIPPING), blocks(plan, 3)))
    assert [r.lost for r in results] == [False, False, True]
    assert "confirm" in results[2].reason


def test_a_file_s_last_ping_needs_no_confirmation() -> None:
    plan = a_plan()
    info = dataclasses.replace(SLIPPING, confirms_last=False)
    assert not any(r.lost for r in ping_results(Receiver(plan, info), blocks(plan, 3)))


def test_flags_lose_the_ping_that_they_touch_and_do_not_shift_the_rest() -> None:
    plan = a_plan()
    made = blocks(plan, 5, flags={2: CaptureFlag.INPUT_OVERFLOW})
    results = list(ping_results(Receiver(plan, STEADY), made))
    assert [r.lost for r in results] == [False, False, True, False, False]
    assert results[2].reason == "the stream reported: input overflow"
    assert results[2].profile is None
    assert results[2].echoes == ()
    assert ranges(results[4].echoes) == [0.5, 1.2, 3.1]


def test_clipping_is_told_and_loses_nothing() -> None:
    plan = a_plan()
    (result,) = ping_results(
        Receiver(plan, STEADY), blocks(plan, 1, flags={0: CaptureFlag.CLIPPED})
    )
    assert result.clipped
    assert not result.lost


def test_silence_is_lost_and_says_what_was_not_heard() -> None:
    plan = a_plan()
    silent = CaptureBlock(
        index=0, samples=np.zeros(plan.interval_samples), start_sample=0, mark_s=LEAD_S
    )
    (result,) = ping_results(Receiver(plan, STEADY), [silent])
    assert result.lost
    assert result.reason == "no direct sound was heard where it is due, or surely known again"


def test_a_block_that_does_not_fit_the_plan_is_refused_by_its_length() -> None:
    plan = a_plan()
    short = CaptureBlock(index=3, samples=np.zeros(100), start_sample=0, mark_s=LEAD_S)
    with pytest.raises(DeviceError, match="ping 3 came with 100 samples; the plan's interval has"):
        list(ping_results(Receiver(plan, STEADY), [short]))


def test_a_stack_counts_only_the_last_good_pings() -> None:
    plan = a_plan(stack=4)
    made = blocks(plan, 6, flags={3: CaptureFlag.MISSING})
    results = list(ping_results(Receiver(plan, STEADY), made))
    assert [r.profile.pings if r.profile else None for r in results] == [1, 2, 3, None, 4, 4]


def test_stacking_lowers_the_bound_by_the_square_root_of_the_pings() -> None:
    plan = a_plan()
    one = next(iter(ping_results(Receiver(plan, STEADY), blocks(plan, 1)))).echoes[2]
    many = run_of(Receiver(plan, STEADY), blocks(plan, 16)).echoes[2]
    # The noise of either is known to 16 %, the ratio of bounds to 11 %; three times.
    assert one.bound_m / many.bound_m == pytest.approx(4, rel=0.35)


def test_measure_counts_lost_pings_and_leaves_them_out() -> None:
    plan = a_plan()
    made = blocks(plan, 6, flags={1: CaptureFlag.MISSING, 4: CaptureFlag.OUTPUT_UNDERFLOW})
    found = run_of(Receiver(plan, STEADY), made).measurement
    assert (found.pings, found.lost_pings) == (6, 2)
    assert found.profile is not None
    assert found.profile.pings == 4
    assert ranges(found.echoes) == [0.5, 1.2, 3.1]


def test_measuring_only_lost_pings_finds_nothing() -> None:
    plan = a_plan()
    made = blocks(plan, 2, flags=dict.fromkeys(range(2), CaptureFlag.MISSING))
    found = run_of(Receiver(plan, STEADY), made).measurement
    assert (found.pings, found.lost_pings, found.echoes) == (2, 2, ())


def test_side_lobes_of_a_golay_pair_cancel() -> None:
    # One strong echo, and one 45 dB weaker inside the code's side lobes (−10 to −20 dB
    # for either code alone): Golay 1961, the two autocorrelations add up to a peak alone.
    plan = a_plan(GOLAY)
    targets = ((0.9, 0.3), (1.3, 0.3 * 10 ** (-45 / 20)))
    results = list(ping_results(Receiver(plan, STEADY), blocks(plan, 4, targets=targets)))
    for result in results[1:]:
        assert ranges(result.echoes) == pytest.approx([0.9, 1.3], abs=2e-3)


def test_without_a_baseline_the_direct_sound_is_still_no_echo() -> None:
    table = {"pulse": CHIRP, "geometry": {"baseline_m": 0.0}}
    plan = plan_from_table(table)
    shifted = BASELINE_M / SPEED_M_S * RATE_HZ  # the blocks' own leaving counts a baseline off
    made = []
    for block in blocks(plan, 3, targets=()):
        samples = block.samples[0] + echo_of(plan, 1.2, 0.02, late=shifted)
        made.append(dataclasses.replace(block, samples=samples))
    for result in ping_results(Receiver(plan, STEADY), made):
        assert ranges(result.echoes) == pytest.approx([1.2], abs=1e-3)


def test_a_near_target_stronger_than_the_direct_sound_does_not_take_its_place() -> None:
    # 20 dB stronger and 0.33 ms later; a rule that mistrusts what is weak ahead of it would
    # move every range by 57 mm.
    plan = a_plan(range_start_m=0.5)
    targets = ((0.1, 3.0), (1.2, 0.05))
    for result in ping_results(Receiver(plan, STEADY), blocks(plan, 3, targets=targets)):
        for echo in result.echoes:
            assert abs(echo.range_m - 1.2) < 2 * echo.u_range_m
        assert len(result.echoes) == 1


def test_direct_sound_is_never_listed_even_where_the_ranges_start_at_nothing() -> None:
    plan = a_plan(range_start_m=0.0)
    result = next(iter(ping_results(Receiver(plan, STEADY), blocks(plan, 1))))
    assert ranges(result.echoes) == [0.5, 1.2, 3.1]


def test_an_echo_stronger_than_the_direct_sound_is_not_taken_for_it() -> None:
    plan = a_plan()
    targets = ((0.25, 0.9),)
    for result in ping_results(Receiver(plan, STEADY), blocks(plan, 3, targets=targets)):
        assert ranges(result.echoes) == pytest.approx([0.25], abs=1e-3)


def test_a_loopback_that_is_not_there_is_refused() -> None:
    plan = plan_from_table({"pulse": CHIRP, "geometry": {"time_zero": "loopback"}})
    with pytest.raises(PlanError, match="no loopback; wire the sent pulse to channel 2"):
        Receiver(plan, STEADY)


def test_the_same_blocks_give_the_same_numbers_bit_for_bit() -> None:
    plan = a_plan()
    first, second = (list(ping_results(Receiver(plan, STEADY), blocks(plan, 3))) for _ in "ab")
    for a, b in zip(first, second, strict=True):
        assert a.echoes == b.echoes
        assert a.time_zero == b.time_zero


def test_a_pulse_that_leaves_a_rounding_before_a_bin_of_its_block_has_a_profile() -> None:
    plan = a_plan()
    receiver = Receiver(plan, STEADY)
    block = next(iter(blocks(plan, 1)))
    bin_s = receiver.shape.bin_s
    for bins in range(1, 30):
        leaves_s = math.nextafter(bins * bin_s, 0.0)
        known = TimeZero(method="calibration", delay_s=leaves_s, u_delay_s=0.0, mark_s=leaves_s)
        profile = receiver.profile(block, known)
        wanted = lead_bins(receiver.shape)
        assert min(bins - 1, wanted) <= profile.ahead.size <= min(bins, wanted)
