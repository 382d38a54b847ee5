"""Beams measured through the virtual tank, whose pattern is its own code.

The truth is sin θ = 1.1602860/(ka), a disc's half power out and back (computed with
scipy), with the sound speed of the scene.
"""

from __future__ import annotations

import dataclasses
import io
import json
import math
import pathlib
from typing import Any

import numpy as np
import pytest
from mutations import without_checksum

from rig.bench.plan import Plan, plan_from_table
from rig.cli import main
from rig.errors import RecordingError
from rig.files.calibration import CALIBRATION_NAME
from rig.front_ends.virtual_tank import open_virtual_tank
from rig.measure.beam.answer import beam_answer
from rig.measure.beam.measurement import beam_of, measure_beam
from rig.measure.beam.moved import SteadyPass, Stop, Stops, read_stops
from rig.measure.beam.range_shift import range_shift_m
from rig.measure.beam.setting import setting_of
from rig.measure.beam.words import beam_lines
from rig.run.loop import ping_results
from rig.run.receiver import Receiver
from rig.run.results import PingResult
from rig.run.run import run_with
from rig.tank.scene import Scene, scene_from_table

SPEED_M_S = 343.963  # of the scene; the plan's 20 °C and 50 % mean 343.99
HALF_POWER = 1.1602860
BASELINE_M = 0.03


def half_power_rad(radius_m: float, hz: float) -> float:
    return math.asin(HALF_POWER * SPEED_M_S / (2 * math.pi * hz * radius_m))


def a_plan(radius_m: float, hz: float, **receiver: Any) -> Plan:
    return plan_from_table(
        {
            "pulse": {
                "kind": "chirp",
                "start_hz": 0.95 * hz,
                "stop_hz": 1.05 * hz,
                "duration_s": 0.002,
            },
            "timing": {"sample_rate_hz": 2.6 * hz, "ping_interval_s": 0.018},
            "receiver": {"range_start_m": 0.7, "range_stop_m": 1.33, **receiver},
            "geometry": {"baseline_m": BASELINE_M, "time_zero": "calibration"},
            "transducer": {"radius_m": radius_m},
        }
    )


def a_scene(
    radius_m: float,
    *,
    tilt_deg: float = 0.0,
    noise_db: float = -80.0,
    at: list[float],
    velocity: list[float] | None = None,
    **tables: Any,
) -> Scene:
    return scene_from_table(
        {
            "medium": {"sound_speed_m_s": SPEED_M_S},
            "noise": {"level_db": noise_db},
            "direct": {"level_db": -80.0},
            "transducer": {"radius_m": radius_m, "tilt_deg": tilt_deg},
            "target": [
                {
                    "body": "sphere",
                    "radius_m": 0.05,
                    "position_m": at,
                    "velocity_m_s": velocity or [0.0, 0.0, 0.0],
                }
            ],
            **tables,
        }
    )


def heard(plan: Plan, scene: Scene, pings: int, seed: int) -> tuple[Receiver, list[PingResult]]:
    with open_virtual_tank(plan, scene=scene, seed=seed) as front_end:
        receiver = Receiver(plan, front_end.info)
        blocks = front_end.blocks(pings)
        return receiver, list(ping_results(receiver, blocks, at_a_time=pings))


def an_upward_pass(
    radius_m: float, hz: float, tilt_deg: float, snr_db: float, seed: int, *, pings: int = 28
) -> tuple[Receiver, list[PingResult], float]:
    """A ball of −32 dB drawn up past the pair at 1 m, out to 2.5 half-power angles."""
    plan = a_plan(radius_m, hz)
    half = half_power_rad(radius_m, hz)
    low, high = (math.tan(math.radians(tilt_deg) + s * 2.5 * half) for s in (-1, 1))
    speed_m_s = (high - low) / (pings * plan.timing.ping_interval_s)
    # 2E/N0 = A²·(energy in samples)/σ²; a Tukey chirp has 0.47 of its samples' count. The
    # −10 dB source, −32 dB ball and 1 m each way leave A = −42 dB, and air takes up to 2.6.
    energy = 0.47 * 0.002 * plan.timing.sample_rate_hz
    noise_db = -42.0 - 2.6 * hz / 40e3 + 10 * math.log10(energy) - snr_db
    scene = a_scene(
        radius_m,
        tilt_deg=tilt_deg,
        noise_db=noise_db,
        at=[1.0, 0.0, low],
        velocity=[0.0, 0.0, speed_m_s],
    )
    receiver, results = heard(plan, scene, pings, seed)
    return receiver, results, speed_m_s


