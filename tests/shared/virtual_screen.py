"""A virtual screen for tests that open a real window."""

from __future__ import annotations

import contextlib
import os
import pathlib
import shutil
import subprocess
import time
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from typist import PATIENCE_S

TOOLS = ("Xvfb", "xdotool")
SCREEN = (1280, 780)
"""With 60 dots kept for a title bar, a window of 1280 × 720 just fits."""


class Screen:
    """A virtual screen, and what stands on it."""

    def __init__(self, number: str, memory: pathlib.Path) -> None:
        self.name = f":{number}"
        self._memory = memory

    def rgb(self) -> NDArray[np.uint8]:
        """What stands on it, dot by dot, as the server keeps it: an X window dump."""
        dump = self._memory.read_bytes()
        # XWDFile.h: the header's own size first, then 24 numbers, of which the 5th and 6th are
        # the size, the 13th the bytes of a line, and the 20th the colours of a map after it.
        numbers = np.frombuffer(dump, dtype=">u4", count=25).tolist()
        width, height, line, colours = numbers[4], numbers[5], numbers[12], numbers[19]
        assert numbers[11] == 32, "a screen of 24 bits keeps a dot in 32"
        start = numbers[0] + 12 * colours
        dots = np.frombuffer(dump, dtype=np.uint8, count=line * height, offset=start)
        blue_first = dots.reshape(height, line // 4, 4)[:, :width, :3]
        return blue_first[..., ::-1]


@contextlib.contextmanager
def virtual_screen(folder: pathlib.Path) -> Iterator[Screen]:
    """Start a screen that keeps its dots in a folder; skip where there can be none."""
    missing = [tool for tool in TOOLS if shutil.which(tool) is None]
    try:
        import tkinter  # noqa: F401
    except ImportError:
        missing.append("tkinter")
    if missing:
        complaint = f"not installed: {', '.join(missing)}"
        if os.environ.get("CI") == "true":
            pytest.fail(complaint)
        pytest.skip(complaint)
    told, tells = os.pipe()
    # The server chooses a display that is free, and tells which. A cursor would stand in its
    # memory, over what it points at.
    size = f"{SCREEN[0]}x{SCREEN[1]}x24"
    server = subprocess.Popen(
        [
            *("Xvfb", "-displayfd", str(tells), "-screen", "0", size, "-nolisten", "tcp"),
            *("-fbdir", str(folder), "-nocursor"),
        ],
        pass_fds=[tells],
        stderr=subprocess.DEVNULL,
    )
    os.close(tells)
    with os.fdopen(told) as answer:
        number = answer.readline().strip()
    assert number, "the virtual screen did not start"
    try:
        yield Screen(number, folder / "Xvfb_screen0")
    finally:
        server.terminate()
        server.wait(PATIENCE_S)


def eventually(claim: Callable[[], Any]) -> Any:
    """Return the first truthy value of `claim()`; how long it takes is no claim."""
    ends = time.monotonic() + PATIENCE_S
    while time.monotonic() < ends:
        value = claim()
        if value:
            return value
        time.sleep(0.05)
    raise AssertionError(f"never true: {claim.__name__}")
