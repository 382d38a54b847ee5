"""A check of two receivers, and a calibration of the pair, against what the scene has of it."""

from __future__ import annotations

import dataclasses
import math
import re
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from rig.bench.capture import CaptureBlock
from rig.bench.plan import Plan, plan_from_table
from rig.bench.stored_calibration import Calibration
from rig.errors import CalibrationError
from rig.files.calibration import read_calibration, write_calibration
from rig.front_ends.virtual_tank import open_virtual_tank
from rig.measure.calibrate.calibration import calibrate
from rig.measure.calibrate.steps import KnownTarget, steps
from rig.measure.calibrate.words import calibration_lines
from rig.measure.checkup import check_up
from rig.measure.finding import Finding
from rig.run.pair import U_GAIN_DB, own_of
from rig.run.receiver import Receiver
from rig.run.run import Run, run_of
from rig.show.answers import calibration_answer, measure_answer
from rig.tank.scene import scene_from_table

SPEED_M_S = 343.987  # the formula's at 20 °C and 50 %, which the plans believe in
NOW = datetime(2031, 5, 6, 7, 8, 9, tzinfo=UTC)
CHIRP = {"kind": "chirp", "start_hz": 4e3, "stop_hz": 12e3, "duration_s": 0.005}


def _plan(**geometry: Any) -> Plan:
    second = {"baseline_m": 0.12, "second_channel": 2, "second_spacing_m": 0.2}
    return plan_from_table(
        {
            "pulse": CHIRP,
            "timing": {"ping_interval_s": 0.05},
            "receiver": {"range_stop_m": 2.6},
            "geometry": {**second, **geometry},
        }
    )


def _scene(*places: tuple[float, float], **tables: Any) -> dict[str, Any]:
    balls = [{"body": "sphere", "radius_m": 0.05, "position_m": [x, y, 0.0]} for x, y in places]
    medium = {"kind": "air", "sound_speed_m_s": SPEED_M_S}
    return {"medium": medium, "noise": {"level_db": -70.0}, "target": balls, **tables}


def _checked(
    plan: Plan, *, swapped: bool = False, calibration: Calibration | None = None, **tables: Any
) -> dict[str, Finding]:
    with open_virtual_tank(plan, scene=scene_from_table(_scene(**tables)), seed=2) as tank:

        def blocks() -> Iterator[CaptureBlock]:
            for block in tank.blocks(4):
                rows = block.samples[::-1] if swapped else block.samples
                yield dataclasses.replace(block, samples=rows)

        found = check_up(Run(Receiver(plan, tank.info, calibration=calibration)), blocks())
    return {finding.name: finding for finding in found}


def test_a_pair_that_is_as_the_plan_says_is_fit() -> None:
    found = _checked(_plan())
    assert all(f.fit for f in found.values())
    # The scene's channels are alike; some 60 dB over the noise the direct sound tells it to
    # a part in a thousand of a wave of 125 µs.
    assert found["second later than due"].value == pytest.approx(0, abs=0.3)
    assert found["second's phase"].value == pytest.approx(0, abs=1.0)


def test_one_receiver_is_asked_nothing_of_a_second() -> None:
    names = _checked(_plan(second_channel=0, second_spacing_m=0.0))
    assert not [name for name in names if "second" in name]


def test_swapped_plugs_are_told() -> None:
    found = _checked(_plan(), swapped=True)["second later than due"]
    assert not found.fit
    assert "seem to be swapped: give geometry.second_channel = 1" in found.advice


def test_of_two_as_far_from_the_source_it_is_said_that_none_is_told_from_the_other() -> None:
    found = _checked(_plan(second_spacing_m=-0.24))["second later than due"]
    assert found.fit
    assert "does not tell which is which" in found.advice


def test_opposite_signs_are_told() -> None:
    found = _checked(_plan(), second_receiver={"opposite": True})["second's phase"]
    assert not found.fit
    assert abs(found.value) == pytest.approx(180, abs=2)
    assert "opposite sign" in found.advice


def test_a_spacing_that_is_wrong_is_told_in_time() -> None:
    found = _checked(_plan(), second_receiver={"spacing_m": 0.25})["second later than due"]
    assert not found.fit
    assert found.value == pytest.approx(1e6 * 0.05 / SPEED_M_S, abs=0.5)
    assert "second_spacing_m are as measured" in found.advice


