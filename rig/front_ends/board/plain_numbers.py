"""Boards that print one number on a line: a time, or a distance made of one.

Such a board hands on when its comparator tripped, and nothing else. Each number
becomes a block that holds one copy of the plan's pulse at that time, so that the
strip, the history and the recording work as ever. What an edge cannot show is said
in the stream's own words: how strong the echo was, how sure the board is of it, and
any echo behind or below it.
"""

from __future__ import annotations

import math
import os
import re
import time
from collections.abc import Iterator

import numpy as np

from rig.bench.capture import LEAD_S, CaptureBlock, CaptureFlag, StreamInfo
from rig.bench.closing import Closing
from rig.bench.plan import Board, Plan
from rig.bench.waveforms import pulses_of
from rig.errors import DeviceError, PlanError
from rig.front_ends.board.port import BoardPort, Deadline, PortGoneError
from rig.front_ends.board.settings import refuse_second
from rig.front_ends.protocol import FrontEnd

PATIENCE_S = 1.5
"""A line that has not come after this, or after three intervals, is a lost ping."""

GIVE_UP_S = 60.0
"""A board that has printed nothing for so long is gone for good."""

MOST_LINE_BYTES = 120
"""A longer line is no number; memory stays within it."""

_NUMBER = re.compile(r"[-+]?\d+(?:[.,]\d+)?")


class LineReader:
    """Takes bytes as they come and gives the lines that are whole.

    The first line may be the end of one, so it is passed over.
    """

    def __init__(self) -> None:
        self._held = bytearray()
        self._from_start = False  # the line being gathered has been seen from its start
        self._too_long = False

    def feed(self, data: bytes) -> list[str | None]:
        """Take some bytes; return the lines that they complete, None for one that is too long."""
        lines: list[str | None] = []
        *ended, rest = data.split(b"\n")
        for piece in ended:
            self._hold(piece)
            text = self._held.decode("ascii", errors="replace").strip()
            if self._from_start and text:
                lines.append(None if self._too_long else text)
            self._held.clear()
            self._from_start, self._too_long = True, False
        self._hold(rest)
        return lines

    def _hold(self, piece: bytes) -> None:
        room = MOST_LINE_BYTES - len(self._held)
        self._too_long |= len(piece) > room
        self._held += piece[:room]


def edge_time_s(line: str, board: Board) -> float | None:
    """Return the out-and-back time that a line tells; None for a line without one number.

    A number of 0 or less, by which many boards say that nothing came back, is
    returned as 0.

    Parameters
    ----------
    line : str
        May hold words too, such as ``distance: 123 mm``.
    board : Board
        Names the unit, and the sound speed with which a distance was made.

    Examples
    --------
    >>> edge_time_s("distance: 343 mm", Board(prints="distance-mm"))
    0.002
    """
    found = _NUMBER.findall(line)
    if len(found) != 1:
        return None
    value = max(float(found[0].replace(",", ".")), 0.0)
    return value * _seconds_per_unit(board)


