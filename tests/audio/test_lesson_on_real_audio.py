"""A lesson on real audio: the bench is set up anew between the steps, and the class waits.

What is true is each world's delay line, in whole samples of 1/48000 s, and the sound
speed in air at 20 °C and 50 %, 343.963 m/s (computed with CoolProp).
"""

from __future__ import annotations

import contextlib
import json
import math
import subprocess
import threading
import time
from pathlib import Path
from types import SimpleNamespace

import pytest
from typist import PATIENCE_S, Hand, typed

pytestmark = [pytest.mark.audio, pytest.mark.usefixtures("undrawn_pictures")]

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


def on_sound_card(
    folder: Path, server, *words: str, told: str | Hand
) -> subprocess.CompletedProcess[str]:
    (folder / "plan.toml").write_text(PLAN)
    bench = ("--plan", "plan.toml", "--front-end", "sound-card", "--device", server.device)
    kept = ("--record", "--out", "class", "--json")
    return typed("lesson", *words, *bench, *kept, folder=folder, told=told)


def out_and_back(server, acoustic_world, folder: Path) -> subprocess.CompletedProcess[str]:
    """Do the part, moving the plate when the lesson waits for it."""
    folder.mkdir()
    with contextlib.ExitStack() as world:
        world.enter_context(acoustic_world(server, taps(NEAR)))

        def move(step: int) -> None:
            if step:
                world.close()
                world.enter_context(acoustic_world(server, taps(FAR)))

        return on_sound_card(folder, server, *LESSON, *by_tape("--predict", "5.8"), told=Hand(move))


def test_out_and_back_on_a_sound_card_gives_the_worlds_delay_and_a_sheet(
    server, acoustic_world, heard_or_starved, tmp_path
):
    def heard(number: int) -> tuple[Path, str] | None:
        folder = tmp_path / f"try-{number}"
        done = out_and_back(server, acoustic_world, folder)
        if "found no good ping" in done.stderr:
            return None
        assert done.returncode == 0, done.stderr
        return folder, done.stdout

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
) -> subprocess.CompletedProcess[str]:
    """Kill the server in the second part; return what came of the lesson."""
    data = folder / "class" / "time-is-distance-temperature-colder.sigmf-data"
    whole = ("time-is-distance", *by_tape("--given", "wall_m=6"))
    folder.mkdir()
    with jack_server(f"mid-{folder.name}", period=1024) as server, contextlib.ExitStack() as world:
        world.enter_context(acoustic_world(server, taps(NEAR)))

        def kill_once_it_pings() -> None:
            deadline = time.monotonic() + PATIENCE_S
            while not data.exists() or data.stat().st_size < 2 * 4800 * 4:
                if time.monotonic() > deadline:
                    return
                time.sleep(0.01)
            server.kill()

        killing = threading.Thread(target=kill_once_it_pings)

        def does(step: int) -> None:
            if step == 1:
                world.close()
                world.enter_context(acoustic_world(server, taps(FAR)))
            if step == 3 and while_pinging:
                killing.start()
            elif step == 3:
                server.kill()

        done = on_sound_card(folder, server, *whole, told=Hand(does))
        if killing.ident is not None:
            killing.join()
        assert done.returncode == 1, done.stderr
    worlds.slips += server.slips
    return done


@pytest.mark.parametrize("while_pinging", [False, True])
def test_a_server_killed_in_mid_lesson_leaves_the_sheet_of_what_was_done(
    jack_server, acoustic_world, heard_or_starved, tmp_path, while_pinging
):
    """Killed in the second part: before its second step, or while that pings."""
    worlds = SimpleNamespace(kind="jack", slips=0)

    def heard(number: int) -> tuple[Path, subprocess.CompletedProcess[str]] | None:
        folder = tmp_path / f"try-{number}"
        done = killed_in_mid_lesson(
            jack_server, acoustic_world, folder, worlds, while_pinging=while_pinging
        )
        return None if "No ping came through" in done.stderr else (folder, done)

    found = heard_or_starved(worlds, heard)
    if found is None:
        return  # said why
    folder, ended = found
    complaints = [line for line in ended.stderr.splitlines() if line.startswith("echobench: ")]
    assert len(complaints) == 2, ended.stderr  # the caution, and what went wrong
    got = json.loads(ended.stdout.splitlines()[-1])
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
    ):
        done = on_sound_card(tmp_path, server, *LESSON, *by_tape(), told="")
    assert (done.returncode, done.stdout) == (2, "")
    assert "Stand a plate square to the pair" in done.stderr
    assert "Press Enter when it stands" in done.stderr
    assert done.stderr.splitlines()[-1].startswith(
        "echobench: step near: the input ended before it"
    )


def test_a_device_that_is_not_there_is_said_before_anyone_predicts(
    jack_server, acoustic_world, tmp_path
):
    with jack_server("none", period=1024) as server, acoustic_world(server, taps(NEAR)):
        server.device = "no such device"
        done = on_sound_card(tmp_path, server, *LESSON, *by_tape(), told="\n\n")
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr.count("\n") == 1
    assert "'no such device'" in done.stderr
