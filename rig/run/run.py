"""A run: all pings of one source, gone over once, and what was made of them."""

from __future__ import annotations

import dataclasses
from array import array
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from dsp.ping.pulse.profiles import EchoProfile, RunningMean, stacked_in_turns
from dsp.ping.signs.signed_sums import SignedSum, SolvedSum
from rig.bench.capture import CaptureBlock, StreamInfo
from rig.bench.plan import Plan
from rig.run.beside import worth_it
from rig.run.groups import pings_at_a_time
from rig.run.kept import KeptResults
from rig.run.loop import Recorder, ping_results
from rig.run.origin import sorted_out, with_pings
from rig.run.receiver import Receiver
from rig.run.results import Echo, HitTable, Measurement, PingResult
from rig.run.stacking import Still
from rig.tank.truth import Truth

HISTORY_PINGS = 1000
"""A history goes back so far. Older pings are kept without their profiles and budgets, so
that a long run fills no memory: some 0.4 kB a ping remain."""

T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class Origin:
    """Where a run's pings come from.

    Attributes
    ----------
    name : str
        The recording's file name; empty for a bench that pings now.
    began : datetime or None
        When the first ping was recorded; None where nobody says.
    lost_at_start : str
        What is left out ahead of a sound file's first ping, in words; empty if nothing is.
    lost_at_end : str
        What was cut off at a recording's end, in words; empty if nothing was.
    calibration_name : str
        The file name of the calibration that the receiver holds; empty without one.
    truth : Truth or None
        What really stands there, which an invented scene alone tells. To be drawn, never
        to be measured with: no receiver and no measurement may ask for it.
    """

    name: str = ""
    began: datetime | None = None
    lost_at_start: str = ""
    lost_at_end: str = ""
    calibration_name: str = ""
    truth: Truth | None = None


