"""The serial link's frames: bytes in, frames out, and back.

``hardware_notes/serial_link.md`` is the rule that this module and the firmware both
follow. It takes any bytes whatever: what is no frame is counted, and memory stays
within one frame.
"""

from __future__ import annotations

import binascii
import enum
import struct
from dataclasses import dataclass

from cobs import cobs

LINK_VERSION = 1

MOST_BODY_BYTES = 248
"""With head and check value 253 bytes: byte stuffing then adds exactly one."""

MOST_FRAME_BYTES = MOST_BODY_BYTES + 8
"""The longest frame on the wire, with its zeros."""

_HEAD = struct.Struct("<BBB")
_CHECK_BYTES = 2
_MOST_CODED_BYTES = _HEAD.size + MOST_BODY_BYTES + _CHECK_BYTES + 1


class MessageType(enum.IntEnum):
    """What a frame is about. An answer has its request's number with the top bit set."""

    IDENTIFY = 0x01
    SET = 0x02
    PING = 0x03
    PARTS = 0x04
    TEMPERATURE = 0x05
    IDENTITY = 0x81
    SETTINGS = 0x82
    CAPTURE_PART = 0x83
    TEMPERATURE_IS = 0x85
    ERROR = 0xFF


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """One frame, its check value found right.

    Attributes
    ----------
    type : int
        A :class:`MessageType`, or a number that this program does not know.
    tag : int
        Of the request that it answers; 0 where nobody asked.
    body : bytes
    version : int
    """

    type: int
    tag: int
    body: bytes = b""
    version: int = LINK_VERSION


def crc16(data: bytes) -> int:
    """Return the check value of CRC-16/CCITT-FALSE.

    Examples
    --------
    >>> hex(crc16(b"123456789"))
    '0x29b1'
    """
    return binascii.crc_hqx(data, 0xFFFF)


def encode_frame(frame: Frame) -> bytes:
    """Return a frame's bytes as they go over the wire, with a zero at either end.

    Raises
    ------
    ValueError
        Where the body is too long.
    """
    if len(frame.body) > MOST_BODY_BYTES:
        raise ValueError(f"body: found {len(frame.body)} bytes; give at most {MOST_BODY_BYTES}")
    plain = _HEAD.pack(frame.version, frame.type, frame.tag) + frame.body
    coded: bytes = cobs.encode(plain + crc16(plain).to_bytes(2, "big"))
    return b"\0" + coded + b"\0"


class FrameDecoder:
    """Takes bytes as they come and gives the frames that are whole.

    A frame stands between two zeros. Whatever lies around it, it is found; what is
    no frame is passed over and counted.

    Attributes
    ----------
    damaged : int
        Stretches between zeros that were no frame.

    Examples
    --------
    >>> ping = encode_frame(Frame(type=MessageType.PING, tag=7, body=bytes([1, 0])))
    >>> [frame.tag for frame in FrameDecoder().feed(b"noise" + ping + ping[:4])]
    [7]
    """

    def __init__(self) -> None:
        self.damaged = 0
        self._held = bytearray()
        self._too_long = False

    def feed(self, data: bytes) -> list[Frame]:
        """Take some bytes; return the frames that they complete."""
        frames = []
        *ended, rest = data.split(b"\0")
        for piece in ended:
            self._hold(piece)
            if self._held or self._too_long:
                frame = None if self._too_long else _frame(bytes(self._held))
                if frame is None:
                    self.damaged += 1
                else:
                    frames.append(frame)
            self._held.clear()
            self._too_long = False
        self._hold(rest)
        return frames

    def _hold(self, piece: bytes) -> None:
        if len(self._held) + len(piece) > _MOST_CODED_BYTES:
            self._held.clear()
            self._too_long = True
        elif not self._too_long:
            self._held += piece


def _frame(coded: bytes) -> Frame | None:
    try:
        plain = cobs.decode(coded)
    except cobs.DecodeError:
        return None
    if len(plain) < _HEAD.size + _CHECK_BYTES or crc16(plain) != 0:
        return None  # the remainder over a frame and its check value is nought
    version, kind, tag = _HEAD.unpack_from(plain)
    return Frame(version=version, type=kind, tag=tag, body=plain[_HEAD.size : -_CHECK_BYTES])
