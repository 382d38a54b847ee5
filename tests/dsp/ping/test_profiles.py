"""Stacking and the still background."""

import numpy as np
import pytest

from dsp.ping.pulse.profiles import (
    EchoProfile,
    stacked,
    still_background,
    unlike_share,
    without_background,
)


def noise_profiles(count: int, seed: int = 2, bins: int = 4000) -> list[EchoProfile]:
    rng = np.random.default_rng(seed)
    rows = rng.standard_normal((count, bins)) + 1j * rng.standard_normal((count, bins))
    return [EchoProfile(envelope=row, bin_s=1e-4) for row in rows]


def test_stacking_lowers_noise_by_the_square_root_of_the_pings() -> None:
    # Independent Gaussian noise adds in power; 4000 complex bins tell the RMS to
    # 1/√8000 = 1.1 %; four times it.
    rms = np.sqrt(np.mean(np.abs(stacked(noise_profiles(16)).envelope) ** 2))
    assert rms == pytest.approx(np.sqrt(2) / 4, rel=0.045)


def test_stacking_leaves_a_still_echo_as_it_is() -> None:
    profile = noise_profiles(1)[0]
    np.testing.assert_allclose(stacked([profile] * 5).envelope, profile.envelope, rtol=1e-6)


def test_stacks_of_stacks_weigh_each_ping_the_same() -> None:
    a, b, c = noise_profiles(3)
    at_once, in_turn = stacked([a, b, c]), stacked([stacked([a, b]), c])
    np.testing.assert_allclose(in_turn.envelope, at_once.envelope, rtol=2e-5, atol=1e-6)
    assert in_turn.pings == 3


def test_stack_is_as_long_as_its_shortest_profile() -> None:
    long, short = noise_profiles(1, bins=50)[0], noise_profiles(1, bins=40)[0]
    assert stacked([long, short]).envelope.size == 40


def test_what_was_heard_ahead_of_time_zero_goes_the_same_way() -> None:
    early = EchoProfile(envelope=np.ones(9), ahead=np.array([1, 2, 3]), bin_s=1e-4)
    late = EchoProfile(envelope=np.ones(9), ahead=np.array([7, 8]), bin_s=1e-4, pings=3)
    # The bin next to time zero is the last; the ping that was heard the least ahead says how far.
    np.testing.assert_allclose(stacked([early, late]).ahead, [(2 + 3 * 7) / 4, (3 + 3 * 8) / 4])
    np.testing.assert_allclose(still_background([early, early]).ahead, early.ahead)
    np.testing.assert_allclose(without_background(early, late).ahead, [2 - 7, 3 - 8])


def test_stacking_nothing_or_unlike_bins_is_refused() -> None:
    profile = noise_profiles(1)[0]
    other = EchoProfile(envelope=profile.envelope, bin_s=2e-4)
    with pytest.raises(ValueError, match="found none"):
        stacked([])
    with pytest.raises(ValueError, match="differ in spacing"):
        stacked([profile, other])


def test_what_only_passed_is_not_in_the_background() -> None:
    rows = np.full((9, 20), 0.5 + 0.1j, dtype=np.complex64)
    for ping in range(9):
        rows[ping, 2 * ping] += 3.0  # something that is elsewhere at each ping
    profiles = [EchoProfile(envelope=row, bin_s=1e-4) for row in rows]
    background = still_background(profiles)
    np.testing.assert_allclose(background.envelope, 0.5 + 0.1j, rtol=1e-6)
    moving = without_background(profiles[4], background)
    assert np.flatnonzero(np.abs(moving.envelope) > 0.01).tolist() == [8]


def test_profile_holds_a_copy_that_nobody_can_change() -> None:
    mine = np.ones(8, dtype=np.complex64)
    profile = EchoProfile(envelope=mine, bin_s=1e-4)
    mine[0] = 5
    assert profile.envelope[0] == 1
    with pytest.raises(ValueError, match="read-only"):
        profile.envelope[0] = 2


def test_delay_and_strength_count_from_time_zero_and_full_scale() -> None:
    profile = EchoProfile(envelope=np.array([1, 0.1, 0]), bin_s=1e-4)
    np.testing.assert_allclose(profile.delay_s, [0, 1e-4, 2e-4])
    np.testing.assert_allclose(profile.strength_db, [0, -20, -200], atol=1e-5)
    assert profile.envelope.dtype == np.complex64
    assert profile.delay_s.dtype == profile.strength_db.dtype == np.float64


def test_the_same_echoes_are_not_unlike_and_none_in_common_is_all_unlike() -> None:
    one, other = np.zeros((2, 8), dtype=np.complex64)
    one[2], other[5] = 1j, 1.0
    assert unlike_share(one, one * np.complex64(1j), above=0.3) == 0.0
    assert unlike_share(one, other, above=0.3) == 1.0
    # Half the amplitude: (1 − 0.5)² of 1² + 0.5².
    assert unlike_share(one, one / 2, above=0.3) == pytest.approx(0.25 / 1.25)


def test_what_is_weak_in_both_makes_nothing_unlike() -> None:
    rng = np.random.default_rng(3)
    one, other = (0.05 * rng.standard_normal((2, 64))).astype(np.complex64)
    assert unlike_share(one, other, above=0.3) == 0.0


def test_envelopes_whose_echoes_moved_within_reach_do_not_differ() -> None:
    one, other = np.zeros(50, dtype=np.complex64), np.zeros(50, dtype=np.complex64)
    one[[10, 30]] = 1, 0.8
    other[[10, 34]] = 1, 0.8
    assert unlike_share(one, other, above=0.3, reach_bins=4) == 0.0
    # Out of reach it counts on either side: 2·0.64 of 2·1.64.
    expected = pytest.approx(0.64 / 1.64)
    assert unlike_share(one, other, above=0.3, reach_bins=3) == expected
    assert unlike_share(one, other, above=0.3) == expected
