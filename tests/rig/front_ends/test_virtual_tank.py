"""The virtual tank as a front end: what its blocks hold, to the sample and below."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.bench.capture import LEAD_S, CaptureFlag
from rig.bench.plan import plan_from_table
from rig.bench.waveforms import pulses_of
from rig.front_ends.protocol import FrontEnd
from rig.front_ends.virtual_tank import converted_samples, open_virtual_tank
from rig.tank.built_in import built_in, built_in_scenes
from rig.tank.scene import scene_from_table

RATE = 48000.0
SPEED = 343.963
CHIRP = {"kind": "chirp", "start_hz": 4e3, "stop_hz": 12e3, "duration_s": 0.01, "taper": "hann"}


def _plan(pulse=CHIRP, *, interval_s=0.1, **geometry):
    return plan_from_table(
        {
            "pulse": pulse,
            "timing": {"ping_interval_s": interval_s},
            "receiver": {"range_stop_m": 3.0},
            "geometry": geometry,
        }
    )


def _scene(*targets, **tables):
    medium = {"kind": "air", "sound_speed_m_s": SPEED}
    return scene_from_table({"medium": medium, "target": list(targets), **tables})


def _ball(along_m, **keys):
    return {"body": "sphere", "radius_m": 0.1, "position_m": [along_m, 0.0, 0.0], **keys}


SILENT_DIRECT = {"direct": {"level_db": -200.0}}
NOISE = {"noise": {"level_db": -70.0}}


def _blocks(plan, scene, pings=1, seed=0):
    with open_virtual_tank(plan, scene=scene, seed=seed) as tank:
        return list(tank.blocks(pings))


def _place(samples, pulse, near):
    """Find where a lone copy of a pulse starts, in samples: the slope of its phase."""
    frequency = np.fft.rfftfreq(samples.size)
    reference = np.conj(np.fft.rfft(pulse.samples.astype(float), samples.size))
    turned = np.fft.rfft(samples.astype(float)) * reference
    low_hz, high_hz = pulse.band_hz
    band = (frequency > 1.1 * low_hz / RATE) & (frequency < 0.9 * high_hz / RATE)
    left = np.angle(turned * np.exp(2j * np.pi * frequency * near))[band]
    weight = np.abs(turned[band]) ** 2
    slope = np.sum(weight * left * frequency[band]) / np.sum(weight * frequency[band] ** 2)
    return near - slope / (2 * np.pi)


def _as_front_end(front_end: FrontEnd) -> FrontEnd:
    return front_end


def test_it_is_a_front_end_that_cannot_slip():
    with _as_front_end(open_virtual_tank(_plan(), scene=_scene(_ball(1.0)))) as tank:
        assert tank.info.front_end == "virtual-tank"
        assert tank.info.invented
        assert tank.info.channels == 1
        assert not tank.info.can_slip
        blocks = list(tank.blocks(3))
    assert [block.index for block in blocks] == [0, 1, 2]
    assert not any(block.confirms_only for block in blocks)
    assert {block.samples.shape for block in blocks} == {(1, 4800)}
    assert {block.samples.dtype for block in blocks} == {np.dtype(np.float32)}
    assert np.diff([block.start_sample for block in blocks]).tolist() == [4800, 4800]


def test_the_direct_sound_stands_on_the_mark_a_lead_after_the_block_s_start():
    plan = _plan(baseline_m=0.12)
    (block,) = _blocks(plan, _scene())
    assert LEAD_S <= block.mark_s < LEAD_S + 1 / RATE
    (pulse,) = pulses_of(plan)
    # Samples are rounded to float32, 6e-8 of 0.08; that moves a phase of hundreds of bins by
    # far less than 1e-6 samples.
    mark = block.mark_s * RATE
    assert _place(block.samples[0], pulse, mark) == pytest.approx(mark, abs=1e-5)


@settings(max_examples=20, deadline=None)
@given(range_m=st.floats(0.6, 2.5))
def test_an_echo_comes_at_its_exact_delay_never_rounded_to_a_sample(range_m):
    plan = _plan(baseline_m=0.3)
    (block,) = _blocks(plan, _scene(_ball(range_m), **SILENT_DIRECT))
    path_m = 2 * np.hypot(range_m, 0.15)
    due = block.mark_s * RATE + (path_m - 0.3) / SPEED * RATE
    (pulse,) = pulses_of(plan)
    # A path of 1 nm is 1.4e-7 samples. float32 samples: 6e-8 rounding of 0.01 to 0.1.
    assert _place(block.samples[0], pulse, due) == pytest.approx(due, abs=1e-5)


def test_the_same_seed_gives_the_same_samples_however_many_pings_are_asked_for():
    scene = _scene(
        _ball(1.0, velocity_m_s=[0.1, 0.0, 0.0]),
        {"body": "bubbles", "radius_m": 0.1, "position_m": [2.0, 0.0, 0.0]},
        noise={"level_db": -60.0},
        clutter={"level_db": -50.0, "reach_m": 0.1},
    )
    long, short = _blocks(_plan(), scene, 5, seed=3), _blocks(_plan(), scene, 2, seed=3)
    for one, other in zip(short, long, strict=False):
        np.testing.assert_array_equal(one.samples, other.samples)
    assert not np.array_equal(long[0].samples, long[1].samples)
    assert not np.array_equal(long[0].samples, _blocks(_plan(), scene, 1, seed=4)[0].samples)


def test_the_noise_has_the_level_that_the_scene_names():
    samples = np.concatenate([b.samples[0] for b in _blocks(_plan(), _scene(**NOISE), 5)])
    quiet = np.concatenate([b.samples[0] for b in _blocks(_plan(), _scene(), 5)])
    # 24 000 samples: a standard error of 1/√48 000 = 0.46 %, 0.04 dB; four of them.
    found_db = 10 * np.log10(np.mean(np.square(samples.astype(float) - quiet)))
    assert found_db == pytest.approx(-70.0, abs=0.16)
    assert np.abs(quiet[:200]).max() < 1e-8  # tails of the interpolation, −160 dB


def test_the_loopback_pulse_stands_exactly_on_the_mark_and_is_clean():
    plan = _plan(time_zero="loopback", loopback_channel=2)
    for latency_s in (0.0, 0.0123456):
        scene = _scene(_ball(1.0), converter={"latency_s": latency_s}, **NOISE)
        with open_virtual_tank(plan, scene=scene) as tank:
            assert (tank.info.channels, tank.info.microphone, tank.info.loopback) == (2, 0, 1)
            assert tank.info.latency_s == latency_s
            (block,) = tank.blocks(1)
        (pulse,) = pulses_of(plan)
        mark = block.mark_s * RATE
        assert _place(block.samples[1], pulse, mark) == pytest.approx(mark, abs=1e-5)
        if latency_s == 0:
            first = round(LEAD_S * RATE)
            expected = np.zeros(4800)
            expected[first : first + 480] = 0.5 * pulse.samples
            # Double precision, then rounded to float32: half a unit of 0.5, 3e-8.
            np.testing.assert_allclose(block.samples[1], expected, atol=4e-8)


@pytest.mark.parametrize(("channel", "channels", "microphone"), [(1, 2, 1), (4, 4, 0)])
def test_the_loopback_may_be_on_any_channel(channel, channels, microphone):
    plan = _plan(time_zero="loopback", loopback_channel=channel)
    with open_virtual_tank(plan, scene=_scene(_ball(1.0))) as tank:
        assert (tank.info.channels, tank.info.microphone) == (channels, microphone)
        (block,) = tank.blocks(1)
    heard = [i for i in range(channels) if block.samples[i].any()]
    assert heard == sorted({channel - 1, microphone})


def test_with_a_calibration_the_mark_is_the_pulse_s_own_leaving():
    plan = _plan(time_zero="calibration", baseline_m=0.3)
    scene = _scene(_ball(1.0), converter={"latency_s": 0.0031}, **SILENT_DIRECT)
    (block,) = _blocks(plan, scene)
    (pulse,) = pulses_of(plan)
    due = block.mark_s * RATE + 2 * np.hypot(1.0, 0.15) / SPEED * RATE
    assert _place(block.samples[0], pulse, due) == pytest.approx(due, abs=1e-5)
    # As the converters count, the pulse leaves at a latency after the output's sample 0.
    leaves_s = (block.start_sample + block.mark_s * RATE) / RATE
    assert leaves_s == pytest.approx(0.0031, abs=1e-12)


def test_a_fast_clock_counts_longer_delays():
    plan = _plan(time_zero="calibration", baseline_m=0.0)
    fast = _scene(_ball(2.0), converter={"clock_error_ppm": 1000.0}, **SILENT_DIRECT)
    (block,) = _blocks(plan, fast)
    (pulse,) = pulses_of(plan)
    due = block.mark_s * RATE + 4.0 / SPEED * RATE * 1.001
    # The pulse keeps its samples (one clock drives both converters); its frequencies are
    # 0.1 % higher, where the zero-phase filters move nothing.
    assert _place(block.samples[0], pulse, due) == pytest.approx(due, abs=1e-5)


def test_a_moving_target_is_where_it_is_due_at_each_ping():
    plan = _plan(time_zero="calibration", baseline_m=0.0)
    scene = _scene(_ball(1.0, velocity_m_s=[1.0, 0.0, 0.0]), **SILENT_DIRECT)
    (pulse,) = pulses_of(plan)
    for block in _blocks(plan, scene, 5):
        # Closed form: the pulse's first instant finds R = R₀ + v t and is back after
        # 2R/(c − v); from there on it is stretched by (c + v)/(c − v).
        delay_s = 2 * (1.0 + block.index * 0.1) / (SPEED - 1)
        stretch = (SPEED + 1) / (SPEED - 1)
        frequency = np.fft.rfftfreq(block.samples[0].size, 1 / RATE)
        spectrum = np.fft.rfft(block.samples[0].astype(float))
        start_s = block.mark_s + delay_s
        n = np.arange(480)
        for at in (5000.0, 8000.0, 11000.0):
            i = np.argmin(abs(frequency - at))
            phases = -2j * np.pi * frequency[i] * (start_s + n * stretch / RATE)
            expected = pulse.samples.astype(float) @ np.exp(phases)
            # 1e-4 of a turn: 5e-6 in phase for each float32 sample, nothing in the formula.
            assert np.angle(spectrum[i] / expected) == pytest.approx(0.0, abs=1e-4)


def test_an_echo_that_comes_after_the_next_ping_is_in_the_next_block():
    # Out and back over 20 m takes 116 ms: 16 ms into the block of the ping after.
    plan = _plan(time_zero="calibration", baseline_m=0.0)
    ball = {"body": "plate", "width_m": 3.0, "height_m": 3.0, "position_m": [20.0, 0.0, 0.0]}
    first, second, third = _blocks(plan, _scene(ball, **SILENT_DIRECT), 3)
    assert np.abs(first.samples).max() < 1e-9
    (pulse,) = pulses_of(plan)
    due = second.mark_s * RATE + 40.0 / SPEED * RATE - 4800
    assert _place(second.samples[0], pulse, due) == pytest.approx(due, abs=1e-4)
    np.testing.assert_array_equal(second.samples, third.samples)


def test_a_moving_target_s_late_echo_is_in_the_next_block_too():
    plate = {"body": "plate", "width_m": 3.0, "height_m": 3.0, "position_m": [20.0, 0.0, 0.0]}
    moving = _scene({**plate, "velocity_m_s": [0.5, 0.0, 0.0]}, **SILENT_DIRECT)
    plan = _plan(time_zero="calibration", baseline_m=0.0)
    first, second = _blocks(plan, moving, 2)
    assert np.abs(first.samples).max() < 1e-9
    assert np.abs(second.samples).max() > 1e-3


def test_golay_pings_take_turns():
    plan = _plan({"kind": "golay", "centre_hz": 8e3, "chip_s": 0.0005, "chips": 16})
    blocks = _blocks(plan, _scene(_ball(1.0)), 4)
    assert [block.pulse_index for block in blocks] == [0, 1, 0, 1]
    np.testing.assert_array_equal(blocks[0].samples, blocks[2].samples)
    assert not np.array_equal(blocks[0].samples, blocks[1].samples)


def test_a_converter_rounds_to_its_steps():
    plan = _plan()
    ideal = _blocks(plan, _scene(_ball(1.0), **NOISE))[0].samples
    coarse = _blocks(plan, _scene(_ball(1.0), converter={"bits": 8}, **NOISE))[0].samples
    step = 1 / 128  # of 8 bits over −1 to 1
    np.testing.assert_array_equal(coarse, np.round(coarse / step) * step)
    assert np.abs(coarse - ideal).max() <= step / 2 * (1 + 1e-6)


def test_what_exceeds_full_scale_is_clipped_and_flagged():
    loud = _scene(_ball(1.0), source={"level_db": 20.0}, direct={"level_db": 0.0})
    for bits, top in ((0, 1.0), (8, 1 - 1 / 128)):
        scene = scene_from_table(
            {
                "medium": {"sound_speed_m_s": SPEED},
                "source": {"level_db": 20.0},
                "direct": {"level_db": 0.0},
                "converter": {"bits": bits},
            }
        )
        (block,) = _blocks(_plan(), scene)
        assert block.flags == CaptureFlag.CLIPPED
        assert (block.samples.min(), block.samples.max()) == (-1.0, np.float32(top))
    assert _blocks(_plan(), loud)[0].flags == CaptureFlag.CLIPPED
    assert _blocks(_plan(), _scene(_ball(1.0)))[0].flags == CaptureFlag.NONE


@given(st.floats(-0.999, 0.99), st.integers(2, 24))
def test_rounding_errs_by_half_a_step_at_most(value, bits):
    step = 2.0 ** (1 - bits)
    numbers, clipped = converted_samples(np.array([value]), bits)
    # float32 holds 24 bits exactly. Near the top, clipping adds up to half a step more.
    assert abs(numbers[0] - value) <= step * (1.0 if clipped else 0.5) * (1 + 1e-12)


def test_the_default_scene_shows_its_ball_above_the_noise_and_clips_nothing():
    scene = scene_from_table(
        {
            "medium": {"kind": "air", "sound_speed_m_s": SPEED},
            "noise": {"level_db": -70.0},
            "target": [{"body": "sphere", "radius_m": 0.05, "position_m": [1.2, 0.0, 0.0]}],
        }
    )
    plan = _plan(baseline_m=0.12)
    (block,) = _blocks(plan, scene)
    assert block.flags == CaptureFlag.NONE
    (pulse,) = pulses_of(plan)
    replica = pulse.samples.astype(float)
    matched = np.abs(np.correlate(block.samples[0].astype(float), replica, "valid"))
    due = block.mark_s * RATE + (2 * np.hypot(1.2, 0.06) - 0.12) / SPEED * RATE
    around = matched[round(due) - 3 : round(due) + 4].max()
    noise = np.sqrt(np.mean(matched[-2000:] ** 2))
    # −10 dB at 1 m, −32.0 dB of strength, −3.2 dB of spreading, −0.3 dB of absorption, against
    # −70 dB: 2E/N0 = (A/σ)² Σp² = 24.5 dB + 10·log10(480·3/16) = 44.0 dB; detection needs
    # some 15. Less up to 1.3 dB where the samples miss the crest of a cycle of six of them;
    # noise: 2000 samples with 1/3 of the band free leave some 5 %, 0.4 dB.
    assert 44.0 - 1.3 - 0.8 < 20 * np.log10(around / noise) < 44.0 + 0.8


@pytest.mark.parametrize("name", built_in_scenes())
def test_a_scene_that_ships_clips_nothing_and_keeps_moving(name):
    scene, plan = built_in(name)
    first, *_, last = _blocks(plan, scene, 12)
    assert first.flags == last.flags == CaptureFlag.NONE
    assert not np.array_equal(first.samples, last.samples)


@pytest.mark.parametrize("along_m", [1.0, 40.0])
@pytest.mark.parametrize("first_left_out", [1, 4, 7])
def test_blocks_after_pings_left_out_are_those_that_would_have_been(along_m, first_left_out):
    # A ball at 40 m is heard 0.23 s after its ping: two blocks of 0.1 s after its ping's own.
    plan = _plan(baseline_m=0.1)
    scene = _scene(_ball(along_m, velocity_m_s=[0.2, 0.0, 0.0]), **NOISE)
    whole = _blocks(plan, scene, 14)
    with open_virtual_tank(plan, scene=scene) as tank:
        blocks = tank.blocks(14)
        heard = [next(blocks) for _ in range(first_left_out)]
        tank.leave_out(5)
        heard += list(blocks)
    assert [b.index for b in heard] == [*range(first_left_out), *range(first_left_out + 5, 14)]
    for block in heard:
        due = whole[block.index]
        assert (block.samples == due.samples).all()
        assert (block.start_sample, block.pulse_index) == (due.start_sample, due.pulse_index)


def test_pulses_that_take_turns_do_so_after_pings_left_out():
    plan = _plan({"kind": "golay", "centre_hz": 8e3, "chip_s": 2.5e-4, "chips": 16})
    with open_virtual_tank(plan, scene=_scene(_ball(1.0))) as tank:
        blocks = tank.blocks(8)
        heard = [next(blocks)]
        tank.leave_out(3)
        heard += list(blocks)
    assert [b.index for b in heard] == [0, 5, 6, 7]
    assert [b.pulse_index for b in heard] == [0, 1, 0, 1]


def test_a_change_by_hand_is_sounded_from_the_next_ping_on_and_told_with_it():
    plan = _plan(baseline_m=0.1)
    scene = _scene(_ball(1.0), **NOISE)
    other = _scene(_ball(1.5), **NOISE)
    with open_virtual_tank(plan, scene=scene) as tank:
        blocks = tank.blocks(4)
        heard = [next(blocks), next(blocks)]
        tank.changes.once(lambda _: other)
        heard += list(blocks)
        assert [held.from_ping for held in tank.truth.scenes] == [0, 2]
    due = _blocks(plan, scene, 2) + _blocks(plan, other, 4)[2:]
    for block, expected in zip(heard, due, strict=True):
        np.testing.assert_array_equal(block.samples, expected.samples)


def test_pings_left_out_take_up_changes_too():
    plan = _plan(baseline_m=0.1)
    with open_virtual_tank(plan, scene=_scene(_ball(1.0), **NOISE)) as tank:
        blocks = tank.blocks(8)
        next(blocks)
        tank.leave_out(3)
        tank.changes.once(lambda _: _scene(_ball(1.5), **NOISE))
        later = next(blocks)
        assert later.index == 4
        assert [held.from_ping for held in tank.truth.scenes] == [0, 1]
    due = _blocks(plan, _scene(_ball(1.5), **NOISE), 5)[4]
    np.testing.assert_array_equal(later.samples, due.samples)
