"""Tracks are what was drawn: made-up ranges in, the same targets out."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dsp.history.range_filters import FEWEST_HITS, MOST_MISSES, Scan
from dsp.history.tracking import Track, Tracker, tracks_of

INTERVAL_S, RESOLUTION_M, NOISE_M = 0.1, 0.02, 0.001


def scans_of(
    ranges_m: list[np.ndarray], *, rng: np.random.Generator, alarms: float = 0.0
) -> list[Scan]:
    """One scan for each row of ranges, NaN where a target is missed; with false alarms."""
    scans = []
    for i, row in enumerate(np.array(ranges_m).T):
        heard = row[np.isfinite(row)]
        false = rng.uniform(0.5, 3.0, rng.poisson(alarms))
        all_m = np.concatenate([heard + NOISE_M * rng.standard_normal(heard.size), false])
        order = rng.permutation(all_m.size)
        scans.append(
            Scan(
                time_s=i * INTERVAL_S,
                range_m=all_m[order],
                noise_m=np.full(all_m.size, NOISE_M),
            )
        )
    return scans


def tracks(scans: list[Scan]) -> tuple[Track, ...]:
    return tracks_of(scans, resolution_m=RESOLUTION_M, interval_s=INTERVAL_S)


def ranges_of(track: Track, scans: list[Scan]) -> np.ndarray:
    return np.array([scans[i].range_m[j] for i, j in zip(track.scan, track.echo, strict=True)])


def test_targets_that_cross_in_range_keep_their_own_echoes() -> None:
    rng = np.random.default_rng(1)
    k = np.arange(60)
    nearing, leaving = 2.0 - 0.012 * k, 1.3 + 0.011 * k
    scans = scans_of([nearing, leaving], rng=rng)
    found = tracks(scans)
    assert len(found) == 2
    for track in found:
        got = ranges_of(track, scans)
        own = min((nearing, leaving), key=lambda line: abs(line[track.scan[0]] - got[0]))
        # Each hit is its target's own, but for the ping or two where both stand within
        # the gate of each other: 4 deviations of 1 mm over 23 mm a ping.
        strange = np.abs(got - own[track.scan]) > 5 * NOISE_M
        assert np.count_nonzero(strange) <= 2
        assert track.scan.size >= 58


def test_an_arch_is_one_track_in_spite_of_missed_and_lost_pings() -> None:
    rng = np.random.default_rng(2)
    time_s = INTERVAL_S * np.arange(50)
    arch = np.hypot(1.0, 0.25 * (time_s - 2.5))
    missed = rng.random(50) < 0.3
    missed[20 : 20 + MOST_MISSES] = True
    missed[[0, 19, 20 + MOST_MISSES, 49]] = False
    scans = scans_of([np.where(missed, np.nan, arch)], rng=rng)
    lost = {7, 8, 33}
    found = tracks([s for i, s in enumerate(scans) if i not in lost])
    assert len(found) == 1
    expected = np.count_nonzero(~missed) - sum(not missed[i] for i in lost)
    assert found[0].scan.size == expected


def test_false_alarms_alone_hardly_ever_make_a_track() -> None:
    # A tentative track's gate is 4 x 1.5 resolutions to each side, 0.24 m of 2.5 m, so
    # that an alarm is followed by another in it within three pings (0.3 alarms a ping)
    # with a chance of 0.08; the third and the fourth have to fall into what two hits
    # foretell, about a resolution or two. 3000 pings hold 900 alarms: of the order of
    # 900 x 0.08 x 0.05 x 0.02 = 0.1 tracks, and few hits each.
    rng = np.random.default_rng(3)
    found: list[Track] = []
    for _ in range(30):
        found += tracks(scans_of([np.full(100, np.nan)], rng=rng, alarms=0.3))
    assert len(found) <= 3
    assert all(track.scan.size < 6 for track in found)


def test_a_target_is_followed_through_false_alarms() -> None:
    rng = np.random.default_rng(4)
    time_s = INTERVAL_S * np.arange(60)
    arch = np.hypot(1.2, 0.3 * (time_s - 3.0))
    scans = scans_of([arch], rng=rng, alarms=1.0)
    found = tracks(scans)
    got = ranges_of(found[0], scans)
    assert found[0].scan.size >= 58
    # An alarm may stand nearer to the foretold place than the echo does, within the
    # gate: 8 mm of 2.5 m, one alarm a ping, 60 pings: 0.2 to expect.
    assert np.count_nonzero(np.abs(got - arch[found[0].scan]) > 5 * NOISE_M) <= 2
    assert all(other.scan.size < 8 for other in found[1:])


def test_a_target_that_turns_back_is_parted_where_it_was_furthest() -> None:
    rng = np.random.default_rng(5)
    time_s = INTERVAL_S * np.arange(80)
    way = 0.3 * (np.abs((time_s % 4.0) - 2.0) - 1.0)  # to and fro: nearest at 1, 3, 5, 7 s
    scans = scans_of([np.hypot(1.0, 2 * way)], rng=rng)
    found = tracks(scans)
    assert sorted(round(float(t.scan.mean()) * INTERVAL_S) for t in found) == [1, 3, 5, 7]


def test_a_slow_target_is_not_parted_by_noise() -> None:
    rng = np.random.default_rng(6)
    found = tracks(scans_of([np.full(200, 1.5)], rng=rng))
    assert [t.scan.size for t in found] == [200]


def test_an_echo_torn_in_two_is_one_target() -> None:
    rng = np.random.default_rng(7)
    still = np.full(60, 1.5)
    splinter = np.full(60, np.nan)
    splinter[30:44:2] = 1.5 + RESOLUTION_M
    found = tracks(scans_of([still, splinter], rng=rng))
    assert len(found) == 1


def test_an_error_that_is_alike_in_all_pings_changes_no_track() -> None:
    # A sound speed that is 2 % wrong moves all ranges by far more than their noise.
    k = np.arange(60)
    lines = [2.0 - 0.012 * k, np.full(60, 1.0)]
    right = tracks(scans_of(lines, rng=np.random.default_rng(8)))
    wrong = tracks(scans_of([1.02 * line for line in lines], rng=np.random.default_rng(8)))
    assert [t.scan.tolist() for t in right] == [t.scan.tolist() for t in wrong]


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), alarms=st.floats(0.0, 3.0), targets=st.integers(0, 3))
def test_no_echo_belongs_to_two_tracks(seed: int, alarms: float, targets: int) -> None:
    rng = np.random.default_rng(seed)
    k = np.arange(20)
    lines = [rng.uniform(0.6, 2.5) + rng.uniform(-0.02, 0.02) * k for _ in range(targets)]
    scans = scans_of(lines or [np.full(20, np.nan)], rng=rng, alarms=alarms)
    taken = [
        hit for t in tracks(scans) for hit in zip(t.scan.tolist(), t.echo.tolist(), strict=True)
    ]
    assert len(set(taken)) == len(taken)
    for track in tracks(scans):
        assert track.scan.size >= FEWEST_HITS
        assert np.all(np.diff(track.scan) > 0)


def test_tracks_asked_for_on_the_way_change_nothing_later() -> None:
    rng = np.random.default_rng(9)
    k = np.arange(60)
    scans = scans_of([2.0 - 0.012 * k, 1.3 + 0.011 * k], rng=rng, alarms=1.0)
    tracker = Tracker(resolution_m=RESOLUTION_M, interval_s=INTERVAL_S)
    for i, scan in enumerate(scans):
        tracker.add(scan)
        if i % 7 == 0:
            assert hits_in(tracker.tracks()) == hits_in(tracks(scans[: i + 1]))
    assert hits_in(tracker.tracks()) == hits_in(tracks(scans))


def hits_in(found: tuple[Track, ...]) -> list[tuple[list[int], list[int], bool]]:
    return [(t.scan.tolist(), t.echo.tolist(), t.unsure) for t in found]


def test_no_scans_hold_no_tracks() -> None:
    assert tracks([]) == ()
    assert tracks([Scan(time_s=0.0, range_m=np.empty(0), noise_m=np.empty(0))]) == ()


def test_scans_out_of_order_are_refused() -> None:
    scan = Scan(time_s=1.0, range_m=np.array([1.0]), noise_m=np.array([0.001]))
    with pytest.raises(ValueError, match="times that do not rise"):
        tracks([scan, scan])