def test_half_power_angles_hold_in_95_of_100_passes() -> None:
    """Own noise, tilt 0 to 6°, three radii, three frequencies, 2E/N0 of 25 to 40 dB.

    Intervals that hold 80 % pass the count in one draw of four, and the errors' spread in one of
    six: their own uncertainties are then 1.53 times too small.
    """
    rng = np.random.default_rng(20)
    good = held = tilts = 0
    trials = 36  # four of each radius at each frequency
    errors_u = []
    for trial in range(trials):
        radius_m = (0.02, 0.03, 0.04)[trial % 3]
        hz = (20e3, 30e3, 40e3)[trial // 3 % 3]
        tilt_deg, snr_db = rng.uniform(0, 6), rng.uniform(25, 40)
        receiver, results, speed_m_s = an_upward_pass(radius_m, hz, tilt_deg, snr_db, seed=trial)
        beam = measure_beam(receiver, results, SteadyPass(speed_m_s=speed_m_s), beside=False)
        truth = half_power_rad(radius_m, hz)
        error = abs(beam.fit.half_power_rad - truth)
        inside = error < 1.96 * beam.u_half_power_rad
        held += inside
        errors_u.append(error / beam.u_half_power_rad)
        good += inside or error < 0.03 * truth
        tilts += abs(beam.fit.tilt_rad - math.radians(tilt_deg)) < 1.96 * beam.u_tilt_rad
    # What is promised of the bench: within 3 % or its own interval, in 95 %.
    assert good >= 0.95 * trials
    # The intervals alone: 95 % of 36 are 34.2, spread 1.3; three spreads below.
    assert held >= 34.2 - 3 * 1.3
    # Nor do errors spread wider than they are told: χ² of 36, three of its standard errors above.
    assert np.sqrt(np.mean(np.square(errors_u))) <= 1 + 3 / math.sqrt(2 * trials)
    # The tilt hangs on the ranges' noise too, which near the threshold exceeds its bound:
    # 90 % is what is promised of it.
    assert tilts >= 0.90 * trials


@pytest.fixture(scope="module")
def quiet_pass() -> tuple[Receiver, list[PingResult], float]:
    return an_upward_pass(0.02, 40e3, 3.0, 60.0, seed=1, pings=40)


def test_a_quiet_pass_gives_the_tanks_own_numbers(quiet_pass) -> None:
    receiver, results, speed_m_s = quiet_pass
    beam = measure_beam(receiver, results, SteadyPass(speed_m_s=speed_m_s), beside=False)
    # At 60 dB noise leaves 1e-3 of a level; the beliefs about the sound speed differ by
    # 7e-5. What is left is the pass's own Doppler on the ranges: 0.3 % of the angle.
    assert beam.fit.half_power_rad == pytest.approx(half_power_rad(0.02, 40e3), rel=3e-3)
    assert beam.fit.size_m == pytest.approx(0.02, rel=3e-3)
    assert math.degrees(beam.fit.tilt_rad) == pytest.approx(3.0, abs=0.1)
    assert beam.fit.closest_m == pytest.approx(1.0, abs=3 * beam.u_closest_m)
    assert beam.moved == "pass"
    # Drawn up evenly, it is level with the pair so long after the first ping left; the sound meets
    # it 3.9 ms after each has.
    low_m = math.tan(math.radians(3.0) - 2.5 * half_power_rad(0.02, 40e3))
    assert beam.closest_time_s == pytest.approx(
        -low_m / speed_m_s, abs=3 * beam.fit.u_centre_m / speed_m_s
    )
    assert 3 * beam.fit.u_centre_m / speed_m_s < 2e-3


@pytest.mark.parametrize("radius_m", [0.004, 0.01])
def test_an_octave_and_a_half_is_claimed_and_held(radius_m: float) -> None:
    """The band of the plan in air, and a ball that sends back more of its upper end.

    Off the axis the echo has lost the upper band, and its top is blunter: ranges stray there by
    several times what a copy of the pulse would.
    """
    pulse = {"kind": "chirp", "start_hz": 4e3, "stop_hz": 12e3, "duration_s": 0.010}
    plan = plan_from_table(
        {
            "pulse": pulse,
            "timing": {"ping_interval_s": 0.1},
            "receiver": {"range_stop_m": 2.0},
            "geometry": {"baseline_m": 0.03},
            "transducer": {"radius_m": 0.03},
        }
    )
    scene = dataclasses.replace(
        a_scene(0.03, noise_db=-80.0, at=[0.7, -0.7, 0.0], velocity=[0.0, 0.2, 0.0]),
        direct=scene_from_table(
            {"medium": {"sound_speed_m_s": SPEED_M_S}, "direct": {"level_db": -30.0}}
        ).direct,
    )
    scene = dataclasses.replace(
        scene, target=tuple(dataclasses.replace(t, radius_m=radius_m) for t in scene.target)
    )
    receiver, results = heard(plan, scene, 70, 3)
    beam = measure_beam(receiver, results, SteadyPass(speed_m_s=0.2))
    assert beam.fit.holds
    assert abs(beam.fit.size_m - 0.03) < 3 * beam.u_size_m
    assert beam.u_size_m < 0.1 * 0.03


def test_a_speed_that_is_not_known_widens_the_answer(quiet_pass) -> None:
    receiver, results, speed_m_s = quiet_pass
    moved = SteadyPass(speed_m_s=speed_m_s, u_speed_m_s=0.05 * speed_m_s)
    beam = measure_beam(receiver, results, moved, beside=False)
    # An angle is an offset over a range: 5 % of speed is 5 % of it, and sin 2θ/2 is θ
    # but for 0.5 % at 4.6°.
    assert beam.u_half_power_rad == pytest.approx(0.05 * beam.fit.half_power_rad, rel=0.02)
    assert dict(beam.terms)["speed of the target"] <= beam.u_half_power_rad
    wrong = measure_beam(receiver, results, SteadyPass(speed_m_s=1.05 * speed_m_s), beside=False)
    assert abs(wrong.fit.half_power_rad / half_power_rad(0.02, 40e3) - 1) < 0.1


def test_a_slide_needs_no_speed() -> None:
    """Still targets at known places, each pinged on its own."""
    plan = a_plan(0.02, 40e3)
    places = np.linspace(-0.15, 0.25, 21)
    results, stops = [], []
    receiver = None
    for i, place in enumerate(places.tolist()):
        scene = a_scene(0.02, tilt_deg=3.0, noise_db=-70.0, at=[1.0, 0.0, place])
        receiver, pings = heard(plan, scene, 2, seed=i)
        results += [dataclasses.replace(p, index=2 * i + p.index) for p in pings]
        stops.append(Stop(place=place, first_ping=2 * i, last_ping=2 * i + 1))
    assert receiver is not None
    moved = Stops(turned=False, stops=tuple(stops))
    beam = measure_beam(receiver, results, moved, beside=False)
    assert beam.pings == 42
    truth = half_power_rad(0.02, 40e3)
    # Three standard uncertainties, which are those of a few tenths of a percent.
    assert abs(beam.fit.half_power_rad - truth) < 3 * beam.u_half_power_rad
    assert beam.u_half_power_rad < 0.01 * truth
    assert abs(beam.fit.tilt_rad - math.radians(3.0)) < 3 * beam.u_tilt_rad
    # The zero is known to 2 mm at 1 m, 0.11°, or better from the arch.
    assert beam.u_tilt_rad < math.radians(0.12)


def test_a_turntable_turns_the_target_about_the_pair() -> None:
    plan = a_plan(0.03, 30e3)
    results, stops = [], []
    receiver = None
    for i, degrees in enumerate(np.arange(-9.0, 12.1, 1.0).tolist()):
        angle = math.radians(degrees)
        scene = a_scene(
            0.03, tilt_deg=1.5, noise_db=-70.0, at=[math.cos(angle), 0.0, math.sin(angle)]
        )
        receiver, pings = heard(plan, scene, 1, seed=100 + i)
        results += [dataclasses.replace(p, index=i) for p in pings]
        stops.append(Stop(place=angle, first_ping=i, last_ping=i))
    assert receiver is not None
    beam = measure_beam(receiver, results, Stops(turned=True, stops=tuple(stops)), beside=False)
    truth = half_power_rad(0.03, 30e3)
    assert abs(beam.fit.half_power_rad - truth) < 3 * beam.u_half_power_rad
    assert beam.u_half_power_rad < 0.01 * truth
    assert abs(beam.fit.tilt_rad - math.radians(1.5)) < 3 * beam.u_tilt_rad
    assert beam.closest_time_s is None


def test_a_stronger_thing_behind_is_left_out_by_range() -> None:
    plan = a_plan(0.02, 40e3, weighting="hann")
    scene = a_scene(
        0.02,
        tilt_deg=0.0,
        noise_db=-75.0,
        at=[1.0, 0.0, -0.2],
        velocity=[0.0, 0.0, 0.4],
    )
    plate = scene_from_table(
        {
            "medium": {"sound_speed_m_s": SPEED_M_S},
            "target": [
                {"body": "plate", "width_m": 0.03, "height_m": 0.03, "position_m": [1.3, 0.0, 0.0]}
            ],
        }
    ).target
    receiver, results = heard(plan, dataclasses.replace(scene, target=scene.target + plate), 55, 3)
    moved = SteadyPass(speed_m_s=0.4)
    beam = measure_beam(receiver, results, moved, beside=False, to_m=1.1)
    # The plate is of (A/λ)², −20 dB, and the ball −32 dB: over the whole range it would be
    # taken for the target. Its side lobes are 31 dB below it where they are strongest, 20 dB
    # below the ball: 10 % of one level in places, and a third of that in the angle.
    with pytest.raises(RecordingError):
        measure_beam(receiver, results, moved, beside=False)
    assert beam.fit.half_power_rad == pytest.approx(half_power_rad(0.02, 40e3), rel=0.03)
    assert beam.fit.closest_m == pytest.approx(1.0, abs=0.005)


def test_what_speaks_against_the_numbers_is_said() -> None:
    near = a_plan(0.06, 40e3, range_start_m=0.2)
    scene = a_scene(0.06, at=[0.4, 0.0, -0.06], velocity=[0.0, 0.0, 0.2], noise_db=-60.0)
    receiver, results = heard(near, scene, 34, 4)
    beam = measure_beam(receiver, results, SteadyPass(speed_m_s=0.2), beside=False)
    # 2·a²/λ = 0.84 m, 8a = 0.48 m: 0.4 m is in the near field.
    assert any(c.startswith("too near") for c in beam.cautions)
    half = [r for r in results if r.sent_s < 0.31]
    one_sided = measure_beam(receiver, half, SteadyPass(speed_m_s=0.2), beside=False)
    assert any(c.startswith("one side only") for c in one_sided.cautions)


def test_lost_and_clipped_pings_are_left_out_and_counted(quiet_pass) -> None:
    receiver, results, speed_m_s = quiet_pass
    spoilt = list(results)
    spoilt[20] = PingResult(index=20, sent_s=results[20].sent_s, lost=True, reason="gone")
    spoilt[21] = dataclasses.replace(results[21], clipped=True)
    beam = measure_beam(receiver, spoilt, SteadyPass(speed_m_s=speed_m_s), beside=False)
    assert beam.left_out == 2
    assert beam.echoes + beam.missing == beam.pings - 2
    assert any(c.startswith("1 clipped") for c in beam.cautions)
    assert beam.fit.half_power_rad == pytest.approx(half_power_rad(0.02, 40e3), rel=5e-3)


def test_a_receding_chirp_seems_further_off_by_the_textbooks_amount() -> None:
    """Range–Doppler coupling: f·T/B metres for each m/s, where the pulse has many cycles.

    A. W. Rihaczek, Principles of High-Resolution Radar, 1969 (from memory): 8 kHz, 10 ms,
    8 kHz of band: 10 mm for each m/s.
    """
    plan = plan_from_table(
        {
            "pulse": {"kind": "chirp", "start_hz": 4e3, "stop_hz": 12e3, "duration_s": 0.01},
            "timing": {"sample_rate_hz": 48000},
        }
    )
    with open_virtual_tank(plan, scene=a_scene(0.03, at=[1.0, 0.0, 0.0])) as front_end:
        receiver = Receiver(plan, front_end.info)
    speed, shift_m = range_shift_m(receiver, 1.0)
    assert speed[0] == shift_m[0] == 0.0
    # 80 cycles of the envelope: the ends' share is of the order of 1/80, and the taper
    # shortens the sweep's edges: 5 %.
    assert shift_m[-1] == pytest.approx(0.010, rel=0.05)


def test_the_bands_few_frequencies_average_as_all_of_it() -> None:
    plan = a_plan(0.02, 40e3)
    with open_virtual_tank(plan, scene=a_scene(0.02, at=[1.0, 0.0, 0.0])) as front_end:
        receiver = Receiver(plan, front_end.info)
    setting = setting_of(receiver)
    shape = receiver.shape
    frequency_hz = shape.carrier_hz + shape.offset_hz
    assert setting.share.sum() == pytest.approx(1.0, abs=1e-9)
    for power in (1, 2, 5):
        # Gauss's rule is exact to degree 13; 1e-9 is rounding.
        whole = float(shape.weights @ (frequency_hz / 40e3) ** power)
        few = float(setting.share @ (setting.frequency_hz / 40e3) ** power)
        assert few == pytest.approx(whole, rel=1e-9)


def test_stops_are_read_with_and_without_pings(tmp_path: pathlib.Path) -> None:
    path = tmp_path / "stops.csv"
    path.write_text("position_m,first_ping,last_ping\n-0.1,0,3\n0.1,4,7\n")
    stops = read_stops(path)
    assert not stops.turned
    assert stops.stops[1] == Stop(place=0.1, first_ping=4, last_ping=7)
    path.write_text("angle_deg\n-5\n0\n5\n")
    turned = read_stops(path)
    assert turned.turned
    assert [s.first_ping for s in turned.stops] == [0, 1, 2]
    assert turned.stops[0].place == pytest.approx(-math.pi / 36)


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("", "found the columns none"),
        ("place\n1\n", "found the columns place"),
        ("position_m,angle_deg\n1,2\n", "give one of position_m and angle_deg"),
        ("position_m,first_ping\n1,0\n", "give both"),
        ("position_m\nx\n", "line 2: could not convert"),
        ("position_m,first_ping,last_ping\n1,3,2\n", "pings that count up"),
        ("angle_deg\n95\n", "within ±90°"),
        ("position_m\nnan\n", "line 2: found position_m nan"),
    ],
)
def test_bad_stops_are_refused_by_line(tmp_path: pathlib.Path, text: str, complaint: str) -> None:
    path = tmp_path / "stops.csv"
    path.write_text(text)
    with pytest.raises(RecordingError, match=complaint):
        read_stops(path)


