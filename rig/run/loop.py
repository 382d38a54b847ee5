"""The loop: a block comes in, is recorded, compressed, searched, and handed on.

A ping of a stream that may slip is held back until the next one's time zero
stands where it is due; a shift between two pings makes both lost, since nobody
can say on which side of an echo it fell.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from dsp.ping.profiles import EchoProfile
from rig.bench.capture import CaptureBlock, CaptureFlag
from rig.errors import DeviceError
from rig.run.receiver import Echo, Receiver, TimeZero
from rig.run.trust import MarkWatch

__all__ = ["Echo", "Measurement", "PingResult", "Recorder", "TimeZero", "measure", "ping_results"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PingResult:
    """All that one ping showed.

    Attributes
    ----------
    index : int
        The ping's number, from 0.
    sent_s : float
        When it was sent, from the first ping.
    lost : bool
        Whether nothing may be read off it.
    reason : str
        Why it is lost, in words for the screen; empty for a good ping.
    clipped : bool
        Whether a sample stands at full scale: strengths are then too low.
    time_zero : TimeZero or None
        None where it was not found.
    latency_s : float or None
        From where the stream placed the ping to where it really left.
    profile : EchoProfile or None
        Stacked as the plan asks; None for a lost ping.
    echoes : tuple of Echo
        Nearest first, within the plan's ranges.
    threshold_db : ndarray of float64, shape (bins,), or None
        The detection threshold over the profile's bins, dB re full scale.
    pulse_index : int
        Which of the plan's pulses was sent.
    alone : EchoProfile or None
        This ping's own profile, stacked with no other; None for a lost ping.
    """

    index: int
    sent_s: float
    lost: bool
    reason: str = ""
    clipped: bool = False
    time_zero: TimeZero | None = None
    latency_s: float | None = None
    profile: EchoProfile | None = None
    echoes: tuple[Echo, ...] = ()
    threshold_db: NDArray[np.float64] | None = None
    pulse_index: int = 0
    alone: EchoProfile | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Measurement:
    """What all pings together showed.

    Attributes
    ----------
    pings, lost_pings : int
    last : PingResult or None
        The last good ping, with its time zero; None where all are lost.
    profile : EchoProfile or None
        All good pings added up in phase.
    echoes : tuple of Echo
        Found in it, nearest first.
    threshold_db : ndarray of float64, shape (bins,), or None
    results : tuple of PingResult
        Each ping, not searched for echoes of its own.
    """

    pings: int
    lost_pings: int
    last: PingResult | None = None
    profile: EchoProfile | None = None
    echoes: tuple[Echo, ...] = ()
    threshold_db: NDArray[np.float64] | None = None
    results: tuple[PingResult, ...] = ()


class Recorder(Protocol):
    """Takes each raw block before anything is done with it, and later its verdict."""

    def write(self, block: CaptureBlock) -> None:
        """Store the block."""

    def note(
        self, index: int, *, time_zero_s: float | None, method: str, lost: bool, reason: str
    ) -> None:
        """Store what was found of ping `index`."""


def ping_results(
    receiver: Receiver, blocks: Iterable[CaptureBlock], *, recorder: Recorder | None = None
) -> Iterator[PingResult]:
    """Turn blocks into results, one for each ping, in order; lost ones included.

    Parameters
    ----------
    receiver : Receiver
    blocks : iterable of CaptureBlock
        From a front end.
    recorder : Recorder, optional
        Takes each block first, before anything else can fail.
    """
    cycle = receiver.plan.pulses_per_cycle
    depth = -(-receiver.plan.receiver.stack // cycle) * cycle
    recent: deque[tuple[int, EchoProfile]] = deque(maxlen=depth)
    for ping in _judged(receiver, blocks, recorder):
        if ping.profile is None or ping.time_zero is None:
            yield ping.result()
            continue
        recent.append((ping.block.pulse_index, ping.profile))
        profile, shape = receiver.stack(list(recent))
        echoes, threshold_db = receiver.echoes(profile, shape, ping.time_zero)
        yield ping.result(profile=profile, echoes=echoes, threshold_db=threshold_db)


def measure(receiver: Receiver, blocks: Iterable[CaptureBlock]) -> Measurement:
    """Add up all good pings in phase and find the echoes in the sum.

    Right for what stands still; what moves is smeared.
    """
    results = tuple(ping.result() for ping in _judged(receiver, blocks, None))
    good = [(r.pulse_index, r.alone) for r in results if r.alone is not None]
    lost = len(results) - len(good)
    last = next((r for r in reversed(results) if r.alone is not None), None)
    if last is None or last.time_zero is None:
        return Measurement(pings=len(results), lost_pings=lost, results=results)
    profile, shape = receiver.stack(good)
    echoes, threshold_db = receiver.echoes(profile, shape, last.time_zero)
    return Measurement(
        pings=len(results),
        lost_pings=lost,
        last=last,
        profile=profile,
        echoes=echoes,
        threshold_db=threshold_db,
        results=results,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Ping:
    """A block and the verdict on it."""

    block: CaptureBlock
    sent_s: float
    reason: str
    latency_s: float | None = None
    time_zero: TimeZero | None = None
    profile: EchoProfile | None = None

    def result(
        self,
        *,
        profile: EchoProfile | None = None,
        echoes: tuple[Echo, ...] = (),
        threshold_db: NDArray[np.float64] | None = None,
    ) -> PingResult:
        return PingResult(
            index=self.block.index,
            sent_s=self.sent_s,
            lost=bool(self.reason),
            reason=self.reason,
            clipped=CaptureFlag.CLIPPED in self.block.flags,
            time_zero=self.time_zero,
            latency_s=self.latency_s,
            profile=profile,
            echoes=echoes,
            threshold_db=threshold_db,
            pulse_index=self.block.pulse_index,
            alone=self.profile,
        )


def _judged(
    receiver: Receiver, blocks: Iterable[CaptureBlock], recorder: Recorder | None
) -> Iterator[_Ping]:
    """Yield each ping once it can be trusted, or is known to be lost."""
    watch = MarkWatch(receiver)
    held: tuple[CaptureBlock, TimeZero | None, str] | None = None

    def settle(block: CaptureBlock, time_zero: TimeZero | None, reason: str) -> _Ping:
        if recorder is not None:
            recorder.note(
                block.index,
                time_zero_s=None if time_zero is None else time_zero.delay_s,
                method=receiver.plan.geometry.time_zero,
                lost=bool(reason),
                reason=reason,
            )
        return _settled(receiver, block, time_zero, reason)

    for block in blocks:
        if recorder is not None:
            recorder.write(block)
        found, due = block.samples.shape[1], receiver.plan.interval_samples
        if found != due:
            raise DeviceError(
                f"{receiver.info.device}: ping {block.index} came with {found} samples; "
                f"the plan's interval has {due}; give a plan or a recording that fits"
            )
        placed = watch.place(block)
        if held is not None:
            before, its_time_zero, its_reason = held
            if not its_reason and placed.doubt:
                its_reason = placed.doubt
            elif not its_reason and placed.reason:
                its_reason = "the next ping, which should confirm it, is lost"
            yield settle(before, its_time_zero, its_reason)
            held = None
        if block.confirms_only:
            continue
        if receiver.info.can_slip:
            held = (block, placed.time_zero, placed.reason)
        else:
            yield settle(block, placed.time_zero, placed.reason)
    if held is not None:
        block, time_zero, reason = held
        if not reason and receiver.info.confirms_last:
            reason = "the run ended before the next ping could confirm it"
        yield settle(block, time_zero, reason)


def _settled(
    receiver: Receiver, block: CaptureBlock, time_zero: TimeZero | None, reason: str
) -> _Ping:
    rate, interval = receiver.info.sample_rate_hz, receiver.plan.interval_samples
    latency_s, profile = None, None
    if time_zero is not None:
        placed = block.start_sample - block.index * interval
        latency_s = placed / rate + time_zero.delay_s
    if time_zero is not None and not reason:
        profile = receiver.profile(block, time_zero)
    return _Ping(
        block=block,
        sent_s=block.index * interval / rate,
        reason=reason,
        latency_s=latency_s,
        time_zero=time_zero,
        profile=profile,
    )
