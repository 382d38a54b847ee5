"""What a board writes, by hardware_notes/serial_link.md, for who plays its part."""

from __future__ import annotations

import struct

from rig.front_ends.board.link import CapturePart, Identity


def identity_body(said: Identity) -> bytes:
    numbers = (said.clock_hz, said.clock_tolerance_ppm, said.most_samples, said.number)
    head = bytes((*said.firmware, said.reset_cause, said.capabilities))
    return head + struct.pack("<IHHH", *numbers) + said.name.encode("ascii")


def capture_part_body(part: CapturePart) -> bytes:
    head = part.head
    words = (head.samples, head.sample_period_ticks, head.first_tick, head.crc)
    return struct.pack("<HBBHHiH", head.ping, part.part, head.parts, *words) + part.codes
