"""The command as a user meets it: its words, its two streams and its exit status."""

import json
import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from typist import PATIENCE_S, SCREENS, run_apart, typed

PLAN = """
[pulse]
kind = "chirp"
start_hz = 4000.0
stop_hz = 12000.0
duration_s = 0.010
"""
SCENE = """
[medium]
kind = "air"
sound_speed_m_s = 343.963
[noise]
level_db = -70.0
[[target]]
body = "sphere"
radius_m = 0.05
position_m = [1.2, 0.0, 0.0]
"""
ECHO_KEYS = {
    "range_m",
    "path_m",
    "delay_s",
    "u_range_m",
    "strength_db",
    "snr_db",
    "bound_m",
}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "plan.toml").write_text(PLAN)
    (tmp_path / "scene.toml").write_text(SCENE)
    return tmp_path


def answer(*words: str, folder: Path) -> dict[str, Any]:
    done = typed(*words, "--json", folder=folder)
    assert done.returncode == 0, done.stderr
    found: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return found


RUN = ("run", "--plan", "plan.toml", "--scene", "scene.toml")


def test_run_finds_the_scene_s_target_within_its_stated_uncertainty(folder: Path) -> None:
    found = answer(*RUN, "--pings", "3", folder=folder)
    assert (found["pings"], found["lost_pings"]) == (3, 0)
    assert found["time_zero"]["method"] == "direct"
    assert abs(found["time_zero"]["delay_s"]) < 1e-6  # a scene without latency
    (echo,) = found["echoes"]
    assert set(echo) == ECHO_KEYS
    assert abs(echo["range_m"] - 1.2) < 2 * echo["u_range_m"]
    assert echo["path_m"] == pytest.approx(echo["delay_s"] * found["sound_speed_m_s"], rel=1e-12)


def test_the_same_seed_gives_the_same_answer_and_another_another(folder: Path) -> None:
    one, again, other = (
        answer(*RUN, "--pings", "2", "--seed", seed, folder=folder) for seed in ("7", "7", "8")
    )
    assert one == again
    assert one != other


def test_a_run_and_its_replay_give_the_same_numbers_bit_for_bit(folder: Path) -> None:
    live = answer(*RUN, "--pings", "4", "--record", "kept", folder=folder)
    replayed = answer("replay", "kept.sigmf-meta", folder=folder)
    per_ping = replayed.pop("per_ping")
    assert [p["kind"] for p in replayed.pop("passes")] == ["cannot-tell"]  # 4 pings are too few
    assert replayed == live
    assert [p["index"] for p in per_ping] == [0, 1, 2, 3]
    assert per_ping[-1]["echoes"] == live["echoes"]
    assert not any(p["lost"] for p in per_ping)


def test_measure_is_surer_than_a_single_ping(folder: Path) -> None:
    live = answer(*RUN, "--pings", "16", "--record", "kept", folder=folder)
    measured = answer("measure", "kept.sigmf-meta", folder=folder)
    # √16, with each noise estimate good to 16 %.
    ratio = live["echoes"][0]["bound_m"] / measured["echoes"][0]["bound_m"]
    assert ratio == pytest.approx(4, rel=0.35)


