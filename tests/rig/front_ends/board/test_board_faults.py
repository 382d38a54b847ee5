"""Faults on the live link to an emulated board: no range is wrong, every loss is counted.

Each ping has an echo at a place of its own, so that samples of another ping, or a
capture put together wrongly, would show as a wrong range.
"""

import numpy as np
import pytest
from starvation import spared_s

from rig.errors import DeviceError
from rig.front_ends.board import serial_board
from rig.run.loop import ping_results
from rig.run.receiver import Receiver

RECOVERY_S = 3.0
ECHO_MV, NOISE_MV = 800.0, 20.0


class Watch:
    """Pings with echoes at known places; when each came."""

    def __init__(self, bench, seed):
        self.bench = bench
        self.delays_s = np.random.default_rng(seed).uniform(2e-3, 9e-3, 200)
        self.faults = {}
        self.came_s = []
        bench.before_ping = self._lay

    def _lay(self, ping):
        self.bench.place((ECHO_MV, self.delays_s[ping]))
        self.bench.noise(NOISE_MV, seed=ping)
        if ping in self.faults:
            self.faults[ping]()

    def run(self, pings):
        """Ping; check that each ping is right or marked lost; return how many are lost."""
        results = []
        receiver = Receiver(self.bench.plan, self.bench.board.info)
        for result in ping_results(receiver, self.bench.board.blocks(pings)):
            results.append(result)
            self.came_s.append(spared_s())
        assert [r.index for r in results] == list(range(pings))
        for result in results:
            if result.lost:
                assert result.profile is None
                assert not result.echoes
                continue
            strongest = max(result.echoes, key=lambda echo: echo.strength_db)
            # 1.7 µs of standard deviation at this echo over noise; six of those.
            assert abs(strongest.delay_s - self.delays_s[result.index]) < 10e-6
        return [r.lost for r in results]


@pytest.fixture
def watch(make_bench):
    return Watch(make_bench(), seed=4)


def test_one_percent_of_bytes_flipped_gives_no_wrong_range(watch):
    command = watch.bench.emulator.command
    watch.faults = {2: lambda: command("flip 0.01"), 14: lambda: command("flip 0")}
    lost = watch.run(18)
    assert watch.bench.board.counts.damaged > 20
    assert watch.bench.board.counts.asked_again > 0
    assert sum(lost[2:14]) < 6  # most come through by asking again
    assert not any(lost[:2])
    assert not any(lost[14:])


def test_dropped_bytes_give_no_wrong_range(watch):
    command = watch.bench.emulator.command
    watch.faults = {2: lambda: command("drop 0.01"), 14: lambda: command("drop 0")}
    lost = watch.run(18)
    assert watch.bench.board.counts.damaged > 20
    assert not any(lost[:2])
    assert not any(lost[14:])


def test_pings_go_on_once_it_is_plugged_in_again(watch):
    command = watch.bench.emulator.command
    back_s = []

    def plug():
        command("plug")
        back_s.append(spared_s())

    # Unplugged until the next ping is sent: for as long as this one is waited for.
    watch.faults = {3: lambda: command("unplug"), 4: plug}
    lost = watch.run(7)
    assert lost == [False] * 3 + [True] + [False] * 3
    assert watch.bench.board.counts.reopened >= 1
    assert watch.came_s[4] - back_s[0] < RECOVERY_S


@pytest.mark.parametrize("after_bytes", [5, 40, 500, 1500])
def test_reset_in_the_middle_of_a_capture_gives_no_wrong_range(watch, after_bytes):
    command = watch.bench.emulator.command
    watch.faults = {2: lambda: command(f"reset-after {after_bytes}")}
    lost = watch.run(6)
    assert not any(lost[:2] + lost[3:])
    assert watch.bench.board.counts.restarts >= 1
    assert max(np.diff(watch.came_s)) < RECOVERY_S


def test_board_that_floods_loses_pings_and_says_so(watch):
    command = watch.bench.emulator.command
    watch.faults = {2: lambda: command("flood 1"), 4: lambda: command("flood 0")}
    lost = watch.run(8)
    assert not any(lost[:2])
    assert not any(lost[5:])
    assert watch.came_s[5] - watch.came_s[3] < RECOVERY_S


def test_everything_at_once_gives_no_wrong_range(watch):
    command = watch.bench.emulator.command
    watch.faults = {
        1: lambda: (command("flip 0.003"), command("drop 0.003")),
        4: lambda: command("reset-after 700"),
        7: lambda: command("reset"),
        10: lambda: (command("flip 0"), command("drop 0")),
    }
    lost = watch.run(14)
    assert not any(lost[11:])


def test_board_that_has_gone_for_good_ends_the_run(watch, monkeypatch):
    monkeypatch.setattr(serial_board, "GIVE_UP_S", 1.0)
    watch.faults = {1: lambda: watch.bench.emulator.command("unplug")}
    with pytest.raises(DeviceError, match="no capture came"):
        watch.run(5)
