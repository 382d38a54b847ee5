"""The pings of one opening of the device, and what they hold beside echoes."""

from __future__ import annotations

import dataclasses
import math
import statistics
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.ping.pulse.equalising import aligned_mean
from rig.bench.capture import CaptureBlock, StreamInfo
from rig.bench.plan import Plan
from rig.errors import CalibrationError
from rig.front_ends.protocol import FrontEnd
from rig.run.receiver import Receiver
from rig.run.results import PingResult
from rig.run.run import Run, run_of

HOLD_S = 0.002
"""Blocks are lined up so that the pulse leaves this long after the first sample."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Start:
    """One opening of the device, and its pings.

    Attributes
    ----------
    run : Run
    blocks : tuple of CaptureBlock
        That the run went over.
    """

    run: Run
    blocks: tuple[CaptureBlock, ...]

    @property
    def receiver(self) -> Receiver:
        """That the pings were heard by."""
        return self.run.receiver

    @property
    def info(self) -> StreamInfo:
        """Of the stream that the pings came in."""
        return self.run.info

    @property
    def good(self) -> list[tuple[CaptureBlock, PingResult]]:
        """The pings that were not lost, each with its block."""
        by_index = {b.index: b for b in self.blocks if not b.confirms_only}
        return [(by_index[r.index], r) for r in self.run.good]

    @property
    def latency_s(self) -> float:
        """Of this start, the median over its pings."""
        return statistics.median(r.latency_s for _, r in self.good if r.latency_s is not None)

    @property
    def u_mark_s(self) -> float:
        """Of the mean of all pings' marks, from their noise."""
        marks = [r.time_zero.u_delay_s for _, r in self.good if r.time_zero is not None]
        return statistics.median(marks) / math.sqrt(len(marks))

    @property
    def direct_s(self) -> float:
        """From the pulse's leaving, as it was taken, to the direct sound."""
        return self.receiver.plan.geometry.baseline_m / self.receiver.sound_speed_m_s


def started(plan: Plan, open_front_end: Callable[[Plan], FrontEnd], pings: int) -> Start:
    """Open the device, take its pings and read them.

    Raises
    ------
    CalibrationError
        Where all were lost.
    DeviceError
        As `open_front_end`.
    """
    with open_front_end(plan) as front_end:
        info = front_end.info
        blocks = tuple(front_end.blocks(pings))
    run = run_of(Receiver(plan, info), blocks)
    if run.last is None:
        raise CalibrationError(
            f"calibrate: all {len(run.results)} pings were lost ({run.results[-1].reason}); "
            "see what `echobench check` says"
        )
    return Start(run=run, blocks=blocks)


def lined_up(start: Start, pulse_index: int) -> tuple[NDArray[np.float64], float]:
    """Average the pings of one pulse, which leaves at `HOLD_S`; and the average's noise."""
    rows, starts_s = [], []
    for block, result in start.good:
        if block.pulse_index == pulse_index and result.time_zero is not None:
            rows.append(block.sign * block.samples[start.info.microphone])
            starts_s.append(result.time_zero.delay_s - HOLD_S)
    rate = start.info.sample_rate_hz
    even = aligned_mean(np.array(rows[0::2]), np.array(starts_s[0::2]), rate)
    if len(rows) < 2:
        return even, noise_rms_of(start)
    odd = aligned_mean(np.array(rows[1::2]), np.array(starts_s[1::2]), rate)
    # Half the difference holds the noise of the mean, and nothing that stood still.
    return (even + odd) / 2, float(np.std((even - odd) / 2))


def magnitude_at(start: Start, delay_s: float) -> float:
    """Return the strongest bin within one of a delay in the sum of a start's pings."""
    profile = start.run.measurement.profile
    if profile is None:
        return 0.0
    place = round(delay_s / profile.bin_s)
    near = profile.envelope[max(place - 1, 0) : place + 2]
    return float(np.abs(near).max(initial=0.0))


def noise_rms_of(start: Start) -> float:
    """Return the RMS of a sample's noise, from the quiet ahead of each mark."""
    quiet = [
        block.samples[
            start.info.microphone, : max(8, int(0.8 * block.mark_s * start.info.sample_rate_hz))
        ]
        for block, _ in start.good
    ]
    return float(np.std(np.concatenate(quiet)))


def with_weighting(plan: Plan, *, weighting: str, stack: int | None = None) -> Plan:
    """Return the plan read through another filter, and stacked otherwise if asked."""
    receiver = dataclasses.replace(plan.receiver, weighting=weighting)
    if stack is not None:
        receiver = dataclasses.replace(receiver, stack=stack)
    return dataclasses.replace(plan, receiver=receiver)
