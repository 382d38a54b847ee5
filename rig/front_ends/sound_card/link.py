"""The bench's end of the sound process: start it, ask it, wait for it, end it."""

from __future__ import annotations

import contextlib
import os
import pickle
import queue
import subprocess
import sys
import tempfile
import threading
from pathlib import Path
from typing import TypeVar

from rig.bench.closing import Closing
from rig.errors import DeviceError
from rig.front_ends.sound_card.messages import (
    Devices,
    Failed,
    Message,
    Request,
    Started,
)

M = TypeVar("M")

START_LIMIT_S = 15.0
"""For the interpreter to start on a busy machine; no sound server has a part in it."""

ANSWER_LIMIT_S = 2.5
"""For the sound library and the server to answer, or for the next samples to come,
before they count as hanging."""

CLOSE_LIMIT_S = 1.2
"""For the sound process to end by itself; then it is ended."""

WAITING_MESSAGES = 1500
"""How many messages may wait to be read, about 30 s of sound. When more are due the
sound process waits, then its ring overflows, and the samples lost are flagged."""


class SoundLink(Closing):
    """A running sound process, which has found its devices.

    It is asked once at the most for a stream or a sound, by the numbers of :attr:`listings`.

    Attributes
    ----------
    listings : tuple of DeviceListing
        None is no error.

    Raises
    ------
    DeviceError
        Where the process cannot be started, or the sound library is missing, crashes or hangs.
    """

    def __init__(self) -> None:
        # A file, not a pipe: nobody need empty it for the process to go on.
        self._errors = tempfile.TemporaryFile()  # noqa: SIM115 - closed by close()
        root = str(Path(__file__).parents[3])
        search = os.pathsep.join(filter(None, [root, os.environ.get("PYTHONPATH")]))
        try:
            self._process = subprocess.Popen(
                [sys.executable, "-m", "rig.front_ends.sound_card.process"],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=self._errors,
                env=os.environ | {"PYTHONPATH": search},
                # No console window of its own on Windows.
                creationflags=getattr(subprocess, "CREATE_NO_WINDOW", 0),
            )
        except OSError as problem:
            self._errors.close()
            raise DeviceError(
                f"the sound process cannot be started ({problem.strerror}); "
                f"check that {sys.executable} can be run"
            ) from problem
        self._messages: queue.Queue[Message | None] = queue.Queue(WAITING_MESSAGES)
        self._closed = False
        self._reader = threading.Thread(target=self._take_messages, daemon=True)
        self._reader.start()
        try:
            self.wait_for(Started, START_LIMIT_S)
            self.listings = self.wait_for(Devices).listings
        except BaseException:
            self.close()
            raise

    def ask(self, request: Request) -> None:
        """Send a request. What became of it, the messages tell."""
        stdin = self._process.stdin
        # A process that has died says so where messages are waited for.
        with contextlib.suppress(OSError, ValueError):
            if stdin is not None:
                pickle.dump(request, stdin, protocol=pickle.HIGHEST_PROTOCOL)
                stdin.flush()

    def next_message(self, limit_s: float = ANSWER_LIMIT_S) -> Message:
        """Wait for the next message.

        Raises
        ------
        DeviceError
            Where the process failed, died, or said nothing for `limit_s`.
        """
        try:
            message = self._messages.get(timeout=limit_s)
        except queue.Empty:
            # It would not hear a request to end, either.
            self._process.kill()
            raise DeviceError(
                f"the sound device or its server has not answered for {limit_s:g} s; "
                "check that it is plugged in and that the server runs, then start again"
            ) from None
        if message is None:
            code = self._process.wait(CLOSE_LIMIT_S)
            raise DeviceError(
                f"the sound library crashed ({_exit_words(code)}{self._last_words()}); "
                "check the sound set-up of this machine"
            )
        if isinstance(message, Failed):
            raise DeviceError(message.reason)
        return message

    def wait_for(self, kind: type[M], limit_s: float = ANSWER_LIMIT_S) -> M:
        """Wait for a message of this kind, the next one there is.

        Raises
        ------
        DeviceError
            As :meth:`next_message`.
        """
        message = self.next_message(limit_s)
        if not isinstance(message, kind):
            raise DeviceError(
                f"the sound process answered {type(message).__name__} where "
                f"{kind.__name__} was due; start again"
            )
        return message

    def close(self) -> None:
        """End the process: let it close its stream, or end it if it hangs."""
        if self._closed:
            return
        self._closed = True
        with contextlib.suppress(OSError):
            if self._process.stdin is not None:
                self._process.stdin.close()
        try:
            self._process.wait(CLOSE_LIMIT_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._reader.join()
        if self._process.stdout is not None:
            self._process.stdout.close()
        self._errors.close()

    def _take_messages(self) -> None:
        """Move messages from the pipe to the queue; None stands for its end."""
        stdout = self._process.stdout
        message: Message | None = None
        while stdout is not None:
            try:
                message = pickle.load(stdout)
            except (EOFError, OSError, pickle.UnpicklingError):
                message = None
            # Once closed nobody reads, and the pipe is only emptied.
            while not self._closed:
                with contextlib.suppress(queue.Full):
                    self._messages.put(message, timeout=0.1)
                    break
            if message is None:
                return

    def _last_words(self) -> str:
        self._errors.seek(0)
        lines = self._errors.read().decode(errors="replace").split("\n")
        words = [line.strip() for line in lines if line.strip()]
        return f": {words[-1][:200]}" if words else ""


def _exit_words(code: int) -> str:
    return f"signal {-code}" if code < 0 else f"exit status {code}"
