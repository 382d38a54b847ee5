"""The loop: a block comes in, is recorded, compressed, searched, and handed on.

A ping of a stream that may slip is held back until the next one's time zero
stands where it is due; a shift between two pings makes both lost, since nobody
can say on which side of an echo it fell.
"""

from __future__ import annotations

import contextlib
import dataclasses
from array import array
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Protocol, TypeVar

from dsp.ping.pulse.profiles import EchoProfile
from rig.bench.capture import CaptureBlock, CaptureFlag
from rig.errors import DeviceError
from rig.run.beside import SearchBeside
from rig.run.cutting import Cutter
from rig.run.groups import groups
from rig.run.hits import heard_in
from rig.run.motion import freed_of_motion
from rig.run.origin import told_apart
from rig.run.receiver import Receiver
from rig.run.results import Heard, PingResult, TimeZero
from rig.run.stacking import stack_depth, stacked_as_asked
from rig.run.trust import MarkWatch

T = TypeVar("T")
_Asked = dict[int, tuple[PingResult, EchoProfile, TimeZero]]


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
    owner: array[int] | None = None,
    beside: bool = False,
) -> Iterator[PingResult]:
    """Turn blocks into results, one for each ping, in order; lost ones included.

    Parameters
    ----------
    receiver : Receiver
    blocks : iterable of CaptureBlock
        From a front end.
    recorder : Recorder, optional
        Takes each block first, before it waits for others or anything can fail.
    at_a_time : int
        How many pings are worked on together, where they are at hand: the same results,
        to the last bit, in less time. A live run waits for none.
    owner : array of int, optional
        As :func:`rig.run.motion.freed_of_motion` has it.
    beside : bool
        Whether they are searched in a process of its own beside this one.
    """
    if recorder is not None:
        blocks = _recorded(blocks, recorder)
    if at_a_time > 1:
        blocks = _looked_ahead(receiver, blocks, at_a_time)
    settled = groups(_judged(receiver, blocks, recorder), at_a_time)
    heard = _heard_beside(receiver, settled) if beside else _heard(receiver, settled)
    freed = freed_of_motion(receiver, heard, array("i") if owner is None else owner)
    summed = stacked_as_asked(receiver, freed, depth=stack_depth(receiver.plan))
    yield from told_apart(receiver, summed) if receiver.plan.timing.signed_pings else summed


def _recorded(blocks: Iterable[CaptureBlock], recorder: Recorder) -> Iterator[CaptureBlock]:
    for block in blocks:
        recorder.write(block)
        yield block


def _looked_ahead(
    receiver: Receiver, blocks: Iterable[CaptureBlock], at_a_time: int
) -> Iterator[CaptureBlock]:
    for some in groups(blocks, at_a_time):
        receiver.look_ahead(some)
        yield from some


def _heard(
    receiver: Receiver, settled: Iterable[Sequence[tuple[PingResult, CaptureBlock]]]
) -> Iterator[PingResult]:
    """Compress and search the blocks of those pings that are not lost."""
    for some in settled:
        pings, asked = _compressed(receiver, some)
        yield from _with_heard(pings, asked, heard_in(receiver, list(asked.values())))


def _heard_beside(
    receiver: Receiver, settled: Iterable[Sequence[tuple[PingResult, CaptureBlock]]]
) -> Iterator[PingResult]:
    """Do the same, and have some pings searched while the next ones are compressed."""
    with contextlib.closing(SearchBeside(receiver)) as search:
        before: tuple[list[PingResult], _Asked] = [], {}
        for some in _and_nothing(settled):
            now = _compressed(receiver, some)
            heard = search.heard() if before[1] else []
            if now[1]:
                search.ask(list(now[1].values()))
            before, done = now, before
            yield from _with_heard(*done, heard)


def _and_nothing(settled: Iterable[Sequence[T]]) -> Iterator[Sequence[T]]:
    """Yield an empty group at the end, be it that the next cannot be had."""
    try:
        yield from settled
    except Exception:
        yield ()
        raise
    yield ()


def _compressed(
    receiver: Receiver, settled: Sequence[tuple[PingResult, CaptureBlock]]
) -> tuple[list[PingResult], _Asked]:
    """Return the pings, and of those that are not lost what is to be searched, by their places."""
    good = {
        place: (ping, block, ping.time_zero)
        for place, (ping, block) in enumerate(settled)
        if ping.time_zero is not None and not ping.lost
    }
    profiles = receiver.profiles([(block, time_zero) for _, block, time_zero in good.values()])
    asked = {
        place: (_clipped_if_cut(receiver, ping, block), profile, time_zero)
        for (place, (ping, block, time_zero)), profile in zip(good.items(), profiles, strict=True)
    }
    return [ping for ping, _ in settled], asked


