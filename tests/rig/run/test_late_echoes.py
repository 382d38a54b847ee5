"""Echoes from beyond the interval: named with their true range, and never shown as near."""

import dataclasses
import json
from pathlib import Path

import numpy as np
import pytest
import soundfile

import rig
from rig.bench.plan import Plan
from rig.cli import main
from rig.errors import PlanError, RecordingError
from rig.front_ends.virtual_tank import open_virtual_tank
from rig.show.answers import measure_answer, ping_answers, replay_answer
from tests.shared.late_scenes import PINGS, told_of

SPEED_M_S = 343.963  # the demo scene's, to which the plan's formula agrees within 0.03
CHIRP = {"kind": "chirp", "start_hz": 4000.0, "stop_hz": 12000.0, "duration_s": 0.005}


def a_plan(*, signed: bool = True, stack: int = 1, **pulse: object) -> Plan:
    return rig.plan_from_table(
        {
            "pulse": pulse or CHIRP,
            "timing": {"ping_interval_s": 0.03, "signed_pings": signed},
            "receiver": {"range_start_m": 0.3, "range_stop_m": 2.8, "stack": stack},
        }
    )


def a_scene(*far_m: float) -> rig.Scene:
    ball = {"body": "sphere", "radius_m": 0.1, "position_m": [1.2, 0.0, 0.0]}
    plates = [
        {"body": "plate", "width_m": 1.0, "height_m": 1.0, "position_m": [at_m, 0.0, 0.0]}
        for at_m in far_m
    ]
    return rig.scene_from_table(
        {
            "medium": {"kind": "air", "sound_speed_m_s": SPEED_M_S},
            "noise": {"level_db": -70.0},
            "target": [ball, *plates],
        }
    )


def heard(plan: Plan, scene: rig.Scene, pings: int = PINGS) -> rig.Run:
    with rig.open_bench(plan, scene=scene, seed=2) as bench:
        return bench.ping(pings)


# Seeds of drawn scenes: still ones of each pulse, one that moves, one with two in one lobe, one
# with a late echo that crosses a near one. tests/benchmarks/drawn_late_echoes.py draws more.
@pytest.mark.parametrize("seed", [1, 5, 12, 32, 66])
def test_in_drawn_scenes_all_that_stands_clear_is_named_and_none_is_shown_as_near(
    seed: int,
) -> None:
    drawn = told_of(seed)
    assert drawn.near_listed == drawn.near
    for told in drawn.far:
        assert told.shown == 0
        if told.far.stands_clear:
            assert told.named
            # Of one that moves the range is that of the last ping.
            assert told.far.moves_m or told.misses < 3


@pytest.mark.parametrize("stack", [1, 8])
def test_a_late_echo_is_named_in_the_ping_and_in_the_sum(stack: int) -> None:
    run = heard(a_plan(stack=stack), a_scene(6.5, 12.1))
    assert run.last is not None
    for found in (run.last, run.measurement):
        assert [e.range_m for e in found.echoes] == pytest.approx([1.2], abs=0.004)
        assert [one.pings_before for one in found.late] == [1, 2]
        for one, at_m in zip(found.late, (6.5, 12.1), strict=True):
            assert abs(one.echo.range_m - at_m) < 3 * one.echo.u_range_m
            # Out and back is longer by as much as sound goes in the intervals between.
            seems_m = at_m - one.pings_before * SPEED_M_S * 0.03 / 2
            assert one.seems_m == pytest.approx(seems_m, abs=0.004)
        assert not found.untold


def test_without_signs_the_same_echo_is_shown_as_near() -> None:
    run = heard(a_plan(signed=False), a_scene(6.5), pings=8)
    ranges_m = [e.range_m for e in run.measurement.echoes]
    assert ranges_m == pytest.approx([1.2, 6.5 - SPEED_M_S * 0.03 / 2], abs=0.004)
    answer = measure_answer(run)
    assert "late_echoes" not in answer
    assert "untold_echoes" not in answer