def test_a_wav_file_is_replayed_with_its_plan(folder: Path) -> None:
    # Two echoes at exact parts of a sample, made by turning the pulse's spectrum.
    rate, speed, baseline = 48_000, 343.987, 0.12
    t = np.arange(480) / rate
    edge = np.minimum(np.minimum(np.arange(480), 479 - np.arange(480)) / 23.95, 1)
    pulse = (0.5 - 0.5 * np.cos(np.pi * edge)) * np.sin(2 * np.pi * (4e3 * t + 4e5 * t**2))
    length = 1 << 15
    spectrum = np.fft.rfft(pulse, length)
    frequency = np.fft.rfftfreq(length, 1 / rate)
    sound = 1e-4 * np.random.default_rng(1).standard_normal(3000 + 12_000 * 4)
    for range_m, amplitude in ((0.0, 0.3), (0.8, 0.03), (2.0, 0.01)):
        delay = 0.01 + np.hypot(2 * range_m, baseline) / speed
        echo = np.fft.irfft(spectrum * np.exp(-2j * np.pi * frequency * delay), length)
        for ping in range(4):
            sound[ping * 12_000 : ping * 12_000 + 12_000] += amplitude * echo[:12_000]
    soundfile.write(folder / "pings.wav", sound, rate, subtype="FLOAT")
    found = answer("measure", "pings.wav", "--plan", "plan.toml", folder=folder)
    assert (found["pings"], found["lost_pings"]) == (4, 0)
    assert [round(e["range_m"], 3) for e in found["echoes"]] == [0.8, 2.0]
    assert found["time_zero"]["delay_s"] == pytest.approx(0.01, abs=2e-6)


def test_a_sound_file_without_a_plan_is_refused(folder: Path) -> None:
    soundfile.write(folder / "pings.wav", np.zeros(48_000), 48_000)
    done = typed("replay", "pings.wav", folder=folder)
    assert done.returncode == 2
    assert "give its plan with --plan FILE" in done.stderr


def test_demo_draws_a_picture_without_a_screen(folder: Path) -> None:
    done = typed("demo", "--pings", "6", "--picture", "demo.png", "--json", folder=folder)
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout.splitlines()[-1])
    assert found["pings"] == 6
    assert len(found["echoes"]) >= 3
    assert (folder / "demo.png").read_bytes().startswith(b"\x89PNG")


def test_without_a_screen_strips_go_to_the_terminal_and_the_picture_to_a_file(
    folder: Path,
) -> None:
    done = typed("demo", "--pings", "3", folder=folder)
    assert done.returncode == 0, done.stderr
    assert [line.split()[0] for line in done.stdout.splitlines()[2:5]] == ["0", "1", "2"]
    assert "The picture is in echobench-demo.png" in done.stdout
    assert (folder / "echobench-demo.png").exists()


def test_plan_foretells_what_theory_says(folder: Path) -> None:
    found = answer("plan", "--plan", "plan.toml", folder=folder)
    # c/2B = 21.45 mm is the lobe's width in an ideal chirp; the taper widens it by less
    # than a third.
    assert 0.0214 < found["resolution_m"] < 0.0214 * 1.34
    assert found["longest_range_m"] == pytest.approx(343.99 * 0.25 / 2, rel=1e-3)
    # Two-way half power of a piston at ka·sinθ = 1.16029 (computed with scipy).
    ka = 2 * np.pi * 8e3 / found["sound_speed_m_s"] * 0.03
    assert found["half_angle_deg"] == pytest.approx(np.degrees(np.arcsin(1.160286 / ka)), rel=1e-5)


def test_check_passes_a_quiet_tank_and_fails_a_loud_one(folder: Path) -> None:
    (folder / "loud.toml").write_text(SCENE.replace("-70.0", "-10.0"))
    words = ("check", "--plan", "plan.toml", "--json", "--scene")
    quiet, loud = (typed(*words, name, folder=folder) for name in ("scene.toml", "loud.toml"))
    assert quiet.returncode == 0
    assert loud.returncode == 1
    unfit = [c["name"] for c in json.loads(loud.stdout)["checks"] if not c["fit"]]
    assert "noise before the ping" in unfit


BAD_PLANS = {
    "unknown key": (PLAN + "[receiver]\nstacks = 3\n", r"receiver.stacks: unknown key"),
    "wrong unit": (PLAN.replace("0.010", "10"), "pulse.duration_s: found 10; give a number from"),
    "wrong type": (PLAN.replace("4000.0", '"4 kHz"'), "pulse.start_hz: found '4 kHz'"),
    "too long": (PLAN.replace("0.010", "0.3"), "give less than timing.ping_interval_s"),
    "too high": (PLAN.replace("12000.0", "30000.0"), "give at most half of"),
}


