"""The serial link's messages: frames' bodies in, messages out, and back.

``hardware_notes/serial_link.md`` is the rule that this module and the firmware both
follow. What is no message raises :class:`LinkError`.
"""

from __future__ import annotations

import dataclasses
import enum
import struct
from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import NDArray

from rig.errors import DeviceError
from rig.front_ends.board.frames import crc16

MOST_PARTS = 32
"""A capture has at most so many parts: the bits of a request for some of them."""


class LinkError(DeviceError):
    """A frame arrived whole, but its message cannot be used."""


class ErrorReason(enum.IntEnum):
    """Why a board did not do as asked."""

    BAD_CHECK = 1
    BAD_VERSION = 2
    BAD_TYPE = 3
    BAD_LENGTH = 4
    BAD_VALUE = 5
    NOT_SET = 6
    NOT_HELD = 7
    BUSY = 8


class Capability(enum.IntFlag):
    """What a board can do beyond the least."""

    TEMPERATURE = 1
    GAIN_STEPS = 2
    FREE_RUNNING = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Identity:
    """What a board says of itself.

    Attributes
    ----------
    name : str
    number : int
        Tells two boards apart.
    firmware : tuple of int
        Major, minor.
    reset_cause : int
        As its processor names it; 0 where it does not.
    capabilities : Capability
    clock_hz : int
        Nominal; a tick is one cycle of it.
    clock_tolerance_ppm : int
    most_samples : int
        In one capture.
    """

    name: str
    number: int
    firmware: tuple[int, int]
    reset_cause: int
    capabilities: Capability
    clock_hz: int
    clock_tolerance_ppm: int
    most_samples: int

    _FORMAT = struct.Struct("<BBBBIHHH")

    @classmethod
    def from_body(cls, body: bytes) -> Self:
        """Read the message.

        Raises
        ------
        LinkError
        """
        major, minor, cause, can, clock_hz, ppm, most, number = _unpack(
            cls._FORMAT, body, "identity"
        )
        name = body[cls._FORMAT.size :].decode("ascii", errors="replace")
        if clock_hz == 0 or most == 0:
            raise LinkError(
                f"board: names a clock of {clock_hz} Hz and room for {most} samples; "
                "neither can be 0, so its firmware needs mending"
            )
        return cls(
            name="".join(c if c.isprintable() else "?" for c in name),
            number=number,
            firmware=(major, minor),
            reset_cause=cause,
            capabilities=Capability(can),
            clock_hz=clock_hz,
            clock_tolerance_ppm=ppm,
            most_samples=most,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """All that the set message sets, and that a board confirms.

    Attributes
    ----------
    half_period_ticks : int
        Half a cycle of the burst.
    cycles : int
    sample_period_ticks : int
    gate_start : int
        Samples left out before the first that is kept.
    gate_length : int
        Samples kept.
    gain_step : int
    """

    half_period_ticks: int
    cycles: int
    sample_period_ticks: int
    gate_start: int
    gate_length: int
    gain_step: int

    _FORMAT = struct.Struct("<HBHHHB")

    @classmethod
    def from_body(cls, body: bytes) -> Self:
        """Read the message.

        Raises
        ------
        LinkError
        """
        names = (field.name for field in dataclasses.fields(cls))
        return cls(**dict(zip(names, _unpack(cls._FORMAT, body, "settings"), strict=True)))

    def to_body(self) -> bytes:
        """Write the message."""
        return self._FORMAT.pack(*dataclasses.astuple(self))


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureHead:
    """What every part of one capture says alike.

    Attributes
    ----------
    ping : int
        The number that the ping was asked for with.
    parts : int
    samples : int
        In the whole capture.
    sample_period_ticks : int
    first_tick : int
        When the first sample was held, from the burst's first edge.
    crc : int
        Check value over all samples.
    """

    ping: int
    parts: int
    samples: int
    sample_period_ticks: int
    first_tick: int
    crc: int


@dataclass(frozen=True, slots=True, kw_only=True)
class CapturePart:
    """One part of a capture.

    Attributes
    ----------
    head : CaptureHead
    part : int
        From 0.
    codes : bytes
        The converter's codes, one byte each.
    """

    head: CaptureHead
    part: int
    codes: bytes

    _FORMAT = struct.Struct("<HBBHHiH")

    @classmethod
    def from_body(cls, body: bytes) -> Self:
        """Read the message.

        Raises
        ------
        LinkError
        """
        ping, part, parts, samples, period, tick, crc = _unpack(cls._FORMAT, body, "capture part")
        codes = body[cls._FORMAT.size :]
        if not (part < parts <= MOST_PARTS and 0 < len(codes) <= samples):
            raise LinkError(
                f"board: sent part {part} of {parts} with {len(codes)} of {samples} samples; "
                "that fits no capture, so its firmware needs mending"
            )
        return cls(
            head=CaptureHead(
                ping=ping,
                parts=parts,
                samples=samples,
                sample_period_ticks=period,
                first_tick=tick,
                crc=crc,
            ),
            part=part,
            codes=codes,
        )


class CaptureParts:
    """Puts one capture together from its parts, in whatever order they come.

    Attributes
    ----------
    head : CaptureHead or None
        Of the first part that came.
    repeated, out_of_order : int
        Parts that came again, and that came before an earlier one.
    """

    def __init__(self) -> None:
        self.head: CaptureHead | None = None
        self.repeated = 0
        self.out_of_order = 0
        self._codes: dict[int, bytes] = {}

    def add(self, part: CapturePart) -> None:
        """Take a part.

        Raises
        ------
        LinkError
            Where it does not belong to the parts that came before it.
        """
        if self.head is None:
            self.head = part.head
        elif part.head != self.head:
            raise LinkError("board: two parts of one capture tell different stories; ping again")
        if part.part in self._codes:
            self.repeated += 1
            if self._codes[part.part] != part.codes:
                raise LinkError("board: a part came twice with different samples; ping again")
            return
        if self._codes and part.part < max(self._codes):
            self.out_of_order += 1
        self._codes[part.part] = part.codes

    @property
    def whole(self) -> bool:
        """Whether all have come; asked at each read, as the link is waited for."""
        return self.head is not None and len(self._codes) == self.head.parts

    @property
    def missing(self) -> tuple[int, ...]:
        """Parts that have not come; all that there may be while none has."""
        parts = MOST_PARTS if self.head is None else self.head.parts
        return tuple(n for n in range(parts) if n not in self._codes)

    def codes(self) -> NDArray[np.uint8]:
        """Return the whole capture.

        Raises
        ------
        LinkError
            Where parts are missing or the whole does not fit its check value.
        """
        if self.head is None or not self.whole:
            raise LinkError(f"board: parts {self.missing} of the capture are missing; ask for them")
        joined = b"".join(self._codes[n] for n in range(self.head.parts))
        if len(joined) != self.head.samples or crc16(joined) != self.head.crc:
            raise LinkError("board: the parts do not make up the capture they name; ping again")
        return np.frombuffer(joined, dtype=np.uint8)


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardError:
    """A board says why it did not do as asked.

    Attributes
    ----------
    reason : int
        An :class:`ErrorReason`, or a number that this program does not know.
    detail : int
        For a bad value the number of the setting, counted from 1.
    """

    reason: int
    detail: int

    _FORMAT = struct.Struct("<BB")

    @classmethod
    def from_body(cls, body: bytes) -> Self:
        """Read the message.

        Raises
        ------
        LinkError
        """
        reason, detail = _unpack(cls._FORMAT, body, "error")
        return cls(reason=reason, detail=detail)

    @property
    def words(self) -> str:
        """The reason in words."""
        try:
            return ErrorReason(self.reason).name.lower().replace("_", " ")
        except ValueError:
            return f"reason {self.reason}"


_TEMPERATURE = struct.Struct("<h")
_NO_THERMISTOR = -32768


def temperature_c_from_body(body: bytes) -> float | None:
    """Read a temperature message; None where the board has no sensor that works.

    Raises
    ------
    LinkError
    """
    (hundredths,) = _unpack(_TEMPERATURE, body, "temperature")
    return None if hundredths == _NO_THERMISTOR else hundredths / 100


def ping_body(number: int) -> bytes:
    """Write the body of a request for a ping."""
    return struct.pack("<H", number)


def parts_body(number: int, parts: tuple[int, ...]) -> bytes:
    """Write the body of a request for some parts of ping `number`."""
    return struct.pack("<HI", number, sum(1 << n for n in parts))


def _unpack(layout: struct.Struct, body: bytes, what: str) -> tuple[int, ...]:
    """Read the start of a body; it may be longer, as later versions' may."""
    if len(body) < layout.size:
        raise LinkError(
            f"board: its {what} message has {len(body)} bytes, {layout.size} at the least are due; "
            "update its firmware"
        )
    return layout.unpack_from(body)
