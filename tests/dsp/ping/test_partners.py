"""Which echo of the one channel is which of the other's, and where that is left open."""

from __future__ import annotations

import itertools
import math

import numpy as np

from dsp.ping.pair.delay_differences import OwnDifference
from dsp.ping.pair.partners import Partner, partners
from dsp.ping.pulse.peaks import Peak


def _peak(delay_ms: float, amplitude: float = 1.0) -> Peak:
    return Peak(
        delay_s=1e-3 * delay_ms, u_delay_s=1e-6, amplitude=amplitude, phase_rad=0.0, snr=1e4
    )


def _indices(first: list[Peak], second: list[Peak], **given: OwnDifference) -> list[int | None]:
    found = partners(first, second, longest_s=3e-4, u_likeness_db=1.0, **given)
    assert all((p.index is None) == bool(p.why_not) for p in found)
    return [p.index for p in found]


def test_each_echo_has_its_own() -> None:
    first = [_peak(5.0), _peak(8.0), _peak(11.0)]
    second = [_peak(4.8), _peak(8.25), _peak(9.0), _peak(11.0)]
    assert _indices(first, second) == [0, 1, 3]


def test_what_is_too_far_apart_is_not_the_same() -> None:
    (found,) = partners([_peak(5.0)], [_peak(5.4)], longest_s=3e-4, u_likeness_db=1.0)
    assert found == Partner(index=None, why_not="not heard by the second receiver")
    # The pair's own delay is counted off first.
    own = OwnDifference(envelope_delay_s=2e-4)
    assert _indices([_peak(5.0)], [_peak(5.4)], own=own) == [0]
    assert _indices([_peak(5.0)], [_peak(4.85)], own=own) == [None]


def test_what_is_too_strong_or_too_weak_is_not_the_same() -> None:
    # 6 dB off with 1 dB of likeness.
    assert _indices([_peak(5.0)], [_peak(5.1, 2.0)]) == [None]
    own = OwnDifference(gain_db=6.0)
    assert _indices([_peak(5.0)], [_peak(5.1, 2.0)], own=own) == [0]


def test_two_that_may_be_either_are_left_open() -> None:
    found = partners(
        [_peak(5.0), _peak(5.2)], [_peak(5.05), _peak(5.25)], longest_s=3e-4, u_likeness_db=1.0
    )
    assert [p.index for p in found] == [None, None]
    assert all("open which" in p.why_not for p in found)


def test_two_of_which_one_can_have_but_one_are_both_told() -> None:
    # The first may be either of the second's; the other only the later one.
    assert _indices([_peak(5.0), _peak(5.5)], [_peak(4.9), _peak(5.25)]) == [0, 1]
    # And where strength tells them apart.
    assert _indices([_peak(5.0, 1.0), _peak(5.1, 0.2)], [_peak(5.05, 0.2), _peak(5.12)]) == [1, 0]


def test_a_crowd_is_left_open() -> None:
    crowd = [_peak(5.0 + 0.01 * n) for n in range(7)]
    assert _indices(crowd, crowd) == [None] * 7


def test_nothing_in_either_channel() -> None:
    assert _indices([], [_peak(5.0)]) == []
    assert _indices([_peak(5.0)], []) == [None]


def test_partners_are_those_of_all_ways_to_pair_as_many_off_as_can_be() -> None:
    random = np.random.default_rng(8)
    told = 0
    for _ in range(300):
        first, second = (
            [_peak(5.0 + t) for t in np.sort(random.uniform(0, 1.5, random.integers(1, 6)))]
            for _ in range(2)
        )
        may_be = [
            [
                j
                for j, b in enumerate(second)
                if abs(b.delay_s - a.delay_s) <= 3e-4 + 3 * math.sqrt(2) * 1e-6
            ]
            for a in first
        ]
        # All ways, one by one: each of the first has one of the second's, or none.
        ways = [
            way
            for way in itertools.product(*([*others, None] for others in may_be))
            if len({j for j in way if j is not None}) == sum(j is not None for j in way)
        ]
        most = max(sum(j is not None for j in way) for way in ways)
        full = [way for way in ways if sum(j is not None for j in way) == most]
        expected = [
            column[0] if len(set(column)) == 1 else None for column in zip(*full, strict=True)
        ]
        assert _indices(first, second) == expected
        told += sum(j is not None for j in expected)
    assert told > 100


def test_a_cloud_of_many_is_gone_over_in_no_time() -> None:
    # All ways to pair 40 with 40 off are more than there are atoms.
    cloud = [_peak(5.0 + 0.001 * n) for n in range(40)]
    assert _indices(cloud, cloud) == [None] * 40
