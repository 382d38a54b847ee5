"""One scene file drives the virtual tank and the emulated board, and both see the same."""

import argparse
import json
import math

import numpy as np
import pytest
from typist import typed

from rig.bench.capture import CaptureFlag
from rig.bench.plan import read_plan
from rig.cli import main, opening
from rig.cli.stand import Reopener
from rig.errors import DeviceError
from rig.front_ends.board import emulator, serial_board
from rig.front_ends.board.emulated_board import open_emulated_board
from rig.front_ends.virtual_tank import open_virtual_tank
from rig.run.loop import ping_results
from rig.run.receiver import Receiver
from rig.tank.scene import scene_from_table

PLAN = """
[pulse]
kind = "burst"
centre_hz = 40000.0
cycles = 12
ring_s = 60e-6
[timing]
sample_rate_hz = 62500.0
ping_interval_s = 0.1
band_sampling = true
[receiver]
range_start_m = 0.25
range_stop_m = 2.5
[geometry]
baseline_m = 0.03
time_zero = "calibration"
u_time_zero_s = 1e-6
[transducer]
radius_m = 0.008
"""
SCENE = """
[medium]
sound_speed_m_s = 343.963
[noise]
level_db = -46.0
[source]
level_db = 10.0
[transducer]
shape = "piston"
radius_m = 0.008
[[target]]
body = "sphere"
radius_m = 0.05
position_m = [0.6, 0.0, 0.0]
velocity_m_s = [0.5, 0.0, 0.0]
[[target]]
body = "plate"
width_m = 0.3
height_m = 0.3
position_m = [1.9, 0.0, 0.0]
"""


@pytest.fixture
def files(tmp_path):
    (tmp_path / "plan.toml").write_text(PLAN)
    (tmp_path / "scene.toml").write_text(SCENE)
    return tmp_path


def answer(capsys, *words):
    status = main([str(word) for word in words])
    captured = capsys.readouterr()
    assert status == 0, captured.err
    return json.loads(captured.out.splitlines()[-1])


def run(capsys, files, front_end, *more):
    return answer(
        capsys,
        *("run", "--plan", files / "plan.toml", "--scene", files / "scene.toml"),
        *("--front-end", front_end, "--pings", 8, "--json", *more),
    )


@pytest.fixture(scope="module")
def recorded(tmp_path_factory):
    """What a run on the board answers, and where its recording is; made once."""
    folder = tmp_path_factory.mktemp("board")
    (folder / "plan.toml").write_text(PLAN)
    (folder / "scene.toml").write_text(SCENE)
    words = "run --plan plan.toml --scene scene.toml --front-end emulated-board --pings 8"
    done = typed(*words.split(), "--record", "bench", "--json", folder=folder)
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout.splitlines()[-1]), folder / "bench"


def test_command_gives_the_same_keys_and_ranges_as_the_virtual_tank(capsys, files, recorded):
    board, tank = recorded[0], run(capsys, files, "virtual-tank", "--record", files / "bench")
    assert board.keys() == tank.keys()
    assert (board["pings"], board["lost_pings"]) == (8, 0)
    # The ball has moved for 0.7 s, to 0.95 m; the plate stands at 1.90 m. The ball moves
    # on by 1.4 mm while its echo is on the way, and the two sound speeds differ by 7e-5.
    for truth_m, moves_m in ((0.95, 0.0015), (1.90, 0.0)):
        by_board, by_tank = (
            min(shown["echoes"], key=lambda e: abs(e["range_m"] - truth_m))
            for shown in (board, tank)
        )
        allowed_m = 4 * by_board["u_range_m"] + moves_m
        assert abs(by_board["range_m"] - truth_m) < allowed_m
        assert abs(by_board["range_m"] - by_tank["range_m"]) < allowed_m + 4 * by_tank["u_range_m"]


def test_command_says_that_the_board_s_scene_is_invented(capsys, files):
    bench = ("--plan", str(files / "plan.toml"), "--scene", str(files / "scene.toml"))
    assert main(["run", *bench, "--front-end", "emulated-board", "--pings", "1"]) == 0
    assert "an invented scene, no sound was made" in capsys.readouterr().out


def test_echo_is_as_strong_in_the_virtual_tank_whose_band_folds_likewise(capsys, files, recorded):
    board, tank = recorded[0], run(capsys, files, "virtual-tank")
    strengths_db = [
        min(shown["echoes"], key=lambda e: abs(e["range_m"] - 1.90))["strength_db"]
        for shown in (board, tank)
    ]
    # At 40 kHz the air takes 5.0 dB on the way to the plate and back, at the folded 22.5 kHz
    # 2.3 dB. The burst off the pins is 0.42 dB below the plan's; noise adds 0.2 dB.
    assert abs(strengths_db[0] - strengths_db[1] + 0.42) < 0.6


def test_recording_of_the_board_is_measured_with_all_its_uncertainties(capsys, recorded):
    _, name = recorded
    measured = answer(capsys, "measure", f"{name}.sigmf-meta", "--json")
    assert measured["time_zero"]["method"] == "calibration"
    plate = min(measured["echoes"], key=lambda e: abs(e["range_m"] - 1.90))
    # u² = noise² + (c/2 · u_time_zero)² + (R · u_clock)² + (R · u_c / c)²: the clock's
    # 50 ppm as a rectangle, the plan's 1 µs, 0.5 K and 5 % of humidity.
    clock_m = 1.9 * 50e-6 / math.sqrt(3)
    time_zero_m = 343.96 / 2 * 1e-6
    speed_m = 1.9 / 343.96 * math.hypot(0.5 * 0.607, 5 * 0.0125)
    least_m = math.sqrt(clock_m**2 + time_zero_m**2 + speed_m**2)
    assert least_m < plate["u_range_m"] < 1.2 * least_m
    assert 0 < plate["bound_m"] < plate["u_range_m"]
    assert abs(plate["range_m"] - 1.90) < 4 * plate["u_range_m"]
    replayed = answer(capsys, "replay", f"{name}.sigmf-meta", "--json")
    assert len(replayed["per_ping"]) == 8


