"""The firmware as it runs: its drive pins, its time zero, its memory, its manners."""

import dataclasses
import math
import re
import subprocess
from pathlib import Path

import numpy as np
import pytest
from starvation import Stretch
from typist import PATIENCE_S

from rig.bench.capture import CaptureFlag
from rig.errors import DeviceError, PlanError
from rig.front_ends.board import search
from rig.front_ends.board.emulator import BoardEmulator
from rig.front_ends.board.frames import Frame, FrameDecoder, MessageType, encode_frame
from rig.front_ends.board.link import ErrorReason
from rig.front_ends.board.port import BoardPort, Deadline
from rig.front_ends.board.serial_board import SerialBoard, open_serial_board
from rig.run.loop import ping_results
from rig.run.receiver import Receiver

FIRMWARE = Path(__file__).parents[4] / "hardware_notes" / "firmware"
QUARTER = 0.75
FLASH_BYTES, RAM_BYTES = 32768, 2048  # of an ATmega328P; its data sheet, from memory


def pinged(bench):
    (result,) = bench.results(1)
    return result


def test_build_prints_flash_and_ram_and_leaves_a_quarter_of_each(tmp_path):
    done = subprocess.run(
        ["make", "-C", str(FIRMWARE), f"OUT={tmp_path}"], capture_output=True, text=True, check=True
    )
    told = re.search(r"flash (\d+) of 32768 bytes, RAM (\d+) of 2048 bytes", done.stdout)
    assert int(told[1]) <= QUARTER * FLASH_BYTES
    assert int(told[2]) <= QUARTER * RAM_BYTES


