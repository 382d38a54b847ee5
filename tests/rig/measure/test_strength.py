"""Strengths of the virtual tank's bodies, whose scattering code is the tank's own."""

from __future__ import annotations

import dataclasses
import json
import math
import pathlib
from typing import Any

import pytest

from rig.bench.plan import Plan, plan_from_table
from rig.cli import main
from rig.errors import PlanError
from rig.front_ends.virtual_tank import open_virtual_tank
from rig.measure.strength import TargetStrength, strength_answer, strength_lines, target_strengths
from rig.run.receiver import Receiver
from rig.run.results import Echo
from rig.run.run import run_of
from rig.tank.scene import scene_from_table

SOURCE_DB = -10.0  # the tank's own, of the pulse at 1 m


def a_plan(**tables: Any) -> Plan:
    return plan_from_table(
        {
            "pulse": {"kind": "chirp", "start_hz": 36e3, "stop_hz": 44e3, "duration_s": 0.002},
            "timing": {"sample_rate_hz": 192e3, "ping_interval_s": 0.05},
            "receiver": {"range_start_m": 0.5, "range_stop_m": 3.0},
            "geometry": {"baseline_m": 0.04, "time_zero": "calibration"},
            "transducer": {"radius_m": 0.008},
            **tables,
        }
    )


def heard(plan: Plan, *, radius_m: float, at: list[float], seed: int = 1) -> Any:
    scene = scene_from_table(
        {
            "medium": {"sound_speed_m_s": 343.963},
            "noise": {"level_db": -75.0},
            "direct": {"level_db": -80.0},
            "transducer": {"radius_m": plan.transducer.radius_m},
            "target": [{"body": "sphere", "radius_m": radius_m, "position_m": at}],
        }
    )
    with open_virtual_tank(plan, scene=scene, seed=seed) as front_end:
        receiver = Receiver(plan, front_end.info)
        return receiver, run_of(receiver, front_end.blocks(4)).echoes


def the_target(plan: Plan, **how: Any) -> TargetStrength:
    asked = {"source_level_db": SOURCE_DB, "u_source_level_db": 0.5}
    asked |= {k: how.pop(k) for k in list(how) if k.startswith(("angle", "u_angle"))}
    receiver, echoes = heard(plan, **how)
    (found,) = target_strengths(receiver, echoes, **asked)
    return found


@pytest.mark.parametrize(("radius_m", "range_m"), [(0.03, 0.8), (0.05, 1.5), (0.08, 2.5)])
def test_a_hard_ball_on_the_axis_has_a_quarter_of_its_radius_squared(
    radius_m: float, range_m: float
) -> None:
    # R. J. Urick, Principles of Underwater Sound, table 9.1 (from memory): σ = a²/4. The
    # band's absorption is taken at its middle: over 2.5 m that is 0.03 dB off; noise at
    # 40 dB and more another 0.03; the baseline 0.002.
    found = the_target(a_plan(), radius_m=radius_m, at=[range_m, 0.0, 0.0])
    assert found.open_range.axis_db == pytest.approx(20 * math.log10(radius_m / 2), abs=0.1)
    # Half the power, out and back.
    assert found.open_range.edge_db - found.open_range.axis_db == pytest.approx(3.0103, abs=1e-3)
    assert found.ball_radius_m[0] == pytest.approx(radius_m, rel=0.012)  # 0.1 dB


def test_the_truth_of_a_target_at_the_edge_lies_at_the_ranges_upper_end() -> None:
    """A 50 mm ball at the half-power angle, 16.6° by sin θ = 1.1602860/ka at 40 kHz."""
    ka = 2 * math.pi * 40e3 / 343.963 * 0.008
    angle_rad = math.asin(1.1602860 / ka)
    at = [1.5 * math.cos(angle_rad), 0.0, 1.5 * math.sin(angle_rad)]
    found = the_target(a_plan(), radius_m=0.05, at=at)
    truth_db = 20 * math.log10(0.05 / 2)
    assert found.open_range.axis_db == pytest.approx(truth_db - 3.0103, abs=0.1)
    assert found.open_range.edge_db == pytest.approx(truth_db, abs=0.1)
    known = the_target(
        a_plan(), radius_m=0.05, at=at, angle_rad=angle_rad, u_angle_rad=math.radians(1.0)
    )
    assert known.known_db == pytest.approx(truth_db, abs=0.1)
    # At half power the slope of 40 log₁₀(2 J₁(x)/x) over x, by scipy's Bessel functions
    # −40 log₁₀e · J₂(x)/J₁(x) = −5.46 dB; times dx/dθ = ka cos θ is 0.53 dB a degree.
    place = {t.name: t.u_db for t in known.known_terms}["place in the beam"]
    from scipy.special import j1, jv

    x = 1.1602860
    slope_db = 40 * math.log10(math.e) * jv(2, x) / j1(x) * ka * math.cos(angle_rad)
    # To first order; over 1° of 11° the bend adds up to a tenth.
    assert place == pytest.approx(slope_db * math.radians(1.0), rel=0.1)