def test_a_plan_that_stacks_measures_the_beam_ping_by_ping_all_the_same(quiet_pass) -> None:
    receiver, results, speed_m_s = quiet_pass
    stacking = dataclasses.replace(
        receiver.plan, receiver=dataclasses.replace(receiver.plan.receiver, stack=4)
    )
    moved = SteadyPass(speed_m_s=speed_m_s)
    plain = beam_of(run_with(receiver, results), moved, beside=False)
    stacked = beam_of(run_with(Receiver(stacking, receiver.info), results), moved, beside=False)
    assert stacked.fit.half_power_rad == plain.fit.half_power_rad
    assert stacked.u_half_power_rad == plain.u_half_power_rad


def test_settings_beyond_the_recording_are_refused(quiet_pass) -> None:
    receiver, results, _ = quiet_pass
    stops = Stops(turned=False, stops=(Stop(place=0.0, first_ping=0, last_ping=60),))
    with pytest.raises(RecordingError, match="21 of which are not there"):
        measure_beam(receiver, results, stops)


def test_silence_is_refused_with_what_would_do() -> None:
    plan = a_plan(0.02, 40e3)
    receiver, results = heard(plan, a_scene(0.02, noise_db=-20.0, at=[1.0, 0.0, 0.0]), 6, 5)
    with pytest.raises(RecordingError, match="the beam cannot be fitted"):
        measure_beam(receiver, results, SteadyPass(speed_m_s=0.1))