def _clipped_if_cut(receiver: Receiver, ping: PingResult, block: CaptureBlock) -> PingResult:
    """Return a ping that says so where a channel that was compressed since had been cut off."""
    if ping.clipped or not receiver.is_cut(block):
        return ping
    return dataclasses.replace(ping, clipped=True)


def _with_heard(pings: list[PingResult], asked: _Asked, heard: Iterable[Heard]) -> list[PingResult]:
    """Give the pings that were searched their profiles, and what was found there."""
    for (place, (ping, profile, _)), what in zip(asked.items(), heard, strict=True):
        pings[place] = dataclasses.replace(
            ping, alone=profile, profile=profile, heard=what, threshold=what.threshold
        )
    return pings


def _judged(
    receiver: Receiver, blocks: Iterable[CaptureBlock], recorder: Recorder | None
) -> Iterator[tuple[PingResult, CaptureBlock]]:
    """Yield each ping once it can be trusted, or is known to be lost; nothing heard in it yet."""
    watch, cutter = MarkWatch(receiver), Cutter()
    held: list[_Held] = []

    def settle(ping: _Held) -> tuple[PingResult, CaptureBlock]:
        if recorder is not None:
            time_zero_s = None
            if ping.time_zero is not None:
                # From the first sample of the block as it was recorded.
                sooner_s = ping.cut_sooner / receiver.info.sample_rate_hz
                time_zero_s = ping.time_zero.delay_s - sooner_s
            recorder.note(
                ping.block.index,
                time_zero_s=time_zero_s,
                method=receiver.plan.geometry.time_zero,
                lost=bool(ping.reason),
                reason=ping.reason,
            )
        return _settled(receiver, ping.block, ping.time_zero, ping.reason), ping.block

    for block in blocks:
        found, due = block.samples.shape[1], receiver.plan.interval_samples
        if found != due:
            raise DeviceError(
                f"{receiver.info.device}: ping {block.index} came with {found} samples; "
                f"the plan's interval has {due}; give a plan or a recording that fits"
            )
        cut = watch.by_sign(cutter.take(block))
        placed = watch.place(cut)
        if placed.time_zero is None and receiver.info.can_slip:
            anew = watch.again_from(cutter)
            if anew is not None and anew != cutter.cut:
                cutter.cut = anew
                cut = watch.by_sign(cutter.across(anew) or block)
                placed = watch.place(cut)
        # Two off by as much, one after the other: that was no slip.
        held = [_told(each, slipped=not placed.drifts) for each in held] if held[1:] else held
        while held[1:]:
            yield settle(held.pop(0))
        if held and placed.waits:
            held = [dataclasses.replace(held[0], if_slipped=placed.doubt)]
        elif held:
            reason = held[0].reason or placed.doubt
            if placed.reason:
                reason = reason or "the next ping, which should confirm it, is lost"
            yield settle(dataclasses.replace(held.pop(), reason=reason))
        if block.confirms_only:
            continue
        reason, if_slipped = ("", placed.reason) if placed.waits else (placed.reason, "")
        ping = _Held(
            block=cut,
            cut_sooner=block.start_sample - cut.start_sample,
            time_zero=placed.time_zero,
            reason=reason,
            if_slipped=if_slipped,
        )
        if receiver.info.can_slip:
            held.append(ping)
        else:
            yield settle(ping)
    for ping in (_told(each, slipped=True) for each in held):
        reason = ping.reason
        if not reason and receiver.info.confirms_last:
            reason = "the run ended before the next ping could confirm it"
        yield settle(dataclasses.replace(ping, reason=reason))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Held:
    """A ping that waits for the next one, and why it is lost if the sound slipped there.

    Its block was cut so many samples sooner than it came.
    """

    block: CaptureBlock
    cut_sooner: int
    time_zero: TimeZero | None
    reason: str
    if_slipped: str


def _told(ping: _Held, *, slipped: bool) -> _Held:
    """Return a ping once it is known whether the sound slipped."""
    reason = ping.reason or (ping.if_slipped if slipped else "")
    return dataclasses.replace(ping, reason=reason, if_slipped="")


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
        clipped=CaptureFlag.CLIPPED in block.flags or receiver.is_cut(block),
        time_zero=time_zero,
        latency_s=latency_s,
        sign_place=block.sign_place,
    )
