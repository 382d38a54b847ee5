"""Boards that print one number on a line, played by a pseudo-terminal."""

import contextlib
import itertools
import json
import math
import os
import pty
import threading
import tty
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from typist import PATIENCE_S

from rig.bench.capture import CaptureFlag
from rig.bench.plan import Board
from rig.cli import main
from rig.errors import DeviceError, PlanError
from rig.front_ends.board import plain_numbers, port
from rig.front_ends.board.plain_numbers import MOST_LINE_BYTES, LineReader, edge_time_s
from rig.front_ends.board.port import BoardPort, PortGoneError
from rig.front_ends.board.serial_board import open_serial_board
from rig.run.loop import ping_results
from rig.run.receiver import Receiver


class Printer:
    """The far end of a serial line, which prints when told to."""

    def __init__(self, link):
        self.link = link
        self.far = None
        self.plug()

    def plug(self):
        self.far, near = pty.openpty()
        tty.setraw(near)
        self.link.unlink(missing_ok=True)
        self.link.symlink_to(os.ttyname(near))
        self._near = near

    def unplug(self):
        os.close(self.far)
        os.close(self._near)
        self.link.unlink()
        self.far = None

    def say(self, *lines):
        os.write(self.far, "".join(f"{line}\r\n" for line in lines).encode())


@pytest.fixture
def printer(tmp_path):
    printer = Printer(tmp_path / "port")
    yield printer
    if printer.far is not None:
        printer.unplug()


@pytest.fixture
def results(board_plan, printer):
    """What comes of some lines, the first of them cut in the middle."""

    def told(lines, **tables):
        plan = board_plan(
            **{"board": {"port": str(printer.link), "baud": 115200} | tables.pop("board")},
            **tables,
        )
        with open_serial_board(plan) as front_end:
            printer.say("34", *lines)
            receiver = Receiver(plan, front_end.info)
            return receiver, list(ping_results(receiver, front_end.blocks(len(lines))))

    return told


@pytest.mark.parametrize(
    ("prints", "line", "delay_s"),
    [
        ("time-us", "5830", 5830e-6),
        ("time-us", "echo after 5830.5 us", 5830.5e-6),
        # Half of out and back at the speed that the board was given: 2 d / v.
        ("distance-mm", "1000", 2 * 1.0 / 343.0),
        ("distance-cm", "Distance: 99,5 cm", 2 * 0.995 / 343.0),
    ],
)
def test_number_becomes_an_echo_at_its_time(results, prints, line, delay_s):
    _, (result,) = results([line], board={"prints": prints})
    (echo,) = result.echoes
    # Between bins of 30 µs the place is found by interpolation: to a thousandth of one.
    assert echo.delay_s == pytest.approx(delay_s, abs=0.05e-6)


def test_range_uses_the_plans_sound_speed_and_not_the_boards(results):
    receiver, (result,) = results(
        ["1000"], board={"prints": "distance-mm", "assumed_speed_m_s": 340.0}
    )
    path_m = 2000 / 340.0 * 1e-3 * receiver.sound_speed_m_s
    assert result.echoes[0].range_m == pytest.approx(
        math.sqrt((path_m / 2) ** 2 - 0.015**2), abs=2e-5
    )


def test_uncertainty_holds_half_a_step_and_strength_is_not_made_up(results):
    receiver, (result,) = results(
        ["100"], board={"prints": "distance-cm", "step": 1.0}, geometry={"u_time_zero_s": 0.0}
    )
    (echo,) = result.echoes
    # A step of 10 mm as a rectangle: 10/√12 mm, and the air's share, R · u_c / c.
    step_m = 0.010 / math.sqrt(12) * receiver.sound_speed_m_s / 343.0
    air_m = echo.range_m * receiver.u_sound_speed_m_s / receiver.sound_speed_m_s
    assert echo.u_range_m == pytest.approx(math.hypot(step_m, air_m), rel=0.01)
    assert all(math.isnan(v) for v in (echo.strength_db, echo.snr_db, echo.bound_m))
    assert "no strength" in receiver.info.device


def test_own_delay_of_the_board_is_taken_off(results):
    _, (result,) = results(["5830"], board={"prints": "time-us", "own_delay_s": 130e-6})
    assert result.echoes[0].delay_s == pytest.approx(5700e-6, abs=0.05e-6)


def test_line_without_one_number_is_a_lost_ping_and_zero_is_no_echo(results):
    lines = ["1000", "out of range", "12 34", "0", "-1", "\x00\xff\xfe", "1100"]
    _, got = results(lines, board={"prints": "distance-mm"})
    assert [r.lost for r in got] == [False, True, True, False, False, True, False]
    assert [len(r.echoes) for r in got] == [1, 0, 0, 0, 0, 0, 1]