def test_words_and_json_say_the_same(quiet_pass) -> None:
    receiver, results, speed_m_s = quiet_pass
    beam = measure_beam(receiver, results, SteadyPass(speed_m_s=speed_m_s), beside=False)
    answer = json.loads(json.dumps(beam_answer(beam), allow_nan=False))
    assert len(answer["levels"]) == answer["echoes_found"] + answer["echoes_missing"]
    assert answer["half_power_deg"] == pytest.approx(math.degrees(beam.fit.half_power_rad))
    lines = "\n".join(beam_lines(beam))
    # As many digits as the uncertainty has: two or more behind the point of so quiet a pass.
    assert f"{answer['half_power_deg']:.2f}"[:-1] in lines
    assert f"{1e3 * answer['size_m']:.1f}"[:-1] in lines


PLAN = """
[pulse]
kind = "chirp"
start_hz = 38000.0
stop_hz = 42000.0
duration_s = 0.002
[timing]
sample_rate_hz = 104000
ping_interval_s = 0.02
[receiver]
range_start_m = 0.7
range_stop_m = 1.5
[geometry]
baseline_m = 0.03
time_zero = "calibration"
[transducer]
radius_m = 0.02
"""
SCENE = """
[medium]
sound_speed_m_s = 343.963
[noise]
level_db = -70.0
[direct]
level_db = -80.0
[transducer]
radius_m = 0.02
tilt_deg = 2.0
[[target]]
body = "sphere"
radius_m = 0.05
position_m = [1.0, 0.0, -0.2]
velocity_m_s = [0.0, 0.0, 0.4]
"""