@pytest.mark.parametrize("name", BAD_PLANS)
def test_a_bad_plan_is_one_clear_line(folder: Path, name: str) -> None:
    text, message = BAD_PLANS[name]
    (folder / "bad.toml").write_text(text)
    done = typed("run", "--plan", "bad.toml", folder=folder)
    assert_one_line(done, status=2, message=message)
    assert "bad.toml" in done.stderr


def assert_one_line(
    done: subprocess.CompletedProcess[str], *, status: int, message: str = ""
) -> None:
    assert done.returncode == status, done.stderr
    assert done.stderr.count("\n") == 1, done.stderr
    assert "Traceback" not in done.stderr
    assert message in done.stderr


@pytest.mark.parametrize("content", [b"", b"just some text\n", b'{"global": {'])
@pytest.mark.parametrize("suffix", [".sigmf-meta", ".wav", ".flac"])
def test_what_is_no_recording_is_one_clear_line(folder: Path, content: bytes, suffix: str) -> None:
    (folder / f"odd{suffix}").write_bytes(content)
    for verb in ("replay", "measure"):
        done = typed(verb, f"odd{suffix}", "--plan", "plan.toml", folder=folder)
        assert_one_line(done, status=2, message=f"odd{suffix}")


def test_a_truncated_recording_keeps_its_whole_pings_and_says_what_was_lost(
    folder: Path,
) -> None:
    answer(*RUN, "--pings", "4", "--record", "kept", folder=folder)
    data = folder / "kept.sigmf-data"
    os.truncate(data, data.stat().st_size - 1000)
    done = typed("replay", "kept.sigmf-meta", "--json", folder=folder)
    assert done.returncode == 0
    assert json.loads(done.stdout.splitlines()[-1])["pings"] == 3
    assert "kept.sigmf-meta" in done.stderr


@pytest.mark.skipif(sys.platform == "win32", reason="needs POSIX limits on a file's size")
def test_a_full_disk_is_one_clear_line_and_harms_no_recording(folder: Path) -> None:
    # A limit on a file's size stands in for the disk: the same write fails the same way.
    import resource

    def limit() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (150_000, 150_000))

    done = run_apart(
        *RUN, "--pings", "9", "--record", "kept", "--json", folder=folder, preexec_fn=limit
    )
    assert_one_line(done, status=1, message="kept.sigmf-")
    replayed = answer("replay", "kept.sigmf-meta", folder=folder)
    assert replayed["pings"] == 3  # 48 000 bytes a ping


def test_a_recording_is_never_written_over(folder: Path) -> None:
    answer(*RUN, "--pings", "2", "--record", "kept", folder=folder)
    before = (folder / "kept.sigmf-data").read_bytes()
    done = typed(*RUN, "--pings", "2", "--record", "kept", folder=folder)
    assert_one_line(done, status=1, message="kept.sigmf-")
    assert (folder / "kept.sigmf-data").read_bytes() == before


def test_an_unwritable_folder_is_one_clear_line(folder: Path) -> None:
    done = typed(*RUN, "--pings", "2", "--record", "not/there", folder=folder)
    assert_one_line(done, status=1, message="not/there.sigmf-")


@pytest.mark.parametrize(
    "words",
    [
        ("run",),
        ("demo", "--pings", "0"),
        ("demo", "--seed", "-1"),
        ("run", "--plan", "plan.toml", "--front-end", "telephone"),
        ("sing",),
        (),
    ],
    ids=str,
)
def test_wrong_usage_is_one_line_and_status_2(folder: Path, words: tuple[str, ...]) -> None:
    assert_one_line(typed(*words, folder=folder), status=2, message="--help")


