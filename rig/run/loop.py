"""The loop: a block comes in, is recorded, compressed, searched, and handed on.

A ping of a stream that may slip is held back until the next one's time zero
stands where it is due; a shift between two pings makes both lost, since nobody
can say on which side of an echo it fell.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Iterator, Sequence
from typing import Protocol

from rig.bench.capture import CaptureBlock, CaptureFlag
from rig.errors import DeviceError
from rig.run.groups import groups
from rig.run.hits import heard_in
from rig.run.motion import freed_of_motion
from rig.run.receiver import Receiver
from rig.run.results import PingResult, TimeZero
from rig.run.stacking import stack_depth, stacked_as_asked
from rig.run.trust import MarkWatch


class Recorder(Protocol):
    """Takes each raw block before anything is done with it, and later its verdict."""

    def write(self, block: CaptureBlock) -> None:
        """Store the block."""

    def note(
        self, index: int, *, time_zero_s: float | None, method: str, lost: bool, reason: str
    ) -> None:
        """Store what was found of ping `index`."""


def ping_results(
    receiver: Receiver,
    blocks: Iterable[CaptureBlock],
    *,
    recorder: Recorder | None = None,
    at_a_time: int = 1,
) -> Iterator[PingResult]:
    """Turn blocks into results, one for each ping, in order; lost ones included.

    Parameters
    ----------
    receiver : Receiver
    blocks : iterable of CaptureBlock
        From a front end.
    recorder : Recorder, optional
        Takes each block first, before anything else can fail.
    at_a_time : int
        How many pings are worked on together, where they are at hand: the same results,
        to the last bit, in less time. A live run waits for none.
    """
    if at_a_time > 1:
        blocks = _looked_ahead(receiver, blocks, at_a_time)
    settled = groups(_judged(receiver, blocks, recorder), at_a_time)
    heard = (ping for some in settled for ping in _heard(receiver, some))
    freed = freed_of_motion(receiver, heard)
    yield from stacked_as_asked(receiver, freed, depth=stack_depth(receiver.plan))


def _looked_ahead(
    receiver: Receiver, blocks: Iterable[CaptureBlock], at_a_time: int
) -> Iterator[CaptureBlock]:
    for some in groups(blocks, at_a_time):
        receiver.look_ahead(some)
        yield from some


def _heard(
    receiver: Receiver, settled: Sequence[tuple[PingResult, CaptureBlock]]
) -> list[PingResult]:
    """Compress and search the blocks of those pings that are not lost."""
    pings = [ping for ping, _ in settled]
    good = [
        (number, ping, block, ping.time_zero)
        for number, (ping, block) in enumerate(settled)
        if ping.time_zero is not None and not ping.lost
    ]
    profiles = receiver.profiles([(block, time_zero) for _, _, block, time_zero in good])
    heard = heard_in(
        receiver,
        [(ping, p, zero) for (_, ping, _, zero), p in zip(good, profiles, strict=True)],
    )
    for (number, ping, _, _), profile, what in zip(good, profiles, heard, strict=True):
        pings[number] = dataclasses.replace(ping, alone=profile, heard=what)
    return pings


def _judged(
    receiver: Receiver, blocks: Iterable[CaptureBlock], recorder: Recorder | None
) -> Iterator[tuple[PingResult, CaptureBlock]]:
    """Yield each ping once it can be trusted, or is known to be lost; nothing heard in it yet."""
    watch = MarkWatch(receiver)
    held: tuple[CaptureBlock, TimeZero | None, str] | None = None

    def settle(
        block: CaptureBlock, time_zero: TimeZero | None, reason: str
    ) -> tuple[PingResult, CaptureBlock]:
        if recorder is not None:
            recorder.note(
                block.index,
                time_zero_s=None if time_zero is None else time_zero.delay_s,
                method=receiver.plan.geometry.time_zero,
                lost=bool(reason),
                reason=reason,
            )
        return _settled(receiver, block, time_zero, reason), block

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
) -> PingResult:
    rate, interval = receiver.info.sample_rate_hz, receiver.plan.interval_samples
    latency_s = None
    if time_zero is not None:
        placed = block.start_sample - block.index * interval
        latency_s = placed / rate + time_zero.delay_s
    return PingResult(
        index=block.index,
        sent_s=block.index * interval / rate,
        lost=bool(reason),
        reason=reason,
        clipped=CaptureFlag.CLIPPED in block.flags,
        time_zero=time_zero,
        latency_s=latency_s,
    )
