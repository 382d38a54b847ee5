"""The callback, driven by hand with buffers of any length, and the blocks cut behind it.

The world between output and input is a delay of whole samples, made here.
"""

from __future__ import annotations

import tracemalloc
from dataclasses import dataclass

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.bench.capture import CaptureFlag
from rig.front_ends.sound_card.duplex import DuplexCallback, Sending
from rig.front_ends.sound_card.ring import SampleRing
from rig.front_ends.sound_card.stream import HeardStream


@dataclass
class Status:
    input_overflow: bool = False
    input_underflow: bool = False
    output_underflow: bool = False
    output_overflow: bool = False

    def __bool__(self) -> bool:
        return any(
            (self.input_overflow, self.input_underflow, self.output_underflow, self.output_overflow)
        )


FINE = Status()
STATUSES = {
    CaptureFlag.INPUT_OVERFLOW: Status(input_overflow=True),
    CaptureFlag.INPUT_UNDERFLOW: Status(input_underflow=True),
    CaptureFlag.OUTPUT_UNDERFLOW: Status(output_underflow=True),
    CaptureFlag.OUTPUT_OVERFLOW: Status(output_overflow=True),
}


class Loop:
    """A callback, and a wire of `delay` samples from its output back to its input.

    As in a real stream nothing comes back within the buffer in which it was sent:
    the delay is no shorter than the longest buffer.
    """

    def __init__(self, pulses, interval, *, delay, outputs=1, sounding=1):
        self.ring = SampleRing(100_000, 1)
        self.callback = DuplexCallback(
            pulses, interval_samples=interval, sounding=sounding, ring=self.ring
        )
        self.outputs = outputs
        self.delay = delay
        self.sent = np.zeros((0, outputs), dtype=np.float32)

    def turn(self, frames: int, status: Status = FINE) -> None:
        # What the buffer holds beforehand is not silence.
        out = np.full((frames, self.outputs), 1e36, dtype=np.float32)
        line = np.concatenate([np.zeros(self.delay, dtype=np.float32), self.sent[:, 0]])
        heard = np.zeros((frames, 1), dtype=np.float32)
        ready = line[len(self.sent) : len(self.sent) + frames]
        heard[: len(ready), 0] = ready
        self.callback(heard, out, frames, None, status)
        self.sent = np.concatenate([self.sent, out])


def placed(pulses, interval, *, start, pings, length):
    """Where the pulses belong, by plain placing."""
    row = np.zeros(length + interval, dtype=np.float32)
    for n in range(pings):
        pulse = pulses[n % len(pulses)]
        at = start + n * interval
        if at < length:
            row[at : at + len(pulse)] = pulse
    return row[:length]


@st.composite
def runs(draw):
    interval = draw(st.integers(20, 300))
    pulses = [
        np.arange(1, draw(st.integers(1, interval - 1)) + 1, dtype=np.float32) / 1024
        for _ in range(draw(st.integers(1, 2)))
    ]
    return interval, pulses


@given(
    run=runs(),
    pings=st.integers(0, 5),
    wait=st.integers(0, 400),
    before=st.lists(st.integers(1, 500), max_size=4),
    buffers=st.lists(st.integers(1, 500), min_size=1, max_size=20),
)
def test_pings_leave_at_exact_output_samples(run, pings, wait, before, buffers):
    interval, pulses = run
    loop = Loop(pulses, interval, delay=500, outputs=2)
    for frames in before:
        loop.turn(frames)
    row = Sending(row=1, pings=pings, wait_samples=wait)
    loop.callback.send(row)
    for frames in buffers:
        loop.turn(frames)
    assert row.start == sum(before) + wait
    expected = placed(pulses, interval, start=row.start, pings=pings, length=len(loop.sent))
    assert np.array_equal(loop.sent[:, 0], expected)
    assert not loop.sent[:, 1].any()


@given(run=runs(), cut=st.integers(1, 1000), rest=st.integers(1, 500))
def test_a_new_row_takes_the_place_of_the_old_from_the_next_buffer_on(run, cut, rest):
    interval, pulses = run
    loop = Loop(pulses, interval, delay=1000)
    loop.callback.send(Sending(row=1, pings=1000))
    loop.turn(cut)
    loop.callback.send(Sending(row=2, pings=0))
    loop.turn(rest)
    assert np.array_equal(
        loop.sent[:cut, 0], placed(pulses, interval, start=0, pings=1000, length=cut)
    )
    assert not loop.sent[cut:].any()


@settings(max_examples=200)
@given(
    run=runs(),
    delay=st.integers(300, 700),
    lead=st.integers(0, 10),
    lag=st.integers(0, 100),
    buffers=st.lists(st.integers(1, 300), min_size=20, max_size=40),
    flagged=st.dictionaries(st.integers(0, 39), st.sampled_from(list(STATUSES)), max_size=3),
    read_every=st.integers(1, 5),
)
def test_blocks_are_exact_and_flags_land_on_the_pings_that_they_touch(
    run, delay, lead, lag, buffers, flagged, read_every
):
    interval, pulses = run
    loop = Loop(pulses, interval, delay=delay)
    stream = HeardStream(1)
    row = Sending(row=1, pings=4)
    loop.callback.send(row)
    touched: dict[CaptureFlag, list[tuple[int, int]]] = {}
    position = 0
    for n, frames in enumerate(buffers):
        flag = flagged.get(n)
        loop.turn(frames, STATUSES.get(flag, FINE))
        if flag is not None:
            touched.setdefault(flag, []).append((position, position + frames))
        position += frames
        if n % read_every == 0:
            stream.append(*loop.ring.read())
    stream.append(*loop.ring.read())

    heard = placed(pulses, interval, start=delay, pings=4, length=position)
    for ping in range(4):
        begin = row.start + delay - lead + ping * interval
        samples, flags = stream.cut(begin, begin + interval, delay=delay, output_lag=lag)
        assert samples.shape == (1, interval)
        expected = np.zeros(interval, dtype=np.float32)
        whole = heard[begin : begin + interval]
        expected[: len(whole)] = whole
        assert np.array_equal(samples[0], expected)
        # Sample by sample: an input sample is touched if it came with the buffer;
        # an output sample p, heard at p + delay, if it was under way, that is from
        # `lag` before the buffer's start up to its end.
        for flag in STATUSES:
            is_output = "OUTPUT" in flag.name
            hit = any(
                (first - lag + delay if is_output else first) <= sample
                and sample < (last + delay if is_output else last)
                for first, last in touched.get(flag, [])
                for sample in range(begin, begin + interval)
            )
            assert (flag in flags) == hit
        assert (CaptureFlag.MISSING in flags) == (position < begin + interval)


def test_the_callback_makes_no_samples_of_its_own():
    pulse = np.ones(400, dtype=np.float32)
    ring = SampleRing(48000, 2)
    callback = DuplexCallback([pulse], interval_samples=2000, sounding=1, ring=ring)
    callback.send(Sending(row=1, pings=10**6))
    heard, out = np.ones((2, 480, 2), dtype=np.float32)
    callback(heard, out, 480, None, FINE)
    tracemalloc.start()
    before = tracemalloc.get_traced_memory()[0]
    tracemalloc.reset_peak()
    for _ in range(300):
        callback(heard, out, 480, None, FINE)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    # One buffer is 3840 bytes, and would be seen if it were copied.
    assert peak - before < 2000
