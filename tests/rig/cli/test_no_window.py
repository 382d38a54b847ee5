"""Where a window was due and none can be opened, one line says why and what would do."""

import os
import subprocess
import sys
from pathlib import Path

import pytest
from typist import PATIENCE_S

WITHOUT_TK = "import sys; sys.modules['tkinter'] = sys.modules['_tkinter'] = None\n"
WITHOUT_QT = "import sys; sys.modules['PySide6'] = None\n"
# Asked for numbers, and for a picture in a file; and then on a machine without any screen.
ELSEWHERE = """
import os, rig.cli
for words in (["--json"], ["--picture", "mine.png"]):
    if rig.cli.main(["demo", "--pings", "2", *words]):
        sys.exit(1)
del os.environ["DISPLAY"]
"""
DEMO = "import rig.cli; sys.exit(rig.cli.main(['demo', '--pings', '2', *sys.argv[1:]]))"


def demo(
    script: str, *words: str, folder: Path, display: str | None
) -> subprocess.CompletedProcess[str]:
    screens = ("DISPLAY", "WAYLAND_DISPLAY")
    environment = {k: v for k, v in os.environ.items() if k not in screens}
    if display is not None:
        environment["DISPLAY"] = display
    return subprocess.run(
        [sys.executable, "-c", WITHOUT_QT + script + DEMO, *words],
        cwd=folder,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
        timeout=PATIENCE_S,
    )


def test_a_missing_tk_is_said_with_what_to_install(tmp_path: Path) -> None:
    done = demo(WITHOUT_TK, folder=tmp_path, display=":0")
    assert done.returncode == 0, done.stderr
    assert done.stderr == (
        "window: none can be opened, since Python's Tk is missing; on Debian: apt install "
        "python3-tk; the picture goes to echobench-demo.png\n"
    )
    assert (tmp_path / "echobench-demo.png").exists()


@pytest.mark.skipif(sys.platform != "linux", reason="needs a screen that is named and not there")
def test_a_screen_that_is_not_there_is_said(tmp_path: Path) -> None:
    pytest.importorskip("tkinter")
    done = demo("", folder=tmp_path, display=":54321")  # no server has so high a number
    assert done.returncode == 0, done.stderr
    assert done.stderr.count("\n") == 1
    assert "since the screen does not let it" in done.stderr
    assert (tmp_path / "echobench-demo.png").exists()


@pytest.mark.skipif(sys.platform != "linux", reason="elsewhere there is always a screen")
def test_where_no_window_was_due_nothing_is_said(tmp_path: Path) -> None:
    done = demo(WITHOUT_TK + ELSEWHERE, folder=tmp_path, display=":0")
    assert (done.returncode, done.stderr) == (0, "")
    assert (tmp_path / "mine.png").exists()
    assert (tmp_path / "echobench-demo.png").exists()