class Run:
    """All pings of one source, gone over once.

    Whatever is asked of it is made when it is first asked for, and kept: :meth:`once`.
    A run that is still going on may be asked too; what was made is then made anew after
    the next ping.

    Parameters
    ----------
    receiver : Receiver
        With its plan, its stream and its calibration.
    origin : Origin
    """

    def __init__(self, receiver: Receiver, *, origin: Origin | None = None) -> None:
        self.receiver = receiver
        self.origin = Origin() if origin is None else origin
        self._results = KeptResults(HISTORY_PINGS)
        self._lost, self._clipped, self._moving = 0, 0, 0
        self._last: PingResult | None = None
        self._means: dict[int | None, RunningMean] = {}
        self._paired: dict[int | None, RunningMean] = {}
        self._unpaired: PingResult | None = None
        self._made: dict[Any, Any] = {}
        self._signed = SignedSum()
        self._owner = array("i")
        takes_turns = receiver.plan.pulses_per_cycle > 1
        self._still = Still(receiver) if takes_turns else None

    @property
    def plan(self) -> Plan:
        """The plan in use, at the stream's own rate."""
        return self.receiver.plan

    @property
    def info(self) -> StreamInfo:
        """What is true of every block."""
        return self.receiver.info

    def over(
        self,
        blocks: Iterable[CaptureBlock],
        *,
        recorder: Recorder | None = None,
        at_hand: int = 0,
    ) -> Iterator[PingResult]:
        """Go over some blocks, and hand on each ping's result once it is kept.

        Parameters
        ----------
        blocks : iterable of CaptureBlock
            From a front end.
        recorder : Recorder, optional
            Takes each block first, before anything else can fail.
        at_hand : int
            So many of the blocks need not be waited for, and are worked on together.
        """
        at_a_time = pings_at_a_time(self.receiver) if at_hand else 1
        # Pings that are gone over later were not followed from those before.
        owner = self._owner if not self._results else array("i")
        for result in ping_results(
            self.receiver,
            blocks,
            recorder=recorder,
            at_a_time=at_a_time,
            owner=owner,
            beside=worth_it(self.receiver, at_hand),
        ):
            self.take(result)
            yield result

    def take(self, result: PingResult) -> None:
        """Keep the next ping's result."""
        self._results.append(result)
        self._lost += result.lost
        self._clipped += result.clipped
        self._moving += result.moving
        if not result.lost:
            self._last = result
        self._made.clear()
        if result.alone is not None:
            _add(self._means, result.alone)
            self._pair(result)
            if result.sign_place is not None:
                self._signed.add(result.alone, result.sign_place)

    def _pair(self, result: PingResult) -> None:
        """Pair pings of two codes between which nothing moved.

        What is there in one ping more of the one code than of the other leaves side lobes.
        """
        before, self._unpaired = self._unpaired, result
        if self._still is None or before is None or before.alone is None or result.alone is None:
            return
        if before.alone.pulse_index == result.alone.pulse_index:
            return
        if len(self._still.with_newest([before, result])) == 2:
            _add(self._paired, before.alone)
            _add(self._paired, result.alone)
            self._unpaired = None

    def forget_older(self) -> None:
        """Forget all but the latest :data:`HISTORY_PINGS`, so that weeks of pings fill no memory.

        What is made of the run then speaks of those alone, but for the sum of all its pings.
        """
        if len(self._results) <= HISTORY_PINGS:
            return
        self._results.forget_older()
        del self._owner[:]
        self._lost = sum(r.lost for r in self._results)
        self._clipped = sum(r.clipped for r in self._results)
        self._moving = sum(r.moving for r in self._results)
        self._made.clear()

    def followed_in(self, table: HitTable) -> NDArray[np.int64] | None:
        """Return the number of the target that each of all pings' hits was followed by.

        None where they were not followed as they came, or not from the first on.
        """
        owner = np.array(self._owner, dtype=np.int64)
        return owner if owner.size == table.rows.ping.size else None

    @property
    def results(self) -> KeptResults:
        """Each ping, in order; the latest :data:`HISTORY_PINGS` with their profiles."""
        return self._results

    @property
    def good(self) -> list[PingResult]:
        """The pings that were not lost."""
        return [r for r in self._results if not r.lost]

    @property
    def lost_pings(self) -> int:
        """How many were lost."""
        return self._lost

    @property
    def clipped_pings(self) -> int:
        """In how many a sample stands at full scale."""
        return self._clipped

    @property
    def moving_pings(self) -> int:
        """In how many something had moved, so that fewer were added up than the plan asks."""
        return self._moving

    @property
    def last(self) -> PingResult | None:
        """The last good ping; None where all are lost."""
        return self._last

    @property
    def measurement(self) -> Measurement:
        """All good pings added up in phase, and the echoes in the sum.

        Right for what stands still; what moves is smeared.
        """
        return self.once(_measurement)

    @property
    def echoes(self) -> tuple[Echo, ...]:
        """The echoes of all good pings added up, nearest first."""
        return self.measurement.echoes

    def summed(self) -> EchoProfile | None:
        """Return the average of all good pings; None where there is none.

        Of codes that take turns, of those pairs in which nothing moved, where these are half of
        the pings or more: where something moves all along, what stands still is to be heard.
        """
        every, paired = (
            [mean.profile for mean in means.values()] for means in (self._means, self._paired)
        )
        most = 2 * sum(mean.pings for mean in paired) >= sum(mean.pings for mean in every)
        means = paired if paired and most else every
        return stacked_in_turns(means) if means else None

    def solved(self) -> SolvedSum | None:
        """Return what is of each ping's own in all good pings, and of each before; if told.

        None where pings have no signs, or there are too few.
        """
        return self._signed.solved()

    def once(self, make: Callable[[Run], T]) -> T:
        """Return what a function makes of this run, made when it is first asked for."""
        if make not in self._made:
            self._made[make] = make(self)
        made: T = self._made[make]
        return made


def _add(means: dict[int | None, RunningMean], alone: EchoProfile) -> None:
    """Add a ping's profile to the mean of those of its pulse."""
    if alone.pulse_index in means:
        means[alone.pulse_index].add(alone)
    else:
        means[alone.pulse_index] = RunningMean(alone)


def run_of(
    receiver: Receiver, blocks: Iterable[CaptureBlock], *, origin: Origin | None = None
) -> Run:
    """Go over all of some blocks."""
    run = Run(receiver, origin=origin)
    for _ in run.over(blocks, at_hand=1):
        pass
    return run


def run_with(
    receiver: Receiver, results: Iterable[PingResult], *, origin: Origin | None = None
) -> Run:
    """Make a run of results that are at hand."""
    run = Run(receiver, origin=origin)
    for result in results:
        run.take(result)
    return run


def _measurement(run: Run) -> Measurement:
    profile, last = run.summed(), run.last
    counted = Measurement(pings=len(run.results), lost_pings=run.lost_pings)
    if profile is None or last is None or last.time_zero is None:
        return counted
    solved = run.solved()
    if solved is not None:
        told = with_pings(
            run.receiver, sorted_out(run.receiver, solved, last.time_zero), run.results
        )
        return dataclasses.replace(
            counted,
            last=last,
            profile=told.profile,
            echoes=told.echoes,
            threshold=told.threshold,
            late=told.late,
            untold=told.untold,
        )
    echoes, threshold = run.receiver.search.echoes(profile, last.time_zero)
    if last.sign_place is not None:
        # Of so few pings nothing tells.
        return dataclasses.replace(
            counted, last=last, profile=profile, untold=echoes, threshold=threshold
        )
    return dataclasses.replace(
        counted, last=last, profile=profile, echoes=echoes, threshold=threshold
    )
