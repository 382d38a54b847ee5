"""What was heard, and blocks that are cut where samples are missing or too loud."""

from __future__ import annotations

import numpy as np
import pytest

from rig.bench.capture import CaptureFlag
from rig.front_ends.sound_card.stream import HeardStream


def stream_of(samples, bits=None, position=0) -> HeardStream:
    stream = HeardStream(1)
    row = np.asarray(samples, dtype=np.float32)[:, np.newaxis]
    flags = np.zeros(len(row), dtype=np.uint8) if bits is None else np.asarray(bits, np.uint8)
    stream.append(position, row, flags)
    return stream


def test_a_block_cut_short_keeps_its_shape_and_is_flagged_missing():
    samples, flags = stream_of([0.1, 0.2, 0.3]).cut(1, 6, delay=0, output_lag=0)
    assert samples.dtype == np.float32
    assert samples[0].tolist() == pytest.approx([0.2, 0.3, 0, 0, 0])
    assert flags == CaptureFlag.MISSING


def test_a_block_from_before_what_is_held_is_silence_flagged_missing():
    samples, flags = stream_of([0.5] * 4, position=100).cut(98, 102, delay=0, output_lag=0)
    assert samples[0].tolist() == [0, 0, 0.5, 0.5]
    assert flags == CaptureFlag.MISSING


def test_samples_that_the_ring_lost_flag_their_block_and_no_other():
    bits = [0, 0, CaptureFlag.MISSING.value, 0, 0, 0]
    stream = stream_of([0.5, 0.5, 0, 0.5, 0.5, 0.5], bits)
    assert stream.cut(0, 3, delay=0, output_lag=0)[1] == CaptureFlag.MISSING
    assert stream.cut(3, 6, delay=0, output_lag=0)[1] == CaptureFlag.NONE


@pytest.mark.parametrize("loud", [32767 / 32768, -1.0, 1e36, np.nan])
def test_full_scale_of_a_16_bit_converter_counts_as_clipped(loud):
    # A 16-bit converter ends at 32767 of 32768 upwards (two's complement).
    assert stream_of([0.5, loud]).cut(0, 2, delay=0, output_lag=0)[1] == CaptureFlag.CLIPPED
    assert stream_of([0.5, 32766 / 32768]).cut(0, 2, delay=0, output_lag=0)[1] == CaptureFlag.NONE


def test_forgetting_moves_nothing():
    stream = stream_of(np.arange(10) / 16)
    stream.forget_before(4)
    stream.append(10, np.full((2, 1), 0.75, np.float32), np.zeros(2, np.uint8))
    assert stream.end == 12
    samples, flags = stream.cut(4, 12, delay=0, output_lag=0)
    assert samples[0].tolist() == [4 / 16, 5 / 16, 6 / 16, 7 / 16, 8 / 16, 9 / 16, 0.75, 0.75]
    assert flags == CaptureFlag.NONE


def test_a_gap_between_stretches_is_refused():
    with pytest.raises(ValueError, match="found 5; the next sample is 3"):
        stream_of([0, 0, 0]).append(5, np.zeros((1, 1), np.float32), np.zeros(1, np.uint8))
