"""Which pings a live window shows, and what is done to them first.

All of it is done to what is shown only: what is recorded and reported stays as the
session gave it.
"""

from __future__ import annotations

import dataclasses
from collections import deque
from collections.abc import Sequence

from dsp.ping.pulse.profiles import EchoProfile, stacked, still_background, without_background
from rig.measure.other_benches import benches_in, other_bench_remark
from rig.run.origin import by_own_hits
from rig.run.receiver import Receiver
from rig.run.results import HitTable, PingResult
from rig.run.stacking import Still

HISTORY_ROWS = 120
"""Pings in the history, in a window and for a room."""

MOST_STACKED = 64
"""Pings added up at the most; more would smear all that moves at all."""

FEWEST_FOR_BACKGROUND = 8
"""Good pings before what stands still can be told from what passes."""

# The plan's own limits, a little wider for the rounding of a power of ten.
_LOWEST_RATE, _HIGHEST_RATE = 0.999e-12, 0.1
_BACKGROUND_PINGS = 64
_RAISED = str.maketrans("0123456789", "⁰¹²³⁴⁵⁶⁷⁸⁹")


class ShownPings:
    """The latest pings as they are to be drawn.

    Parameters
    ----------
    receiver : Receiver
        That heard them, with its calibration.
    most : int
        Pings kept for the picture.
    older : sequence of PingResult
        Of another plan, numbered below 0: shown as they are, and added up with none.

    Attributes
    ----------
    pings, lost_pings : int
        Taken since the start.
    left_out : int
        Pings between those taken that never came, since they would have been late.
    stack : int
        Pings added up for what is shown, on top of what the plan adds up.
    """

    def __init__(self, receiver: Receiver, *, most: int, older: Sequence[PingResult] = ()) -> None:
        self._receiver, self._most = receiver, most
        self._taken: deque[PingResult] = deque(older, maxlen=most + MOST_STACKED)
        self._held: list[PingResult] | None = None
        self._newer = 0
        self._still = Still(receiver)
        self._background: EchoProfile | None = None
        self._drawn: dict[int, PingResult] = {}
        self._short: dict[int, EchoProfile] = {}
        self._found: tuple[tuple[PingResult, float], PingResult] | None = None
        self.pings = self.lost_pings = self.left_out = 0
        self.stack = 1
        self._decades = 0  # by which the false-alarm rate stands off the plan's

    def take(self, result: PingResult) -> None:
        """Take the next ping; while paused it is kept for later."""
        if self._taken:
            self.left_out += result.index - self._taken[-1].index - 1
        self._taken.append(result)
        self.pings += 1
        self.lost_pings += result.lost
        self._newer += self.paused

    @property
    def paused(self) -> bool:
        """Whether what is shown stands still."""
        return self._held is not None

    @property
    def newer(self) -> int:
        """How many pings came since the pause."""
        return self._newer

    def pause(self) -> None:
        """Hold what is shown, or let it go on."""
        self._held = None if self.paused else list(self._taken)
        self._newer = 0

    def stack_more(self) -> None:
        """Add up twice as many pings."""
        self.stack = min(2 * self.stack, MOST_STACKED)
        self._drawn.clear()

    def stack_fewer(self) -> None:
        """Add up half as many pings."""
        self.stack = max(self.stack // 2, 1)
        self._drawn.clear()

    @property
    def false_alarm_rate(self) -> float:
        """The chance that noise alone shows an echo in a bin; it sets the threshold."""
        return self._rate_at(self._decades)

    def _rate_at(self, decades: int) -> float:
        return float(self._receiver.plan.receiver.false_alarm_rate * 10.0**decades)

    def raise_threshold(self) -> None:
        """Let through a tenth of the false alarms, down to what a plan may ask for."""
        if self._rate_at(self._decades - 1) >= _LOWEST_RATE:
            self._decades -= 1

    def lower_threshold(self) -> None:
        """Let through ten times the false alarms, up to what a plan may ask for."""
        if self._rate_at(self._decades + 1) <= _HIGHEST_RATE:
            self._decades += 1

    @property
    def background_removed(self) -> bool:
        """Whether what stood still is taken away."""
        return self._background is not None

    def toggle_background(self) -> bool:
        """Take away what has stood still up to now, or put it back.

        Returns
        -------
        bool
            False where too few good pings have come to tell; nothing is changed.
        """
        if self._background is not None:
            self._background = None
        else:
            good = [r.profile for r in self._raw() if r.profile is not None and r.index >= 0]
            if len(good) < FEWEST_FOR_BACKGROUND:
                return False
            latest = [self._cut(profile) for profile in good[-_BACKGROUND_PINGS:]]
            self._background = still_background(latest)
        self._drawn.clear()
        return True

    def results(self) -> list[PingResult]:
        """Return the pings to draw, the oldest first; the newest with its echoes."""
        raw = self._raw()
        first = max(len(raw) - self._most, 0)
        drawn = {}
        for place in range(first, len(raw)):
            index = raw[place].index
            drawn[index] = self._drawn.get(index) or self._worked(raw, place)
        self._drawn = drawn
        shown = list(drawn.values())
        if shown:
            shown[-1] = self._searched(shown[-1])
        return shown

    def remarks(self) -> str:
        """Say what was done to what is shown."""
        words = []
        if self.background_removed:
            words.append("Still background removed.")
        if self.smears:
            words.append("What moved is smeared.")
        if self._decades:
            factor, power = f"{1 / self.false_alarm_rate:.0e}".split("e+")
            times = "" if factor == "1" else f"{factor}×"
            words.append(f"1 false echo in {times}10{str(int(power)).translate(_RAISED)} bins.")
        return " ".join(words)

    def foreign(self) -> str:
        """Say which other bench's pings are among those that are kept; nothing of none."""
        heard = [r.heard.hits for r in self._raw() if r.heard is not None and r.index >= 0]
        return other_bench_remark(benches_in(self._receiver, HitTable.of(heard)))

    @property
    def smears(self) -> bool:
        """Whether something moved while the pings came that are added up for the newest."""
        heard = [r for r in self._raw() if r.profile is not None and r.index >= 0]
        added = heard[-self.stack :]
        return bool(added) and len(self._still.with_newest(added)) < len(added)

    def _raw(self) -> Sequence[PingResult]:
        return self._held if self._held is not None else list(self._taken)

    def _worked(self, raw: Sequence[PingResult], place: int) -> PingResult:
        result = raw[place]
        as_heard = self.stack == 1 and self._background is None
        if result.profile is None or result.index < 0 or as_heard:
            return result
        profile = self._stacked(raw, place)
        if self._background is not None:
            profile = without_background(profile, self._background)
        return dataclasses.replace(result, profile=profile)

    def _stacked(self, raw: Sequence[PingResult], place: int) -> EchoProfile:
        newest = place == len(raw) - 1
        good: list[EchoProfile] = []
        while place >= 0 and raw[place].index >= 0 and len(good) < self.stack:
            profile = raw[place].profile
            if profile is not None:
                good.append(profile if newest else self._shortened(raw[place].index, profile))
            place -= 1
        return stacked(good)

    def _shortened(self, index: int, profile: EchoProfile) -> EchoProfile:
        """Return a ping's profile as far as a picture shows it, made once.

        Most of it lies beyond, where the tank dies away until the next ping: added up for
        each of a hundred rows, that would be what a key waits for.
        """
        if index not in self._short:
            if len(self._short) > 2 * (self._most + MOST_STACKED):
                self._short.clear()
            self._short[index] = self._cut(profile)
        return self._short[index]

    def _cut(self, profile: EchoProfile) -> EchoProfile:
        # As far as the receiver looks for echoes, with the noise that it needs beside them.
        shape = self._receiver.shape if profile.shape is None else profile.shape
        bins = self._receiver.search.searched_bins(shape)
        return dataclasses.replace(profile, envelope=profile.envelope[:bins])

    def _searched(self, result: PingResult) -> PingResult:
        """Look for echoes again, where what is shown is not what the session searched."""
        as_planned = self.stack == 1 and self._background is None and not self._decades
        if as_planned or result.profile is None or result.time_zero is None:
            return result
        asked = (result, self.false_alarm_rate)
        if self._found is None or self._found[0] != asked:
            echoes, threshold = self._receiver.search.echoes(
                result.profile, result.time_zero, false_alarm_rate=self.false_alarm_rate
            )
            found = dataclasses.replace(result, echoes=echoes, threshold=threshold)
            if result.sign_place is not None:
                found = by_own_hits(self._receiver, found, echoes)
            self._found = (asked, found)
        return self._found[1]