def test_each_ping_hears_the_target_where_it_is_then(files):
    scene = scene_from_table(
        {
            "medium": {"sound_speed_m_s": 343.963},
            "noise": {"level_db": -60.0},
            "source": {"level_db": 10.0},
            "target": [
                {
                    "body": "sphere",
                    "radius_m": 0.05,
                    "position_m": [0.6, 0.0, 0.0],
                    "velocity_m_s": [0.5, 0.0, 0.0],
                }
            ],
        }
    )
    plan = read_plan(files / "plan.toml")
    with open_emulated_board(plan, scene=scene) as board:
        results = list(ping_results(Receiver(plan, board.info), board.blocks(6)))
    found_m = np.array([min(r.echoes, key=lambda e: -e.strength_db).range_m for r in results])
    # 0.5 m/s for 0.1 s a ping; the uncertainty of a single range is 0.3 mm of noise.
    assert np.diff(found_m) == pytest.approx([0.05] * 5, abs=0.002)


def test_same_seed_gives_the_same_samples_and_another_seed_does_not(files):
    plan = read_plan(files / "plan.toml")
    scene = scene_from_table({"medium": {"sound_speed_m_s": 343.963}, "noise": {"level_db": -40.0}})
    seen = []
    for seed in (1, 1, 2):
        with open_emulated_board(plan, scene=scene, seed=seed) as board:
            seen.append([block.samples for block in board.blocks(2)])
    assert np.array_equal(seen[0], seen[1])
    assert not np.array_equal(seen[0], seen[2])


def test_fast_clock_makes_ranges_long_by_as_much(files):
    plan = read_plan(files / "plan.toml")
    ranges = []
    for ppm in (0.0, 5000.0):
        scene = scene_from_table(
            {
                "medium": {"sound_speed_m_s": 343.963},
                "source": {"level_db": 10.0},
                "noise": {"level_db": -60.0},
                "converter": {"clock_error_ppm": ppm},
                "target": [{"body": "sphere", "radius_m": 0.05, "position_m": [1.5, 0.0, 0.0]}],
            }
        )
        with open_emulated_board(plan, scene=scene) as board:
            (result,) = ping_results(Receiver(plan, board.info), board.blocks(1))
        ranges.append(result.echoes[0].range_m)
    # A noise of some 0.5 mm on each of the two.
    assert ranges[1] / ranges[0] - 1 == pytest.approx(5000e-6, abs=0.003 / 1.5)


def test_burst_sampled_by_a_sound_cards_rate_agrees_with_the_folded_one(files):
    plan = read_plan(files / "plan.toml")
    scene = scene_from_table(
        {
            "medium": {"sound_speed_m_s": 343.963},
            "source": {"level_db": 10.0},
            "target": [{"body": "sphere", "radius_m": 0.05, "position_m": [1.0, 0.0, 0.0]}],
        }
    )
    with open_virtual_tank(plan, scene=scene) as tank:
        (block,) = tank.blocks(1)
    assert not block.flags & CaptureFlag.MISSING


def test_one_line_names_the_packages_that_are_missing(capsys, files, monkeypatch):
    monkeypatch.setenv("XDG_CACHE_HOME", str(files))
    monkeypatch.setattr(
        emulator, "_NEEDED", {"no-such-compiler": "gcc-avr", "/no/such.h": "libsimavr-dev"}
    )
    status = main(
        [
            *("run", "--plan", str(files / "plan.toml"), "--front-end", "emulated-board"),
            *("--scene", str(files / "scene.toml"), "--json"),
        ]
    )
    (line,) = capsys.readouterr().err.splitlines()
    assert status == 1
    assert "apt-get install gcc-avr libsimavr-dev" in line


def test_sources_that_do_not_build_are_named(monkeypatch, tmp_path):
    broken = tmp_path / "firmware"
    broken.mkdir()
    (broken / "Makefile").write_text("all:\n\t@echo no way >&2; exit 1\n")
    (tmp_path / "emulator").mkdir()
    monkeypatch.setattr(emulator, "_SOURCES", tmp_path)
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    with pytest.raises(DeviceError, match="no way"):
        emulator.built_board(500000)


def test_a_stand_goes_on_with_a_board_that_was_unplugged(files, monkeypatch):
    """The board is lost for good, as its front end sees it, and is opened anew."""
    monkeypatch.setattr(serial_board, "GIVE_UP_S", 0.1)
    plan = read_plan(files / "plan.toml")
    given = argparse.Namespace(
        front_end="emulated-board",
        scene=files / "scene.toml",
        seed=3,
        device=None,
        level=-20.0,
        calibration=None,
    )
    bench = opening.bench_of(given, plan)
    reopen = Reopener(given, plan, None, bench)
    try:
        results = bench.over(bench.run(), 100)
        assert not next(results).lost
        bench.front_end._emulator.command("unplug")
        with pytest.raises(DeviceError, match="no capture came"):
            for _ in results:
                pass
        again = reopen().results
        assert not next(again).lost
        again.close()
    finally:
        reopen.close()
