"""The acoustic world as a JACK client: what goes in comes out late, several times over.

``python world_in_jack.py DELAY:GAIN,… [WIRE]``: delays in samples. With WIRE the
world has a second input and output, joined by a wire that delays by WIRE samples.
PortAudio lists the client as a device called "world".
"""

from __future__ import annotations

import signal
import sys
import threading


def main(taps: str, wire: str | None = None) -> None:
    import jack
    import numpy as np

    client = jack.Client("world", no_start_server=True)
    lines = [[(int(d), float(g)) for d, g in (tap.split(":") for tap in taps.split(","))]]
    if wire is not None:
        lines.append([(int(wire), 1.0)])
    inputs = [client.inports.register(f"in_{n + 1}") for n in range(len(lines))]
    outputs = [client.outports.register(f"out_{n + 1}") for n in range(len(lines))]
    longest = max(delay for line in lines for delay, _ in line)
    memory = np.zeros((len(lines), longest + client.blocksize), dtype=np.float32)

    @client.set_process_callback
    def process(frames: int) -> None:
        memory[:, :-frames] = memory[:, frames:]
        for row, line, source, target in zip(memory, lines, inputs, outputs, strict=True):
            row[-frames:] = source.get_array()
            heard = target.get_array()
            heard.fill(0)
            for delay, gain in line:
                begin = row.size - frames - delay
                heard += np.float32(gain) * row[begin : begin + frames]

    ended = threading.Event()
    signal.signal(signal.SIGTERM, lambda *_: ended.set())
    client.set_shutdown_callback(lambda *_: ended.set())
    client.set_xrun_callback(lambda late_us: print(f"slipped: {late_us:g} us", flush=True))
    with client:
        print("ready", flush=True)
        ended.wait()


if __name__ == "__main__":
    main(*sys.argv[1:])
