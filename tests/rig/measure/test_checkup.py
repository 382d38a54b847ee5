"""What the check finds in a stream that has one thing wrong with it."""

import dataclasses
from collections.abc import Iterator

import numpy as np
import pytest

from rig.bench.capture import CaptureBlock, CaptureFlag
from rig.bench.plan import plan_from_table
from rig.front_ends.virtual_tank import open_virtual_tank
from rig.measure.checkup import Finding, check_up, value_words
from rig.run.loop import ping_results
from rig.run.receiver import Receiver
from rig.run.run import Run
from rig.tank.scene import scene_from_table

PLAN = plan_from_table(
    {"pulse": {"kind": "chirp", "start_hz": 4e3, "stop_hz": 12e3, "duration_s": 0.01}}
)
RATE_HZ = PLAN.timing.sample_rate_hz
SCENE = scene_from_table(
    {
        "medium": {"kind": "air", "sound_speed_m_s": 343.963},
        "noise": {"level_db": -60.0},
        "target": [{"body": "sphere", "radius_m": 0.05, "position_m": [1.2, 0.0, 0.0]}],
    }
)


def checked(change: object = None, pings: int = 6) -> dict[str, Finding]:
    """Findings of a quiet tank whose samples are changed block by block."""
    with open_virtual_tank(PLAN, scene=SCENE, seed=1) as tank:

        def changed() -> Iterator[CaptureBlock]:
            for block in tank.blocks(pings):
                yield change(block) if callable(change) else block

        return {f.name: f for f in check_up(Run(Receiver(PLAN, tank.info)), changed())}


def with_samples(block: CaptureBlock, samples: np.ndarray) -> CaptureBlock:
    return dataclasses.replace(block, samples=samples)


def test_a_quiet_tank_is_fit_throughout() -> None:
    found = checked()
    assert all(f.fit and not f.advice for f in found.values())
    # RMS of 28 000 samples is known to 0.4 %, 0.04 dB; three times that.
    assert found["noise before the ping"].value == pytest.approx(-60.0, abs=0.12)


def test_hum_is_told_at_its_level_and_noise_is_not_blamed_for_it() -> None:
    def hum(block: CaptureBlock) -> CaptureBlock:
        t = (np.arange(block.samples.shape[1]) + block.start_sample) / RATE_HZ
        return with_samples(block, block.samples + 0.1 * np.sin(2 * np.pi * 100 * t))

    found = checked(hum)["hum"]
    assert not found.fit
    # The line lies on one of the spectrum's bins (1.5 s long, 100 Hz); noise of −60 dB
    # changes it by less than 0.01 dB.
    assert found.value == pytest.approx(-20.0, abs=0.1)
    assert "mains" in found.advice


def test_an_offset_is_told() -> None:
    found = checked(lambda block: with_samples(block, block.samples + 0.1))["offset"]
    assert not found.fit
    assert found.value == pytest.approx(-20.0, abs=0.1)  # noise and echoes average to nothing


def test_clipping_asks_for_less_gain_and_silence_for_more() -> None:
    loud = checked(lambda block: with_samples(block, np.clip(block.samples * 300, -1, 1)))
    assert "down" in loud["highest sample"].advice
    faint = checked(lambda block: with_samples(block, block.samples * 1e-4))
    assert "up" in faint["highest sample"].advice


def test_lost_pings_are_counted_with_their_reason() -> None:
    def lose_the_second(block: CaptureBlock) -> CaptureBlock:
        flags = CaptureFlag.INPUT_OVERFLOW if block.index == 1 else CaptureFlag.NONE
        return dataclasses.replace(block, flags=flags)

    found = checked(lose_the_second)["lost pings"]
    assert (found.value, found.unit, found.fit) == (1, "of 6", False)
    assert "input overflow" in found.advice
    assert "close other programs" in found.advice.lower()


def test_a_silent_loudspeaker_is_not_blamed_on_other_programs() -> None:
    rng = np.random.default_rng(3)

    def silence(block: CaptureBlock) -> CaptureBlock:
        return with_samples(block, 1e-3 * rng.standard_normal(block.samples.shape))

    found = checked(silence)["lost pings"]
    assert found.value == 6
    for words in ("loudspeaker is on", "microphone's gain", "closer", "baseline_m"):
        assert words in found.advice
    assert "programs" not in found.advice


def test_counts_are_written_whole() -> None:
    assert value_words(checked(pings=8)["lost pings"].value) == "0"
    assert value_words(8.0) == "8.0"


def slipping(direct_db: float, *, by: int) -> tuple[dict[str, Finding], list[bool]]:
    """Findings of a stream that may slip, and which pings are lost once it has.

    It slips by so many samples after the third ping.
    """
    scene = dataclasses.replace(SCENE, direct=dataclasses.replace(SCENE.direct, level_db=direct_db))
    with open_virtual_tank(PLAN, scene=scene, seed=2) as tank:
        blocks = list(tank.blocks(8))
        receiver = Receiver(PLAN, dataclasses.replace(tank.info, can_slip=True))
    after = [with_samples(b, np.roll(b.samples, by * (b.index > 2), axis=1)) for b in blocks]
    lost = [r.lost for r in ping_results(receiver, after)]
    return {f.name: f for f in check_up(Run(receiver), blocks)}, lost


def test_a_slip_that_the_marks_noise_could_hide_is_told() -> None:
    strong, lost = slipping(-20.0, by=1)
    assert (strong["slip that may hide"].value, strong["slip that may hide"].fit) == (0, True)
    assert lost[2:4] == [True, True]
    # −10 dB at 1 m, over 0.12 m, and 62 dB less: an amplitude of −53.6 dB. A pulse of 480
    # samples holds 225 times its peak's square (half, less the taper): 2E/N0 is 30 dB.
    weak, lost = slipping(-62.0, by=1)
    finding = weak["slip that may hide"]
    assert not finding.fit
    assert finding.unit == "samples"
    # 1/(√1000 · 14.5e3 s⁻¹) is 2.2 µs, 0.105 samples, and up to 0.19 by what the Hann
    # weighting costs; half a sample and 10.24 times that is 1.6 to 2.5.
    assert finding.value in (1, 2)
    # 343.963 m/s / 48 kHz / 2: 3.58 mm of range a sample.
    assert f"{3.583 * finding.value:.1f} mm of range" in finding.advice
    # And so it is: the slip leaves no ping lost, but ranges across it 3.6 mm wrong.
    assert not any(lost)


def test_a_stream_that_cannot_slip_has_no_such_finding() -> None:
    assert "slip that may hide" not in checked()


def test_nothing_heard_at_all_is_told_and_no_more() -> None:
    gone = checked(
        lambda b: dataclasses.replace(b, flags=CaptureFlag.MISSING, samples=b.samples * 0)
    )
    assert list(gone) == ["lost pings"]
    assert gone["lost pings"].value == 6
