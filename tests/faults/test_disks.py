"""A disk that is full harms no file that was there, and leaves none half written."""

from __future__ import annotations

import contextlib
import json
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from blank_paper import no_drawing
from small_bench import BALL, PLAN
from typist import typed

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="needs POSIX limits on a file")

RUN = ("run", "--plan", "plan.toml", "--scene", "scene.toml", "--pings", "3", "--json")

WRITES = {
    "a picture": (*RUN, "--picture", "out/made.png"),
    "a drawing": (*RUN, "--picture", "out/made.svg"),
    "a page to print": (*RUN, "--picture", "out/made.pdf"),
    "a recording": (*RUN, "--record", "out/made"),
    "a plan": ("plan", "--write", "air", "out/made.toml"),
    "a report and its tables": ("report", "good", "--out", "out"),
    "a calibration": (
        *("calibrate", "--plan", "plan.toml", "--scene", "scene.toml", "--pings", "4"),
        *("--at", "0.8", "--calibration", "out/made.json"),
    ),
    "a sound": ("listen", "good", "--slow", "4", "--out", "out/made.wav"),
    "exercises": ("exercise", "--count", "1", "--out", "out"),
    "a lesson's sheet": (
        *("lesson", "time-is-distance", "--part", "out-and-back"),
        *("--predict", "1", "--out", "out"),
    ),
}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("disks")
    (made / "plan.toml").write_text(PLAN)
    (made / "scene.toml").write_text(BALL)
    # A picture too, so that what is written once for all pictures is there.
    done = typed(*RUN, "--record", "good", "--picture", "good.png", folder=made)
    assert done.returncode == 0, done.stderr
    return made


@contextlib.contextmanager
def full_disk(room_bytes: int) -> Iterator[None]:
    """Let no file grow beyond some bytes: the same write fails as on a full disk."""
    import resource

    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (room_bytes, hard))
    # Nor is byte code kept: Python keeps what it could write of it, and fails at it next time.
    keeps_none, sys.dont_write_bytecode = sys.dont_write_bytecode, True
    try:
        yield
    finally:
        sys.dont_write_bytecode = keeps_none
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


@pytest.mark.parametrize("words", WRITES.values(), ids=WRITES)
def test_a_full_disk_is_one_line_and_leaves_nothing_half_written(
    folder: Path, words: tuple[str, ...]
) -> None:
    out = folder / "out"
    for left in sorted(out.rglob("*"), reverse=True):
        left.rmdir() if left.is_dir() else left.unlink()
    out.mkdir(exist_ok=True)
    # What is on a page's pictures is no matter here; what alone is a picture is drawn.
    drawn = contextlib.nullcontext() if words[0] == "run" else no_drawing()
    with drawn, full_disk(100):
        done = typed(*words, folder=folder)
    assert done.returncode == 1, (done.stdout, done.stderr)
    complaints = [line for line in done.stderr.splitlines() if " cannot be " in line]
    assert complaints == done.stderr.splitlines()[-1:], done.stderr
    assert "out" in complaints[0]
    assert [path for path in out.rglob("*") if path.is_file()] == []


@pytest.mark.parametrize("words", [WRITES["a picture"], WRITES["a calibration"]], ids=str)
def test_what_was_there_stays_as_it_was(folder: Path, words: tuple[str, ...]) -> None:
    target = folder / words[-1]
    target.parent.mkdir(exist_ok=True)
    target.write_text("precious")
    with full_disk(100):
        done = typed(*words, folder=folder)
    assert done.returncode == 1
    assert target.read_text() == "precious"
    target.unlink()


def test_a_full_standard_output_is_one_line(folder: Path) -> None:
    if not Path("/dev/full").exists():
        pytest.fail("this system has no /dev/full")
    import subprocess

    with open("/dev/full", "w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "rig.cli", *RUN],
            cwd=folder,
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
    assert done.returncode == 1
    (complaint,) = done.stderr.splitlines()
    assert complaint.startswith("echobench: output: cannot be written")


def test_a_run_that_finds_no_room_has_recorded_whole_pings(folder: Path) -> None:
    with full_disk(8000):
        done = typed(*RUN, "--record", "part", folder=folder)
    assert done.returncode == 1
    # 1440 samples of 4 bytes a ping: one fits.
    replayed = typed("replay", "part", "--json", folder=folder)
    assert json.loads(replayed.stdout.splitlines()[-1])["pings"] == 1