@contextlib.contextmanager
def printing(printer, first, line, *, plugged_in_after=None):
    """Print one line, and then another again and again: a port drops what came before it opened."""
    done = threading.Event()

    def print_on():
        if plugged_in_after is not None:
            plugged_in_after.wait(PATIENCE_S)
            printer.plug()
        printer.say(first)
        while not done.wait(0.05):
            printer.say(line)

    thread = threading.Thread(target=print_on)
    thread.start()
    try:
        yield
    finally:
        done.set()
        thread.join()


def test_lines_go_on_after_the_board_was_unplugged(board_plan, printer, monkeypatch):
    found_none = threading.Event()

    def opened(name, baud):
        try:
            return BoardPort(name, baud)
        except PortGoneError:
            found_none.set()
            raise

    monkeypatch.setattr(plain_numbers, "BoardPort", opened)
    plan = board_plan(board={"port": str(printer.link), "prints": "time-us"})
    with open_serial_board(plan) as front_end:
        printer.say("junk", "4000")
        blocks = front_end.blocks(3)
        first = next(blocks)

        printer.unplug()
        with printing(printer, "junk", "4000", plugged_in_after=found_none):
            rest = list(blocks)
    assert not any(b.flags & CaptureFlag.MISSING for b in [first, *rest])
    assert np.array_equal(first.samples, rest[-1].samples)


def test_silence_loses_pings_and_ends_the_run_at_last(board_plan, printer, monkeypatch):
    looks = itertools.count()
    clock = SimpleNamespace(monotonic=lambda: 0.5 * next(looks))  # half a second at each look
    for module in (port, plain_numbers):
        monkeypatch.setattr(module, "time", clock)
    plan = board_plan(board={"port": str(printer.link), "prints": "time-us"})
    with open_serial_board(plan) as front_end:
        blocks = front_end.blocks(100)
        assert next(blocks).flags & CaptureFlag.MISSING
        with pytest.raises(DeviceError, match="no line came"):
            list(blocks)


@given(st.lists(st.binary(max_size=300), max_size=20))
def test_any_bytes_give_lines_and_no_error(chunks):
    reader = LineReader()
    for chunk in chunks:
        for line in reader.feed(chunk):
            if line is not None:
                assert len(line) <= MOST_LINE_BYTES
                time_s = edge_time_s(line, Board(prints="time-us"))
                assert time_s is None or time_s >= 0
    reader.feed(b"\n")
    assert reader.feed(b"1234\r\n") == ["1234"]


@pytest.mark.parametrize(
    ("tables", "message"),
    [
        ({"geometry": {"time_zero": "direct"}}, "geometry.time_zero"),
        (
            {
                "pulse": {
                    "kind": "golay",
                    "centre_hz": 8e3,
                    "chip_s": 2.5e-4,
                    "chips": 8,
                    "cycles": None,
                    "ring_s": None,
                },
                "timing": {"band_sampling": False},
            },
            "pulse.kind",
        ),
    ],
)
def test_plan_that_does_not_suit_plain_numbers_is_refused(board_plan, printer, tables, message):
    plan = board_plan(board={"prints": "time-us", "port": str(printer.link)}, **tables)
    with pytest.raises(PlanError, match=message):
        open_serial_board(plan)


def test_port_must_be_named(board_plan):
    with pytest.raises(DeviceError, match="none is named"):
        open_serial_board(board_plan(board={"prints": "time-us"}))


def test_command_runs_a_plain_number_board(capsys, tmp_path, printer):
    (tmp_path / "plan.toml").write_text(
        f"""
        [pulse]
        kind = "tone"
        centre_hz = 8000.0
        duration_s = 0.001
        [geometry]
        time_zero = "calibration"
        baseline_m = 0.03
        [board]
        port = "{printer.link}"
        baud = 9600
        prints = "distance-cm"
        """
    )
    plan = str(tmp_path / "plan.toml")
    front_end = ("--front-end", "serial-board", "--picture", str(tmp_path / "picture.png"))
    with printing(printer, "12", "120"):
        status = main(["run", "--plan", plan, *front_end, "--pings", "3", "--json"])
    answer = json.loads(capsys.readouterr().out.splitlines()[-1])
    assert status == 0
    assert answer["lost_pings"] == 0
    assert answer["echoes"][0]["range_m"] == pytest.approx(1.20, abs=0.005)
    assert answer["echoes"][0]["snr_db"] is None
