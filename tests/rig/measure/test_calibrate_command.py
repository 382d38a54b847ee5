"""The command `calibrate` and what uses its file; the scenes are invented."""

import json
from pathlib import Path
from typing import Any

import pytest
from typist import typed

PLAN = """
[pulse]
kind = "chirp"
start_hz = 4000.0
stop_hz = 12000.0
duration_s = 0.010
"""
EQUALISED = PLAN + '[receiver]\nweighting = "equalised"\n'
BENCH = """
[medium]
kind = "air"
sound_speed_m_s = 346.1
[noise]
level_db = -60.0
[transducer]
radius_m = 0.02
resonance_hz = 8000.0
bandwidth_hz = 4000.0
"""


def plate(range_m: float) -> str:
    sides = "width_m = 0.09\nheight_m = 0.09\n"
    return f'[[target]]\nbody = "plate"\n{sides}position_m = [{range_m}, 0.0, 0.0]\n'


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("calibrate")
    (made / "plan.toml").write_text(PLAN)
    (made / "equalised.toml").write_text(EQUALISED)
    (made / "plates.toml").write_text(BENCH + plate(0.7) + plate(1.9))
    (made / "one.toml").write_text(BENCH + plate(1.4))
    return made


def answer(folder: Path, *words: str) -> dict[str, Any]:
    done = typed(*words, "--json", folder=folder)
    assert done.returncode == 0, done.stderr
    found: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return found


CALIBRATE = ("calibrate", "--plan", "plan.toml", "--scene", "plates.toml", "--pings", "8")
AT = ("--at", "0.7", "--at", "1.9", "--plate-size", "0.09", "0.09")


@pytest.fixture(scope="module")
def stored(folder: Path) -> dict[str, Any]:
    return answer(folder, *CALIBRATE, *AT)


def test_calibrate_answers_with_all_that_it_stored(stored: dict[str, Any], folder: Path) -> None:
    assert set(stored) == {
        "calibration",
        "made",
        "front_end",
        "device",
        "sample_rate_hz",
        "pings",
        "time_zero",
        "sound_speed",
        "replica",
        "level",
        "findings",
        "notes",
    }
    assert (folder / stored["calibration"]).is_file()
    assert stored["calibration"] == "echobench-calibration.json"
    # 50 dB and more in the tank: the promise is a thousandth.
    assert stored["sound_speed"]["sound_speed_m_s"] == pytest.approx(346.1, rel=1e-3)


@pytest.mark.usefixtures("stored")
def test_calibrate_warns_of_the_level_first_and_prints_each_number_with_its_doubt(
    folder: Path,
) -> None:
    done = typed(*CALIBRATE, *AT, folder=folder)
    assert done.returncode == 0, done.stderr
    assert "Start quiet" in done.stderr.splitlines()[0]
    for words in ("sound speed 346.", "by two distances", "time zero", "dB more noise", "level"):
        assert words in done.stdout


@pytest.mark.usefixtures("stored")
def test_run_equalises_by_the_calibration_beside_the_plan(folder: Path) -> None:
    words = ("run", "--plan", "equalised.toml", "--scene", "one.toml", "--pings", "2")
    found = answer(folder, *words)
    assert found["sound_speed_m_s"] == pytest.approx(346.1, rel=1e-3)
    # Plates at other distances are coloured otherwise: 1.5 mm; the tape 1 mm in 1.2 m.
    assert [e["range_m"] for e in found["echoes"]] == pytest.approx([1.4], abs=0.004)


@pytest.mark.usefixtures("stored")
def test_replay_and_measure_equalise_what_was_recorded_without(folder: Path) -> None:
    answer(folder, "run", "--plan", "plan.toml", "--scene", "one.toml", "--pings", "2", "--record",
           "heard")  # fmt: skip
    for name in ("replay", "measure"):
        found = answer(folder, name, "heard.sigmf-meta", "--plan", "equalised.toml")
        assert [e["range_m"] for e in found["echoes"]] == pytest.approx([1.4], abs=0.004)


@pytest.mark.usefixtures("stored")
def test_a_named_calibration_brings_its_sound_speed_to_a_plain_plan(folder: Path) -> None:
    words = ("run", "--plan", "plan.toml", "--scene", "one.toml", "--pings", "1")
    named = ("--calibration", "echobench-calibration.json")
    assert answer(folder, *words)["sound_speed_m_s"] == pytest.approx(343.99, abs=0.05)
    speed_m_s = answer(folder, *words, *named)["sound_speed_m_s"]
    assert speed_m_s == pytest.approx(346.1, rel=1e-3)


def test_plan_foretells_without_a_calibration(folder: Path) -> None:
    plain, equalised = (
        answer(folder, "plan", "--plan", f"{n}.toml") for n in ("plan", "equalised")
    )
    assert equalised["resolution_m"] == plain["resolution_m"]


def test_a_plan_that_needs_a_calibration_fails_as_wrong_input_without_one(tmp_path: Path) -> None:
    (tmp_path / "equalised.toml").write_text(EQUALISED)
    done = typed("run", "--plan", "equalised.toml", "--json", folder=tmp_path)
    assert done.returncode == 2
    assert "no such calibration; make one with `echobench calibrate" in done.stderr
    assert len(done.stderr.splitlines()) == 1


@pytest.mark.usefixtures("stored")
def test_a_foreign_calibration_fails_as_wrong_input(folder: Path, tmp_path: Path) -> None:
    (tmp_path / "other.toml").write_text(EQUALISED.replace("12000", "11000"))
    file = str(folder / "echobench-calibration.json")
    done = typed("run", "--plan", "other.toml", "--calibration", file, "--json", folder=tmp_path)
    assert done.returncode == 2
    assert "calibration: foreign: made with another pulse" in done.stderr


def test_one_by_one_asks_for_each_target_and_waits(folder: Path) -> None:
    words = (*CALIBRATE, *AT, "--one-by-one", "--calibration", "asked.json")
    done = typed(*words, told="\n\n\n", folder=folder)
    assert done.returncode == 0, done.stderr
    assert done.stderr.count("Then press Enter") == 3
    assert "0.7 m from midway between source and receiver" in done.stderr
    ended = typed(*words, told="\n", folder=folder)
    assert ended.returncode == 2
    assert "the input ended before the step 'target at 0.7 m'" in ended.stderr


@pytest.mark.parametrize(
    ("words", "complaint"),
    [
        (("--one-by-one",), "--one-by-one: found without --at"),
        (("--at", "9"), "target: found at 9 m, outside the plan's ranges"),
        (("--at", "2.9"), "no echo within 0.12 m of the target at 2.9 m"),
        (("--at", "-1"), "argument --at"),
        ((*AT, "--sphere-radius", "0.1"), "--plate-size: found with --sphere-radius"),
    ],
)
def test_wrong_words_are_refused(folder: Path, words: tuple[str, ...], complaint: str) -> None:
    done = typed(*CALIBRATE, *words, "--calibration", "unused.json", folder=folder)
    assert done.returncode == 2
    assert complaint in done.stderr
    assert not (folder / "unused.json").exists()
