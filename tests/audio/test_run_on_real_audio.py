"""The command `run` on real audio: out through PortAudio, through a world, and back.

What is true is the world's delay line, in whole samples of 1/48000 s, and the
sound speed in air at 20 °C and 50 %, 343.963 m/s (computed with CoolProp).
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from pathlib import Path

import pytest
from starvation import spared_s
from typist import PATIENCE_S, typed

pytestmark = pytest.mark.audio

ROOT = Path(__file__).parents[2]
RATE_HZ = 48000
SOUND_SPEED_M_S = 343.963
BASELINE_M = 0.12
ECHOES = (700, 1417)
"""Samples from the direct sound to each echo: ranges of 2.57 m and 5.14 m."""

HALF_SAMPLE_M = SOUND_SPEED_M_S / RATE_HZ / 2
"""Half a sample's path, 3.58 mm. It has room for the program's own sound speed, good
to 0.05 m/s: on the longer path, 10.3 m, that makes 1.5 mm."""

PLAN = f"""\
[pulse]
kind = "chirp"
start_hz = 4000.0
stop_hz = 12000.0
duration_s = 0.010
[timing]
sample_rate_hz = {RATE_HZ}
ping_interval_s = 0.2
[receiver]
range_stop_m = 8.0
[geometry]
baseline_m = {BASELINE_M}
"""


def taps(bulk: int) -> str:
    return f"{bulk}:1.0,{bulk + ECHOES[0]}:0.3,{bulk + ECHOES[1]}:0.1"


def start(folder: Path, *words: str) -> subprocess.Popen[str]:
    (folder / "plan.toml").write_text(PLAN)
    return subprocess.Popen(
        [sys.executable, "-m", "rig.cli", *words],
        cwd=folder,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def run_words(server, pings: int) -> tuple[str, ...]:
    words = ("run", "--plan", "plan.toml", "--front-end", "sound-card", "--json")
    return (*words, "--device", server.device, "--record", "heard", "--pings", str(pings))


def ran(folder: Path, server, pings: int, *, plan: str = PLAN) -> subprocess.CompletedProcess[str]:
    """Let the command run to its end. Nothing is asked of its process: it needs none of its own."""
    (folder / "plan.toml").write_text(plan)
    return typed(*run_words(server, pings), folder=folder)


def answer(done: subprocess.CompletedProcess[str]) -> dict:
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout.splitlines()[-1])


def replayed(folder: Path) -> dict:
    """What a replay of the recording answers. It needs no sound, nor a process of its own."""
    return answer(typed("replay", "heard.sigmf-meta", "--json", folder=folder))


def assert_is_the_world(echoes: list[dict]) -> None:
    """Both echoes at their paths, within half a sample's path, and no other."""
    assert len(echoes) == len(ECHOES)
    for echo, delay in zip(echoes, ECHOES, strict=True):
        # The direct sound has come the baseline's length when it arrives.
        path_m = SOUND_SPEED_M_S * delay / RATE_HZ + BASELINE_M
        assert echo["path_m"] == pytest.approx(path_m, abs=HALF_SAMPLE_M)
        range_m = ((path_m / 2) ** 2 - (BASELINE_M / 2) ** 2) ** 0.5
        # Half a sample of path is a quarter of a sample of range, and a little
        # more where the baseline slants the path: 0.1 % at 2.57 m.
        assert echo["range_m"] == pytest.approx(range_m, abs=HALF_SAMPLE_M / 2 * 1.001)


