"""A lesson on real audio: the bench is set up anew between the steps, and the class waits.

What is true is each world's delay line, in whole samples of 1/48000 s, and the sound
speed in air at 20 °C and 50 %, 343.963 m/s (computed with CoolProp).
"""

from __future__ import annotations

import contextlib
import json
import math
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import pytest
from typist import PATIENCE_S, typed

pytestmark = [pytest.mark.audio, pytest.mark.usefixtures("unseen_pictures")]

ROOT = Path(__file__).parents[2]
RATE_HZ, SPEED_M_S, BASELINE_M = 48000, 343.963, 0.12
BULK = 2000
NEAR, FAR = 262, 541
"""Samples from the direct sound to the plate's echo at each of its places."""

PLAN = f"""\
[pulse]
kind = "chirp"
start_hz = 4000.0
stop_hz = 12000.0
duration_s = 0.005
[timing]
sample_rate_hz = {RATE_HZ}
ping_interval_s = 0.1
[receiver]
range_stop_m = 4.0
[geometry]
baseline_m = {BASELINE_M}
"""
LESSON = ("time-is-distance", "--part", "out-and-back")


def taps(delay: int) -> str:
    return f"{BULK}:1.0,{BULK + delay}:0.2"


def range_m(delay: int) -> float:
    """Where a plate stands whose echo comes so many samples after the direct sound."""
    path_m = SPEED_M_S * delay / RATE_HZ + BASELINE_M
    return math.sqrt(path_m**2 - BASELINE_M**2) / 2


def by_tape(*more: str) -> list[str]:
    given = {"near_m": range_m(NEAR), "far_m": range_m(FAR)}
    words = [w for name, value in given.items() for w in ("--given", f"{name}={value:.6f}")]
    return [*words, *more]


@contextlib.contextmanager
def started(folder: Path, *words: str) -> Iterator[subprocess.Popen[str]]:
    (folder / "plan.toml").write_text(PLAN)
    with subprocess.Popen(
        [sys.executable, "-m", "rig.cli", "lesson", *words, "--json"],
        cwd=folder,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        encoding="utf-8",
    ) as process:
        try:
            yield process
        finally:
            process.kill()


def on_sound_card(folder: Path, server, *words: str):
    bench = ("--plan", "plan.toml", "--front-end", "sound-card", "--device", server.device)
    return started(folder, *words, *bench, "--record", "--out", "class")


def waits(process: subprocess.Popen[str], said: list[str]) -> Iterator[int]:
    """Give the number of each step at which the lesson waits; press Enter afterwards."""
    step = 0
    for line in process.stderr:
        said.append(line)
        if line.startswith("Press Enter"):
            yield step
            step += 1
            process.stdin.write("\n")
            process.stdin.flush()


def out_and_back(server, acoustic_world, folder: Path) -> tuple[int, str, str]:
    """Do the part, moving the plate when the lesson waits for it."""
    said: list[str] = []
    folder.mkdir()
    with contextlib.ExitStack() as world:
        world.enter_context(acoustic_world(server, taps(NEAR)))
        with on_sound_card(folder, server, *LESSON, *by_tape("--predict", "5.8")) as process:
            for step in waits(process, said):
                if step:
                    world.close()
                    world.enter_context(acoustic_world(server, taps(FAR)))
            output = process.stdout.read()
            return process.wait(PATIENCE_S), "".join(said), output


def test_out_and_back_on_a_sound_card_gives_the_worlds_delay_and_a_sheet(
    server, acoustic_world, heard_or_starved, tmp_path
):
    def heard(number: int) -> tuple[Path, str] | None:
        folder = tmp_path / f"try-{number}"
        status, said, output = out_and_back(server, acoustic_world, folder)
        if "found no good ping" in said:
            return None
        assert status == 0, said
        return folder, output

    found = heard_or_starved(server, heard)
    if found is None:
        return  # said why
    folder, output = found
    live = json.loads(output.splitlines()[-1])

    due_ms = 1e3 * (FAR / RATE_HZ + BASELINE_M / SPEED_M_S)
    if server.kind == "jack":
        # Exact but for the estimate of two peaks between bins, a hundredth of a sample, and
        # the program's own sound speed over the baseline: 0.05 m/s of 344 on 0.35 ms.
        assert live["measured"] == pytest.approx(due_ms, abs=0.01e3 / RATE_HZ + 5e-5)
    # Half a sample, where two sound servers' clocks may differ.
    assert live["measured"] == pytest.approx(due_ms, abs=0.5e3 / RATE_HZ)
    assert live["expected"] == pytest.approx(due_ms, rel=2e-4)  # the program's own sound speed
    assert live["agrees"]
    assert (live["unit"], live["predicted_rightly"]) == ("ms", False)
    sheet = (folder / live["sheet"]).read_text(encoding="utf-8")
    assert "Invented scene" not in sheet
    for given in (NEAR, FAR):
        assert f"{range_m(given):.3f}" in sheet

    files = live["parts"][0]["recordings"]
    assert [file.rpartition("-out-and-back-")[2] for file in files] == [
        "near.sigmf-meta",
        "far.sigmf-meta",
    ]
    recordings = [word for file in files for word in ("--recording", file)]
    words = ("lesson", *LESSON, *by_tape("--out", "again"), *recordings, "--json")
    again = typed(*words, folder=folder)
    assert again.returncode == 0, again.stderr
    replayed = json.loads(again.stdout.splitlines()[-1])
    for key in ("measured", "u_measured", "expected", "u_expected", "verdict"):
        assert replayed[key] == live[key], key