class PlainNumbers(Closing):
    """Takes what a board prints for pings. Made by :func:`open_plain_numbers`."""

    def __init__(self, plan: Plan, port_name: str) -> None:
        self._plan = plan
        self._port_name = port_name
        self._port: BoardPort | None = BoardPort(port_name, plan.board.baud)
        self._reader = LineReader()
        self._waiting: list[str | None] = []
        self._pulse = pulses_of(plan)[0].samples.astype(np.float64)
        self.info = StreamInfo(
            front_end="serial-board",
            device=f"edge times only, no strength and no noise ({plan.board.prints} at "
            f"{os.path.basename(port_name)})",
            sample_rate_hz=plan.timing.sample_rate_hz,
            edge_step_s=plan.board.step * _seconds_per_unit(plan.board),
        )

    @property
    def truth(self) -> None:
        """Nobody knows it of a real bench."""

    def blocks(self, pings: int) -> Iterator[CaptureBlock]:
        """Yield a block for each line, as the board prints them; see :class:`FrontEnd`.

        Raises
        ------
        DeviceError
            Where nothing has been printed for :data:`GIVE_UP_S`.
        """
        heard_s = time.monotonic()
        for index in range(pings):
            line = self._line()
            if line is not None:
                heard_s = time.monotonic()
            elif time.monotonic() - heard_s > GIVE_UP_S:
                raise DeviceError(
                    f"serial port {self._port_name}: no line came for {GIVE_UP_S:g} s; check the "
                    f"cable and board.baud = {self._plan.board.baud}"
                )
            yield self._block(index, None if line is None else edge_time_s(line, self._plan.board))

    def close(self) -> None:
        """Let the port go. May be called twice."""
        port, self._port = self._port, None
        if port is not None:
            port.close()

    def _line(self) -> str | None:
        """Return the next line; None where none comes, or one that is no line."""
        deadline = Deadline(max(PATIENCE_S, 3 * self._plan.timing.ping_interval_s))
        while not self._waiting and not deadline.passed:
            try:
                if self._port is None:
                    self._port = BoardPort(self._port_name, self._plan.board.baud)
                    self._reader = LineReader()
                self._waiting += self._reader.feed(self._port.read())
            except PortGoneError:
                self.close()
                time.sleep(min(0.05, deadline.left_s))
        return self._waiting.pop(0) if self._waiting else None

    def _block(self, index: int, edge_s: float | None) -> CaptureBlock:
        samples = self._plan.interval_samples
        rate_hz = self._plan.timing.sample_rate_hz
        sound = np.zeros(samples)
        flags = CaptureFlag.MISSING if edge_s is None else CaptureFlag.NONE
        if edge_s:
            starts = (LEAD_S + edge_s - self._plan.board.own_delay_s) * rate_hz
            if 0 <= starts <= samples - self._pulse.size - 1:
                sound = _moved(self._pulse, starts, samples)
        return CaptureBlock(
            index=index,
            samples=sound[np.newaxis].astype(np.float32),
            start_sample=index * samples - round(LEAD_S * rate_hz),
            mark_s=LEAD_S,
            flags=flags,
        )


def open_plain_numbers(plan: Plan) -> FrontEnd:
    """Open a board that prints numbers, at the port and in the unit that the plan names.

    Raises
    ------
    PlanError
        Where time zero or pulse do not suit such a board.
    DeviceError
        Where the plan names no port, since such a board cannot be asked who it is,
        or the port cannot be opened.
    """
    if plan.geometry.time_zero != "calibration":
        raise PlanError(
            f'geometry.time_zero: found "{plan.geometry.time_zero}"; a board that prints plain '
            'numbers counts from its own burst: give "calibration"'
        )
    refuse_second(plan)
    if plan.pulses_per_cycle > 1:
        raise PlanError(
            f'pulse.kind: found "{plan.pulse.kind}"; pulses that take turns cannot be told apart '
            'by an edge time: give "burst" or "tone"'
        )
    if plan.timing.signed_pings:
        raise PlanError(
            "timing.signed_pings: found true; a board's burst is the same at each ping and knows "
            "no sign: leave it out"
        )
    if not plan.board.port:
        raise DeviceError(
            "serial port: none is named, and a board that prints plain numbers does not answer "
            "when asked; give --device or board.port"
        )
    return PlainNumbers(plan, plan.board.port)


def _seconds_per_unit(board: Board) -> float:
    """Out-and-back time that one unit of the board's numbers stands for."""
    metres = {"distance-mm": 1e-3, "distance-cm": 1e-2}
    if board.prints in metres:
        return 2 * metres[board.prints] / board.assumed_speed_m_s
    return 1e-6


def _moved(pulse: np.ndarray, starts: float, samples: int) -> np.ndarray:
    """Put a pulse at any part of a sample into silence, by turning its spectrum."""
    whole = math.floor(starts)
    # Room for the tails that a move by part of a sample gives a pulse with sharp ends.
    length = 2 * pulse.size
    spectrum = np.fft.rfft(pulse, length)
    turns = np.arange(spectrum.size) / length * (starts - whole)
    out = np.zeros(samples + length)
    out[whole : whole + length] = np.fft.irfft(spectrum * np.exp(-2j * np.pi * turns), length)
    return out[:samples]
