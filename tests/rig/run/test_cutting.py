"""Blocks cut anew: each sample once, in order, and nothing from before a gap."""

import numpy as np

from rig.bench.capture import CaptureBlock, CaptureFlag
from rig.run.cutting import Cut, Cutter

LENGTH = 100


def block(
    index: int, *, start: int | None = None, flags: CaptureFlag = CaptureFlag.NONE
) -> CaptureBlock:
    start = LENGTH * index if start is None else start
    samples = (start + np.arange(LENGTH)) / 1e3
    return CaptureBlock(
        index=index,
        samples=samples,
        start_sample=start,
        mark_s=0.005,
        pulse_index=index % 2,
        flags=flags,
    )


def test_blocks_cut_sooner_follow_each_other_without_a_gap() -> None:
    cutter = Cutter()
    cutter.take(block(0))
    cutter.cut = Cut(30)
    cut = [cutter.take(block(index)) for index in (1, 2)]
    joined = np.concatenate([each.samples[0] for each in cut])
    np.testing.assert_array_equal(joined, np.float32(np.arange(70, 270) / 1e3))
    assert [(each.index, each.start_sample) for each in cut] == [(1, 70), (2, 170)]


def test_a_block_holds_the_pulse_of_the_ping_that_the_cut_says() -> None:
    cutter = Cutter()
    cutter.take(block(0))
    cutter.take(block(1))
    cuts = [cutter.across(Cut(70, later)) for later in (-1, 0, 1)]
    assert [None if cut is None else cut.pulse_index for cut in cuts] == [0, 1, 0]


def test_what_is_wrong_with_either_block_is_wrong_with_the_one_cut_from_both() -> None:
    cutter = Cutter()
    cutter.take(block(0, flags=CaptureFlag.MISSING))
    cutter.take(block(1))
    cut = cutter.across(Cut(30))
    assert cut is not None
    assert cut.flags == CaptureFlag.MISSING


def test_nothing_is_cut_across_a_gap_or_ahead_of_the_first_block() -> None:
    cutter = Cutter()
    cutter.take(block(0))
    assert cutter.across(Cut(30)) is None
    cutter.take(block(1, start=LENGTH + 7))
    assert cutter.across(Cut(30)) is None
