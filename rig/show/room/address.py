"""Where the room's page is served: this computer alone, or one address of it that was named."""

from __future__ import annotations

import ipaddress
import re
import socket
from dataclasses import dataclass

from rig.errors import DeviceError

ALONE = "127.0.0.1"
"""The loopback address: nobody but this computer itself can open it."""

PORT = 8470
"""Tried first, so that a firewall has to be told but once; any free one if it is taken."""

_NAME = re.compile(r"[A-Za-z0-9]([A-Za-z0-9.-]{0,250}[A-Za-z0-9])?")
_WAITING = 128
"""Connections that wait to be taken."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Address:
    """An address as it was named.

    Attributes
    ----------
    host : str
        A number or a name, without the brackets of an IPv6 address.
    port : int or None
        None where none was named, 0 for any free one.
    """

    host: str = ALONE
    port: int | None = None

    @property
    def alone(self) -> bool:
        """Whether nobody but this computer can reach it."""
        try:
            return ipaddress.ip_address(self.host).is_loopback
        except ValueError:
            return self.host == "localhost"


def read_address(text: str) -> Address:
    """Read ``HOST`` or ``HOST:PORT``; an IPv6 address in brackets, if a port follows.

    Raises
    ------
    ValueError
        Where it is no single address, or the port is none.

    Examples
    --------
    >>> read_address("192.168.4.1").host, read_address("[::1]:8000").port
    ('192.168.4.1', 8000)
    """
    found = re.fullmatch(r"(?:\[(?P<six>[^\]]*)\]|(?P<host>[^:]*))(?::(?P<port>\d{1,5}))?", text)
    host, port = (text, None) if found is None else (found["six"] or found["host"], found["port"])
    try:
        number = ipaddress.ip_address(host)
    except ValueError:
        number = None
    if number is not None and (number.is_unspecified or number.is_multicast):
        raise ValueError(
            f"found {text!r}, which is no single address; name the one of this computer"
            f"{_such_as()} that the class is to reach"
        )
    if number is None and (found is None or not _NAME.fullmatch(host)):
        raise ValueError(
            f"found {text!r}, which is no address; give one of this computer{_such_as()} or, for "
            "this computer alone, none, with --room as the last word of the line"
        )
    if port is not None and int(port) > 65535:
        raise ValueError(f"found the port {port}; give one from 1 to 65535")
    return Address(host=host, port=None if port is None else int(port))


def own_address() -> str | None:
    """Return the address by which others most likely reach this computer, or None.

    It is that of the way out. Nothing is sent: a datagram's socket is only told a far end, one
    of those kept for examples (RFC 5737, from memory).
    """
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asked:
        try:
            asked.connect(("192.0.2.1", 9))
            found = str(asked.getsockname()[0])
        except OSError:
            return None
    return None if found.startswith(("127.", "0.")) else found


def _such_as() -> str:
    own = own_address()
    return "" if own is None else f", such as {own},"


def bound(address: Address) -> socket.socket:
    """Return a socket that listens at an address.

    Raises
    ------
    DeviceError
        Where it is none of this computer's, or the port is taken.
    """
    ports = (PORT, 0) if address.port is None else (address.port,)
    problem: OSError | None = None
    for port in ports:
        try:
            family, kind, protocol, _, place = socket.getaddrinfo(
                address.host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
            )[0]
            return _listening(family, kind, protocol, place)
        except OSError as found:
            problem = found
    why = "" if problem is None else f" ({problem.strerror or problem})"
    raise DeviceError(
        f"room: nothing can be served at {address.host}, port {ports[0]}{why}; name an address "
        f"of this computer{_such_as()} and a port that is free"
    )


def _listening(family: int, kind: int, protocol: int, place: object) -> socket.socket:
    made = socket.socket(family, kind, protocol)
    try:
        # A room that is opened again at once finds its port still held by what was closed. On
        # Windows the same word would let another program take the port over.
        if hasattr(socket, "SO_EXCLUSIVEADDRUSE"):
            made.setsockopt(socket.SOL_SOCKET, socket.SO_EXCLUSIVEADDRUSE, 1)
        else:
            made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        made.setblocking(False)
        made.bind(place)  # type: ignore[arg-type]
        made.listen(_WAITING)
    except OSError:
        made.close()
        raise
    return made


def hosts_of(address: Address, listening: socket.socket) -> frozenset[str]:
    """Return what a browser may name as the host, with the port; all else came another way.

    A page of another's that has its own name lead here (DNS rebinding) names that name.
    """
    number, port = listening.getsockname()[:2]
    names = {address.host, number}
    if address.alone:
        names.add("localhost")
    written = {f"[{name}]" if ":" in name else name.lower() for name in names}
    found = {f"{name}:{port}" for name in written}
    return frozenset(found | written) if port == 80 else frozenset(found)


def url_of(address: Address, listening: socket.socket) -> str:
    """Return what is typed into a browser."""
    host = f"[{address.host}]" if ":" in address.host else address.host
    return f"http://{host}:{listening.getsockname()[1]}/"
