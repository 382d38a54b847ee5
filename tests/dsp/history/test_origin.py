"""Which ping an echo is of, by its phases from ping to ping; against phasors made here."""

import numpy as np
import pytest

from dsp.history.origin import FEWEST_HITS, Origin, origin_of
from dsp.ping.signs.signs import MOST_LATE, late_signs

CENTRE_HZ, U_DELAY_S, INTERVAL_S = 8000.0, 2e-6, 0.05


def followed(
    late: int,
    pings: np.ndarray,
    *,
    speed_m_s: float = 0.0,
    snr_db: float = 30.0,
    mixed: dict[int, complex] | None = None,
    seed: int = 0,
) -> Origin | None:
    """What is told of an echo that is late by so many pings, its target on its way."""
    random = np.random.default_rng(seed)
    delay_s = 0.007 + 2 * speed_m_s * INTERVAL_S * pings / 344
    signs = np.array([late_signs(int(ping)) for ping in pings])
    phasor = signs[:, late] * np.exp(-2j * np.pi * CENTRE_HZ * delay_s)
    for other, amplitude in (mixed or {}).items():
        phasor = phasor + amplitude * signs[:, other]
    noise = 10 ** (-snr_db / 20) * random.normal(size=(2, pings.size))
    return origin_of(
        pings,
        delay_s + U_DELAY_S * random.normal(size=pings.size),
        phasor + noise[0] + 1j * noise[1],
        signs,
        u_delay_s=U_DELAY_S,
        centre_hz=CENTRE_HZ,
    )


@pytest.mark.parametrize("late", range(MOST_LATE + 1))
@pytest.mark.parametrize("speed_m_s", [0.0, 0.05, -0.3])
def test_an_echo_is_told_whichever_ping_it_is_of(late: int, speed_m_s: float) -> None:
    for first in range(late, 15 + late):
        told = followed(late, np.arange(first, first + 12), speed_m_s=speed_m_s, seed=first)
        assert told is not None
        assert told.late == late


def test_pings_that_did_not_hear_it_are_passed_over() -> None:
    told = followed(1, np.array([2, 3, 5, 6, 9, 10, 11, 14, 15, 16]))
    assert told is not None
    assert told.late == 1


def test_fewer_hits_than_tell_are_not_told() -> None:
    for first in range(15):
        assert followed(0, np.arange(first, first + FEWEST_HITS - 1)) is None


def test_phases_at_random_are_hardly_ever_told() -> None:
    random = np.random.default_rng(1)
    pings = np.arange(3, 19)
    signs = np.array([late_signs(int(ping)) for ping in pings])
    told = [
        origin_of(
            pings,
            0.007 + U_DELAY_S * random.normal(size=pings.size),
            np.exp(2j * np.pi * random.random(pings.size)),
            signs,
            u_delay_s=U_DELAY_S,
            centre_hz=CENTRE_HZ,
        )
        for _ in range(400)
    ]
    # Of n phases at random the mean is longer than 0.9 with e^(−0.81 n) at the most (Rayleigh's
    # tail, which bounds that of few): 1.7 % for five, for each of the four ways, and the longer
    # rows add e^−0.81 of that each: 12 % in all.
    assert sum(one is not None for one in told) < 0.12 * 400


@pytest.mark.parametrize("share", [0.3, 0.1j])
def test_another_pings_share_at_the_same_place_is_told(share: complex) -> None:
    told = followed(0, np.arange(4, 14), mixed={2: share}, snr_db=50.0)
    assert told is not None
    assert told.late == 0
    assert told.mixed_share == pytest.approx(abs(share), rel=0.1)


def test_an_echo_by_itself_has_nothing_mixed_in() -> None:
    shares = []
    for seed in range(100):
        told = followed(0, np.arange(4, 16), seed=seed)
        assert told is not None
        shares.append(told.mixed_share > 0)
    # F(2, 6) of five hits beyond 9 in 1.6 %, for three others each: 5 %; of 100, 15 is four
    # and a half standard deviations more.
    assert sum(shares) <= 15
