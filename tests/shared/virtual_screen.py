"""A virtual screen for tests that open a real window."""

import contextlib
import os
import shutil
import subprocess
import time
from collections.abc import Callable, Iterator

import pytest

TOOLS = ("Xvfb", "xdotool", "import")


@contextlib.contextmanager
def virtual_screen(size: tuple[int, int]) -> Iterator[str]:
    """Start a screen of so many dots, and give its display's name; skip where there is none."""
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
    # The server chooses a display that is free, and tells which.
    screen = ["-screen", "0", f"{size[0]}x{size[1]}x24"]
    server = subprocess.Popen(
        ["Xvfb", "-displayfd", str(tells), "-nolisten", "tcp", *screen],
        pass_fds=[tells],
        stderr=subprocess.DEVNULL,
    )
    os.close(tells)
    with os.fdopen(told) as answer:
        number = answer.readline().strip()
    assert number, "the virtual screen did not start"
    try:
        yield f":{number}"
    finally:
        server.terminate()
        server.wait(10)


def eventually(claim: Callable[[], object], *, within_s: float = 60.0) -> None:
    """Wait until a claim holds: a guard against hanging, and no claim of speed."""
    ends = time.monotonic() + within_s
    while not claim():
        assert time.monotonic() < ends, "waited in vain"
        time.sleep(0.1)