@pytest.mark.parametrize(
    ("second", "doubt"),
    [
        ({}, None),
        ({"delay_s": 1 / 48_000}, "does not come when its place says"),
        ({"spacing_m": -0.2}, "does not come when its place says"),
        ({"opposite": True}, "opposite sign"),
    ],
)
def test_angles_that_the_direct_sounds_speak_against_are_doubted(
    second: dict[str, Any], doubt: str | None
) -> None:
    # A sample later is 20 of the plan's 1 µs; the scene places the ball and not the pair.
    plan = _plan()
    scene = scene_from_table(_scene((1.2, 0.3), second_receiver=second))
    with open_virtual_tank(plan, scene=scene, seed=2) as tank:
        run = run_of(Receiver(plan, tank.info), tank.blocks(4))
    said = measure_answer(run).get("pair_doubts", [])
    assert [doubt in words for words in said if doubt] == [True] * (doubt is not None)


def test_gains_that_are_far_apart_are_told() -> None:
    found = _checked(_plan(), second_receiver={"gain_db": 8.0})["second's gain"]
    assert not found.fit
    # The way to it is 0.32 m to the first's 0.12 m, which is no matter of gain.
    assert found.value == pytest.approx(8.0, abs=0.2)
    assert _checked(_plan(), second_receiver={"gain_db": 3.0})["second's gain"].fit


def test_a_deaf_second_receiver_is_told() -> None:
    found = _checked(_plan(), second_receiver={"gain_db": -100.0})
    assert not found["direct sound, second"].fit
    silent = {"gain_db": -100.0}
    found = _checked(_plan(), second_receiver=silent, noise={"level_db": -90.0})
    assert "plugged into the input" in found["highest sample, second"].advice


def _calibrated(plan: Plan, scene: dict[str, Any], **known: Any) -> Calibration:
    return calibrate(
        plan,
        lambda one: open_virtual_tank(one, scene=scene_from_table(scene), seed=1),
        steps([KnownTarget(**known)] if known else [], one_by_one=False),
        made=NOW,
        pings=8,
    )


OWN = {"delay_s": 30e-6, "gain_db": -3.0, "opposite": True}


def test_a_ball_on_the_axis_tells_delay_gain_and_sign() -> None:
    scene = _scene((1.2, 0.0), second_receiver=OWN)
    second = _calibrated(_plan(), scene, range_m=1.2, radius_m=0.05).second
    assert second is not None
    assert second.envelope_delay_s == pytest.approx(30e-6, abs=2 * second.u_envelope_delay_s)
    # Turned, it is half a wave of 8 kHz early or late.
    half_s = 0.5 / 8e3
    assert abs(abs(second.carrier_delay_s - 30e-6) - half_s) < 1e-6
    # Over its longer way it is weaker by the way back alone, which is no gain of the pair's; the
    # air's own loss over 40 mm is beyond notice.
    assert second.gain_db == pytest.approx(-3.0, abs=0.1)
    # A millimetre aside, of 343 mm a ms, by 0.2 in 1.2 m. What a millimetre of spacing does to
    # it does as much to what is measured later.
    expected_s = 0.2 / 1.2 * 1e-3 / SPEED_M_S
    assert second.u_common_s == pytest.approx(expected_s, rel=0.01)


def test_a_calibrated_pair_tells_angles_that_an_uncalibrated_one_does_not(tmp_path: Path) -> None:
    plan = _plan()
    made = _calibrated(plan, _scene((1.2, 0.0), second_receiver=OWN), range_m=1.2, radius_m=0.05)
    write_calibration(tmp_path / "c.json", made)
    stored = read_calibration(tmp_path / "c.json")
    assert stored.second == made.second
    place, scene = (1.4, 0.5), scene_from_table(_scene((1.4, 0.5), second_receiver=OWN))
    true_deg = math.degrees(math.atan2(place[1], place[0]))
    with open_virtual_tank(plan, scene=scene, seed=3) as tank:
        blocks = list(tank.blocks(1))
        bare = run_of(Receiver(plan, tank.info), blocks).echoes[0].side
        told = run_of(Receiver(plan, tank.info, calibration=stored), blocks).echoes[0].side
    assert told is not None
    assert bare is not None
    assert not told.doubt
    assert math.degrees(told.angle_rad) == pytest.approx(
        true_deg, abs=2 * math.degrees(told.u_angle_rad)
    )
    assert math.degrees(told.u_angle_rad) < 1.0
    # Nobody told it of 30 µs, 3° here, or of the sign: it says that something is wrong.
    assert bare.doubt


