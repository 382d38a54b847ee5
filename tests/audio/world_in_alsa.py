"""The acoustic world as an ALSA program: what goes in comes out late, several times over.

``python world_in_alsa.py DELAY:GAIN,…``: delays in samples. It hears what is played
into one null sink of a PulseAudio server and plays into the other, through the
ALSA device called "world".
"""

from __future__ import annotations

import signal
import sys
import threading

FIRST_BUFFERS = 20
"""0.2 s of sound: PortAudio gives a stream up in its first moments, if at all; and its
buffers have filled by then."""


def main(taps: str) -> None:
    import numpy as np
    import sounddevice

    line = [(int(d), np.float32(g)) for d, g in (tap.split(":") for tap in taps.split(","))]
    longest = max(delay for delay, _ in line)
    frames = 480
    memory = np.zeros(longest + frames, dtype=np.float32)

    running = threading.Event()
    buffers = 0

    def process(heard, to_send, count, _time, status):
        nonlocal buffers
        buffers += 1
        if buffers == FIRST_BUFFERS:
            running.set()
        elif status and buffers > FIRST_BUFFERS:
            print("slipped:", status, file=sys.stderr, flush=True)
        memory[:-count] = memory[count:]
        # A buffer that was never filled may hold anything: no such sound exists.
        memory[-count:] = np.where(np.abs(heard[:, 0]) <= 1, heard[:, 0], 0)
        to_send.fill(0)
        for delay, gain in line:
            begin = memory.size - count - delay
            to_send[:, 0] += gain * memory[begin : begin + count]

    ended = threading.Event()

    def finish(*_):
        ended.set()
        running.set()

    signal.signal(signal.SIGTERM, finish)
    with sounddevice.Stream(
        samplerate=48000,
        blocksize=frames,
        device="world",
        channels=1,
        dtype="float32",
        latency=0.1,
        callback=process,
        finished_callback=finish,
    ):
        running.wait()
        if not ended.is_set():
            print("ready", flush=True)
        ended.wait()


if __name__ == "__main__":
    main(*sys.argv[1:])
