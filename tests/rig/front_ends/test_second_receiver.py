"""A second receiver: what the tank brings to it, what is recorded of it, and who refuses it."""

from __future__ import annotations

import dataclasses
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from rig.bench.capture import CaptureBlock
from rig.bench.plan import Plan, plan_from_table
from rig.errors import PlanError
from rig.files.recorder import Recorder
from rig.front_ends.board.plain_numbers import open_plain_numbers
from rig.front_ends.replay import open_recording
from rig.front_ends.virtual_tank import open_virtual_tank
from rig.tank.scene import scene_from_table

RATE_HZ = 48_000.0
SPEED_M_S = 343.963
BASELINE_M, SPACING_M = 0.12, -0.24
SOURCE_M, FIRST_M, SECOND_M = (0.0, -0.06, 0.0), (0.0, 0.06, 0.0), (0.0, -0.18, 0.0)


def _plan(**geometry: Any) -> Plan:
    second = {"baseline_m": BASELINE_M, "second_channel": 2, "second_spacing_m": SPACING_M}
    return plan_from_table(
        {
            "pulse": {"kind": "chirp", "start_hz": 4e3, "stop_hz": 12e3, "duration_s": 0.01},
            "timing": {"sample_rate_hz": RATE_HZ, "ping_interval_s": 0.1},
            "receiver": {"range_stop_m": 3.0},
            "geometry": {**second, **geometry},
        }
    )


def _blocks(plan: Plan, *, pings: int = 1, **tables: Any) -> list[CaptureBlock]:
    medium = {"kind": "air", "sound_speed_m_s": SPEED_M_S}
    scene = scene_from_table({"medium": medium, **tables})
    with open_virtual_tank(plan, scene=scene, seed=4) as tank:
        return list(tank.blocks(pings))


