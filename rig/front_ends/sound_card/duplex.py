"""The sound callback: pulses out at exact samples, samples in, in one go."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from rig.bench.capture import CaptureFlag
from rig.front_ends.sound_card.ring import SampleRing

_INPUT_OVERFLOW = CaptureFlag.INPUT_OVERFLOW.value
_INPUT_UNDERFLOW = CaptureFlag.INPUT_UNDERFLOW.value
_OUTPUT_UNDERFLOW = CaptureFlag.OUTPUT_UNDERFLOW.value
_OUTPUT_OVERFLOW = CaptureFlag.OUTPUT_OVERFLOW.value


class StreamStatus(Protocol):
    """What the sound library says of a buffer; false where all is well."""

    input_overflow: bool
    input_underflow: bool
    output_underflow: bool
    output_overflow: bool

    def __bool__(self) -> bool: ...


@dataclass(slots=True)
class Sending:
    """A row of pings to send.

    Attributes
    ----------
    row : int
        Its number, to tell it from the rows before.
    pings : int
    wait_samples : int
        Silence before the first, from the buffer that takes this row up.
    start : int
        Output sample at which the first ping leaves; −1 until it is known.
    """

    row: int
    pings: int
    wait_samples: int = 0
    start: int = -1


class DuplexCallback:
    """Called with each buffer that comes in and each that is to go out.

    Both directions run in step, so one count of frames places a sample in either:
    the stream's own. Nothing but that count decides when a ping leaves.

    The callback makes no arrays of samples and takes no lock: it fills the buffer
    that it is given from pulses made before, and copies what came in to the ring.
    What Python itself needs for a view or a whole number cannot be avoided, and
    does not grow with the buffer.

    Parameters
    ----------
    pulses : sequence of ndarray of float32, shape (samples,)
        Sent in turn, at their final level; none longer than the interval.
    interval_samples : int
        From one ping to the next.
    sounding : int
        How many of the output channels, from the first, carry the pulse. The
        others are silent.
    ring : SampleRing
    """

    def __init__(
        self,
        pulses: Sequence[NDArray[np.float32]],
        *,
        interval_samples: int,
        sounding: int,
        ring: SampleRing,
    ) -> None:
        self._pulses = tuple(np.array(p, dtype=np.float32)[:, np.newaxis] for p in pulses)
        self._interval = interval_samples
        self._sounding = sounding
        self._ring = ring
        self._position = 0
        self._taken_up = Sending(row=-1, pings=0)
        self._sending = self._taken_up

    @property
    def sending(self) -> Sending:
        """The row that was asked for last."""
        return self._sending

    def send(self, sending: Sending) -> None:
        """Send these pings, in place of any that are still to go.

        The next buffer takes the row up, so that no part of its first ping can be
        too late; it then writes ``sending.start``.
        """
        # One assignment of one name: the callback sees the old row or the new.
        self._sending = sending

    def __call__(
        self,
        heard: NDArray[np.float32],
        to_send: NDArray[np.float32],
        frames: int,
        _time: object,
        status: StreamStatus,
    ) -> None:
        """Take `heard`, shape (frames, inputs), and fill `to_send`, (frames, outputs)."""
        to_send.fill(0)
        position = self._position
        sending = self._sending
        if sending is not self._taken_up:
            sending.start = position + sending.wait_samples
            self._taken_up = sending
        ping = max(0, (position - sending.start) // self._interval)
        while ping < sending.pings:
            leaves = sending.start + ping * self._interval
            if leaves >= position + frames:
                break
            pulse = self._pulses[ping % len(self._pulses)]
            begin = max(leaves, position)
            end = min(leaves + len(pulse), position + frames)
            if begin < end:
                to_send[begin - position : end - position, : self._sounding] = pulse[
                    begin - leaves : end - leaves
                ]
            ping += 1
        self._ring.write(heard, _flag_bits(status) if status else 0)
        self._position = position + frames


def _flag_bits(status: StreamStatus) -> int:
    return (
        _INPUT_OVERFLOW * status.input_overflow
        | _INPUT_UNDERFLOW * status.input_underflow
        | _OUTPUT_UNDERFLOW * status.output_underflow
        | _OUTPUT_OVERFLOW * status.output_overflow
    )
