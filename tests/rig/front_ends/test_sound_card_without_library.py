"""Without the PortAudio library: one line that says what to install, and all else works."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from typist import PATIENCE_S

ROOT = Path(__file__).parents[3]

# Python runs a module of this name first. sounddevice asks ctypes where PortAudio
# is, as on any machine, and is told: nowhere.
BLOCK = """\
import ctypes.util

find = ctypes.util.find_library
ctypes.util.find_library = lambda name: None if "portaudio" in name else find(name)
"""

PLAN = """\
[pulse]
kind = "chirp"
start_hz = 4000.0
stop_hz = 12000.0
duration_s = 0.010
"""


@pytest.fixture
def without_library(tmp_path):
    """Run the command on a machine that has no PortAudio."""
    (tmp_path / "sitecustomize.py").write_text(BLOCK)
    (tmp_path / "plan.toml").write_text(PLAN)

    def run(*words: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, *words],
            cwd=tmp_path,
            env=os.environ | {"PYTHONPATH": os.pathsep.join([str(tmp_path), str(ROOT)])},
            capture_output=True,
            text=True,
            timeout=PATIENCE_S,
            check=False,
        )

    return run


# On Windows and macOS the library comes with sounddevice and cannot be missing.
pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="PortAudio is bundled here")


def test_the_import_really_fails(without_library):
    done = without_library("-c", "import sounddevice")
    assert "OSError: PortAudio library not found" in done.stderr


@pytest.mark.parametrize(
    "words", [("devices",), ("run", "--plan", "plan.toml", "--front-end", "sound-card")]
)
def test_the_sound_card_says_what_to_install(without_library, words):
    done = without_library("-m", "rig.cli", *words)
    assert done.returncode == 1
    assert done.stdout == ""
    assert done.stderr.startswith("echobench: the PortAudio library cannot be loaded")
    assert "apt install libportaudio2" in done.stderr
    assert done.stderr.count("\n") == 1


def test_nothing_else_needs_it(without_library):
    done = without_library("-m", "rig.cli", "demo", "--pings", "2", "--json")
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout.splitlines()[-1])["pings"] == 2
