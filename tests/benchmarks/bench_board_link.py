"""How many frames are decoded a second, and what share of a core a board takes.

    python tests/benchmarks/bench_board_link.py

The frames are parts of captures, 64 samples each, as the firmware sends them; they are
decoded, read and put together. The share is that of this program alone, from the bytes
at the port to the echoes, at the highest rate of pings that the link allows: a capture's
length and its bytes' time on the wire, with nothing in between. The board is emulated,
in a process of its own; its time does not count.
"""

from __future__ import annotations

import os
import pathlib
import sys
import time

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command has it

import numpy as np

sys.path.insert(0, str(pathlib.Path(__file__).parents[1] / "shared"))
from board_words import capture_part_body

from rig.bench.plan import plan_from_table
from rig.front_ends.board.emulator import BoardEmulator
from rig.front_ends.board.frames import Frame, FrameDecoder, MessageType, crc16, encode_frame
from rig.front_ends.board.link import CaptureHead, CapturePart, CaptureParts
from rig.front_ends.board.serial_board import SerialBoard
from rig.front_ends.board.settings import settings_for
from rig.run.loop import ping_results
from rig.run.receiver import Receiver

SAMPLES, PART, PINGS, CHUNK = 1152, 64, 60, 256
PLAN = {
    "pulse": {"kind": "burst", "centre_hz": 40e3, "cycles": 12, "ring_s": 60e-6},
    "timing": {"sample_rate_hz": 62500.0, "ping_interval_s": 0.05, "band_sampling": True},
    "receiver": {"range_start_m": 0.25, "range_stop_m": 2.8},
    "geometry": {"baseline_m": 0.03, "time_zero": "calibration"},
}
LEAST_FRAMES_S = 20_000
MOST_SHARE = 0.25


def main() -> int:
    frames_s = decoded_a_second()
    rows = [(baud, *share_of_a_core(baud)) for baud in (500_000, 1_000_000)]
    # The wire brings at most a tenth of its bits as bytes, and a frame has 86 of them.
    print(f"frames decoded and put together: {frames_s:.0f} a second (goal {LEAST_FRAMES_S})")
    for baud, rate, share in rows:
        print(
            f"{baud:>9} baud: at most {rate:.1f} pings a second, at {100 * share:.1f} % of a core "
            f"(goal {100 * MOST_SHARE:.0f} %)"
        )
    return 0 if frames_s >= LEAST_FRAMES_S and all(r[2] <= MOST_SHARE for r in rows) else 1


def decoded_a_second() -> float:
    codes = np.random.default_rng(1).integers(0, 256, SAMPLES, dtype=np.uint8).tobytes()
    stream, parts = [], SAMPLES // PART
    captures = 200
    for ping in range(captures):
        head = CaptureHead(
            ping=ping,
            parts=parts,
            samples=SAMPLES,
            sample_period_ticks=256,
            first_tick=87,
            crc=crc16(codes),
        )
        for n in range(parts):
            part = CapturePart(head=head, part=n, codes=codes[n * PART : (n + 1) * PART])
            stream.append(
                encode_frame(
                    Frame(type=MessageType.CAPTURE_PART, tag=1, body=capture_part_body(part))
                )
            )
    data = b"".join(stream)
    best = float("inf")
    for _ in range(3):
        decoder, capture, whole = FrameDecoder(), CaptureParts(), 0
        began = time.perf_counter()
        for at in range(0, len(data), CHUNK):
            for frame in decoder.feed(data[at : at + CHUNK]):
                capture.add(CapturePart.from_body(frame.body))
                if capture.whole:
                    capture.codes()
                    capture, whole = CaptureParts(), whole + 1
        best = min(best, time.perf_counter() - began)
        if whole != captures:
            raise SystemExit(f"{whole} of {captures} captures came whole")
    return captures * parts / best


def share_of_a_core(baud: int) -> tuple[float, float]:
    """Return the highest rate of pings and the share of a core that they would take."""
    plan = plan_from_table(PLAN | {"board": {"baud": baud}})
    with (
        BoardEmulator(baud) as emulator,
        SerialBoard(plan, emulator.port_name, paced=False) as board,
    ):
        emulator.play(np.zeros(1))
        emulator.set_noise(0.01, 1)
        receiver = Receiver(plan, board.info)
        list(ping_results(receiver, board.blocks(3)))
        began = time.process_time()
        lost = sum(r.lost for r in ping_results(receiver, board.blocks(PINGS)))
        ping_s = (time.process_time() - began) / PINGS
        if lost:
            raise SystemExit(f"{lost} pings lost")
        samples = settings_for(plan, board.identity).gate_length
    frame_bytes = len(
        encode_frame(Frame(type=MessageType.CAPTURE_PART, tag=1, body=bytes(14 + PART)))
    )
    wire_s = 10 / baud * frame_bytes * -(-samples // PART)
    rate = 1 / (samples / 62500 + wire_s)
    return rate, ping_s * rate


if __name__ == "__main__":
    sys.exit(main())
