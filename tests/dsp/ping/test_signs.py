"""The sequence of signs, and sums solved by how late their echoes are."""

import numpy as np
import pytest
from scipy.signal import max_len_seq

from dsp.ping.pulse.profiles import EchoProfile
from dsp.ping.signs.signed_sums import SignedSum
from dsp.ping.signs.signs import MOST_LATE, PLACE_TOLD, SIGNS, late_signs, ping_sign, places_with

TURN = len(SIGNS)


def test_the_sequence_is_of_maximal_length_as_a_shift_register_makes_it() -> None:
    # SciPy's register of four stages, from an independent implementation; where a turn
    # begins, in which direction it is read and which sign stands for 1 are free.
    bits, _ = max_len_seq(4)
    ours = np.array(SIGNS)
    turned = [s * np.roll(r, k) for k in range(TURN) for s in (1, -1)
              for r in (1 - 2 * bits.astype(int), 1 - 2 * bits[::-1].astype(int))]  # fmt: skip
    assert any(np.array_equal(ours, each) for each in turned)


@pytest.mark.parametrize("shift", range(1, TURN))
def test_any_two_places_on_differ_in_one_more_ping_than_they_are_alike(shift: int) -> None:
    # MacWilliams and Sloane 1976, property X: the autocorrelation is −1 at every shift.
    assert int(np.array(SIGNS) @ np.roll(SIGNS, shift)) == -1


def test_four_signs_in_a_row_stand_at_one_place_and_three_do_not() -> None:
    rows = [[ping_sign(place + n) for n in range(PLACE_TOLD)] for place in range(TURN)]
    assert [places_with(row) for row in rows] == [[place] for place in range(TURN)]
    assert any(len(places_with(row[:-1])) > 1 for row in rows)


def test_of_pings_before_the_first_nothing_stands_in_any() -> None:
    assert late_signs(0).tolist() == [1, 0, 0, 0]
    assert late_signs(1).tolist() == [1, ping_sign(1) * ping_sign(0), 0, 0]


def profiles(
    amplitudes: np.ndarray, pings: int, rms: float, *, jitter: np.ndarray | None = None
) -> SignedSum:
    """Bins that hold so much of each ping's own echo and of those of pings before."""
    random = np.random.default_rng(5)
    added = SignedSum()
    for ping in range(pings):
        here = late_signs(ping) @ amplitudes
        noise = random.normal(0, rms / np.sqrt(2), (2, here.size))
        if jitter is not None:
            here = here * np.exp(1j * random.uniform(-np.pi, np.pi, here.size) * jitter)
        added.add(EchoProfile(envelope=here + noise[0] + 1j * noise[1], bin_s=1e-4), ping)
    return added


AMPLITUDES = np.array(
    [[1.0, 0, 0, 0, 0.5j, 0], [0, 1.0, 0, 0, 1.0, 0], [0, 0, 0.3j, 0, 0, 0], [0, 0, 0, 0.01, 0, 0]]
)


@pytest.mark.parametrize("pings", [5, 8, 20, 45])
def test_still_echoes_of_each_ping_are_parted_to_the_noise(pings: int) -> None:
    solved = profiles(AMPLITUDES, pings, 0.0).solved()
    assert solved is not None
    found = np.array([profile.envelope for profile in solved.profiles])
    # Single precision of an envelope of 1.5 at the most, and a condition of 1/LEAST_TOLD.
    np.testing.assert_allclose(found, AMPLITUDES, atol=1.5 * 6e-8 * 5 * 4)


def test_the_stated_scatter_is_the_noise_where_all_stands_still() -> None:
    amplitudes = np.zeros((MOST_LATE + 1, 4000))
    amplitudes[0] = 1.0
    solved = profiles(amplitudes, 20, 0.1).solved()
    assert solved is not None
    for way, profile in enumerate(solved.profiles):
        off = np.abs(profile.envelope - amplitudes[way]) ** 2
        # 4 000 exponential squares: the mean's standard error is 1.6 %, that of the stated
        # variance, of 16 squares each, 0.4 %; four of the larger.
        assert np.mean(off) == pytest.approx(np.mean(solved.u_amplitude[way] ** 2), rel=0.065)


def test_what_changes_from_ping_to_ping_is_stated_as_scatter() -> None:
    # Noise alone is what changes most: beyond what one in a hundred exceeds by chance lies one in
    # a hundred, of 8 000 bins 80 ± 9, whatever the number of pings.
    for pings in (6, 9, 20):
        solved = profiles(np.zeros((MOST_LATE + 1, 2000)), pings, 1.0).solved()
        assert solved is not None
        envelopes = np.array([profile.envelope for profile in solved.profiles])
        beyond = np.abs(envelopes) > solved.surely(0.01) * solved.u_amplitude
        # The four of one bin share its scatter, and come in clumps: four standard deviations of
        # 2 000 bins whose four go together.
        assert np.mean(beyond) == pytest.approx(0.01, abs=4 * np.sqrt(0.01 / 2000))
    # A target whose echo comes at any phase leaves about as much in each sum.
    amplitudes = np.zeros((MOST_LATE + 1, 2000))
    amplitudes[1] = 1.0
    solved = profiles(amplitudes, 20, 1e-3, jitter=np.ones(2000)).solved()
    assert solved is not None
    for profile, u_amplitude in zip(solved.profiles, solved.u_amplitude, strict=True):
        assert np.mean(np.abs(profile.envelope) > solved.surely(0.01) * u_amplitude) < 0.02


@pytest.mark.parametrize("pings", [1, 3, 4])
def test_too_few_pings_are_not_solved(pings: int) -> None:
    assert profiles(AMPLITUDES, pings, 0.0).solved() is None


def test_nothing_added_is_not_solved() -> None:
    assert SignedSum().solved() is None
