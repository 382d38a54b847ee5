"""Which pings may be trusted: where their time-zero marks stand, and where they were due."""

from __future__ import annotations

import dataclasses
import math
import statistics
from collections import deque
from dataclasses import dataclass

from dsp.ping.pulse.peaks import Peak
from rig.bench.capture import LOSS, MOST_DRIFT, CaptureBlock
from rig.run.cutting import Cut, Cutter
from rig.run.marks import alike
from rig.run.receiver import Receiver
from rig.run.results import MarkBias, TimeZero
from rig.run.sign_watch import SignWatch

FIRST_MARK_S = 1e-4
"""How far the first mark may stand from where the front end, which heard a pulse about a
second before, has it due: two clocks that are 100 parts in a million apart."""

STEPS_HELD = 5
"""So many steps from mark to mark as are usual: a few that are not do not turn their median."""

MARKS_OF_A_START = 2
"""After so many marks it is not yet known whether two clocks drift apart."""

PULLS_HELD = 32
"""By how much others pull marks is known from so many. One that is pulled by no more than one of
these is not searched for: a search leaves as much."""

SEEN_TO_DRIFT = 4.0
"""Standard deviations by which a mark stands off its place in the ping before for two clocks to
drift apart."""


def slip_tolerance_s(u_mark_s: float, sample_rate_hz: float) -> float:
    """Return how far a mark may stand from where it is due and count as punctual.

    A slip is a whole number of samples: half of one, and six times the mark's own noise.
    """
    return 0.5 / sample_rate_hz + 6 * u_mark_s


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """Where a block's ping left, why it is lost, and what that says of the ping before.

    Attributes
    ----------
    time_zero : TimeZero or None
    reason : str
        Why the ping is lost; empty where it is not.
    doubt : str
        Why the ping before is lost; empty where nothing speaks against it.
    waits : bool
        Whether `reason` and `doubt` hold only if the next ping is not off by as much again:
        then two clocks drift apart.
    drifts : bool
        Whether this ping is off by as much again.
    """

    time_zero: TimeZero | None = None
    reason: str = ""
    doubt: str = ""
    waits: bool = False
    drifts: bool = False


