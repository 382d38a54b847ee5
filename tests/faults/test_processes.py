"""What a process meets: an end at any moment, another beside it, a poor place to live in."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from small_bench import BALL, PLAN
from typist import PATIENCE_S, SCREENS, typed

import rig.files.recorder

posix_only = pytest.mark.skipif(sys.platform == "win32", reason="asks the POSIX kernel for it")

KILLS = int(os.environ.get("ECHOBENCH_FAULTS_KILLS", "3"))

RUN = ("run", "--plan", "plan.toml", "--scene", "scene.toml", "--json")
ENDLESS = (*RUN, "--pings", "100000", "--record")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "plan.toml").write_text(PLAN)
    (tmp_path / "scene.toml").write_text(BALL)
    return tmp_path


def started(*words: str, folder: Path, **how: Any) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "rig.cli", *words],
        cwd=folder,
        env={key: value for key, value in os.environ.items() if key not in SCREENS},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        **how,
    )


def wait_for(path: Path, size: int) -> None:
    """Wait until a file has grown."""
    give_up_s = time.monotonic() + PATIENCE_S
    while not path.exists() or path.stat().st_size < size:
        assert time.monotonic() < give_up_s
        time.sleep(0.01)


def replayed(folder: Path, name: str) -> dict[str, Any]:
    done = typed("replay", name, "--json", folder=folder)
    assert done.returncode == 0, done.stderr
    answer: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return answer


def assert_right(answer: dict[str, Any]) -> None:
    """Hold a replay to the one ball at 0.8 m: within 5 mm, an eighth of its radius."""
    assert answer["pings"] >= 1
    for ping in answer["per_ping"]:
        assert ping["lost"] or [round(e["range_m"], 2) for e in ping["echoes"]] == [0.8]


@posix_only
@pytest.mark.parametrize("moment", range(KILLS))
def test_a_kill_at_any_moment_leaves_a_readable_recording_or_none(
    folder: Path, moment: int
) -> None:
    process = started(*ENDLESS, "kept", folder=folder)
    # Half of them while it starts, half in mid run.
    if moment % 2:
        wait_for(folder / "kept.sigmf-meta", 1)
    time.sleep(float(np.random.default_rng(moment).uniform(0, 1.0)))
    process.kill()
    process.communicate()
    assert process.returncode == -signal.SIGKILL
    meta, data = folder / "kept.sigmf-meta", folder / "kept.sigmf-data"
    if not meta.exists() or data.stat().st_size < 1440 * 4:
        done = typed("replay", "kept", "--json", folder=folder)
        assert done.returncode == 2
        assert len(done.stderr.splitlines()) == 1
        return
    answer = replayed(folder, "kept")
    # At most the last ping, which was being written, is gone.
    assert answer["pings"] >= data.stat().st_size // (1440 * 4) - 1
    assert_right(answer)


@posix_only
@pytest.mark.parametrize("blow", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_a_signal_ends_it_and_leaves_what_was_heard(folder: Path, blow: str) -> None:
    number = getattr(signal, blow)
    # What is deaf to a hang-up, as nohup makes it, would start what is deaf to it too.
    heard = signal.signal(number, signal.SIG_DFL)
    process = started(*ENDLESS, "kept", folder=folder)
    signal.signal(number, heard)
    wait_for(folder / "kept.sigmf-data", 3 * 1440 * 4)
    process.send_signal(number)
    out, err = process.communicate(timeout=PATIENCE_S)
    assert "Traceback" not in err
    answer = replayed(folder, "kept")
    assert answer["pings"] >= 2
    assert_right(answer)
    if blow == "SIGINT":
        # What was heard is the answer; a ping may have been recorded and not yet searched.
        assert process.returncode == 0
        assert answer["pings"] - json.loads(out.splitlines()[-1])["pings"] in (0, 1)


@posix_only
def test_of_two_runs_to_one_name_one_records_and_one_is_told(folder: Path) -> None:
    runs = [started(*RUN, "--pings", "20", "--record", "one", folder=folder) for _ in range(2)]
    said = [run.communicate(timeout=PATIENCE_S)[1] for run in runs]
    assert sorted(run.returncode for run in runs) == [0, 1], said
    (complaint,) = [line for words in said for line in words.splitlines()]
    assert "is already there and is not overwritten" in complaint
    answer = replayed(folder, "one")
    assert answer["pings"] == 20
    assert_right(answer)


# Each as the one before left the process: a start of its own is half a second of a processor.
IN_TURN = """
import json, sys
from rig.cli import main
for words in json.loads(sys.argv[1]):
    try:
        status = main(words)
    except SystemExit as ended:
        status = ended.code or 0
    print("GAVE", words[0], status, flush=True)
"""


@posix_only
def test_it_works_with_no_home_in_the_c_locale_on_20_columns(folder: Path) -> None:
    # No UTF-8 in disguise either: only ASCII can be written.
    bare = {
        "PATH": os.defpath,
        "LC_ALL": "C",
        "PYTHONUTF8": "0",
        "PYTHONCOERCECLOCALE": "0",
        "COLUMNS": "20",
        "PYTHONPATH": os.environ.get("PYTHONPATH", ""),
    }
    run = ("run", "--plan", "plan.toml", "--scene", "scene.toml", "--pings", "3")
    commands = (
        (*run, "--record", "kept"),
        ("replay", "kept"),
        ("measure", "kept"),
        ("report", "kept"),
        ("plan", "--plan", "plan.toml"),
        ("run", "--help"),
    )
    # A word that is no ASCII has to come from outside.
    asked = (
        ["-c", IN_TURN, json.dumps(commands)],
        ["-m", "rig.cli", "run", "--plan", "caf\u00e9.toml"],
    )
    for words, status in zip(asked, (0, 2), strict=True):
        done = subprocess.run(
            [sys.executable, *words],
            cwd=folder,
            env=bare,
            capture_output=True,
            check=False,
            timeout=PATIENCE_S,
        )
        assert b"Traceback" not in done.stderr, done.stderr
        assert done.returncode == status, done.stderr
        assert done.stdout.isascii()
        assert done.stderr.isascii()
        if status == 0:
            told = done.stdout.decode("ascii")
            gave = re.findall(r"^GAVE (\S+) (\d+)$", told, re.MULTILINE)
            assert gave == [(each[0], "0") for each in commands]
            assert " +- " in told.partition("GAVE replay")[2].partition("GAVE measure")[0]
    assert_right(replayed(folder, "kept"))


def test_a_clock_that_is_set_back_changes_no_number(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    usual = typed(*RUN, "--pings", "5", "--record", "usual", folder=folder)

    class Back(rig.files.recorder.datetime):
        """The computer's clock, an hour earlier at each look."""

        hours = 0

        @classmethod
        def now(cls, tz: Any = None) -> Any:
            Back.hours += 1
            return super().now(tz) - rig.files.recorder.timedelta(hours=Back.hours)

    def no_clock() -> float:
        raise AssertionError("the computer's clock was asked for a length of time")

    monkeypatch.setattr(rig.files.recorder, "datetime", Back)
    monkeypatch.setattr(time, "time", no_clock)
    odd = typed(*RUN, "--pings", "5", "--record", "odd", folder=folder)
    assert odd.returncode == 0, odd.stderr
    assert Back.hours == 5
    assert odd.stdout == usual.stdout
    assert replayed(folder, "odd") == replayed(folder, "usual")