def killed_in_mid_lesson(
    jack_server, acoustic_world, folder: Path, worlds: SimpleNamespace, *, while_pinging: bool
) -> tuple[str, list[str]]:
    """Kill the server in the second part; return the output and what was said."""
    said, data = [], folder / "class" / "time-is-distance-temperature-colder.sigmf-data"
    whole = ("time-is-distance", *by_tape("--given", "wall_m=6"))
    folder.mkdir()
    with jack_server(f"mid-{folder.name}", period=1024) as server, contextlib.ExitStack() as world:
        world.enter_context(acoustic_world(server, taps(NEAR)))
        with on_sound_card(folder, server, *whole) as process:
            for step in waits(process, said):
                if step == 1:
                    world.close()
                    world.enter_context(acoustic_world(server, taps(FAR)))
                if step == 3 and while_pinging:
                    break
                if step == 3:
                    server.kill()
            if while_pinging:
                process.stdin.write("\n")
                process.stdin.flush()
                deadline = time.monotonic() + PATIENCE_S
                while not data.exists() or data.stat().st_size < 2 * 4800 * 4:
                    assert time.monotonic() < deadline
                    time.sleep(0.01)
                server.kill()
                said += process.stderr
            output = process.stdout.read()
            assert process.wait(PATIENCE_S) == 1, "".join(said)
    worlds.slips += server.slips
    return output, said


@pytest.mark.parametrize("while_pinging", [False, True])
def test_a_server_killed_in_mid_lesson_leaves_the_sheet_of_what_was_done(
    jack_server, acoustic_world, heard_or_starved, tmp_path, while_pinging
):
    """Killed in the second part: before its second step, or while that pings."""
    worlds = SimpleNamespace(kind="jack", slips=0)

    def heard(number: int) -> tuple[Path, str, list[str]] | None:
        folder = tmp_path / f"try-{number}"
        output, said = killed_in_mid_lesson(
            jack_server, acoustic_world, folder, worlds, while_pinging=while_pinging
        )
        assert "Traceback" not in "".join(said)
        return None if "No ping came through" in "".join(said) else (folder, output, said)

    found = heard_or_starved(worlds, heard)
    if found is None:
        return  # said why
    folder, output, said = found
    complaints = [line for line in said if line.startswith("echobench: ")]
    assert len(complaints) == 2, "".join(said)  # the caution, and what went wrong
    got = json.loads(output.splitlines()[-1])
    done, *rest = got["parts"]
    assert done["measured"] == pytest.approx(
        1e3 * (FAR / RATE_HZ + BASELINE_M / SPEED_M_S), abs=0.5e3 / RATE_HZ
    )
    assert all(part["problem"].startswith("not done: ") for part in rest)
    sheet = (folder / got["sheet"]).read_text(encoding="utf-8")
    assert "1. Out and back" in sheet
    assert "2. Temperature" not in sheet
    files = done["recordings"] + rest[0]["recordings"]
    assert len(files) == (4 if while_pinging else 3)
    for file in files:
        read = typed("replay", file, "--json", folder=folder)
        assert read.returncode == 0, read.stderr
        assert json.loads(read.stdout.splitlines()[-1])["pings"] >= 1


def test_input_that_ends_before_a_step_is_said_and_nothing_is_measured(
    jack_server, acoustic_world, tmp_path
):
    with (
        jack_server("end", period=1024) as server,
        acoustic_world(server, taps(NEAR)),
        on_sound_card(tmp_path, server, *LESSON, *by_tape()) as process,
    ):
        output, errors = process.communicate("", timeout=PATIENCE_S)
    assert (process.returncode, output) == (2, "")
    assert "Stand a plate square to the pair" in errors
    assert "Press Enter when it stands" in errors
    assert errors.splitlines()[-1].startswith("echobench: step near: the input ended before it")


def test_a_device_that_is_not_there_is_said_before_anyone_predicts(
    jack_server, acoustic_world, tmp_path
):
    with jack_server("none", period=1024) as server, acoustic_world(server, taps(NEAR)):
        server.device = "no such device"
        with on_sound_card(tmp_path, server, *LESSON, *by_tape()) as process:
            output, errors = process.communicate("\n\n", timeout=PATIENCE_S)
    assert (process.returncode, output) == (1, "")
    assert errors.count("\n") == 1
    assert "'no such device'" in errors
