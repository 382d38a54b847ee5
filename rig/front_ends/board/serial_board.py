"""A microcontroller board on a serial port as a front end.

The board sends the burst and samples the echo by its own timers, so that the
pulse's leaving is known to a tick of its clock; the samples come over the serial
link in numbered parts. Parts that do not come are asked for again; a ping that
does not come whole in time is lost and says so. An unplugged board is opened
again when it is back.
"""

from __future__ import annotations

import dataclasses
import itertools
import math
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from dsp.ping.ranging import path_from_range_m
from rig.bench.believed_speed import believed_speed_m_s
from rig.bench.capture import (
    LEAD_S,
    CaptureBlock,
    CaptureFlag,
    StreamInfo,
)
from rig.bench.closing import Closing
from rig.bench.front_end_names import INVENTED_FRONT_ENDS
from rig.bench.plan import Plan
from rig.errors import DeviceError, PlanError
from rig.front_ends.board.frames import (
    LINK_VERSION,
    MOST_FRAME_BYTES,
    Frame,
    FrameDecoder,
    MessageType,
    encode_frame,
)
from rig.front_ends.board.link import (
    BoardError,
    CapturePart,
    CaptureParts,
    ErrorReason,
    Identity,
    LinkError,
    Settings,
    parts_body,
    ping_body,
    temperature_c_from_body,
)
from rig.front_ends.board.plain_numbers import open_plain_numbers
from rig.front_ends.board.port import BoardPort, Deadline, PortGoneError
from rig.front_ends.board.search import ANSWER_WAIT_S, BOOT_WAIT_S, find_board
from rig.front_ends.board.settings import settings_for
from rig.front_ends.protocol import FrontEnd

QUIET_S = 0.08
"""An answer in several frames is over when nothing has come for so long, and for as
long as two of the longest frames take at the link's rate."""

PATIENCE_S = 1.5
"""A ping that is not there after this, and twice its own length, is lost."""

GIVE_UP_S = 60.0
"""A board that has not answered for so long is gone for good."""

_CODE_MIDDLE = 127.5  # code c stands for the voltages from c to c + 1 steps
_CODE_SPAN = 128.0
_FULL = np.float32(_CODE_MIDDLE / _CODE_SPAN)

_PLAN_KEYS = {
    1: "pulse.centre_hz",
    2: "pulse.cycles",
    3: "timing.sample_rate_hz",
    4: "receiver.range_start_m",
    5: "receiver.range_stop_m",
    6: "board.gain_step",
}


class _RestartedError(DeviceError):
    """The board has been reset and knows nothing of what it was told."""


class _NoAnswerError(DeviceError):
    """Nothing that answers the request came in time."""


@dataclass(slots=True)
class LinkCounts:
    """What went wrong on the link, and was noticed.

    Attributes
    ----------
    damaged : int
        Stretches of bytes that were no frame.
    stale : int
        Frames that answered no question still open.
    refused : int
        Requests that the board answered with an error.
    unusable : int
        Frames that were whole, but their message was not.
    repeated, out_of_order : int
        Parts of captures.
    asked_again : int
        Requests for missing parts, and pings sent again.
    restarts : int
        Times the board said hello unasked.
    reopened : int
        Times the port was opened again.
    """

    damaged: int = 0
    stale: int = 0
    refused: int = 0
    unusable: int = 0
    repeated: int = 0
    out_of_order: int = 0
    asked_again: int = 0
    restarts: int = 0
    reopened: int = 0