@pytest.fixture
def files(tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch) -> pathlib.Path:
    (tmp_path / "plan.toml").write_text(PLAN)
    (tmp_path / "scene.toml").write_text(SCENE)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_the_command_measures_live_and_again_from_its_recording(
    files: pathlib.Path, capsys: pytest.CaptureFixture[str]
) -> None:
    moved = ["--speed-m-s", "0.4", "--square", "--json"]
    live = "beam --plan plan.toml --scene scene.toml --pings 55 --record up --picture up.png"
    assert main([*live.split(), *moved]) == 0
    first = json.loads(capsys.readouterr().out.splitlines()[-1])
    assert main(["beam", "up.sigmf-meta", *moved]) == 0
    again = json.loads(capsys.readouterr().out.splitlines()[-1])
    assert again == first
    assert first["half_power_deg"] == pytest.approx(
        math.degrees(half_power_rad(0.02, 40e3)), abs=3 * first["u_half_power_deg"]
    )
    assert first["tilt_deg"] == pytest.approx(2.0, abs=3 * first["u_tilt_deg"])
    assert (files / "up.png").read_bytes().startswith(b"\x89PNG")


def test_the_command_takes_a_stored_sound_speed_and_refuses_a_foreign_one(
    files: pathlib.Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sent = "run --plan plan.toml --scene scene.toml --pings 55 --record up --json"
    assert main(sent.split()) == 0
    made = "calibrate --plan plan.toml --scene scene.toml --pings 4 --json"
    assert main(made.split()) == 0
    stored = json.loads(without_checksum((files / CALIBRATION_NAME).read_bytes()))
    stored["sound_speed"] |= {"method": "one distance", "u_sound_speed_m_s": 0.1}
    stored["sound_speed"]["sound_speed_m_s"] *= 1.01
    (files / "faster.json").write_text(json.dumps(stored))
    capsys.readouterr()
    moved = ["beam", "up.sigmf-meta", "--speed-m-s", "0.4", "--square", "--json"]
    closest_m = []
    for words in ([], ["--calibration", "faster.json"]):
        assert main([*moved, *words]) == 0
        closest_m.append(json.loads(capsys.readouterr().out.splitlines()[-1])["closest_range_m"])
    # All ranges grow by 1 %, and the path that the target was drawn along does not.
    assert closest_m[1] / closest_m[0] == pytest.approx(1.01, abs=2e-3)
    stored["plan"]["pulse"]["duration_s"] *= 2
    (files / "foreign.json").write_text(json.dumps(stored))
    assert main([*moved, "--calibration", "foreign.json"]) == 2
    assert "foreign: made with another pulse" in capsys.readouterr().err


def test_the_command_asks_for_each_stop(
    files: pathlib.Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    (files / "stops.csv").write_text("position_m\n-0.1\n0.1\n")
    monkeypatch.setattr("sys.stdin", io.StringIO("\n"))
    live = ["beam", "--plan", "plan.toml", "--scene", "scene.toml", "--square"]
    assert main([*live, "--stops", "stops.csv"]) == 2
    complaints = capsys.readouterr().err
    assert "1 of 2: set the target to -0.1 m, then press Enter" in complaints
    assert "the input ended before stop 2" in complaints


def test_the_command_wants_pings_from_somewhere(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["beam", "--speed-m-s", "0.1"]) == 2
    assert "give a RECORDING, or --plan FILE" in capsys.readouterr().err
    with pytest.raises(SystemExit) as stopped:
        main(["beam", "up.sigmf-meta", "--speed-m-s", "-1"])
    assert stopped.value.code == 2
