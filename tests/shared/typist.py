"""The command as tests give it: in this process, or as a process of its own.

A process takes half a second of a processor before it does anything. Only a claim about
processes, their screens, signals or imports, needs one.
"""

import contextlib
import io
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from rig.cli import main

PATIENCE_S = 300.0
"""A guard against hanging, and no claim: a busy machine may take minutes over seconds' work."""

SCREENS = ("DISPLAY", "WAYLAND_DISPLAY")


class Hand(io.StringIO):
    """Standard input of whom the command waits for: each line is typed once `does` has returned.

    It is given how often Enter was waited for before.
    """

    def __init__(self, does: Callable[[int], None]) -> None:
        super().__init__()
        self._does, self._waited = does, 0

    def readline(self, _size: int | None = -1, /) -> str:
        self._does(self._waited)
        self._waited += 1
        return "\n"


def typed(*words: str, folder: Path, told: str | Hand = "") -> subprocess.CompletedProcess[str]:
    """Give the command in this process, in a folder, without a screen; type `told` into it."""
    out, err = io.StringIO(), io.StringIO()
    with pytest.MonkeyPatch.context() as patched:
        for screen in SCREENS:
            patched.delenv(screen, raising=False)
        patched.chdir(folder)
        patched.setattr(sys, "stdin", io.StringIO(told) if isinstance(told, str) else told)
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            try:
                status = main(words)
            except SystemExit as ended:
                status = int(ended.code or 0)
    return subprocess.CompletedProcess(words, status, out.getvalue(), err.getvalue())


def run_apart(*words: str, folder: Path, **how: Any) -> subprocess.CompletedProcess[str]:
    """Give the command as a process of its own, in a folder, without a screen."""
    return subprocess.run(
        [sys.executable, "-m", "rig.cli", *words],
        cwd=folder,
        env={key: value for key, value in os.environ.items() if key not in SCREENS},
        capture_output=True,
        text=True,
        check=False,
        timeout=PATIENCE_S,
        **how,
    )
