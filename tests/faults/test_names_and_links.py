"""Whatever a name leads to, a command ends: with its answer, or with one line and status 2."""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path

import pytest
from small_bench import EMPTY, PLAN
from typist import typed

KEY = [{"number": 1, "topic": "range", "choices": ["a", "b"], "answer": "a"}]

NAMED = {
    "plan": ("plan", "--plan", "{}"),
    "scene": ("run", "--plan", "plan.toml", "--pings", "1", "--scene", "{}"),
    "demo's scene": ("demo", "--pings", "1", "--scene", "{}"),
    "calibration": ("replay", "good", "--calibration", "{}"),
    "key": ("exercise", "--mark", "answers.csv", "--key", "{}"),
    "answers": ("exercise", "--mark", "{}", "--key", "key.json"),
    "stops": ("beam", "good", "--stops", "{}"),
    "recording": ("replay", "{}"),
    "recording with a plan": ("measure", "{}", "--plan", "plan.toml"),
}
"""A command for each kind of file that it reads, by its name."""

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="asks for POSIX names and links")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("names")
    (made / "plan.toml").write_text(PLAN)
    (made / "scene.toml").write_text(EMPTY)
    (made / "key.json").write_text(json.dumps(KEY))
    (made / "answers.csv").write_text("number,answer\n1,a\n")
    run = ("run", "--plan", "plan.toml", "--scene", "scene.toml", "--pings", "2")
    assert typed(*run, "--record", "good", "--json", folder=made).returncode == 0
    os.mkfifo(made / "pipe")
    (made / "folder").mkdir()
    (made / "loop").symlink_to("loop")
    (made / "dangling").symlink_to("nowhere")
    (made / "empty").write_bytes(b"")
    # A gigabyte of nothing but a hole.
    with (made / "hole").open("wb") as file:
        file.truncate(1 << 30)
    return made


LEADS_NOWHERE = {
    "a pipe that no one writes to": "pipe",
    "a device that never ends": "/dev/zero",
    "a folder": "folder",
    "a link to itself": "loop",
    "a link to nothing": "dangling",
    "an empty file": "empty",
    "a hole": "hole",
    "nothing": "nothing.toml",
    "a longer name than any": "x" * 5000,
    "what steers a terminal": "\x1b[2J\x07\nplan.toml",
    "no text": os.fsdecode(b"caf\xe9.toml"),
    "marks of formats": "%s{}%n",
    "markup": "<b>.toml",
    "a file where a folder should be": "plan.toml/plan.toml",
}


@pytest.mark.parametrize("leads", LEADS_NOWHERE.values(), ids=LEADS_NOWHERE)
@pytest.mark.parametrize("words", NAMED.values(), ids=NAMED)
def test_a_name_that_leads_nowhere_is_refused_in_one_line(
    folder: Path, words: tuple[str, ...], leads: str
) -> None:
    done = typed(*(word.format(leads) if word == "{}" else word for word in words), folder=folder)
    assert done.returncode == 2, (done.stdout, done.stderr)
    (complaint,) = done.stderr.splitlines()
    assert complaint.startswith("echobench: ")
    assert complaint.isprintable()


def test_a_pipe_that_is_written_to_is_read(folder: Path) -> None:
    # As a shell's <(…) makes it.
    reader, writer = os.pipe()
    os.write(writer, PLAN.encode())
    os.close(writer)
    done = typed("plan", "--plan", f"/dev/fd/{reader}", "--json", folder=folder)
    os.close(reader)
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("name", ["a\nb", "\x1b[31m", "<b>&amp;", "%s{}", "=1+1", "é…日本"])
def test_an_odd_name_is_recorded_to_and_read(folder: Path, name: str) -> None:
    run = ("run", "--plan", "plan.toml", "--scene", "scene.toml", "--pings", "1")
    assert typed(*run, "--record", name, "--json", folder=folder).returncode == 0
    assert typed("replay", name, "--json", folder=folder).returncode == 0
    again = typed(*run, "--record", name, "--json", folder=folder)
    assert again.returncode == 1
    assert len(again.stderr.splitlines()) == 1
    assert "is already there" in again.stderr


def test_a_link_in_a_recordings_place_is_not_written_through(folder: Path) -> None:
    (folder / "linked.sigmf-data").symlink_to("elsewhere")
    run = ("run", "--plan", "plan.toml", "--scene", "scene.toml", "--pings", "1")
    done = typed(*run, "--record", "linked", "--json", folder=folder)
    assert done.returncode == 1
    assert "is already there" in done.stderr
    assert not (folder / "elsewhere").exists()