def test_a_face_too_small_for_a_cone_ends_its_range_at_90_degrees() -> None:
    plan = a_plan(transducer={"radius_m": 0.001})
    found = the_target(plan, radius_m=0.05, at=[1.5, 0.0, 0.0])
    assert found.edge_rad == pytest.approx(math.pi / 2)
    # ka = 0.73: 2 J₁(x)/x to the fourth is 1 − x²/2 + …: −1.2 dB, less than half power.
    assert 0.5 < found.open_range.edge_db - found.open_range.axis_db < 3.0


def test_a_sound_too_small_against_its_wave_is_given_no_size() -> None:
    # ka = 7.3 for 10 mm at 40 kHz: under the 10 from which on the echo tells the size.
    found = the_target(a_plan(), radius_m=0.01, at=[0.8, 0.0, 0.0])
    assert found.ball_radius_m[0] is None
    assert "too weak against the wave's length" in "\n".join(strength_lines(found))


def test_doubts_about_the_air_count_with_the_way() -> None:
    surer = a_plan(medium={"u_temperature_c": 0.1, "u_humidity_percent": 0.5})
    looser = a_plan(medium={"u_temperature_c": 3.0, "u_humidity_percent": 20.0})
    asked = {"radius_m": 0.05, "at": [1.5, 0.0, 0.0]}
    name = "absorption of the medium"
    sure, loose = (
        {t.name: t.u_db for t in the_target(p, **asked).open_range.terms}[name]
        for p in (surer, looser)
    )
    # At 20 °C and 50 % the absorption of 40 kHz is 1.318 dB/m; at 30 % it is 1.095 (ISO
    # 9613-1, computed here with the same formula in dsp.physics.absorption): 0.22 dB/m over 3 m.
    assert loose > 0.5
    assert sure < 0.05


WIDE = {
    "pulse": {"kind": "chirp", "start_hz": 4e3, "stop_hz": 12e3, "duration_s": 0.01},
    "timing": {"sample_rate_hz": 48e3, "ping_interval_s": 0.05},
    "transducer": {"radius_m": 0.03},
}


@pytest.mark.parametrize("angle_deg", [20.0, 30.0, 33.0])
def test_a_wide_band_s_loss_at_an_angle_is_that_of_all_of_it(angle_deg: float) -> None:
    # By the pattern at 8 kHz alone it was 1.3 dB too strong at 30°, and 2.1 at 33.
    angle_rad = math.radians(angle_deg)
    at = [1.5 * math.cos(angle_rad), 0.0, 1.5 * math.sin(angle_rad)]
    receiver, echoes = heard(a_plan(**WIDE), radius_m=0.2, at=at)
    found = target_strengths(
        receiver,
        [max(echoes, key=lambda echo: echo.strength_db)],
        source_level_db=SOURCE_DB,
        u_source_level_db=0.5,
        angle_rad=angle_rad,
        u_angle_rad=math.radians(1.0),
    )[0]
    # Seven frequencies average as the band to 0.05 dB; absorption and noise 0.05 more.
    assert found.known_db == pytest.approx(20 * math.log10(0.2 / 2), abs=0.12)


def test_nothing_is_told_past_the_first_null_of_any_part_of_the_band() -> None:
    receiver, echoes = heard(a_plan(**WIDE), radius_m=0.2, at=[1.5, 0.0, 0.0])
    asked = {"source_level_db": SOURCE_DB, "u_source_level_db": 0.5}
    # ka sin θ = 3.8317 at 12 kHz, ka 6.58: 35.6°; at 8 kHz, 61°.
    for angle_deg in (35.0, 40.0, 50.0):
        with pytest.raises(PlanError, match=r"at 12 kHz its first stands at 35\.6"):
            target_strengths(
                receiver,
                echoes,
                angle_rad=math.radians(angle_deg),
                u_angle_rad=math.radians(1.0),
                **asked,
            )


def test_an_angle_near_a_null_is_refused() -> None:
    receiver, echoes = heard(a_plan(), radius_m=0.05, at=[1.5, 0.0, 0.0])
    # ka sin θ = 3.8317 (from the table of J₁'s zeros): 40.9° at ka 5.85.
    with pytest.raises(PlanError, match="near a null of the beam"):
        target_strengths(
            receiver,
            echoes,
            source_level_db=SOURCE_DB,
            u_source_level_db=0.5,
            angle_rad=math.radians(40.0),
            u_angle_rad=math.radians(2.0),
        )