class MarkWatch:
    """Where the time-zero marks stood so far, and where the next is due."""

    def __init__(self, receiver: Receiver) -> None:
        self._receiver = receiver
        self._last: tuple[CaptureBlock, Peak] | None = None
        self._known: tuple[CaptureBlock, Peak] | None = None  # confirmed by the next
        self._stands = True  # what was known of time zero beforehand
        self._first: tuple[CaptureBlock, Peak] | None = None
        self._bias: dict[int, MarkBias] = {}  # of each pulse
        self._last_step_s: float | None = None
        self._steps_s: deque[float] = deque([0.0] * STEPS_HELD, maxlen=9)
        self._pulls_s: deque[float] = deque(maxlen=PULLS_HELD)
        self._marks = 0
        self._waiting_step_s: float | None = None
        self._cut_anew = False
        self._signs = SignWatch() if receiver.plan.timing.signed_pings else None

    def by_sign(self, block: CaptureBlock) -> CaptureBlock:
        """Return a block with the place among the signs of the ping that it really holds."""
        return block if self._signs is None else self._signs.placed(block)

    def place(self, block: CaptureBlock) -> Placed:
        """Find when a block's ping left, from its mark or from what is known beforehand."""
        if block.flags & LOSS:
            names = ", ".join(str(f.name).lower().replace("_", " ") for f in block.flags & LOSS)
            self._stands = False
            return Placed(reason=f"the stream reported: {names}")
        if self._receiver.has_holes(block):
            return Placed(reason="samples are missing: some stand at exactly 0 amid sound")
        if self._receiver.plan.geometry.time_zero == "calibration":
            return self._by_calibration(block)
        return self._by_mark(block)

    def _by_mark(self, block: CaptureBlock) -> Placed:
        receiver = self._receiver
        mark = self._find(block, due_s=block.mark_s, anywhere=not receiver.info.can_slip)
        if mark is not None and receiver.info.can_slip and self._may_be_an_echo(block, mark):
            mark = None
        sought = {"direct": "direct sound", "loopback": "loopback pulse"}[
            receiver.plan.geometry.time_zero
        ]
        drifts = mark is not None and self._drifts(block, mark)
        shifted = not drifts and (mark is None or self._cut_anew or self._slipped(block, mark))
        waits = shifted and mark is not None and not self._cut_anew and self._may_drift(block, mark)
        self._cut_anew = False
        if shifted and not waits and self._last is not None:
            mark = self._moved(block, mark)
        if mark is None:
            return Placed(reason=f"no {sought} was heard where it is due, or surely known again")
        if self._last is None and (doubtful := self._doubtful(block, mark)):
            return Placed(reason=doubtful)
        mark = self._as_pulled_before(mark)
        if block.pulse_index not in self._bias:
            self._bias[block.pulse_index] = receiver.mark_bias(block, mark)
            self._place_alike(block, mark)
        time_zero = dataclasses.replace(
            receiver.time_zero(mark, self._bias[block.pulse_index]),
            stretch=self._stretch(block, mark),
        )
        if outside := self._outside(block, time_zero):
            return Placed(reason=f"the {sought} stands {outside}")
        doubt = self._doubt(mark, shifted=shifted, sought=sought)
        if drifts:
            self._steps_s.clear()
            self._steps_s.extend([self._step_s(block, mark)] * STEPS_HELD)
        self._waiting_step_s = self._step_s(block, mark) if waits else None
        another = "" if self._signs is None or shifted else self._signs.hear(block, mark)
        doubt = doubt or another
        self._take(block, mark, trusted=not doubt)
        reason = another
        if shifted:
            reason = f"the {sought} is not where it was due: the sound slipped"
        return Placed(time_zero=time_zero, reason=reason, doubt=doubt, waits=waits, drifts=drifts)

    def _place_alike(self, block: CaptureBlock, mark: Peak) -> None:
        """Place a second pulse's marks as the first's; say of both what either's shape tells.

        Both went the same ways, which make of each another crest. Where two codes are not placed
        alike, what each leaves of the direct sound beside it stays in their sum.
        """
        if self._last is None or self._last[0].pulse_index == block.pulse_index:
            return
        other, its_mark = self._last
        here, there = (self._bias[each.pulse_index] for each in (block, other))
        if here == there == MarkBias():
            return
        near_s = mark.delay_s - its_mark.delay_s
        later_s = self._receiver.marks.later_s(block, other, near_s=near_s) - near_s
        # By the second's shape the first is off by what the two places differ by.
        u_shape_s = math.hypot(here.u_shape_s, here.late_s - later_s - there.late_s)
        if u_shape_s < there.u_shape_s:
            there = dataclasses.replace(there, u_shape_s=u_shape_s, whole=here.whole)
        turn_rad = there.turn_rad + mark.phase_rad - its_mark.phase_rad
        here = dataclasses.replace(there, late_s=there.late_s + later_s, turn_rad=turn_rad)
        self._bias.update({block.pulse_index: here, other.pulse_index: there})

    def again_from(self, cutter: Cutter) -> Cut | None:
        """Return how blocks must be cut to hold whole pings again.

        After a slip the mark may have left its block. It is looked for half a block to each
        side of where it was due, by the sounds around it. Of pulses that take turns it may be
        any: then the stream slipped by so many pings more.

        Returns
        -------
        Cut or None
            None where nobody can be sure, or no ping is confirmed yet.
        """
        known, plan = self._known, self._receiver.plan
        if known is None or plan.geometry.time_zero == "calibration":
            return None
        length, (sooner, later_pings) = plan.interval_samples, cutter.cut
        half = length // 2
        wraps, halfway = divmod(sooner + half, length)
        for more in range(plan.pulses_per_cycle):
            across = cutter.across(Cut(halfway, later_pings + wraps + more))
            if across is None or across.flags & LOSS:
                return None
            mark = self._receiver.marks.find_again(
                across, known_block=known[0], known_mark=known[1]
            )
            if mark is None:
                continue
            self._cut_anew = True
            rate_hz = self._receiver.info.sample_rate_hz
            later = round((mark.delay_s - known[1].delay_s) * rate_hz) - half
            blocks, sooner = divmod(sooner - later, length)
            return Cut(sooner, later_pings + more + blocks)
        return None

    def _by_calibration(self, block: CaptureBlock) -> Placed:
        """Place a block by what is known beforehand, for as long as that can hold.

        Of a stream that may slip, the first sound to arrive is the witness: it must stay
        where it is, and cannot come sooner than straight from the source.
        """
        receiver = self._receiver
        time_zero = receiver.known_time_zero(block)
        if not receiver.info.can_slip:
            return Placed(time_zero=time_zero)
        if outside := self._outside(block, time_zero):
            return Placed(reason=f"by the calibration the pulse left {outside}")
        if not self._stands:
            again = "the stored time zero holds no more; start again"
            return Placed(reason=f"samples were lost or slipped before this ping: {again}")
        soonest_s = time_zero.delay_s + (
            receiver.plan.geometry.baseline_m / receiver.sound_speed_m_s
        )
        witness = self._find(block, due_s=soonest_s, anywhere=True)
        if self._last is not None and (witness is None or self._may_be_an_echo(block, witness)):
            return Placed(reason="the first sound is no longer heard where it was")
        if witness is None:
            return Placed(time_zero=time_zero)
        if soonest_s - witness.delay_s > 5 * time_zero.u_delay_s + receiver.shape.width_s:
            words = "sound came sooner than it can: the latency has changed; calibrate again"
            return Placed(reason=words)
        self._first = self._first or (block, witness)
        # What was stored holds for the whole run: a slip inside one witness may go unseen
        # from it to the next, and is seen from the first to all that follow; so is a clock that
        # creeps away by less than a slip each time.
        shifted = self._slipped(block, witness) or self._gone(block, witness, self._first)
        doubt = self._doubt(witness, shifted=shifted, sought="first sound")
        self._take(block, witness, trusted=not doubt)
        if shifted:
            self._stands = False
            reason = "the first sound moved: the stream slipped"
            return Placed(time_zero=time_zero, reason=reason, doubt=doubt)
        return Placed(time_zero=time_zero, doubt=doubt)

    def _outside(self, block: CaptureBlock, time_zero: TimeZero) -> str:
        """Say in words on which side of its block a ping stands; empty where it is inside."""
        if time_zero.delay_s < self._receiver.lead_s:
            return "before its block"
        whole_s = block.samples.shape[1] / self._receiver.info.sample_rate_hz
        if time_zero.delay_s + self._receiver.last_echo_s > whole_s:
            return "so late that far echoes are cut off"
        return ""

    def _find(self, block: CaptureBlock, *, due_s: float, anywhere: bool) -> Peak | None:
        """Find the mark where the one before stood, or at first where it is due."""
        if self._last is None:
            return self._receiver.marks.find(block, due_s=due_s, anywhere=anywhere)
        before, mark = self._last
        return self._receiver.marks.find(
            block,
            due_s=block.mark_s + mark.delay_s - before.mark_s,
            expected_amplitude=mark.amplitude,
            pulled_s=max(self._pulls_s, default=0.0),
        )

    def _as_pulled_before(self, mark: Peak) -> Peak:
        """Return a mark as unsure as others pull such marks on the average, if not by itself.

        What pulls each ping anew, as clutter does, is not seen where it stands within the mark's
        own lobe: that it pulls no less there, the other pings tell.
        """
        self._pulls_s.append(mark.u_pull_s)
        pull_s = math.hypot(*self._pulls_s) / math.sqrt(len(self._pulls_s))
        if pull_s <= mark.u_pull_s:
            return mark
        u_delay_s = math.sqrt(mark.u_delay_s**2 - mark.u_pull_s**2 + pull_s**2)
        return dataclasses.replace(mark, u_delay_s=u_delay_s, u_pull_s=pull_s)

    def _may_be_an_echo(self, block: CaptureBlock, mark: Peak) -> bool:
        """Say whether a mark that is near its due place may be no mark at all."""
        if self._last is None:
            # The front end has heard a pulse shortly before. What is late since may be an echo
            # that slipped here, as strong as the direct sound or stronger.
            return abs(mark.delay_s - block.mark_s) > FIRST_MARK_S
        # The end of the last block may have slipped already; that of one whose next was
        # punctual has not.
        known_block, known_mark = self._known or self._last
        return self._receiver.marks.may_be_an_echo(
            block,
            mark,
            known_block=known_block,
            known_mark=known_mark,
        )

    def _doubtful(self, block: CaptureBlock, mark: Peak) -> str:
        """Say why a run's first mark may be an echo; empty where it is what the block has it."""
        info, stands_s = self._receiver.info, self._receiver.shape.width_s / 2
        is_known = info.knows_mark or not info.can_slip
        if is_known and abs(mark.delay_s - block.mark_s) < stands_s:
            return ""
        return self._receiver.marks.in_doubt(block, mark)

    def _moved(self, block: CaptureBlock, near: Peak | None) -> Peak | None:
        """Find a mark that is not where it was due, or None where nobody can be sure."""
        if self._known is not None:
            known_block, known_mark = self._known
            return self._receiver.marks.find_again(
                block, known_block=known_block, known_mark=known_mark
            )
        return near if near is not None and self._last and alike(near, self._last[1]) else None

    def _doubt(self, mark: Peak, *, shifted: bool, sought: str) -> str:
        """Say why the ping before a mark may not be trusted; empty where it may."""
        if shifted:
            return "the sound slipped between this ping and the next"
        if self._last is not None and not alike(mark, self._last[1]):
            return f"by the next ping the {sought} was not as strong"
        return ""

    def _take(self, block: CaptureBlock, mark: Peak, *, trusted: bool) -> None:
        """Keep a mark, and with it what it says of the one before."""
        if self._last is not None:
            step_s = self._step_s(block, mark)
            self._steps_s.append(step_s)
            self._last_step_s = step_s if trusted else None
            self._known = self._last if trusted else self._known
        self._last = (block, mark)
        self._marks += 1

    def _may_drift(self, block: CaptureBlock, mark: Peak) -> bool:
        """Say whether a mark may be off by what two clocks drift apart, as yet unknown."""
        if not self._receiver.info.can_slip or self._last is None:
            return False
        if self._marks > MARKS_OF_A_START:
            return False
        most_s = MOST_DRIFT * self._receiver.plan.timing.ping_interval_s
        step_s = abs(self._step_s(block, mark))
        return alike(mark, self._last[1]) and step_s < most_s + self._tolerance_s(mark.u_delay_s)

    def _drifts(self, block: CaptureBlock, mark: Peak) -> bool:
        """Say whether a mark is off by as much as the one before was, and is waited for."""
        if self._waiting_step_s is None:
            return False
        apart_s = abs(self._step_s(block, mark) - self._waiting_step_s)
        return apart_s <= self._tolerance_s(mark.u_delay_s)

    def _step_s(self, block: CaptureBlock, mark: Peak) -> float:
        """Return how much later a mark stands in its block than the one before."""
        return 0.0 if self._last is None else _later_s(block, mark, *self._last)

    def _stretch(self, block: CaptureBlock, mark: Peak) -> float:
        """Return by what share sounds are stretched, at the most, where two clocks drift apart."""
        if not self._receiver.info.can_slip or self._last is None:
            return 0.0
        step_s = abs(self._step_s(block, mark))
        u_step_s = math.hypot(mark.u_delay_s, self._last[1].u_delay_s)
        if step_s <= SEEN_TO_DRIFT * u_step_s:
            return 0.0
        most_s = step_s + 2 * u_step_s
        return min(most_s / self._receiver.plan.timing.ping_interval_s, MOST_DRIFT)

    def _slipped(self, block: CaptureBlock, mark: Peak) -> bool:
        """Say whether a mark has moved since the one before."""
        step_s = self._step_s(block, mark) - self._usual_step_s()
        tolerance_s = self._tolerance_s(mark.u_delay_s)
        slipped = abs(step_s) > tolerance_s
        # A slip inside a mark moves it by part of a sample, and the next by the rest. Two steps
        # are as unsure as one, of two marks.
        if self._receiver.info.can_slip and self._last_step_s is not None:
            both_s = step_s + self._last_step_s - self._usual_step_s()
            slipped = slipped or abs(both_s) > tolerance_s
        return slipped

    def _gone(self, block: CaptureBlock, mark: Peak, first: tuple[CaptureBlock, Peak]) -> bool:
        """Say whether a mark stands elsewhere in its block than the first of the run did."""
        u_away_s = math.hypot(mark.u_delay_s, first[1].u_delay_s)
        return abs(_later_s(block, mark, *first)) > slip_tolerance_s(
            u_away_s, self._receiver.info.sample_rate_hz
        )

    def _usual_step_s(self) -> float:
        # Two converters on clocks of their own drift apart evenly, which is no slip. What goes
        # faster than two clocks may is no mark, but what moves and slipped into its place.
        if not self._receiver.info.can_slip:
            return 0.0
        most_s = MOST_DRIFT * self._receiver.plan.timing.ping_interval_s
        return min(max(statistics.median(self._steps_s), -most_s), most_s)

    def _tolerance_s(self, u_mark_s: float) -> float:
        # A stream that cannot slip is only held to a clock within 0.1 %.
        drift_s = 0.0
        if not self._receiver.info.can_slip:
            drift_s = 1e-3 * self._receiver.plan.timing.ping_interval_s
        return slip_tolerance_s(u_mark_s, self._receiver.info.sample_rate_hz) + drift_s


def _later_s(block: CaptureBlock, mark: Peak, before: CaptureBlock, its_mark: Peak) -> float:
    """Return how much later a mark stands in its block than another in its own."""
    return (mark.delay_s - block.mark_s) - (its_mark.delay_s - before.mark_s)
