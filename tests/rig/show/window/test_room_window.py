"""The window that a room follows, on a virtual screen, and a page's line to it."""

from __future__ import annotations

import asyncio
import io
import os
import re
import struct
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from matplotlib.image import imread
from numpy.typing import NDArray
from room_visits import frame_words, joined, opened_line, served, to_its_end
from tornado.websocket import WebSocketClientConnection
from typist import PATIENCE_S
from virtual_screen import Screen, eventually

pytestmark = pytest.mark.window

ACCENT = (0xC2, 0x41, 0x0C)
ROUNDED = 256 / 32
"""Of a colour's 256 steps, in a picture that has 32 of them."""


@dataclass(frozen=True, slots=True)
class Shown:
    """A command whose window is open, and how its room is joined."""

    process: subprocess.Popen[str]
    screen: Screen
    url: str
    code: str

    def press(self, key: str) -> None:
        environment = {**os.environ, "DISPLAY": self.screen.name}
        found = ["xdotool", "search", "--name", "echobench"]
        window = subprocess.run(found, env=environment, capture_output=True, text=True).stdout
        pressed = ["xdotool", "key", "--window", window.split()[0], key]
        # A window that a key closes is gone before the key is let go: that is no claim here.
        subprocess.run(pressed, env=environment, capture_output=True)

    def plate_lies_there(self) -> bool:
        """Whether the code stands on the screen, in the one colour beside ink."""
        return bool(np.all(np.abs(self.screen.rgb() - ACCENT) < 12, axis=2).sum() > 1000)


@pytest.fixture
def shown(display: Screen, tmp_path: Path) -> Iterator[Shown]:
    """Six pings of the demonstration, whose window then stays open."""
    words = ("demo", "--room", "127.0.0.1:0", "--pings", "6")
    environment = {**os.environ, "DISPLAY": display.name}
    with served(*words, folder=tmp_path, environment=environment) as (process, url, code):
        yield Shown(process, display, url, code)


def dots_of(frame: bytes) -> NDArray[np.float64]:
    """Return the picture that a frame brings, each colour from 0 to 255."""
    (length,) = struct.unpack(">I", frame[:4])
    return 255.0 * np.asarray(imread(io.BytesIO(frame[4 + length :]), format="png"))[..., :3]


async def last_frame(line: WebSocketClientConnection) -> bytes:
    """See pictures until the one that says that no more will come."""
    while True:
        message = await asyncio.wait_for(line.read_message(), PATIENCE_S)
        assert message is not None
        if isinstance(message, bytes):
            words = frame_words(message)
            if words["ending"]:
                assert words["ending"] == "All pings done"
                # The last that came: what a busy machine is late with is left out.
                assert re.match(r"Ping [0-5]: ", words["head"])
                return message
            await line.write_message(f'{{"seen": {words["number"]}}}')


def test_page_has_the_windows_own_picture_and_keeps_it_when_the_window_is_closed(
    shown: Shown,
) -> None:
    async def follow() -> None:
        async with opened_line(shown.url, joined(shown.url, shown.code)) as line:
            picture = dots_of(await last_frame(line))
            # The plate lies over the window until it is put away, and over no page. Meanwhile
            # the line is kept, which must answer the server.
            assert await asyncio.to_thread(eventually, shown.plate_lies_there)
            assert np.all(np.abs(picture - ACCENT) < 12, axis=2).sum() < 100
            await asyncio.to_thread(shown.press, "j")
            assert await asyncio.to_thread(eventually, lambda: not shown.plate_lies_there())
            high, wide = picture.shape[:2]
            apart = np.abs(shown.screen.rgb()[:high, :wide] - picture)
            assert apart.max() < ROUNDED
            await asyncio.to_thread(shown.press, "q")
            came = await to_its_end(line)
            assert '{"over": "The bench has ended. This is its last picture."}' in came

    asyncio.run(follow())
    assert shown.process.wait(PATIENCE_S) == 0