def test_what_a_calibration_knows_of_the_pair_is_no_fault() -> None:
    plan = _plan()
    made = _calibrated(plan, _scene((1.2, 0.0), second_receiver=OWN), range_m=1.2, radius_m=0.05)
    found = _checked(plan, second_receiver=OWN)
    assert not found["second later than due"].fit
    assert not found["second's phase"].fit
    assert all(f.fit for f in _checked(plan, calibration=made, second_receiver=OWN).values())


def test_a_plate_is_less_sure_than_a_ball() -> None:
    plate = {"body": "plate", "width_m": 0.09, "height_m": 0.09, "position_m": [1.2, 0.0, 0.0]}
    scene = _scene(second_receiver=OWN) | {"target": [plate]}
    second = _calibrated(_plan(), scene, range_m=1.2, size_m=(0.09, 0.09)).second
    assert second is not None
    assert second.envelope_delay_s == pytest.approx(
        30e-6, abs=2 * math.hypot(second.u_envelope_delay_s, second.u_common_s)
    )
    # Mirror and point are 0.2²/(4 · 1.2) m apart, spread evenly; half a degree turned, 2 mm.
    by_kind_m, turned_m = 0.2**2 / (4 * 1.2) / math.sqrt(12), 0.2 * 0.01
    assert second.u_common_s == pytest.approx(math.hypot(by_kind_m, turned_m) / SPEED_M_S, rel=0.05)


def test_without_a_known_target_the_direct_sound_tells_it() -> None:
    second = _calibrated(_plan(), _scene(second_receiver=OWN)).second
    assert second is not None
    assert second.method == "direct"
    assert second.envelope_delay_s == pytest.approx(30e-6, abs=0.3e-6)
    assert second.u_common_s == pytest.approx(1e-3 / SPEED_M_S, rel=0.01)


@pytest.mark.parametrize(("baseline_m", "spacing_m"), [(0.12, -0.12), (0.0, 0.1)])
def test_at_the_source_itself_the_direct_sound_tells_no_gain(
    baseline_m: float, spacing_m: float
) -> None:
    plan = _plan(baseline_m=baseline_m, second_spacing_m=spacing_m)
    second = _calibrated(plan, _scene()).second
    assert second is not None
    assert second.envelope_delay_s == pytest.approx(0.0, abs=0.3e-6)
    # As set alike by hand, which the plan says without it.
    assert (second.gain_db, second.u_gain_db) == (0.0, U_GAIN_DB)
    assert "second's gain" not in _checked(plan)


def test_a_calibration_says_what_it_found_of_the_pair() -> None:
    made = _calibrated(_plan(), _scene(second_receiver=OWN))
    (line,) = [line for line in calibration_lines(made) if "second receiver is" in line]
    assert re.search(r"is (29|30)\.\d ± \d\.\d µs late .*-3\.\d dB louder", line)
    assert calibration_answer(made, "c.json")["second"]["gain_db"] == pytest.approx(-3, abs=0.1)


def test_a_pair_spaced_otherwise_is_another_bench() -> None:
    made = _calibrated(_plan(), _scene())
    scene = scene_from_table(_scene())
    other = _plan(second_spacing_m=0.25)
    with (
        open_virtual_tank(other, scene=scene) as tank,
        pytest.raises(CalibrationError, match=r"foreign: made with a second receiver 0\.2 m past"),
    ):
        made.check(other, tank.info, when=NOW)


def test_what_the_plan_knows_better_is_not_replaced() -> None:
    plan = _plan()
    alike = _calibrated(plan, _scene()).second
    apart = _calibrated(plan, _scene(second_receiver=OWN)).second
    # 1 mm of spacing is 3 µs, and the plan says 1 µs; 30 µs are more than either.
    assert own_of(plan, alike, sound_speed_m_s=SPEED_M_S) is None
    assert own_of(plan, apart, sound_speed_m_s=SPEED_M_S) is not None