def test_words_and_json_carry_every_term() -> None:
    found = the_target(a_plan(), radius_m=0.05, at=[1.5, 0.0, 0.0])
    (target,) = json.loads(json.dumps(strength_answer([found]), allow_nan=False))["targets"]
    # Independent terms add in quadrature: JCGM 100:2008, 5.1.2.
    assert target["u_db"] == pytest.approx(math.hypot(*(t["u_db"] for t in target["budget"])))
    words = "\n".join(strength_lines(found))
    assert "on the axis to" in words
    assert "and more beyond" in words
    assert "source level: 0.50 dB" in words


def test_an_echo_nearer_than_the_baseline_allows_is_no_fault() -> None:
    """An echo's path is never shorter than the baseline: the pair's angle ends at 90°."""
    receiver, (echo,) = heard(a_plan(), radius_m=0.05, at=[1.5, 0.0, 0.0])
    beside: Echo = dataclasses.replace(echo, path_m=0.04, range_m=1e-6)
    (found,) = target_strengths(
        receiver, [beside], source_level_db=SOURCE_DB, u_source_level_db=0.5
    )
    assert math.isfinite(found.open_range.axis_db)


@pytest.fixture
def bench(tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A folder with a recording, ``ball``, of a ball of 50 mm that hangs at 1.5 m."""
    monkeypatch.chdir(tmp_path)
    pathlib.Path("plan.toml").write_text(
        '[pulse]\nkind = "chirp"\nstart_hz = 36000.0\nstop_hz = 44000.0\nduration_s = 0.002\n'
        "[timing]\nsample_rate_hz = 192000\nping_interval_s = 0.05\n"
        "[receiver]\nrange_start_m = 0.5\nrange_stop_m = 3.0\n"
        '[geometry]\nbaseline_m = 0.04\ntime_zero = "calibration"\n'
        "[transducer]\nradius_m = 0.008\n"
    )
    pathlib.Path("scene.toml").write_text(
        "[medium]\nsound_speed_m_s = 343.963\n[noise]\nlevel_db = -75.0\n"
        "[direct]\nlevel_db = -80.0\n[transducer]\nradius_m = 0.008\n"
        '[[target]]\nbody = "sphere"\nradius_m = 0.05\nposition_m = [1.5, 0.0, 0.0]\n'
    )
    sent = "run --plan plan.toml --scene scene.toml --pings 3 --record ball --json"
    assert main(sent.split()) == 0


@pytest.mark.usefixtures("bench")
def test_the_command_prints_the_range_of_answers(capsys: pytest.CaptureFixture[str]) -> None:
    asked = ["strength", "ball.sigmf-meta", "--source-level-db", "-10"]
    assert main([*asked, "--json"]) == 0
    (target,) = json.loads(capsys.readouterr().out.splitlines()[-1])["targets"]
    assert target["axis_db"] == pytest.approx(-32.04, abs=0.1)
    assert main(asked) == 0
    printed = capsys.readouterr().out
    assert "from −32.0 dB re 1 m² on the axis to −29.0" in printed
    assert "Source level −10.0 ± 2.0 dB re full scale at 1 m (k = 2), as given" in printed


@pytest.mark.usefixtures("bench")
def test_without_a_source_level_the_command_takes_the_calibrated_one(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert main(["strength", "ball.sigmf-meta"]) == 2
    assert "found no source level and no echobench-calibration.json" in capsys.readouterr().err
    made = "calibrate --plan plan.toml --scene scene.toml --at 1.5 --sphere-radius 0.05 --pings 8"
    assert main(made.split()) == 0
    capsys.readouterr()
    assert main(["strength", "ball.sigmf-meta", "--json"]) == 0
    (target,) = json.loads(capsys.readouterr().out.splitlines()[-1])["targets"]
    # A level by this ball gives its strength back: 20 log(a/2) = −32.04 dB, and what noise
    # 30 dB or more below two echoes, each an average of three pings at the least, does.
    assert target["axis_db"] == pytest.approx(-32.04, abs=0.3)
    assert {"term": "source level", "u_db": pytest.approx(0.5, abs=0.2)} in target["budget"]
    assert main(["strength", "ball.sigmf-meta", "--calibration", "echobench-calibration.json"]) == 0
    assert "from the calibration, by " in capsys.readouterr().out
    # A level that is given goes before the calibrated one.
    asked = ["strength", "ball.sigmf-meta", "--source-level-db", "-16", "--json"]
    assert main([*asked, "--calibration", "echobench-calibration.json"]) == 0
    (given,) = json.loads(capsys.readouterr().out.splitlines()[-1])["targets"]
    assert given["axis_db"] == pytest.approx(-32.04 + 6, abs=0.1)


@pytest.mark.usefixtures("bench")
def test_a_calibration_without_a_level_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    made = "calibrate --plan plan.toml --scene scene.toml --pings 4 --calibration bare.json"
    assert main(made.split()) == 0
    capsys.readouterr()
    assert main(["strength", "ball.sigmf-meta", "--calibration", "bare.json"]) == 2
    assert "found no level in it; calibrate again" in capsys.readouterr().err
