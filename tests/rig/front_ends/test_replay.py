"""Where the pings of a sound file are cut, and what a recording hands on again.

The files are made here: pulses by ``scipy.signal.chirp``, delayed in the frequency
domain by any part of a sample, with no code of ``dsp.ping.pulse.compression``.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from dsp.ping.pulse.pulses import golay_pair
from rig.bench.capture import CaptureBlock, CaptureFlag, StreamInfo
from rig.bench.plan import Plan, plan_from_table
from rig.errors import PlanError, RecordingError
from rig.files.recorder import Recorder
from rig.front_ends.protocol import FrontEnd
from rig.front_ends.replay import open_recording

RATE = 48000
INTERVAL = 6000
LEAD = 240
# Promised of a range is half a sample's path; a single mark in this little noise is
# known far better. The bound at amplitude 0.5, 480 samples and noise 1e-3 is 4e-4
# samples; the interpolation's own error is 60 dB down on a lobe of 6 samples, 6e-3.
MARK_TOLERANCE_SAMPLES = 0.02


def _plan(**tables: dict[str, Any]) -> Plan:
    table: dict[str, Any] = {
        "pulse": {"kind": "chirp", "start_hz": 4e3, "stop_hz": 12e3, "duration_s": 0.010},
        "timing": {"sample_rate_hz": RATE, "ping_interval_s": INTERVAL / RATE},
        "receiver": {"range_stop_m": 5.0},
    }
    for name, values in tables.items():
        table[name] = {**table.get(name, {}), **values} if name != "pulse" else values
    return plan_from_table(table)


def _chirp(rate: int = RATE) -> NDArray[np.float64]:
    import scipy.signal

    n = round(0.010 * rate)
    sweep = scipy.signal.chirp(np.arange(n) / rate, 4e3, 0.010, 12e3, phi=-90)
    return sweep * scipy.signal.windows.tukey(n, 0.1)


def _heard(
    frames: int,
    arrivals: Sequence[tuple[float, float]],
    *,
    pulse: NDArray[np.floating] | None = None,
    noise: float = 1e-3,
    seed: int = 5,
) -> NDArray[np.float64]:
    """Sum of pulses that start at (sample, amplitude), plus white noise."""
    pulse = _chirp() if pulse is None else pulse
    length = 1 << (frames + 4096).bit_length()
    turns = np.fft.rfftfreq(length)
    spectrum = np.fft.rfft(pulse, length)
    delayed = sum(a * np.exp(-2j * np.pi * turns * start) for start, a in arrivals)
    sound = np.fft.irfft(spectrum * delayed, length)[:frames] if arrivals else np.zeros(frames)
    return sound + noise * np.random.default_rng(seed).standard_normal(frames)


def _pings(first: float, pings: int, amplitude: float = 0.5) -> list[tuple[float, float]]:
    """Direct sound and one echo of each ping."""
    marks = [first + i * INTERVAL for i in range(pings)]
    return [(m, amplitude) for m in marks] + [(m + 812.3, amplitude / 10) for m in marks]


def _write(path: Path, sound: NDArray[np.floating], subtype: str = "FLOAT", **more: Any) -> Path:
    import soundfile

    soundfile.write(path, sound, more.pop("rate", RATE), subtype=subtype, **more)
    return path


def _mark_sample(block: CaptureBlock, rate: int = RATE) -> float:
    return block.start_sample + block.mark_s * rate


@pytest.mark.parametrize("first", [2000.0, 2000.37, 241.5, 7321.8])
def test_blocks_start_a_lead_before_the_first_direct_sound_and_follow_exactly(
    tmp_path: Path, first: float
) -> None:
    sound = _heard(40000, _pings(first, 7)).astype(np.float32)
    replay = open_recording(_write(tmp_path / "x.wav", sound), _plan())
    blocks = list(replay.blocks(replay.pings))
    # Every start lets the last ping's farthest echo, 1379 samples on, end within the
    # file, or its mark lie behind the file's end.
    assert replay.pings == len(blocks) == int(-(-(40000 - first) // INTERVAL))
    assert _mark_sample(blocks[0]) == pytest.approx(first, abs=MARK_TOLERANCE_SAMPLES)
    for i, block in enumerate(blocks):
        # Half a sample's rounding puts either neighbour within the tolerance.
        assert block.start_sample - i * INTERVAL == pytest.approx(first - LEAD, abs=0.53)
        assert block.start_sample == blocks[0].start_sample + i * INTERVAL
        assert block.mark_s == blocks[0].mark_s
        assert (block.index, block.pulse_index, block.flags) == (i, 0, CaptureFlag.NONE)
        cut = sound[block.start_sample : block.start_sample + INTERVAL]
        np.testing.assert_array_equal(block.samples[0, : cut.size], cut)
        np.testing.assert_array_equal(block.samples[0, cut.size :], 0)
        assert block.samples.shape == (1, INTERVAL)
        assert block.samples.dtype == np.float32


@pytest.mark.parametrize("first", [0.0, 0.4, 20.25, 239.0])
def test_a_file_that_starts_within_the_lead_is_led_by_silence(tmp_path: Path, first: float) -> None:
    sound = _heard(INTERVAL * 2, _pings(first, 2)).astype(np.float32)
    replay = open_recording(_write(tmp_path / "x.wav", sound), _plan())
    block = next(replay.blocks(1))
    assert _mark_sample(block) == pytest.approx(first, abs=MARK_TOLERANCE_SAMPLES)
    ahead = -block.start_sample
    assert ahead == LEAD - round(first)
    np.testing.assert_array_equal(block.samples[0, :ahead], 0)
    np.testing.assert_array_equal(block.samples[0, ahead:], sound[: INTERVAL - ahead])


@pytest.mark.parametrize("quiet", [0.0, 1e-3])
@pytest.mark.parametrize("first", [30000.0, 5990.5, 11529.7])
def test_the_first_ping_is_found_after_silence_or_noise_of_any_length(
    tmp_path: Path, first: float, quiet: float
) -> None:
    # The second and third starts put the pulse across or near a searched stretch's end.
    sound = _heard(int(first) + 14000, _pings(first, 2), noise=quiet)
    replay = open_recording(_write(tmp_path / "x.wav", sound), _plan())
    found = _mark_sample(next(replay.blocks(1)))
    assert found == pytest.approx(first, abs=MARK_TOLERANCE_SAMPLES)


def test_the_first_sound_is_the_mark_where_a_later_one_is_ten_times_stronger(
    tmp_path: Path,
) -> None:
    arrivals = [(1500.6, 0.05), (1900.2, 0.5), (1500.6 + INTERVAL, 0.05), (7900.2, 0.5)]
    replay = open_recording(_write(tmp_path / "x.wav", _heard(12500, arrivals)), _plan())
    # The bound is ten times wider at a tenth of the amplitude: 4e-3 samples. What the
    # strong sound's copy leaves behind once it is taken away is at most the rounding
    # of its 32-bin interpolation, 60 dB below it: 40 dB below the weak one, or 1 % of
    # a lobe of 6 samples.
    assert _mark_sample(next(replay.blocks(1))) == pytest.approx(1500.6, abs=0.1)


def test_a_direct_sound_far_weaker_than_a_near_echo_is_still_the_mark(tmp_path: Path) -> None:
    # 30 dB below an echo 1.1 ms after it. The third sound has nothing as far ahead of it.
    for seed in range(6):
        ping = [(0.0, 0.016), (53.3, 0.5), (300.0, 0.15)]
        arrivals = [(1500.6 + i * INTERVAL + at, a) for i in range(3) for at, a in ping]
        sound = _heard(20000, arrivals, noise=3e-4, seed=seed)
        replay = open_recording(_write(tmp_path / "x.wav", sound), _plan())
        # The bound at amplitude 0.016 and 2E/N0 of 58 dB is 0.005 samples; what is left of
        # the echo 20 times as strong stays 60 dB below it, as above.
        assert _mark_sample(next(replay.blocks(1))) == pytest.approx(1500.6, abs=0.1)


def test_where_nothing_tells_which_sound_is_direct_a_file_is_refused(tmp_path: Path) -> None:
    arrivals = [
        (1500.6 + i * INTERVAL + at, a) for i in range(3) for at, a in ((0, 0.02), (50, 0.5))
    ]
    path = _write(tmp_path / "x.wav", _heard(20000, arrivals))
    with pytest.raises(RecordingError, match=r"28 dB weaker stands 1\.04 ms ahead .* loopback"):
        open_recording(path, _plan())


def test_a_file_that_begins_or_slips_between_direct_sound_and_echo_is_refused(
    tmp_path: Path,
) -> None:
    # Its first sound that comes again is an echo: each range would be off by that one's.
    sound = _heard(60000, _pings(2000.0, 9))
    begun = sound[2500:]
    slipped = np.delete(sound, slice(2500, 2600))
    for k, file in enumerate((begun, slipped)):
        path = _write(tmp_path / f"{k}.wav", file)
        with pytest.raises(RecordingError, match="begin, or to slip, in the middle") as refused:
            open_recording(path, _plan())
        # What the message says to cut off is what it takes: 5 ms ahead of a direct sound.
        cut = round(float(str(refused.value).split("does after ")[1].split(" s,")[0]) * RATE)
        replay = open_recording(_write(tmp_path / f"{k}-cut.wav", file[cut:]), _plan())
        assert _mark_sample(next(replay.blocks(1))) == pytest.approx(LEAD, abs=24)


def test_a_file_of_another_interval_than_the_plan_s_is_refused(tmp_path: Path) -> None:
    # 3 % off: no sound comes again where the plan has it due, of eight pings.
    path = _write(tmp_path / "x.wav", _heard(50000, _pings(2000.0, 8)))
    plan = _plan(timing={"ping_interval_s": 1.03 * INTERVAL / RATE})
    with pytest.raises(RecordingError, match=r"comes again every 0\.12875 s; give the timing"):
        open_recording(path, plan)


def test_a_louder_echo_from_beyond_the_ranges_is_no_mark(tmp_path: Path) -> None:
    # Where the file holds what was ahead of the first ping, that one surely is the first.
    sound = _heard(
        60000, [(m + d, a) for m, _ in _pings(7000.0, 8) for d, a in ((0, 0.1), (3000, 0.2))]
    )
    replay = open_recording(_write(tmp_path / "x.wav", sound), _plan())
    found = _mark_sample(next(replay.blocks(1)))
    assert found == pytest.approx(7000.0, abs=MARK_TOLERANCE_SAMPLES)


def test_what_distortion_adds_ahead_of_a_sound_is_no_mark(tmp_path: Path) -> None:
    # An input that adds 7 % of second harmonic, 0.3 · 0.5 / 2, is compressed 5 to 7 ms ahead: the
    # chirp at twice its frequencies passes 8 kHz as it begins, where the pulse does 5 ms later.
    sound = _heard(60000, _pings(2000.0, 9), noise=4e-3)
    replay = open_recording(_write(tmp_path / "driven.wav", sound + 0.3 * sound**2), _plan())
    found = _mark_sample(next(replay.blocks(1)))
    # A 2E/N0 of 65 dB: 1/(2π 8 kHz/√12 · 1800), 0.002 samples (Cramér–Rao). What the square adds
    # about the sound itself is below a hundredth of it, and pulls by no more than that share of a
    # lobe, 6 samples.
    assert found == pytest.approx(2000.0, abs=4 * 0.002 + 0.06)


def test_one_sound_saved_on_two_channels_is_no_second_receiver(tmp_path: Path) -> None:
    sound = _heard(20000, _pings(2000.0, 3))
    plan = _plan(geometry={"second_channel": 2, "second_spacing_m": 0.2})
    twins = _write(tmp_path / "twins.wav", np.stack((sound, sound), axis=1))
    with pytest.raises(RecordingError, match="hold the same samples"):
        open_recording(twins, plan)


def _disturbance(kind: str, rng: np.random.Generator) -> NDArray[np.float64]:
    """What is heard before the pings, of 4000 samples."""
    heard = np.zeros(4000)
    t = np.arange(2000) / RATE
    noise = rng.standard_normal(2000)
    if kind == "knock":
        tone = np.sin(2 * np.pi * rng.uniform(300, 3000) * t)
        heard[1000:3000] = 0.5 * np.exp(-t / 0.008) * (tone + 0.5 * noise)
    elif kind == "word":
        heard[1000:3000] = 0.2 * np.hanning(2000) * noise
    else:
        heard[1500] = 0.05  # a tenth of the direct sound
    return heard


@pytest.mark.parametrize("kind", ["knock", "word", "click"])
@pytest.mark.parametrize("pings", [2, 6])
def test_what_is_heard_once_before_the_first_ping_is_no_ping(
    tmp_path: Path, kind: str, pings: int
) -> None:
    # By chance one of the noise's sounds would stand as far ahead of a ping's as the next
    # ping does, to within two bins, and look like it: 1 in 1e3, once in a hundred files.
    for seed in range(6):
        rng = np.random.default_rng(seed)
        first = rng.uniform(4000, 9000)
        sound = _heard(int(first) + pings * INTERVAL, _pings(first, pings), seed=seed)
        sound[:4000] += _disturbance(kind, rng)
        replay = open_recording(_write(tmp_path / "x.wav", sound), _plan())
        assert replay.pings == pings
        found = _mark_sample(next(replay.blocks(1)))
        assert found == pytest.approx(first, abs=MARK_TOLERANCE_SAMPLES)


@pytest.mark.parametrize("before", [2, 3])
def test_pings_ahead_of_an_early_slip_are_said_to_be_left_out(tmp_path: Path, before: int) -> None:
    slip = 37.0
    slipped = _pings(900.0 + before * INTERVAL + slip, 8)
    sound = _heard(INTERVAL * (before + 8) + 2000, _pings(900.0, before) + slipped, noise=1e-3)
    found = open_recording(_write(tmp_path / "x.wav", sound), _plan())
    # The longer train is taken, from its first ping on; what is ahead of it has a beat of its own.
    (first,) = found.blocks(1)
    assert _mark_sample(first) == pytest.approx(900.0 + before * INTERVAL + slip, abs=1)
    assert f"heard from {900 / RATE:.2f} s on" in found.lost_at_start
    assert "are left out" in found.lost_at_start


def test_nothing_is_said_to_be_left_out_ahead_of_an_even_train(tmp_path: Path) -> None:
    for first in (900.0, 12000.0):
        sound = _heard(round(first) + INTERVAL * 6, _pings(first, 6))
        path = _write(tmp_path / "x.wav", sound)
        assert open_recording(path, _plan()).lost_at_start == ""


def test_a_knock_on_the_first_of_two_codes_does_not_swap_them(tmp_path: Path) -> None:
    codes = golay_pair(8000.0, 2.5e-4, 16, RATE)
    at = [5000.4 + i * INTERVAL for i in range(8)]
    sound = sum(
        _heard(54000, [(a, 0.4) for a in at[turn::2]], pulse=codes[turn].samples, seed=turn)
        for turn in (0, 1)
    )
    sound[4800:5300] += 3 * np.random.default_rng(4).standard_normal(500)
    plan = _plan(pulse={"kind": "golay", "centre_hz": 8000.0, "chip_s": 2.5e-4, "chips": 16})
    blocks = list(open_recording(_write(tmp_path / "x.wav", sound), plan).blocks(10))
    # The first that is whole is the third, of the first code again.
    assert _mark_sample(blocks[0]) == pytest.approx(at[2], abs=MARK_TOLERANCE_SAMPLES)


def test_the_first_sound_is_the_mark_in_a_room_full_of_echoes(tmp_path: Path) -> None:
    # Sabine's decay (W. C. Sabine, *Collected Papers on Acoustics*, 1922; from memory):
    # an exponential, here to -60 dB in 0.4 s, of echoes at random, as thick as
    # one a millisecond, none stronger than the direct sound.
    rng = np.random.default_rng(17)
    late = np.sort(rng.uniform(60, INTERVAL - 600, 110))
    strength = 0.4 * 10 ** (-3 * late / (0.4 * RATE)) * rng.uniform(-1, 1, late.size)
    ping = [(0.0, 0.4), *zip(late, strength, strict=True)]
    arrivals = [(1000.4 + i * INTERVAL + at, a) for i in range(4) for at, a in ping]
    replay = open_recording(_write(tmp_path / "x.wav", _heard(26000, arrivals)), _plan())
    assert replay.pings == 4
    # Neighbours within the pulse's lobe pull its peak; the promise is half a sample.
    assert _mark_sample(next(replay.blocks(1))) == pytest.approx(1000.4, abs=0.5)


@pytest.mark.parametrize(("spare", "pings"), [(5, 2), (-5, 1)])
def test_a_last_part_counts_only_with_the_farthest_echo_in_it(
    tmp_path: Path, spare: int, pings: int
) -> None:
    # Path to 5 m and back, less the 0.12 m that the direct sound takes as well, at
    # 343.963 m/s (20 °C, 50 %, computed with CoolProp HumidAir), and the pulse.
    path_m = 2 * np.hypot(5.0, 0.06) - 0.12
    needed = path_m / 343.963 * RATE + 480
    # The sound speed is promised to 0.05 m/s: 0.2 samples of 1379.
    frames = round(2000.0 + INTERVAL + needed) + spare
    sound = _heard(frames, _pings(2000.0, 2)).astype(np.float32)
    replay = open_recording(_write(tmp_path / "x.wav", sound), _plan())
    blocks = list(replay.blocks(10))
    assert replay.pings == len(blocks) == pings
    there = frames - blocks[-1].start_sample
    assert blocks[-1].samples.shape == (1, INTERVAL)
    np.testing.assert_array_equal(blocks[-1].samples[0, there:], 0)


@pytest.mark.parametrize("quiet", [0.0, 1e-3])
def test_a_file_that_runs_on_after_its_last_ping_holds_no_more_pings(
    tmp_path: Path, quiet: float
) -> None:
    # One ping within is silent as well: that one is there, and the session's to judge.
    arrivals = [(900.0 + i * INTERVAL, 0.5) for i in (0, 1, 3)]
    path = _write(tmp_path / "x.wav", _heard(12 * INTERVAL, arrivals, noise=quiet))
    assert open_recording(path, _plan()).pings == 4


def test_a_file_that_ends_within_its_first_ping_is_refused(tmp_path: Path) -> None:
    path = _write(tmp_path / "x.wav", _heard(3500, [(2000.0, 0.5)]))
    # 1500 samples are 0.03125 s, against a path of 9.88 m and the pulse: 0.0387 s.
    with pytest.raises(RecordingError, match=r"ends 0\.0313 s after .* give 0\.0387 s"):
        open_recording(path, _plan())


@pytest.mark.parametrize(("named", "microphone"), [(2, 0), (1, 1)])
def test_a_loopback_channel_gives_the_mark_and_the_other_is_the_microphone(
    tmp_path: Path, named: int, microphone: int
) -> None:
    wire = _heard(14000, [(900.3, 0.5), (6900.3, 0.5)], seed=6)
    air = _heard(14000, _pings(917.9, 2), seed=7)
    channels = [wire, wire]
    channels[microphone] = air
    path = _write(tmp_path / "x.wav", np.stack(channels, axis=1))
    replay = open_recording(
        path, _plan(geometry={"time_zero": "loopback", "loopback_channel": named})
    )
    assert (replay.info.microphone, replay.info.loopback) == (microphone, named - 1)
    block = next(replay.blocks(1))
    assert _mark_sample(block) == pytest.approx(900.3, abs=MARK_TOLERANCE_SAMPLES)
    assert block.samples.shape == (2, INTERVAL)
    cut = air[block.start_sample : block.start_sample + INTERVAL].astype(np.float32)
    np.testing.assert_array_equal(block.samples[microphone], cut)


def test_a_second_channel_not_named_as_loopback_leaves_the_first_the_microphone(
    tmp_path: Path,
) -> None:
    sound = np.stack([_heard(14000, _pings(917.9, 2)), _heard(14000, [], seed=8)], axis=1)
    replay = open_recording(_write(tmp_path / "x.wav", sound), _plan())
    assert (replay.info.microphone, replay.info.loopback) == (0, None)
    # A file may come through a sound server, and no ping was sent to confirm it.
    assert (replay.info.can_slip, replay.info.confirms_last) == (True, False)
    found = _mark_sample(next(replay.blocks(1)))
    assert found == pytest.approx(917.9, abs=MARK_TOLERANCE_SAMPLES)


@pytest.mark.parametrize("named", [1, 2])
def test_a_mono_file_with_a_loopback_plan_is_refused(tmp_path: Path, named: int) -> None:
    path = _write(tmp_path / "x.wav", _heard(14000, _pings(900.0, 2)))
    with pytest.raises(PlanError, match=rf"x\.wav: geometry\.loopback_channel: found {named}"):
        open_recording(path, _plan(geometry={"time_zero": "loopback", "loopback_channel": named}))


def test_golay_pulses_take_turns_from_the_first(tmp_path: Path) -> None:
    # The codes are checked on their own elsewhere; here only their turns matter.
    first, second = golay_pair(8000.0, 2.5e-4, 16, RATE)
    at = [1000.4 + i * INTERVAL for i in range(4)]
    sound = _heard(26000, [(at[0], 0.4), (at[2], 0.4)], pulse=first.samples, noise=1e-3) + _heard(
        26000, [(at[1], 0.4), (at[3], 0.4)], pulse=second.samples, noise=0.0
    )
    plan = _plan(pulse={"kind": "golay", "centre_hz": 8000.0, "chip_s": 2.5e-4, "chips": 16})
    replay = open_recording(_write(tmp_path / "x.wav", sound), plan)
    blocks = list(replay.blocks(10))
    assert [block.pulse_index for block in blocks] == [0, 1, 0, 1]
    assert _mark_sample(blocks[0]) == pytest.approx(at[0], abs=MARK_TOLERANCE_SAMPLES)


@pytest.mark.parametrize(
    ("name", "subtype", "bits"),
    [
        ("x.wav", "PCM_16", 16),
        ("x.wav", "PCM_24", 24),
        ("x.wav", "PCM_32", 32),
        ("x.wav", "FLOAT", 24),
        ("x.wav", "DOUBLE", 24),
        ("x.flac", "PCM_16", 16),
        ("x.flac", "PCM_24", 24),
    ],
)
def test_every_width_gives_float32_of_the_same_full_scale(
    tmp_path: Path, name: str, subtype: str, bits: int
) -> None:
    sound = _heard(14000, _pings(900.0, 2))
    replay = open_recording(_write(tmp_path / name, sound, subtype), _plan())
    block = next(replay.blocks(1))
    cut = sound[block.start_sample : block.start_sample + INTERVAL]
    # One step of the converter, or of float32 below 1 where that is coarser.
    np.testing.assert_allclose(block.samples[0], cut, rtol=0, atol=2.0 ** -(min(bits, 24) - 1))
    assert block.flags == CaptureFlag.NONE


@pytest.mark.parametrize(
    "subtype", ["PCM_U8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "ULAW", "ALAW"]
)
@pytest.mark.parametrize("peak", [1.0, -1.0])
def test_a_sample_at_full_scale_marks_its_own_ping_clipped(
    tmp_path: Path, subtype: str, peak: float
) -> None:
    sound = _heard(14000, _pings(900.0, 2), noise=0.0)
    sound[900 + INTERVAL + 3000] = peak
    replay = open_recording(_write(tmp_path / "x.wav", sound, subtype), _plan())
    flags = [block.flags for block in replay.blocks(2)]
    assert flags == [CaptureFlag.NONE, CaptureFlag.CLIPPED]


def test_the_file_s_own_rate_is_used(tmp_path: Path) -> None:
    rate = 44100
    step = round(INTERVAL / RATE * rate)
    sound = _heard(4 * step, [(700.2 + i * step, 0.5) for i in range(4)], pulse=_chirp(rate))
    replay = open_recording(_write(tmp_path / "x.wav", sound, rate=rate), _plan())
    assert replay.info.sample_rate_hz == replay.plan.timing.sample_rate_hz == rate
    blocks = list(replay.blocks(10))
    assert blocks[1].start_sample - blocks[0].start_sample == step
    assert _mark_sample(blocks[0], rate) == pytest.approx(700.2, abs=MARK_TOLERANCE_SAMPLES)


def test_a_rate_too_low_for_the_pulse_names_the_file(tmp_path: Path) -> None:
    path = _write(tmp_path / "x.wav", np.zeros(9000), rate=16000)
    with pytest.raises(PlanError, match=r"x\.wav: at its 16000 Hz .*reaches 12000 Hz.* 8000 Hz"):
        open_recording(path, _plan())


def test_calibration_is_refused_for_a_sound_file(tmp_path: Path) -> None:
    path = _write(tmp_path / "x.wav", _heard(14000, _pings(900.0, 2)))
    with pytest.raises(PlanError, match=r'x\.wav: geometry\.time_zero: found "calibration"'):
        open_recording(path, _plan(geometry={"time_zero": "calibration"}))


def test_a_sound_file_needs_a_plan(tmp_path: Path) -> None:
    path = _write(tmp_path / "x.wav", np.zeros(100))
    with pytest.raises(RecordingError, match=r"x\.wav: a sound file .*--plan FILE"):
        open_recording(path)


@pytest.mark.parametrize("level", [0.0, 0.01])
def test_a_file_without_the_pulse_is_refused(tmp_path: Path, level: float) -> None:
    path = _write(tmp_path / "x.wav", _heard(40000, [], noise=level))
    with pytest.raises(RecordingError, match=r"x\.wav: the plan's pulse is not in channel 1"):
        open_recording(path, _plan())


@pytest.mark.parametrize("name", ["x.wav", "x.flac"])
@pytest.mark.parametrize("content", [b"", b"Dear reader, this is text.\n" * 30, b"RIFF\0\0"])
def test_a_file_that_is_no_sound_gets_one_clear_line(
    tmp_path: Path, name: str, content: bytes
) -> None:
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(RecordingError, match="cannot be read as a sound file") as caught:
        open_recording(path, _plan())
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_sound_file_without_samples_is_refused(tmp_path: Path) -> None:
    path = _write(tmp_path / "x.wav", np.zeros(0))
    with pytest.raises(RecordingError, match="holds no samples"):
        open_recording(path, _plan())


def test_a_missing_sound_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match=r"gone\.wav: no such file"):
        open_recording(tmp_path / "gone.wav", _plan())


def test_a_truncated_wav_gives_its_whole_pings_and_says_so(tmp_path: Path) -> None:
    sound = _heard(INTERVAL * 5, _pings(900.0, 5))
    path = _write(tmp_path / "x.wav", sound, "PCM_16")
    whole = open_recording(path, _plan())
    assert whole.lost_at_end == ""
    raw = path.read_bytes()
    # 44 bytes of header and two a sample; cut in the third ping.
    path.write_bytes(raw[: 44 + 2 * (900 + 2 * INTERVAL + 500)])
    cut = open_recording(path, _plan())
    assert cut.pings == 2
    assert "cut short" in cut.lost_at_end
    for a, b in zip(cut.blocks(2), whole.blocks(2), strict=True):
        np.testing.assert_array_equal(a.samples, b.samples)


def test_a_truncated_flac_is_refused_on_opening(tmp_path: Path) -> None:
    path = _write(tmp_path / "x.flac", _heard(INTERVAL * 5, _pings(900.0, 5)), "PCM_16")
    raw = path.read_bytes()
    path.write_bytes(raw[: len(raw) // 2])
    with pytest.raises(RecordingError, match=r"x\.flac: is damaged or cut off"):
        open_recording(path, _plan())


def test_damage_within_a_flac_is_found_on_opening(tmp_path: Path) -> None:
    path = _write(tmp_path / "x.flac", _heard(INTERVAL * 8, _pings(900.0, 8)), "PCM_16")
    raw = bytearray(path.read_bytes())
    middle = len(raw) // 2
    raw[middle : middle + 2000] = bytes(2000)
    path.write_bytes(raw)
    with pytest.raises(RecordingError, match=r"x\.flac: is damaged or cut off at or after \d"):
        open_recording(path, _plan())


def test_a_sample_that_is_no_number_is_damage(tmp_path: Path) -> None:
    sound = _heard(14000, _pings(900.0, 2))
    sound[1000] = np.nan
    with pytest.raises(RecordingError, match=r"x\.wav: is damaged"):
        open_recording(_write(tmp_path / "x.wav", sound), _plan())


def test_a_wav_by_another_name_is_known_by_its_first_bytes(tmp_path: Path) -> None:
    path = _write(tmp_path / "x.wav", _heard(14000, _pings(900.0, 2)))
    path = path.rename(tmp_path / "take-one")
    assert open_recording(path, _plan()).pings == 2


def test_a_plan_file_given_as_a_recording_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    path.write_text('[pulse]\nkind = "chirp"\n')
    with pytest.raises(RecordingError, match=r"bench\.toml: is not a recording"):
        open_recording(path, _plan())


# What was recorded, again.

INFO = StreamInfo(
    front_end="virtual-tank", device="invented", sample_rate_hz=float(RATE), channels=1
)


def _record(
    name: Path, pings: int, *, info: StreamInfo = INFO, plan: Plan | None = None, confirm: int = 0
) -> list[CaptureBlock]:
    plan = _plan() if plan is None else plan
    rng = np.random.default_rng(3)
    blocks = [
        CaptureBlock(
            index=i,
            samples=rng.standard_normal((info.channels, INTERVAL)).astype(np.float32),
            start_sample=i * INTERVAL,
            mark_s=0.005,
            pulse_index=i % plan.pulses_per_cycle,
            confirms_only=i >= pings,
        )
        for i in range(pings + confirm)
    ]
    with Recorder(name, plan, info) as recorder:
        for block in blocks:
            recorder.write(block)
    return blocks


def _same(found: CaptureBlock, written: CaptureBlock) -> bool:
    keys = ("index", "start_sample", "mark_s", "pulse_index", "flags", "confirms_only")
    return np.array_equal(found.samples, written.samples) and all(
        getattr(found, key) == getattr(written, key) for key in keys
    )


def test_a_recording_replays_its_own_blocks_plan_and_stream(tmp_path: Path) -> None:
    info = dataclasses.replace(INFO, can_slip=True, confirms_last=True)
    written = _record(tmp_path / "r", 4, info=info, confirm=1)
    front_end: FrontEnd
    with open_recording(tmp_path / "r.sigmf-meta") as front_end:
        assert front_end.info == info
        assert front_end.plan == _plan()
        assert front_end.pings == 4
        blocks = list(front_end.blocks(front_end.pings))
        again = list(front_end.blocks(front_end.pings))
    assert len(blocks) == len(again) == 5
    assert all(map(_same, blocks, written))
    assert all(map(_same, again, written))


def test_fewer_pings_of_a_slipping_stream_are_confirmed_by_the_next(tmp_path: Path) -> None:
    info = dataclasses.replace(INFO, can_slip=True, confirms_last=True)
    written = _record(tmp_path / "r", 4, info=info, confirm=1)
    first, second, third = open_recording(tmp_path / "r.sigmf-meta").blocks(2)
    assert _same(first, written[0])
    assert _same(second, written[1])
    assert _same(third, dataclasses.replace(written[2], confirms_only=True))


def test_a_steady_stream_gives_no_block_more_than_asked(tmp_path: Path) -> None:
    _record(tmp_path / "r", 4)
    replay = open_recording(tmp_path / "r.sigmf-meta")
    assert [block.index for block in replay.blocks(2)] == [0, 1]
    assert [block.index for block in replay.blocks(99)] == [0, 1, 2, 3]


def test_a_killed_run_replays_the_pings_that_stand(tmp_path: Path) -> None:
    written = _record(tmp_path / "r", 3)
    data = tmp_path / "r.sigmf-data"
    data.write_bytes(data.read_bytes()[:-10])
    replay = open_recording(tmp_path / "r.sigmf-meta")
    assert replay.pings == 2
    assert "last ping is lost, 2 whole pings stand" in replay.lost_at_end
    assert all(map(_same, replay.blocks(9), written))


def test_another_plan_takes_the_place_of_the_recorded_one(tmp_path: Path) -> None:
    _record(tmp_path / "r", 2)
    other = _plan(receiver={"weighting": "hann"}, timing={"sample_rate_hz": 96000})
    replay = open_recording(tmp_path / "r.sigmf-meta", other)
    assert replay.plan.receiver.weighting == "hann"
    # The samples were taken at one rate, whatever a plan says.
    assert replay.plan.timing.sample_rate_hz == RATE


@pytest.mark.parametrize(
    ("tables", "complaint"),
    [
        ({"geometry": {"time_zero": "loopback"}}, 'geometry.time_zero: found "loopback"'),
        (
            {"timing": {"ping_interval_s": 0.5}},
            "timing.ping_interval_s: found 0.5, and the pings were recorded every 0.125 s",
        ),
        (
            {
                "pulse": {
                    "kind": "chirp",
                    "start_hz": 4e3,
                    "stop_hz": 3e4,
                    "duration_s": 0.01,
                },
                "timing": {"sample_rate_hz": 96000},
            },
            "at its 48000 Hz the plan cannot work: pulse: reaches 30000 Hz",
        ),
    ],
)
def test_a_plan_that_does_not_fit_the_recording_is_refused(
    tmp_path: Path, tables: dict[str, Any], complaint: str
) -> None:
    _record(tmp_path / "r", 2)
    with pytest.raises(PlanError) as caught:
        open_recording(tmp_path / "r.sigmf-meta", _plan(**tables))
    assert complaint in str(caught.value)
    assert "r.sigmf-meta" in str(caught.value)


@pytest.mark.parametrize(
    ("pulse", "complaint"),
    [
        (
            {"kind": "golay", "centre_hz": 8e3, "chip_s": 2.5e-4, "chips": 16},
            r"\.kind: found 'golay'",
        ),
        ({"start_hz": 4010.0}, r"\.start_hz: found 4010\.0, and .* recorded with 4000\.0"),
        ({"duration_s": 0.002}, r"\.duration_s: found 0\.002"),
        ({"taper": "hann"}, r"\.taper: found 'hann'"),
    ],
)
def test_pings_are_not_replayed_with_a_pulse_that_was_not_sent(
    tmp_path: Path, pulse: dict[str, Any], complaint: str
) -> None:
    _record(tmp_path / "r", 2)
    sent = {"kind": "chirp", "start_hz": 4e3, "stop_hz": 12e3, "duration_s": 0.01}
    given = pulse if "kind" in pulse else {**sent, **pulse}
    with pytest.raises(PlanError, match=r"pulse" + complaint):
        open_recording(tmp_path / "r.sigmf-meta", _plan(pulse=given))