@pytest.mark.parametrize("bulk", [0, 4801, 23456])
def test_ranges_are_the_worlds_at_each_restart_and_latency(
    server, acoustic_world, heard_or_starved, tmp_path, bulk
):
    def heard(number: int) -> tuple[dict, Path] | None:
        folder = tmp_path / f"try-{number}"
        folder.mkdir()
        with acoustic_world(server, taps(bulk)):
            got = answer(ran(folder, server, pings=5))
        return (got, folder) if got["lost_pings"] < 5 else None

    found = heard_or_starved(server, heard)
    if found is None:
        return  # said why
    got, folder = found
    assert got["pings"] == 5
    assert_is_the_world(got["echoes"])
    if server.kind == "jack":
        for echo, delay in zip(got["echoes"], ECHOES, strict=True):
            # The delay after the direct sound, exact but for the estimate of two
            # peaks between bins: a hundredth of a sample, 0.2 µs.
            after_direct_s = echo["delay_s"] - BASELINE_M / got["sound_speed_m_s"]
            assert after_direct_s * RATE_HZ == pytest.approx(delay, abs=0.01)
    assert replayed(folder)["echoes"] == got["echoes"]


def test_under_load_no_wrong_range_is_called_good(server, acoustic_world, tmp_path):
    with acoustic_world(server, taps(1000)):
        busy = [subprocess.Popen([sys.executable, "-c", "while True: pass"]) for _ in range(2)]
        try:
            # Twice as fast as elsewhere: the loops burn two processors for half as long.
            often = PLAN.replace("ping_interval_s = 0.2", "ping_interval_s = 0.1")
            done = ran(tmp_path, server, pings=20, plan=often)
        finally:
            for loop in busy:
                loop.kill()
                loop.wait()
    if done.returncode:
        # So busy that nothing came back in time: that is said, and is no wrong range.
        assert done.returncode == 1
        assert done.stderr.startswith("echobench: ")
        return
    got = answer(done)
    again = replayed(tmp_path)
    assert len(again["per_ping"]) == got["pings"] == 20
    good = [ping for ping in again["per_ping"] if not ping["lost"]]
    assert len(good) == 20 - got["lost_pings"]
    print(f"{server.kind} under load: {got['lost_pings']} of 20 pings lost", file=sys.stderr)
    for ping in good:
        assert_is_the_world(ping["echoes"])


def test_a_server_killed_in_mid_run_leaves_a_readable_recording(server, acoustic_world, tmp_path):
    with acoustic_world(server, taps(0)):
        process = start(tmp_path, *run_words(server, pings=500))
        data = tmp_path / "heard.sigmf-data"
        deadline = time.monotonic() + PATIENCE_S
        while not data.exists() or data.stat().st_size < 4 * 9600 * 4:
            assert time.monotonic() < deadline
            assert process.poll() is None, process.communicate()[1]
            time.sleep(0.02)
        server.kill()
        killed_at = spared_s()
        _, errors = process.communicate(timeout=PATIENCE_S)
        assert spared_s() - killed_at < 3.0
    assert process.returncode == 1
    assert errors.startswith("echobench: ")
    assert errors.count("\n") == 1
    assert "Traceback" not in errors
    got = replayed(tmp_path)
    good = [ping for ping in got["per_ping"] if not ping["lost"]]
    assert len(got["per_ping"]) >= 4
    assert good
    for ping in good:
        assert_is_the_world(ping["echoes"])


@pytest.mark.usefixtures("_packages")
def test_no_device_is_one_line_and_status_1(tmp_path, monkeypatch):
    # A default that leads nowhere, so that a machine's own card is not found.
    (tmp_path / "asound.conf").write_text(
        f"pcm.default {{ type file file {tmp_path}/none/x slave.pcm nowhere }}\n"
    )
    monkeypatch.setenv("ALSA_CONFIG_PATH", str(tmp_path / "asound.conf"))
    monkeypatch.setenv("JACK_NO_START_SERVER", "1")
    process = start(tmp_path, "run", "--plan", "plan.toml", "--front-end", "sound-card")
    output, errors = process.communicate(timeout=PATIENCE_S)
    assert (process.returncode, output) == (1, "")
    assert errors.startswith("echobench: no sound device was found; connect one")
    assert errors.count("\n") == 1
