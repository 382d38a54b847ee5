"""The ring between callback and reader."""

from __future__ import annotations

import tracemalloc

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from rig.bench.capture import CaptureFlag
from rig.front_ends.sound_card.ring import SampleRing


def counted(start: int, frames: int, channels: int) -> np.ndarray:
    """Samples that tell their own position, exact in float32."""
    row = np.arange(start, start + frames, dtype=np.float32)[:, np.newaxis]
    return row + np.arange(channels, dtype=np.float32) / 4


@given(
    capacity=st.integers(50, 300),
    channels=st.integers(1, 3),
    steps=st.lists(st.tuples(st.integers(1, 50), st.booleans()), max_size=40),
)
def test_each_sample_is_read_once_in_its_place_or_missing(capacity, channels, steps):
    ring = SampleRing(capacity, channels)
    heard: list[np.ndarray] = []
    flags: list[np.ndarray] = []
    unread = 0
    lost: list[int] = []

    def read() -> None:
        position, samples, bits = ring.read()
        assert position == sum(map(len, heard))
        heard.append(samples)
        flags.append(bits)

    for frames, then_read in steps:
        ring.write(counted(ring.written, frames, channels), 0)
        unread += frames
        if then_read:
            # Only what more than a ringful has overwritten is lost, the oldest first.
            first = ring.written - unread
            lost.extend(range(first, first + max(0, unread - capacity)))
            read()
            unread = 0
    read()
    lost.extend(range(ring.written - unread, ring.written - unread + max(0, unread - capacity)))
    samples, bits = np.concatenate(heard), np.concatenate(flags)
    expected = counted(0, ring.written, channels)
    expected[lost] = 0
    assert np.array_equal(samples, expected)
    assert np.flatnonzero(bits == CaptureFlag.MISSING.value).tolist() == lost


def test_flags_stay_beside_the_samples_that_they_came_with():
    ring = SampleRing(10, 1)
    for bits in (0, 2, 0, 4):
        ring.write(np.zeros((3, 1), dtype=np.float32), bits)
        if bits == 2:
            assert ring.read()[2].tolist() == [0, 0, 0, 2, 2, 2]
    assert ring.read()[2].tolist() == [0, 0, 0, 4, 4, 4]


def test_writing_leaves_no_memory_behind_however_long_it_goes_on():
    ring = SampleRing(48000, 2)
    buffer = np.ones((480, 2), dtype=np.float32)
    ring.write(buffer, 0)
    tracemalloc.start()
    before = tracemalloc.get_traced_memory()[0]
    tracemalloc.reset_peak()
    for _ in range(300):
        ring.write(buffer, 1)
    after, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    # NumPy reports its arrays to tracemalloc. A copy of one buffer would take 3840
    # bytes; what is seen are views and whole numbers.
    assert peak - before < 2000
    assert after - before < 1000
