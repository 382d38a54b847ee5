"""What hardware_notes says of the board is what its firmware and this program do."""

import re
import subprocess
import tomllib
from pathlib import Path

from rig.bench.plan import plan_from_table
from rig.bench.start_plans import start_plan
from rig.front_ends.board.frames import Frame, MessageType, encode_frame
from rig.front_ends.board.link import Capability, ErrorReason, Identity
from rig.front_ends.board.settings import settings_for

NOTES = Path(__file__).parents[4] / "hardware_notes"


def test_the_plan_to_start_from_fits_the_board():
    plan = start_plan("board")
    board = Identity(
        name="bench board",
        number=1,
        firmware=(1, 0),
        reset_cause=0,
        capabilities=Capability(7),
        clock_hz=16_000_000,
        clock_tolerance_ppm=50,
        most_samples=1152,
    )
    settings = settings_for(plan_from_table(tomllib.loads(plan)), board)
    assert (settings.half_period_ticks, settings.sample_period_ticks) == (200, 256)
    assert settings.gate_start == 0
    assert settings.gate_length <= board.most_samples


def test_example_of_the_link_page_is_a_frame():
    text = (NOTES / "serial_link.md").read_text()
    (example,) = re.findall(r"byte for byte, `([0-9A-F ]+)`", text)
    ping = Frame(type=MessageType.PING, tag=7, body=bytes([1, 0]))
    assert bytes.fromhex(example) == encode_frame(ping)


def test_link_page_lists_every_message_and_every_reason():
    text = (NOTES / "serial_link.md").read_text()
    for kind in MessageType:
        assert f"0x{kind:02X}" in text
    reasons = re.findall(r"^\| (\d) \|", text.split("0xFF, error")[1], re.MULTILINE)
    assert {int(n) for n in reasons[: len(ErrorReason)]} == set(ErrorReason)


def test_board_page_states_the_memory_that_the_build_prints(tmp_path):
    text = (NOTES / "board.md").read_text()
    done = subprocess.run(
        ["make", "-C", str(NOTES / "firmware"), f"OUT={tmp_path}"],
        capture_output=True,
        text=True,
        check=True,
    )
    flash, ram = re.search(r"flash (\d+) of .* RAM (\d+) of", done.stdout).groups()
    stated = re.search(r"uses ([\d.]+) of\s+32 KiB of flash and (\d+) of 2048", text)
    # KiB to a tenth; RAM to the byte.
    assert abs(float(stated[1]) - int(flash) / 1024) < 0.1
    assert stated[2] == ram


def test_emulators_page_lists_every_command():
    page = (NOTES / "emulator" / "README.md").read_text()
    commands = re.findall(r'strcmp\(word, "([a-z-]+)"\)', (NOTES / "emulator/runner.c").read_text())
    assert len(commands) >= 14
    for command in set(commands) - {"quit"}:
        assert re.search(rf"`{command}[ `]", page)