def _later_samples(first: NDArray[np.floating], second: NDArray[np.floating]) -> float:
    """Return by how much the second is later: the slope of the phase between two lone copies."""
    frequency = np.fft.rfftfreq(first.size)
    cross = np.fft.rfft(second.astype(float)) * np.conj(np.fft.rfft(first.astype(float)))
    band = (frequency > 5e3 / RATE_HZ) & (frequency < 11e3 / RATE_HZ)
    peak = np.fft.irfft(np.where(band, cross, 0), first.size)
    near = (int(peak.argmax()) + first.size // 2) % first.size - first.size // 2
    left = np.angle(cross * np.exp(2j * np.pi * frequency * near))[band]
    weight = np.abs(cross[band])
    slope = np.sum(weight * left * frequency[band]) / np.sum(weight * frequency[band] ** 2)
    return float(near - slope / (2 * np.pi))


@pytest.mark.parametrize("place", [(1.2, 0.0, 0.0), (1.0, 0.5, 0.0), (0.8, -0.6, 0.3)])
def test_an_echo_comes_to_each_receiver_by_its_own_way(place: tuple[float, float, float]) -> None:
    ball = {"body": "sphere", "radius_m": 0.05, "position_m": list(place)}
    (block,) = _blocks(_plan(), target=[ball], direct={"level_db": -200.0})
    later_m = math.dist(place, SECOND_M) - math.dist(place, FIRST_M)
    # A place between two points of equal ways: the source's way is common to both. Single
    # precision of the samples and the phase's slope over the band are exact to some 1e-5.
    found = _later_samples(block.samples[0], block.samples[1])
    assert found == pytest.approx(later_m / SPEED_M_S * RATE_HZ, abs=1e-3)


def test_the_direct_sound_comes_to_the_second_receiver_over_its_own_distance() -> None:
    # The source stands midway: 0.12 m to either side, so both hear it at once; then not.
    (block,) = _blocks(_plan())
    assert _later_samples(block.samples[0], block.samples[1]) == pytest.approx(0, abs=1e-3)
    (block,) = _blocks(_plan(second_spacing_m=0.30))
    assert _later_samples(block.samples[0], block.samples[1]) == pytest.approx(
        0.30 / SPEED_M_S * RATE_HZ, abs=1e-3
    )


def test_a_moving_ball_and_a_changed_place_reach_both() -> None:
    ball = {"body": "sphere", "radius_m": 0.05, "position_m": [1.0, 0.4, 0.0]}
    plan = _plan()
    moving = {**ball, "velocity_m_s": [0.0, -2.0, 0.0]}
    blocks = _blocks(plan, pings=3, target=[moving], direct={"level_db": -200.0})
    for ping, block in enumerate(blocks):
        # It is met half a pulse and the way out after the pulse began to leave. That way is
        # 1.08 m give or take 0.06, 0.2 ms: 0.4 mm aside are 0.1 mm between the receivers,
        # 0.013 samples; the echo is longer than the pulse by 0.05 %, the same to both.
        met_s = 0.1 * ping + 0.005 + 1.08 / SPEED_M_S
        place = (1.0, 0.4 - 2.0 * met_s, 0.0)
        later_m = math.dist(place, SECOND_M) - math.dist(place, FIRST_M)
        found = _later_samples(block.samples[0], block.samples[1])
        assert found == pytest.approx(later_m / SPEED_M_S * RATE_HZ, abs=0.05)


def test_its_own_delay_gain_and_sign_are_the_scenes() -> None:
    ball = {"body": "sphere", "radius_m": 0.05, "position_m": [1.2, 0.0, 0.0]}
    both = {"target": [ball], "direct": {"level_db": -200.0}}
    plan = _plan()
    (plain,) = _blocks(plan, **both)
    own = {"delay_s": 25e-6, "gain_db": -6.0, "opposite": True}
    (block,) = _blocks(plan, second_receiver=own, **both)
    np.testing.assert_array_equal(plain.samples[0], block.samples[0])
    assert _later_samples(plain.samples[1], -block.samples[1]) == pytest.approx(1.2, abs=1e-3)
    rms = np.sqrt((block.samples[1] ** 2).mean() / (plain.samples[1] ** 2).mean())
    assert rms == pytest.approx(10 ** (-6 / 20), rel=1e-3)


def test_without_a_second_receiver_the_first_hears_the_same() -> None:
    noisy = {"noise": {"level_db": -60.0}, "clutter": {"level_db": -50.0, "reach_m": 0.5}}
    ball = {"body": "sphere", "radius_m": 0.05, "position_m": [1.0, 0.3, 0.0]}
    (alone,) = _blocks(_plan(second_channel=0, second_spacing_m=0.0), target=[ball], **noisy)
    (block,) = _blocks(_plan(), target=[ball], **noisy)
    assert alone.samples.shape[0] == 1
    np.testing.assert_array_equal(alone.samples[0], block.samples[0])


def test_noise_and_clutter_are_each_receivers_own() -> None:
    (block,) = _blocks(
        _plan(),
        noise={"level_db": -60.0},
        clutter={"level_db": -50.0, "reach_m": 0.5},
        direct={"level_db": -200.0},
    )
    first, second = block.samples.astype(float)
    # Of 4800 independent samples a correlation of 4/√4800 comes by chance once in 16 000; the
    # clutter is a pulse's length correlated, and fewer.
    assert abs(np.corrcoef(first, second)[0, 1]) < 0.25


@pytest.mark.parametrize(
    ("geometry", "microphone", "second", "loopback", "channels"),
    [
        ({}, 0, 1, None, 2),
        ({"second_channel": 1}, 1, 0, None, 2),
        ({"second_channel": 3, "time_zero": "loopback"}, 0, 2, 1, 3),
        ({"second_channel": 1, "time_zero": "loopback"}, 2, 0, 1, 3),
        ({"second_channel": 2, "time_zero": "loopback", "loopback_channel": 1}, 2, 1, 0, 3),
    ],
)
def test_each_channel_has_one_use(
    geometry: dict[str, Any], microphone: int, second: int, loopback: int | None, channels: int
) -> None:
    plan = _plan(**geometry)
    scene = scene_from_table({"medium": {"sound_speed_m_s": SPEED_M_S}})
    with open_virtual_tank(plan, scene=scene) as tank:
        info = tank.info
    found = (info.microphone, info.second, info.loopback, info.channels)
    assert found == (microphone, second, loopback, channels)


@pytest.mark.parametrize(
    ("geometry", "message"),
    [
        ({"second_spacing_m": 0.0}, "second_spacing_m: found 0 with second_channel = 2"),
        ({"second_channel": 0}, "found -0.24 without a second receiver"),
        ({"time_zero": "loopback"}, "second_channel: found 2, which is the loopback_channel"),
        ({"second_spacing_m": 30.0}, "an echo from receiver.range_stop_m = 3 would come there"),
    ],
)
def test_a_plan_that_does_not_fit_says_so(geometry: dict[str, Any], message: str) -> None:
    with pytest.raises(PlanError, match=message):
        _plan(**geometry)


def test_a_board_refuses_a_second_receiver() -> None:
    plan = plan_from_table(
        {
            "pulse": {"kind": "tone", "centre_hz": 4e3, "duration_s": 0.001},
            "geometry": {
                "time_zero": "calibration",
                "second_channel": 2,
                "second_spacing_m": 0.1,
            },
            "board": {"prints": "time-us", "port": "none"},
        }
    )
    with pytest.raises(PlanError, match="second_channel: found 2; a board has one receiver"):
        open_plain_numbers(plan)


def test_a_recording_keeps_both_channels_bit_for_bit(tmp_path: Path) -> None:
    plan = _plan()
    ball = {"body": "sphere", "radius_m": 0.05, "position_m": [1.0, 0.3, 0.0]}
    scene = scene_from_table(
        {"medium": {"sound_speed_m_s": SPEED_M_S}, "target": [ball], "noise": {"level_db": -60.0}}
    )
    with open_virtual_tank(plan, scene=scene, seed=1) as tank:
        sent, info = list(tank.blocks(2)), tank.info
    with Recorder(tmp_path / "two", plan, info) as recorder:
        for block in sent:
            recorder.write(block)
    replay = open_recording(tmp_path / "two.sigmf-meta")
    assert replay.info == info
    assert replay.plan == plan
    for block, again in zip(sent, replay.blocks(2), strict=True):
        np.testing.assert_array_equal(block.samples, again.samples)


def test_a_recording_of_one_receiver_refuses_a_plan_with_two(tmp_path: Path) -> None:
    plan = _plan(second_channel=0, second_spacing_m=0.0)
    scene = scene_from_table({"medium": {"sound_speed_m_s": SPEED_M_S}})
    with (
        open_virtual_tank(plan, scene=scene) as tank,
        Recorder(tmp_path / "one", plan, tank.info) as recorder,
    ):
        for block in tank.blocks(1):
            recorder.write(block)
    with pytest.raises(PlanError, match="second_channel: found 2, and no second receiver was"):
        open_recording(tmp_path / "one.sigmf-meta", _plan())


def test_a_sound_file_brings_both_channels(tmp_path: Path) -> None:
    import soundfile

    blocks = _blocks(_plan(), pings=3, noise={"level_db": -70.0})
    whole = np.concatenate([b.samples for b in blocks], axis=1)
    soundfile.write(tmp_path / "two.wav", whole.T, int(RATE_HZ), subtype="FLOAT")
    replay = open_recording(tmp_path / "two.wav", _plan())
    assert (replay.info.microphone, replay.info.second) == (0, 1)
    again = next(iter(replay.blocks(1)))
    # What the file lacks ahead of its first sample is silence.
    silent = max(0, -again.start_sample)
    begin, heard = max(0, again.start_sample), again.samples[:, silent:]
    np.testing.assert_array_equal(heard, whole[:, begin : begin + heard.shape[1]])
    soundfile.write(tmp_path / "one.wav", whole[0], int(RATE_HZ), subtype="FLOAT")
    with pytest.raises(PlanError, match="second_channel: found 2, and the file's channels: 1"):
        open_recording(tmp_path / "one.wav", _plan())


def test_a_sum_of_profiles_holds_what_the_second_heard() -> None:
    from rig.run.receiver import Receiver
    from rig.run.run import run_of

    plan = dataclasses.replace(_plan(), receiver=dataclasses.replace(_plan().receiver, stack=3))
    ball = {"body": "sphere", "radius_m": 0.05, "position_m": [1.0, 0.3, 0.0]}
    blocks = _blocks(plan, pings=3, target=[ball], noise={"level_db": -60.0})
    scene = scene_from_table({"medium": {"sound_speed_m_s": SPEED_M_S}})
    with open_virtual_tank(plan, scene=scene) as tank:
        run = run_of(Receiver(plan, tank.info), blocks)
    alone = [r.alone for r in run.results]
    means = [run.summed(), run.results[-1].profile]
    for mean in means:
        assert mean is not None
        assert mean.beside is not None
        each = [p.beside.envelope for p in alone if p is not None and p.beside is not None]
        bins = min(e.size for e in [*each, mean.beside.envelope])
        expected = np.mean([e[:bins] for e in each], axis=0)
        # Means of three in single precision, whichever way they were added up.
        np.testing.assert_allclose(mean.beside.envelope[:bins], expected, atol=1e-7)
