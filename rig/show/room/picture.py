"""The picture as it is sent: drawn once, packed once, the same bytes to every page."""

from __future__ import annotations

import json
import struct
import threading
import time
import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

_STEP_BITS = 5
"""Of each of red, green and blue; 32 steps of each are finer than the eye tells them apart side
by side, and few enough for all of a picture's colours to have a number of one byte."""

_WHITE = 0xFFFFFFFF

_LEVEL = 3
"""Of deflate: a third of the time of the usual one, and a tenth more bytes."""

FEWEST_S = 0.06
"""From one picture to the next: a hand that leads a body has the window draw far more often."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """What a page shows beside and in place of the picture.

    Attributes
    ----------
    head : str
        Such as "Ping 17".
    lines : tuple of str
        The echoes, in words.
    ending : str
        Why no more will come; empty while more may.
    at_s : float
        When the window had it, by the clock of :func:`time.monotonic`.
    """

    head: str
    lines: tuple[str, ...]
    ending: str = ""
    at_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Frame:
    """One picture, packed.

    Attributes
    ----------
    number : int
        From 1 on.
    message : bytes
        What is sent: the length of what follows in four bytes (big end first), JSON, a PNG.
    """

    number: int
    message: bytes


def frame_of(number: int, dots: NDArray[np.uint8], shown: Shown) -> Frame:
    """Pack a picture and its words.

    Parameters
    ----------
    number : int
    dots : ndarray of uint8, shape (rows, columns, 4)
    shown : Shown
    """
    words = {
        "number": number,
        "head": shown.head,
        "lines": shown.lines,
        "ending": shown.ending,
        "at": shown.at_s,
    }
    head = json.dumps(words, ensure_ascii=False).encode()
    return Frame(number=number, message=struct.pack(">I", len(head)) + head + png_of(dots))


def png_of(dots: NDArray[np.uint8]) -> bytes:
    """Return a picture as a PNG of at most 256 colours: those of one step are shown as one.

    Parameters
    ----------
    dots : ndarray of uint8, shape (rows, columns, 4)
        Opaque: the fourth number of each is 255.

    References
    ----------
    W3C, *Portable Network Graphics*, 3rd ed., 2025, sections 5, 9 and 11 (from memory).
    """
    whole = np.ascontiguousarray(dots).view("<u4")[..., 0]  # red in the lowest byte
    for bits in (_STEP_BITS, 4, 3, 2):
        drop, top = 8 - bits, (1 << bits) - 1
        keys = (whole >> drop) & top
        for part in (8, 16):  # green, then blue
            keys <<= bits
            keys |= (whole >> (part + drop)) & top
        shown = np.zeros(1 << 3 * bits, dtype="<u4")
        shown[keys] = whole
        colours = np.flatnonzero(shown)  # an opaque dot is never 0
        if colours.size <= 256:
            break
    # A ground keeps its own colour: that of two dots side by side that are alike.
    first, second = whole[::4, ::4], whole[::4, 1::4]
    first, keys_there = first[:, : second.shape[1]], keys[::4, ::4][:, : second.shape[1]]
    alike = first == second
    shown[keys_there[alike]] = first[alike]
    if shown[-1]:
        shown[-1] = _WHITE
    numbers = np.zeros(shown.size, dtype=np.uint8)
    numbers[colours] = np.arange(colours.size)
    high, wide = keys.shape
    rows = np.zeros((high, 1 + wide), dtype=np.uint8)  # each begins with its filter: none
    rows[:, 1:] = numbers.take(keys)
    palette = shown[colours].view(np.uint8).reshape(-1, 4)[:, :3]
    return b"".join(
        (
            b"\x89PNG\r\n\x1a\n",
            _chunk(b"IHDR", struct.pack(">IIBBBBB", wide, high, 8, 3, 0, 0, 0)),
            _chunk(b"PLTE", palette.tobytes()),
            _chunk(b"IDAT", zlib.compress(rows.tobytes(), _LEVEL)),
            _chunk(b"IEND", b""),
        )
    )


def _chunk(kind: bytes, inside: bytes) -> bytes:
    check = zlib.crc32(kind + inside)
    return struct.pack(">I", len(inside)) + kind + inside + struct.pack(">I", check)


class Packer:
    """Packs the newest picture on a thread of its own; what it has no time for is dropped.

    Parameters
    ----------
    wanted : callable
        Whether anybody is there to see it. While nobody is, the newest is kept as it is.
    packed : callable
        Takes each frame, on the packer's thread.
    """

    def __init__(self, *, wanted: Callable[[], bool], packed: Callable[[Frame], None]) -> None:
        self._wanted, self._packed = wanted, packed
        self._changed = threading.Condition()
        self._newest: tuple[NDArray[np.uint8], Shown] | None = None
        self._stopped = False
        self._number = 0
        self._rest = threading.Event()
        self._thread = threading.Thread(target=self._run, name="room picture", daemon=True)
        self._thread.start()

    def offer(
        self, dots: NDArray[np.uint8], head: str, lines: Sequence[str], ending: str, at_s: float
    ) -> None:
        """Take a picture, which is copied; waits for nothing."""
        shown = Shown(head=head, lines=tuple(lines), ending=ending, at_s=at_s)
        kept = np.array(dots)
        with self._changed:
            self._newest = kept, shown
            self._changed.notify()

    def look(self) -> None:
        """Look again whether a picture is wanted."""
        with self._changed:
            self._changed.notify()

    def stop(self, *, within_s: float) -> None:
        """Pack what is left, if anybody wants it, and end."""
        with self._changed:
            self._stopped = True
            self._changed.notify()
        self._rest.set()
        self._thread.join(within_s)

    def _run(self) -> None:
        while True:
            with self._changed:
                self._changed.wait_for(
                    lambda: self._stopped or (self._newest is not None and self._wanted())
                )
                if self._newest is None or not self._wanted():
                    return
                (dots, shown), self._newest = self._newest, None
            begun_s, spent_s = time.monotonic(), time.thread_time()
            self._number += 1
            self._packed(frame_of(self._number, dots, shown))
            spent_s = time.thread_time() - spent_s
            # As long as it worked: a window of a very large screen takes no more than half a core.
            self._rest.wait(max(begun_s + FEWEST_S - time.monotonic(), spent_s))
