"""Which board is at which serial port."""

from __future__ import annotations

from rig.bench.plan import Plan
from rig.errors import DeviceError
from rig.front_ends.board.frames import LINK_VERSION, Frame, FrameDecoder, MessageType, encode_frame
from rig.front_ends.board.link import Identity, LinkError
from rig.front_ends.board.port import BoardPort, Deadline, PortGoneError, port_names

ANSWER_WAIT_S = 0.3
"""A request for anything but a ping is answered within this, or asked again."""

BOOT_WAIT_S = 3.0
"""Opening the port resets many boards, whose boot loader then listens for a program."""


def find_board(plan: Plan) -> str:
    """Return the port of the one board that answers, asking at every port.

    Raises
    ------
    DeviceError
        Where none answers, or more than one and the plan does not say which.
    """
    found = {}
    for name in port_names():
        identity = ask_who(name, plan.board.baud)
        if identity is not None and plan.board.board_number in (0, identity.number):
            found[name] = identity.number
    if len(found) == 1:
        return next(iter(found))
    if not found:
        raise DeviceError(
            f"serial port: no bench board answers at {plan.board.baud} baud "
            f"(asked: {', '.join(port_names()) or 'no port there'}); plug it in, or name its port"
        )
    listing = ", ".join(f"{number} at {name}" for name, number in found.items())
    raise DeviceError(
        f"serial port: several boards answer ({listing}); name one with --device, board.port or "
        "board.board_number"
    )


def ask_who(name: str, baud: int, *, wait_s: float = BOOT_WAIT_S) -> Identity | None:
    """Ask at a port which board is there; None where none answers."""
    request = encode_frame(Frame(type=MessageType.IDENTIFY, tag=1))
    decoder, deadline = FrameDecoder(), Deadline(wait_s)
    try:
        port = BoardPort(name, baud)
    except PortGoneError:
        return None
    try:
        while not deadline.passed:
            port.write(request)
            answer_wait = Deadline(ANSWER_WAIT_S)
            while not answer_wait.passed:
                for frame in decoder.feed(port.read()):
                    if frame.type == MessageType.IDENTITY and frame.version == LINK_VERSION:
                        return Identity.from_body(frame.body)
    except (PortGoneError, LinkError):
        return None
    finally:
        port.close()
    return None