def test_until_it_is_told_an_echo_is_no_range() -> None:
    run = heard(a_plan(), a_scene(6.5), pings=4)
    assert not any(r.echoes or r.late for r in run.results)
    assert [len(r.untold) for r in run.results] == [1, 2, 2, 2]
    assert not run.measurement.echoes
    assert len(run.measurement.untold) == 2


def test_the_tank_keeps_the_sign_of_a_ping_in_the_next_ones_block() -> None:
    # 6.5 m away and back take 37.8 ms: 7.8 ms after the next ping, with the first one's sign.
    plan, scene = a_plan(), dataclasses.replace(a_scene(6.5), noise=None)
    plain = open_virtual_tank(a_plan(signed=False), scene=scene).blocks(6)
    signed = open_virtual_tank(plan, scene=scene).blocks(6)
    lone = dataclasses.replace(scene, target=scene.target[:1])
    near = [b.samples for b in open_virtual_tank(a_plan(signed=False), scene=lone).blocks(6)]
    sent = (1, 1, -1, 1, -1, 1)
    for n, (block, whole) in enumerate(zip(signed, plain, strict=True)):
        late = whole.samples - near[n]
        expected = sent[n] * near[n] + (sent[n - 1] if n else 0) * late
        # Each was rounded to single precision once or twice, at a peak of 0.8.
        np.testing.assert_allclose(block.samples, expected, atol=4 * 6e-8)
        assert block.sign_place == n


def test_a_recording_of_signed_pings_replays_as_it_was_heard(tmp_path: Path) -> None:
    plan, scene = a_plan(), a_scene(6.5)
    with rig.open_bench(plan, scene=scene, seed=2) as bench:
        live = bench.ping(10, record=tmp_path / "late")
    again = rig.read(tmp_path / "late.sigmf-meta")
    assert measure_answer(again) == measure_answer(live)
    answer = replay_answer(again)
    assert [one["pings_before"] for one in answer["late_echoes"]] == [1]
    *_, newest = ping_answers(again)
    assert newest["late_echoes"] == answer["late_echoes"]
    with pytest.raises(PlanError, match="recorded with true; give that"):
        rig.read(tmp_path / "late.sigmf-meta", plan=a_plan(signed=False))
    meta = tmp_path / "late.sigmf-meta"
    text = meta.read_text()
    assert text.count('"echobench:sign_place"') == 10
    meta.write_text(text.replace(', "echobench:sign_place": 3', "", 1))
    with pytest.raises(RecordingError, match="sign_place"):
        rig.read(meta)


def test_the_commands_name_late_echoes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    with rig.open_bench(a_plan(), scene=a_scene(6.5), seed=2) as bench:
        bench.ping(10, record="late")
    assert main(["measure", "late.sigmf-meta"]) == 0
    printed = capsys.readouterr().out
    assert "6.50 m, of the ping before; it seems 1.34 m" in printed
    assert main(["measure", "late.sigmf-meta", "--json"]) == 0
    (late,) = json.loads(capsys.readouterr().out.splitlines()[-1])["late_echoes"]
    assert late["range_m"] == pytest.approx(6.5, abs=0.02)


@pytest.mark.parametrize(
    ("pulse", "words"),
    [({"kind": "golay", "centre_hz": 8000.0, "chip_s": 0.0003, "chips": 8}, "golay")],
)
def test_pulses_that_take_turns_carry_no_signs(pulse: dict[str, object], words: str) -> None:
    with pytest.raises(PlanError, match=f"signed_pings: found true with a {words}"):
        a_plan(**pulse)


def test_a_sound_file_carries_no_signs(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "hand.wav", np.zeros(48000), 48000)
    with pytest.raises(PlanError, match="signed_pings"):
        rig.read(tmp_path / "hand.wav", plan=a_plan())