def test_a_process_ends_with_the_status_and_keeps_its_streams_apart(folder: Path) -> None:
    wrong = run_apart("sing", folder=folder)
    assert_one_line(wrong, status=2, message="--help")
    assert wrong.stdout == ""
    good = run_apart(*RUN, "--pings", "1", "--json", folder=folder)
    assert (good.returncode, good.stderr) == (0, "")
    assert json.loads(good.stdout)["pings"] == 1


def test_stopping_a_run_at_the_keyboard_answers_with_what_there_is(folder: Path) -> None:
    environment = {k: v for k, v in os.environ.items() if k not in SCREENS}
    process = subprocess.Popen(
        [sys.executable, "-m", "rig.cli", *RUN, "--pings", "100000", "--record", "kept"],
        cwd=folder,
        env={**environment, "PYTHONUNBUFFERED": "1"},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    try:
        for _ in range(7):  # where it is recorded, two lines of ruler and some pings
            process.stdout.readline()
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=PATIENCE_S)
    finally:
        process.kill()  # no harm where it has ended
    assert process.returncode == 0
    assert "Traceback" not in err
    assert "The last ping's echoes" in out
    assert answer("replay", "kept.sigmf-meta", folder=folder)["pings"] >= 4


def test_a_reader_that_hangs_up_is_no_traceback(folder: Path) -> None:
    shell = shutil.which("sh")
    assert shell is not None
    words = f"{sys.executable} -m rig.cli {' '.join(RUN)} --pings 40 | head -n 1"
    environment = {k: v for k, v in os.environ.items() if k not in SCREENS}
    done = subprocess.run(
        [shell, "-c", words],
        cwd=folder,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
        timeout=PATIENCE_S,
    )
    assert "Traceback" not in done.stderr


HEAVY = ("numpy", "scipy", "matplotlib", "sounddevice", "soundfile", "serial", "tqdm")


@pytest.mark.parametrize("words", [["--help"], ["run", "--help"], ["demo", "--help"]])
def test_help_imports_nothing_heavy(words: list[str]) -> None:
    script = (
        "import sys, rig.cli\n"
        "try: rig.cli.main(sys.argv[1:])\n"
        "except SystemExit: pass\n"
        f"print(sorted(m for m in {HEAVY} if m in sys.modules), file=sys.stderr)"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, *words], capture_output=True, text=True, check=True
    )
    assert done.stderr.strip() == "[]"


def test_a_run_without_a_picture_imports_neither_plotting_nor_sound_device(folder: Path) -> None:
    script = (
        "import sys, rig.cli\n"
        "rig.cli.main(sys.argv[1:])\n"
        "print([m for m in ('matplotlib', 'sounddevice', 'scipy.signal') if m in sys.modules],"
        " file=sys.stderr)"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, *RUN, "--pings", "2", "--json"],
        cwd=folder,
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stderr.strip() == "[]"


def test_a_scene_of_another_medium_than_the_plan_s_is_said(folder: Path) -> None:
    (folder / "water.toml").write_text(
        SCENE.replace('"air"', '"fresh-water"').replace("343.963", "1482.35")
    )
    run = ("run", "--plan", "plan.toml", "--pings", "2", "--json", "--scene")
    warned = typed(*run, "water.toml", folder=folder)
    assert warned.returncode == 0
    # 343.96/1482.35 = 0.2320.
    assert "the scene is fresh-water at 1482 m/s: ranges will be wrong by a factor of 0.232" in (
        warned.stderr
    )
    assert warned.stderr.count("\n") == 1
    assert "factor" not in typed(*run, "scene.toml", folder=folder).stderr
    # A scene that names no medium but has the sound speed of water.
    (folder / "unnamed.toml").write_text(SCENE.replace("343.963", "1482.35"))
    shown = typed("demo", "--scene", "unnamed.toml", "--pings", "2", "--json", folder=folder)
    assert "the scene is air at 1482 m/s" in shown.stderr
