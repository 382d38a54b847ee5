"""The room, as the bench has it: pictures and words are put in, nothing comes back but answers."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import threading
import time
from collections.abc import Sequence
from types import TracebackType
from typing import Self

import numpy as np
from numpy.typing import NDArray

from rig.errors import DeviceError
from rig.show.room.address import Address, bound, hosts_of, url_of
from rig.show.room.asking import Asking
from rig.show.room.joining import Joining, new_code
from rig.show.room.picture import Frame, Packer
from rig.show.room.serving import Served, server

OVER = "The bench has ended. This is its last picture."

_LAST_WORDS_S = 3.0
_REST_S = 6.0
_BEGIN_S = 20.0


class Room:
    """Serves the room's page until it is closed; nothing here ever waits for a page.

    Parameters
    ----------
    address : Address
        Where to serve.

    Attributes
    ----------
    url : str
        What is typed into a browser.
    code : str
        By which a page joins.
    alone : bool
        Whether nobody but this computer can reach it.

    Raises
    ------
    DeviceError
        Where nothing can be served there, or the server does not begin to.
    """

    def __init__(self, address: Address) -> None:
        listening = bound(address)
        self.url, self.alone = url_of(address, listening), address.alone
        self.code = new_code()
        port = listening.getsockname()[1]
        self._served = Served(
            Joining(self.code, here=lambda visitor: visitor in self._served.lines),
            hosts=hosts_of(address, listening),
            cookie=f"room-{port}",
            came=self._came,
        )
        self._loop = asyncio.new_event_loop()
        self._ready = threading.Event()
        self._closed = False
        self._packer = Packer(wanted=lambda: self.here > 0, packed=self._packed)
        self._thread = threading.Thread(
            target=self._serve, args=(listening,), name="room", daemon=True
        )
        self._thread.start()
        if not self._ready.wait(_BEGIN_S):
            self._closed = True
            self._packer.stop(within_s=_LAST_WORDS_S)
            self._call(self._loop.stop)
            raise DeviceError(
                f"room: nothing answers at {self.url} {_BEGIN_S:g} s after it was opened; end what "
                "keeps this computer busy and try again, or leave --room out"
            )

    @property
    def link(self) -> str:
        """What a telephone is led to: the address with the code behind it."""
        return f"{self.url}#{self.code}"

    @property
    def here(self) -> int:
        """How many pages are there now."""
        return len(self._served.lines)

    def count(self) -> tuple[int, int]:
        """Return how many pages are there now, and how many have joined."""
        return self.here, self._served.joining.joined

    def show(
        self, dots: NDArray[np.uint8], head: str, lines: Sequence[str] = (), *, ending: str = ""
    ) -> None:
        """Give out a picture with its words; the newest alone is kept.

        Parameters
        ----------
        dots : ndarray of uint8, shape (rows, columns, 4)
            Copied.
        head, lines, ending
            As :class:`rig.show.room.picture.Shown` has them.
        """
        if not self._closed:
            self._packer.offer(dots, head, lines, ending, time.monotonic())

    def ask(self, asking: Asking | None) -> None:
        """Ask the class something, or nothing any more; from any thread."""
        self._call(self._served.ask, asking)

    def tell(self) -> None:
        """Tell that what is asked has changed; from any thread."""
        self._call(lambda: self._served.ask(self._served.asking))

    def close(self, words: str = OVER) -> None:
        """Tell all pages that no more will come, and serve no longer."""
        if self._closed:
            return
        self._closed = True
        self._packer.stop(within_s=_LAST_WORDS_S)
        if self._loop.is_closed():
            return
        ended = asyncio.run_coroutine_threadsafe(
            self._served.end(words, within_s=_LAST_WORDS_S), self._loop
        )
        with contextlib.suppress(TimeoutError):  # the pages have had their time
            ended.result(_REST_S)
        self._call(self._loop.stop)
        self._thread.join(_REST_S)

    def __enter__(self) -> Self:
        """Return itself."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        problem: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Close the room."""
        self.close()

    def _call(self, do: object, *given: object) -> None:
        try:
            self._loop.call_soon_threadsafe(do, *given)  # type: ignore[arg-type]
        except RuntimeError:  # the loop is closed: there is nobody left to tell
            if not self._closed:
                raise

    def _packed(self, frame: Frame) -> None:
        self._call(self._served.show, frame)

    def _came(self) -> None:
        self._packer.look()

    def _serve(self, listening: socket.socket) -> None:
        asyncio.set_event_loop(self._loop)
        made = server(self._served)

        def begin() -> None:
            made.add_socket(listening)
            self._ready.set()

        try:
            # Whoever closes it at once finds it running: what they ask of it comes after this.
            self._loop.call_soon(begin)
            self._loop.run_forever()
        finally:
            made.stop()
            self._loop.run_until_complete(made.close_all_connections())
            self._loop.run_until_complete(self._loop.shutdown_asyncgens())
            self._loop.close()