def test_build_fails_where_less_than_a_quarter_is_left(tmp_path):
    done = subprocess.run(
        ["make", "-C", str(FIRMWARE), f"OUT={tmp_path}", "STACK=300"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode != 0
    assert "less than a quarter is left" in done.stdout


def test_stack_stays_within_what_the_build_reckons_with(make_bench):
    bench = make_bench()
    bench.results(3)
    stated = re.search(r"^STACK = (\d+)$", (FIRMWARE / "Makefile").read_text(), re.MULTILINE)
    # The emulator paints the RAM above the variables and looks how far the paint is gone.
    assert 0 < bench.emulator.report()["stack"] <= int(stated[1])


@pytest.mark.parametrize(
    ("cycles", "centre_hz", "period_ticks"), [(12, 40e3, 256), (1, 8e3, 224), (64, 25e3, 224)]
)
def test_drive_pins_are_opposed_from_first_to_last_edge(
    make_bench, cycles, centre_hz, period_ticks
):
    bench = make_bench(
        pulse={"cycles": cycles, "centre_hz": centre_hz},
        timing={"sample_rate_hz": 16e6 / period_ticks, "band_sampling": centre_hz == 40e3},
        receiver={"range_stop_m": 1.5},
    )
    seen = bench.emulator.report()
    assert seen["both_high_ticks"] == 0
    assert seen["both_low_ticks"] == 0
    assert seen["rises_a"] == seen["rises_b"] == cycles
    if cycles > 1:
        # The emulator stamps an edge at the end of an instruction, up to 4 ticks late.
        span_ticks = (cycles - 1) * 16e6 / centre_hz
        assert seen["burst_hz"] == pytest.approx(centre_hz, rel=4 / span_ticks)


@pytest.mark.parametrize(
    ("period_ticks", "centre_hz", "off_ticks"),
    # The emulator stamps an edge, and a trigger, at the end of an instruction: up to 3
    # ticks late where it comes while the processor works. At 256 ticks both find it asleep.
    [(256, 40e3, 0), (280, 40e3, 3), (224, 25e3, 3), (1024, 4e3, 3)],
)
def test_first_sample_stands_at_the_tick_that_the_board_states(
    make_bench, period_ticks, centre_hz, off_ticks
):
    bench = make_bench(
        pulse={"centre_hz": centre_hz},
        timing={"sample_rate_hz": 16e6 / period_ticks, "band_sampling": centre_hz == 40e3},
        receiver={"range_stop_m": 1.5},
    )
    (block,) = bench.board.blocks(1)
    measured = bench.emulator.report()["first_tick"]
    before = max(0, math.ceil(measured / period_ticks))
    stated = before * period_ticks - block.mark_s * 16e6
    assert stated == pytest.approx(measured, abs=off_ticks + 1e-6)
    # serial_link.md's sum: a sample period, less the 4 ticks by which its timer leads and
    # half a cycle of the burst, and 35 ticks until the sample is held.
    assert stated == pytest.approx(period_ticks - 4 - 8e6 / centre_hz + 35, abs=1e-6)


def test_free_running_converter_finds_the_target_too(make_bench):
    # 25 kHz lies below half of 76.9 kHz, so nothing folds.
    bench = make_bench(
        pulse={"centre_hz": 25e3},
        timing={"sample_rate_hz": 16e6 / 208, "band_sampling": False},
    )
    path_m = 2 * math.hypot(1.0, 0.015)
    speed_m_s = 343.98688734488263  # of the plan's air, as the receiver believes
    bench.place((800.0, path_m / speed_m_s))
    bench.noise(20.0, seed=7)
    result = pinged(bench)
    nearest = max(result.echoes, key=lambda echo: echo.strength_db)
    assert abs(nearest.range_m - 1.0) < 1e-3


def test_gain_step_doubles_the_echo(make_bench):
    strengths = []
    for step in (0, 1, 2):
        bench = make_bench(board={"gain_step": step})
        bench.place((200.0, 5e-3))
        bench.noise(15.0, seed=3)
        strengths.append(max(e.strength_db for e in pinged(bench).echoes if e.range_m > 0.5))
    # Noise of 15 mV on 200 mV over some 20 samples: 0.15 dB; three of those.
    assert np.diff(strengths) == pytest.approx([6.02, 6.02], abs=0.45)


def test_samples_beyond_the_converter_are_flagged_as_clipped(make_bench):
    bench = make_bench()
    bench.place((2700.0, 5e-3))
    assert pinged(bench).clipped
    bench.place((800.0, 5e-3))
    assert not pinged(bench).clipped


def test_gate_moves_the_capture_and_not_the_range(make_bench):
    bench = make_bench(
        receiver={"range_start_m": 3.6, "range_stop_m": 4.4}, timing={"ping_interval_s": 0.1}
    )
    path_m = 2 * math.hypot(4.0, 0.015)
    bench.emulator.play(np.zeros(1))
    bench.noise(20.0, seed=11)
    bench.place((800.0, path_m / 343.98688734488263))
    assert [round(e.range_m, 2) for e in pinged(bench).echoes] == [4.0]


def test_watchdog_restarts_a_board_that_hangs_and_the_ping_is_sent_again(make_bench):
    bench = make_bench()
    bench.place((800.0, 5e-3))
    bench.noise(20.0, seed=5)
    bench.emulator.command("jam")
    receiver, stretch, guard = (
        Receiver(bench.plan, bench.board.info),
        Stretch(),
        Deadline(PATIENCE_S),
    )
    lost = 0
    # The watchdog takes its second of the board's time, which is as long as the machine makes it.
    for result in ping_results(receiver, bench.board.blocks(10_000)):
        assert not guard.passed, "the board does not come back"
        if not result.lost:
            break
        lost += 1
    assert bench.board.counts.restarts >= 1
    assert bench.board.counts.asked_again >= 1
    # A ping may be lost meanwhile; on a machine that has no time to spare, more.
    assert lost <= 1 or stretch.starved
    strongest = max(result.echoes, key=lambda echo: echo.strength_db)
    # 1.7 µs of standard deviation at this echo over noise; six of those.
    assert abs(strongest.delay_s - 5e-3) < 10e-6


def exchanged(port, frame):
    """Answers to one request; who a board is, it says unasked too, and that is none."""
    decoder, deadline, got = FrameDecoder(), Deadline(PATIENCE_S), []
    port.write(encode_frame(frame) if isinstance(frame, Frame) else frame)
    while not deadline.passed and not got:
        got += [f for f in decoder.feed(port.read()) if f.type != MessageType.IDENTITY]
    return got


@pytest.fixture
def open_port():
    with BoardEmulator(500000) as emulator:
        assert search.ask_who(emulator.port_name, 500000, wait_s=PATIENCE_S), "it is not up"
        port = BoardPort(emulator.port_name, 500000)
        # It may be busy with what it says of itself; with this answer it has said all.
        last = Frame(type=MessageType.IDENTIFY, tag=77)
        decoder, deadline, got = FrameDecoder(), Deadline(PATIENCE_S), [last]
        while not any(f.type == MessageType.IDENTITY and f.tag == last.tag for f in got):
            if any(f.type != MessageType.IDENTITY for f in got):
                port.write(encode_frame(last))
            got = list(decoder.feed(port.read()))
            assert not deadline.passed, "it does not say who it is"
        yield port
        port.close()


def spoilt(frame):
    coded = bytearray(encode_frame(frame))
    coded[-2] ^= 0x55
    return bytes(coded)


@pytest.mark.parametrize(
    ("request_", "tag", "reason"),
    [
        (spoilt(Frame(type=1, tag=9)), 0, ErrorReason.BAD_CHECK),
        (b"\0\x09\x01\0", 0, ErrorReason.BAD_CHECK),
        (b"\0" + bytes(range(1, 100)) + b"\0", 0, ErrorReason.BAD_CHECK),
        (Frame(type=1, tag=9, version=2), 9, ErrorReason.BAD_VERSION),
        (Frame(type=0x55, tag=9), 9, ErrorReason.BAD_TYPE),
        (Frame(type=MessageType.PING, tag=9), 9, ErrorReason.BAD_LENGTH),
        (Frame(type=MessageType.SET, tag=9, body=bytes(10)), 9, ErrorReason.BAD_VALUE),
        (Frame(type=MessageType.PING, tag=9, body=b"\1\0"), 9, ErrorReason.NOT_SET),
        (Frame(type=MessageType.PARTS, tag=9, body=bytes(6)), 9, ErrorReason.NOT_SET),
    ],
)
def test_board_says_why_it_does_not_do_as_asked(open_port, request_, tag, reason):
    (answer,) = exchanged(open_port, request_)
    assert (answer.type, answer.tag, answer.body[0]) == (MessageType.ERROR, tag, reason)


def test_parts_of_another_ping_are_not_given_out(make_bench):
    bench = make_bench()
    bench.board.close()
    port = BoardPort(bench.emulator.port_name, 500000)
    body = bytes([0xFF, 0xFF, 1, 0, 0, 0])
    (answer,) = exchanged(port, Frame(type=MessageType.PARTS, tag=3, body=body))
    assert answer.body[0] == ErrorReason.NOT_HELD
    port.close()


def test_two_boards_ping_side_by_side_and_are_told_apart(make_bench, monkeypatch):
    benches = [make_bench(number=1), make_bench(number=2)]
    for bench, delay_s in zip(benches, (4e-3, 6e-3), strict=True):
        bench.place((800.0, delay_s))
    pairs = zip(*(bench.board.blocks(3) for bench in benches), strict=True)
    for one, two in pairs:
        assert not (one.flags | two.flags) & CaptureFlag.MISSING
        assert not np.array_equal(one.samples, two.samples)
    assert [bench.board.identity.number for bench in benches] == [1, 2]

    for bench in benches:
        bench.board.close()
    names = tuple(bench.emulator.port_name for bench in benches)
    monkeypatch.setattr(search, "port_names", lambda: names)
    plan = benches[0].plan
    with pytest.raises(DeviceError, match="several boards answer"):
        open_serial_board(plan)
    second = dataclasses.replace(plan, board=dataclasses.replace(plan.board, board_number=2))
    with open_serial_board(second) as board:
        assert board.info.device.startswith("bench board 2 ")
    wrong = dataclasses.replace(plan, board=dataclasses.replace(plan.board, board_number=3))
    with pytest.raises(DeviceError, match="board 1 answers"):
        open_serial_board(wrong, port=names[0])


@pytest.mark.parametrize("baud", [115200, 1000000])
def test_board_built_for_another_baud_rate_answers_at_it(board_plan, baud):
    plan = board_plan(board={"baud": baud})
    with (
        BoardEmulator(baud) as emulator,
        SerialBoard(plan, emulator.port_name, paced=False) as board,
    ):
        (block,) = board.blocks(1)
        assert not block.flags & CaptureFlag.MISSING


def test_board_measures_its_thermistor(make_bench):
    # The emulated divider stands at 2781 mV of 5000: by the B equation 19.99 degrees.
    assert make_bench().board.temperature_c == pytest.approx(20.0, abs=0.2)


def test_port_that_is_not_there_is_named_with_what_would_do(board_plan):
    with pytest.raises(DeviceError, match="plug the board in"):
        open_serial_board(board_plan(), port="/dev/no-such-port")


@pytest.mark.parametrize(
    ("tables", "message"),
    [
        ({"pulse": {"centre_hz": 41.1e3}}, "pulse.centre_hz: .* 41025.6 Hz"),
        ({"timing": {"sample_rate_hz": 16e6 / 250}}, "timing.sample_rate_hz: the board"),
        ({"receiver": {"range_stop_m": 3.5}}, "receiver.range_stop_m: .* holds 1152 samples"),
        ({"geometry": {"time_zero": "loopback"}}, "geometry.time_zero"),
    ],
)
def test_plan_that_the_board_cannot_do_is_refused_by_key(board_plan, tables, message):
    with BoardEmulator(500000) as emulator, pytest.raises(PlanError, match=message):
        SerialBoard(
            board_plan(timing={"ping_interval_s": 0.2}, **tables)
            if "timing" not in tables
            else board_plan(**tables),
            emulator.port_name,
        )
