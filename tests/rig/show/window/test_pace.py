"""Pings handed on when they are due, on a clock that only the test moves."""

import pytest

from rig.run.results import PingResult
from rig.show.window.pace import paced

INTERVAL_S = 0.25


class Machine:
    """A bench whose pings take so long to be worked out, and leave some out when asked to."""

    def __init__(self, work_s):
        self.now_s, self.work_s, self.skips = 100.0, work_s, 0

    def results(self, pings):
        index = 0
        while index < pings:
            if self.skips:
                index, self.skips = index + self.skips, 0
                continue
            self.now_s += self.work_s(index)
            yield PingResult(index=index, sent_s=index * INTERVAL_S, lost=False)
            index += 1

    def leave_out(self, pings):
        self.skips = pings

    def wait(self, seconds):
        self.now_s += seconds

    def shown(self, pings, *, leaves_out=True, by_hand=False):
        """Index of each ping that was handed on, and how late it was, from the first."""
        going = paced(
            self.results(pings),
            INTERVAL_S,
            leave_out=self.leave_out if leaves_out else None,
            by_hand=by_hand,
            clock_s=lambda: self.now_s,
            wait=self.wait,
        )
        came = [(result.index, self.now_s) for result in going]
        return [(i, round(now_s - came[0][1] - i * INTERVAL_S, 9)) for i, now_s in came]


def test_a_fast_machine_shows_each_ping_when_it_is_due():
    # The first takes long: all that is worked out once. The others are due from then on.
    machine = Machine(lambda index: 2.0 if index == 0 else 0.01)
    assert machine.shown(6) == [(i, 0.0) for i in range(6)]


def test_what_a_hand_may_change_is_made_when_it_is_due_and_not_ahead():
    machine = Machine(lambda index: 2.0 if index == 0 else 0.01)
    # Each is begun when it is due, and shown when it is done.
    assert machine.shown(6, by_hand=True) == [(0, 0.0), *((i, 0.01) for i in range(1, 6))]


def test_a_slow_machine_leaves_pings_out_and_never_falls_far_behind():
    machine = Machine(lambda _: 0.7)
    shown = machine.shown(400)
    # One ping's work, an interval, and what a machine that stumbles once may be behind.
    most_late_s = 0.7 + INTERVAL_S + 0.25
    assert max(late_s for _, late_s in shown) <= most_late_s
    # 0.7 s of work lie between each two shown, so that this many are shown until the last,
    # due after 399 intervals; as many as the lateness holds may be missing at the end.
    last_s = 399 * INTERVAL_S
    assert (last_s - most_late_s) / 0.7 <= len(shown) <= (last_s + most_late_s) / 0.7 + 1


def test_one_stumble_is_caught_up_with():
    machine = Machine(lambda index: 0.4 if index == 3 else 0.01)
    shown = machine.shown(12)
    assert [i for i, _ in shown] == list(range(12))
    assert shown[3][1] == pytest.approx(0.15)
    assert [late_s for _, late_s in shown[4:]] == [0.0] * 8


def test_what_is_heard_is_never_left_out():
    machine = Machine(lambda _: 0.7)
    assert [i for i, _ in machine.shown(20, leaves_out=False)] == list(range(20))


def test_pings_are_let_go_of_with_the_window():
    let_go = []

    def results():
        try:
            yield PingResult(index=0, sent_s=0.0, lost=False)
        finally:
            let_go.append(True)

    going = paced(results(), INTERVAL_S)
    next(going)
    going.close()
    assert let_go