class SerialBoard(Closing):
    """Pings through a board. Made by :func:`open_serial_board`.

    Parameters
    ----------
    plan : Plan
    port_name : str
    front_end : str
        Its name in :attr:`info`.
    before_ping : callable, optional
        Called with each ping's number before it is sent.
    paced : bool
        Whether pings wait for the plan's interval.
    """

    def __init__(
        self,
        plan: Plan,
        port_name: str,
        *,
        front_end: str = "serial-board",
        before_ping: Callable[[int], None] | None = None,
        paced: bool = True,
    ) -> None:
        self.counts = LinkCounts()
        self._plan = plan
        self._port_name = port_name
        self._before_ping = before_ping
        self._paced = paced
        self._port: BoardPort | None = None
        self._closed = False
        self._decoder = FrameDecoder()
        self._tags = itertools.cycle(range(1, 256))
        self._numbers = itertools.cycle(range(1, 65536))
        self._ready = False
        self._connect()
        try:
            self.identity = self._identify(Deadline(BOOT_WAIT_S))
            self._check_number()
            self._settings = settings_for(plan, self.identity)
            self._set(Deadline(BOOT_WAIT_S))
            self.temperature_c = self._temperature_c()
        except BaseException:
            self.close()
            raise
        ident = self.identity
        warmth = "" if self.temperature_c is None else f", {self.temperature_c:.1f} °C"
        self.info = StreamInfo(
            front_end=front_end,
            invented=front_end in INVENTED_FRONT_ENDS,
            device=f"{ident.name} {ident.number} v{ident.firmware[0]}.{ident.firmware[1]}{warmth}",
            sample_rate_hz=ident.clock_hz / self._settings.sample_period_ticks,
            clock_tolerance_ppm=float(ident.clock_tolerance_ppm),
            step=1 / _CODE_SPAN,
        )
        self._block_samples = plan.at_rate(self.info.sample_rate_hz).interval_samples
        # The mark is the pulse's own leaving, unless the plan trusts the direct sound more.
        by_direct = plan.geometry.time_zero == "direct"
        direct_s = plan.geometry.baseline_m / believed_speed_m_s(plan.medium) if by_direct else 0.0
        kept = self._settings
        self._capture_s = (kept.gate_start + kept.gate_length) / self.info.sample_rate_hz
        byte_s = 10 / plan.board.baud
        self._quiet_s = QUIET_S + 2 * MOST_FRAME_BYTES * byte_s
        # A frame adds at most as much again to the samples that it carries.
        self._patience_s = PATIENCE_S + 2 * (self._capture_s + 2 * kept.gate_length * byte_s)
        self._late_s = plan.board.own_delay_s + direct_s
        # A mark that is looked for, as the direct sound is, may lie a little early.
        lead_s = LEAD_S if by_direct else 0.0
        self._lead_samples = math.ceil(lead_s * self.info.sample_rate_hz)
        near_m = path_from_range_m(plan.receiver.range_start_m, plan.geometry.baseline_m)
        near_s = 0.0 if by_direct else float(near_m) / believed_speed_m_s(plan.medium)
        self._looks_from = math.floor(near_s * self.info.sample_rate_hz)

    @property
    def truth(self) -> None:
        """Nobody knows it of a real bench."""

    def blocks(self, pings: int) -> Iterator[CaptureBlock]:
        """Send `pings` pings and yield a block for each; see :class:`FrontEnd`.

        Raises
        ------
        DeviceError
            Where the board has not answered for :data:`GIVE_UP_S`.
        """
        interval_s = self._plan.timing.ping_interval_s
        answered_s = due_s = time.monotonic()
        for index in range(pings):
            now_s = time.monotonic()
            if self._paced and now_s < due_s:
                time.sleep(due_s - now_s)
            # A ping that came late does not make the next ones hurry after it.
            due_s = max(due_s, now_s) + interval_s
            block = self._ping(index)
            if block.flags & CaptureFlag.MISSING:
                if time.monotonic() - answered_s > GIVE_UP_S:
                    raise DeviceError(
                        f"serial port {self._port_name}: no capture came for {GIVE_UP_S:g} s; "
                        "plug the board in and start again"
                    )
            else:
                answered_s = time.monotonic()
            yield block

    def close(self) -> None:
        """Let the port go. May be called twice."""
        self._closed = True
        self._disconnect()

    # One ping

    def _ping(self, index: int) -> CaptureBlock:
        """Return the ping's block, whole or marked lost."""
        if self._before_ping is not None:
            self._before_ping(index)
        deadline = Deadline(self._patience_s)
        first = True
        while not deadline.passed and not self._closed:
            try:
                self._make_ready(deadline)
                if not first:
                    self.counts.asked_again += 1
                first = False
                return self._block(index, self._capture(deadline))
            except PortGoneError:
                self._disconnect()
                time.sleep(min(0.05, deadline.left_s))
            except _RestartedError:
                self._ready = False
            except LinkError:
                self.counts.unusable += 1
            except _NoAnswerError:
                pass
        return CaptureBlock(
            index=index,
            samples=np.zeros((1, self._block_samples), dtype=np.float32),
            start_sample=index * self._block_samples,
            mark_s=0.0,
            flags=CaptureFlag.MISSING,
        )

    def _make_ready(self, deadline: Deadline) -> None:
        """Open, identify and set the board anew where it has gone or has been reset."""
        if self._port is None:
            self._connect()
            self.counts.reopened += 1
        if self._ready:
            return
        if self._identify(deadline).number != self.identity.number:
            raise PortGoneError(f"serial port {self._port_name}: another board answers there now")
        self._set(deadline)

    def _capture(self, deadline: Deadline) -> CaptureParts:
        """Ask for one ping and gather its parts until none is missing.

        Raises
        ------
        PortGoneError, _RestartedError, LinkError, _NoAnswerError
        """
        # A number of its own for each attempt: parts of two captures never mix.
        number = next(self._numbers)
        parts = CaptureParts()
        tags = {self._send(MessageType.PING, ping_body(number))}
        wait_s = self._capture_s + self._quiet_s
        try:
            while True:
                self._gather(parts, number, tags, wait_s, deadline)
                if parts.whole:
                    return parts
                if deadline.passed:
                    raise _NoAnswerError(
                        f"serial port {self._port_name}: parts are missing; ping again"
                    )
                self.counts.asked_again += 1
                tags.add(self._send(MessageType.PARTS, parts_body(number, parts.missing)))
                wait_s = self._quiet_s
        finally:
            self.counts.repeated += parts.repeated
            self.counts.out_of_order += parts.out_of_order

    def _gather(
        self, parts: CaptureParts, number: int, tags: set[int], wait_s: float, deadline: Deadline
    ) -> None:
        """Take parts as they come, until all are there or nothing has come for a while."""
        quiet = Deadline(wait_s)
        while not parts.whole and not quiet.passed and not deadline.passed:
            for frame in self._receive():
                if frame.tag not in tags:
                    self._stray(frame)
                    continue
                if frame.type == MessageType.ERROR:
                    self._refused(frame)
                if frame.type != MessageType.CAPTURE_PART:
                    self.counts.stale += 1
                    continue
                part = CapturePart.from_body(frame.body)
                if part.head.ping != number:
                    self.counts.stale += 1
                    continue
                parts.add(part)
                quiet = Deadline(self._quiet_s)

    def _block(self, index: int, parts: CaptureParts) -> CaptureBlock:
        codes = parts.codes()
        head, wanted = parts.head, self._settings
        assert head is not None  # noqa: S101 - there are codes, so there was a part
        if (head.sample_period_ticks, head.samples) != (
            wanted.sample_period_ticks,
            wanted.gate_length,
        ):
            raise LinkError("board: took the capture with other settings; set it again")
        period, clock_hz = head.sample_period_ticks, self.identity.clock_hz
        # The block starts so many whole samples before the first one kept that the
        # first edge lies in it; what was not sampled is silence there.
        early = head.first_tick - self._late_s * clock_hz
        before = max(0, math.ceil(early / period)) + self._lead_samples
        samples = np.zeros((1, self._block_samples), dtype=np.float32)
        kept = codes[: self._block_samples - before]
        samples[0, before : before + kept.size] = (kept - _CODE_MIDDLE) / _CODE_SPAN
        # The sound straight from sender to receiver often clips, and hides nothing.
        looked_at = samples[0, self._looks_from :]
        clipped = bool(looked_at.max() >= _FULL or looked_at.min() <= -_FULL)
        return CaptureBlock(
            index=index,
            samples=samples,
            start_sample=index * self._block_samples,
            mark_s=(before * period - head.first_tick) / clock_hz + self._late_s,
            flags=CaptureFlag.CLIPPED if clipped else CaptureFlag.NONE,
        )

    # Questions and answers

    def _identify(self, deadline: Deadline) -> Identity:
        return Identity.from_body(self._ask(MessageType.IDENTIFY, b"", deadline).body)

    def _set(self, deadline: Deadline) -> None:
        """Set the board and see that it took the settings.

        Raises
        ------
        PlanError
            Where the board cannot do what the plan asks.
        """
        answer = self._ask(MessageType.SET, self._settings.to_body(), deadline)
        if Settings.from_body(answer.body) != self._settings:
            raise LinkError("board: confirms other settings than it was given; update its firmware")
        self._ready = True

    def _temperature_c(self) -> float | None:
        try:
            answer = self._ask(MessageType.TEMPERATURE, b"", Deadline(1.0))
            return temperature_c_from_body(answer.body)
        except (_NoAnswerError, LinkError):
            return None  # nice to know, and nothing hangs on it

    def _ask(self, kind: MessageType, body: bytes, deadline: Deadline) -> Frame:
        """Ask until the board answers.

        Raises
        ------
        PortGoneError, _NoAnswerError, LinkError, PlanError
        """
        while not deadline.passed:
            tag = self._send(kind, body)
            wait = Deadline(min(ANSWER_WAIT_S, deadline.left_s))
            while not wait.passed:
                for frame in self._receive():
                    if frame.tag == tag and frame.version != LINK_VERSION:
                        raise DeviceError(
                            f"serial port {self._port_name}: the board speaks version "
                            f"{frame.version} of the link, this program {LINK_VERSION}; update "
                            "the older of the two"
                        )
                    if frame.tag == tag and frame.type == kind | 0x80:
                        return frame
                    if frame.tag == tag and frame.type == MessageType.ERROR:
                        self._refused(frame)
                    elif frame.tag != 0:
                        self.counts.stale += 1
        raise _NoAnswerError(
            f"serial port {self._port_name}: nothing answers as a bench board does; check the "
            f"cable, the port and board.baud = {self._plan.board.baud}"
        )

    def _stray(self, frame: Frame) -> None:
        """Look at a frame that answers nothing that was asked just now."""
        if frame.tag == 0 and frame.type == MessageType.IDENTITY:
            self.counts.restarts += 1
            raise _RestartedError(
                f"serial port {self._port_name}: the board was reset; set it again"
            )
        if frame.tag == 0 and frame.type == MessageType.ERROR:
            self.counts.refused += 1
        else:
            self.counts.stale += 1

    def _refused(self, frame: Frame) -> None:
        """Turn the board's complaint into what is to be done about it."""
        self.counts.refused += 1
        error = BoardError.from_body(frame.body)
        if error.reason == ErrorReason.BAD_VALUE:
            key = _PLAN_KEYS.get(error.detail, "board")
            raise PlanError(
                f"{key}: the board {self._port_name} cannot do what the plan asks; give another "
                "value (hardware_notes/serial_link.md lists what boards can do)"
            )
        if error.reason in (ErrorReason.NOT_SET, ErrorReason.NOT_HELD):
            raise _RestartedError(f"serial port {self._port_name}: {error.words}; set it again")
        raise LinkError(f"serial port {self._port_name}: the board answers {error.words}")

    # Bytes

    def _send(self, kind: MessageType, body: bytes) -> int:
        tag = next(self._tags)
        self._open_port().write(encode_frame(Frame(type=kind, tag=tag, body=body)))
        return tag

    def _receive(self) -> list[Frame]:
        frames = self._decoder.feed(self._open_port().read())
        self.counts.damaged += self._decoder.damaged
        self._decoder.damaged = 0
        return frames

    def _open_port(self) -> BoardPort:
        if self._port is None:
            raise PortGoneError(f"serial port {self._port_name}: is closed; open it again")
        return self._port

    def _connect(self) -> None:
        """Open the port.

        Raises
        ------
        PortGoneError
        """
        self._port = BoardPort(self._port_name, self._plan.board.baud)
        self._decoder = FrameDecoder()
        self._ready = False

    def _disconnect(self) -> None:
        port, self._port = self._port, None
        self._ready = False
        if port is not None:
            port.close()

    def _check_number(self) -> None:
        wanted = self._plan.board.board_number
        if wanted and wanted != self.identity.number:
            raise DeviceError(
                f"serial port {self._port_name}: board {self.identity.number} answers; give its "
                f"number, or the port of board {wanted}"
            )


def open_serial_board(plan: Plan, *, port: str | None = None) -> FrontEnd:
    """Open the board that a plan asks for.

    Parameters
    ----------
    plan : Plan
        Its pulse is a burst, and its ``[board]`` names port, baud and board where
        there is a choice.
    port : str, optional
        In place of the plan's own.

    Raises
    ------
    DeviceError
        Where no board answers, or several do and none is named.
    PlanError
        Where the board cannot do what the plan asks.
    """
    board = dataclasses.replace(plan.board, port=port or plan.board.port)
    plan = dataclasses.replace(plan, board=board)
    if plan.board.prints != "captures":
        return open_plain_numbers(plan)
    return SerialBoard(plan, plan.board.port or find_board(plan))
