"""Serial ports that may go away at any moment.

pyserial reports that in many ways: ``SerialException`` from reading and writing,
bare ``OSError`` from asking what waits, ``termios.error`` (which is no ``OSError``)
from flushing, ``TypeError`` where the port was closed in the middle of a read. Here
all of them are one :class:`PortGoneError`.
"""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Iterator
from typing import TYPE_CHECKING

from rig.errors import DeviceError

if TYPE_CHECKING:
    import serial

READ_WAIT_S = 0.01
"""A read waits for bytes so long at most, so that deadlines are kept to it."""

GATHER_S = 0.005
"""Bytes that follow one that has come are let gather for so long: each look at the port costs
some 0.15 ms, and in this time three frames take their way at half a million baud. A result is later
by no more than this."""

_MOST_BYTES = 4096


class PortGoneError(DeviceError):
    """The port cannot be opened, or has been unplugged."""


class BoardPort:
    """An open serial port.

    Parameters
    ----------
    name : str
        Such as ``/dev/ttyUSB0``.
    baud : int

    Raises
    ------
    PortGoneError
        Where it cannot be opened; the message says what would do.
    """

    def __init__(self, name: str, baud: int) -> None:
        import serial

        self.name = name
        try:
            self._serial: serial.Serial | None = serial.Serial(
                name, baud, timeout=READ_WAIT_S, write_timeout=1.0, exclusive=True
            )
        except (OSError, ValueError) as problem:
            raise PortGoneError(f"serial port {name}: {_why(problem, name)}") from problem

    def read(self) -> bytes:
        """Return what has come; wait a little where nothing has.

        Raises
        ------
        PortGoneError
        """
        with self._gone() as port:
            come: bytes = port.read(1)
            if come:
                time.sleep(GATHER_S)
                come += port.read(min(_MOST_BYTES, port.in_waiting))
            return come

    def write(self, data: bytes) -> None:
        """Send.

        Raises
        ------
        PortGoneError
        """
        with self._gone() as port:
            port.write(data)

    def close(self) -> None:
        """Let the port go. May be called twice, and after it has gone."""
        port, self._serial = self._serial, None
        if port is not None:
            with contextlib.suppress(*_ways_to_go()):
                port.close()

    @contextlib.contextmanager
    def _gone(self) -> Iterator[serial.Serial]:
        if self._serial is None:
            raise PortGoneError(f"serial port {self.name}: is closed; open it again")
        try:
            yield self._serial
        except _ways_to_go() as problem:
            raise PortGoneError(
                f"serial port {self.name}: has gone ({problem}); plug it in"
            ) from problem


def port_names() -> tuple[str, ...]:
    """Return the serial ports of this computer that a board may be plugged into."""
    from serial.tools import list_ports

    # A port with no hardware behind it is listed too, without a hardware name.
    return tuple(sorted(p.device for p in list_ports.comports() if p.hwid != "n/a"))


class Deadline:
    """A moment by the clock that never jumps."""

    def __init__(self, seconds: float) -> None:
        self._end_s = time.monotonic() + seconds

    @property
    def left_s(self) -> float:
        """Seconds until then; 0 once it has passed."""
        return max(0.0, self._end_s - time.monotonic())

    @property
    def passed(self) -> bool:
        """Whether it has passed."""
        return self.left_s == 0.0


def _why(problem: Exception, name: str) -> str:
    if not os.path.exists(name):
        known = ", ".join(port_names()) or "none"
        return f"there is none of that name; plug the board in, or give another (found: {known})"
    if isinstance(problem, PermissionError) or "Permission denied" in str(problem):
        return "may not be opened; add yourself to the group that owns it"
    return f"cannot be opened ({problem}); close whatever else uses it, or give another"


def _ways_to_go() -> tuple[type[Exception], ...]:
    """Return what pyserial raises once a port has been unplugged."""
    import serial

    try:
        from termios import error as termios_error
    except ImportError:  # not on this system, so it cannot be raised either
        return (serial.SerialException, OSError, TypeError)
    return (serial.SerialException, OSError, TypeError, termios_error)
