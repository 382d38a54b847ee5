"""Closing speed from phases: closed forms, the fold, and noise by many trials."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dsp.history.pulse_pairs import ClosingSpeed, closing_speed, unfolded
from dsp.physics.doppler import fastest_speed_m_s

INTERVAL_S, FREQUENCY_HZ, SPEED_M_S = 0.02, 40e3, 343.2
FASTEST_M_S = fastest_speed_m_s(INTERVAL_S, FREQUENCY_HZ, SPEED_M_S)


def met(speed_m_s: float, pings: int, *, from_m: float = 1.5) -> np.ndarray:
    """Echoes of a target that comes straight on, each ping followed to where it meets it.

    Sent at t, the sound has gone c s when the target stands at R − v (t + s): s =
    (R − v t)/(c + v), and comes back after 2 s. Its phase is −2π f times that.
    """
    sent_s = INTERVAL_S * np.arange(pings)
    delay_s = 2 * (from_m - speed_m_s * sent_s) / (SPEED_M_S + speed_m_s)
    return np.exp(-2j * np.pi * FREQUENCY_HZ * delay_s)


def found(phasor: np.ndarray, snr: float = 1e6) -> ClosingSpeed:
    return closing_speed(
        phasor,
        np.full(phasor.size, snr),
        interval_s=INTERVAL_S,
        frequency_hz=FREQUENCY_HZ,
        sound_speed_m_s=SPEED_M_S,
    )


@settings(deadline=None)  # the first one loads a part of SciPy
@given(st.floats(-0.95, 0.95))
def test_speed_is_that_of_a_target_followed_exactly(share: float) -> None:
    v = share * FASTEST_M_S
    certain = unfolded(found(met(v, 10)), v, FASTEST_M_S / 10, sound_speed_m_s=SPEED_M_S)
    assert certain is not None
    # Phases run to 1100 rad, with 16 digits; no physics is left out.
    assert certain.speed_m_s == pytest.approx(v, abs=1e-9)


@settings(deadline=None)
@given(st.floats(-0.9, 0.9), st.integers(-4, 4))
def test_speeds_a_fold_apart_give_the_same_phases(share: float, folds: int) -> None:
    rate = share * FASTEST_M_S
    k = np.arange(8)

    def phasor(rate_m_s: float) -> np.ndarray:
        return np.exp(4j * np.pi * rate_m_s * INTERVAL_S * FREQUENCY_HZ / SPEED_M_S * k)

    faster = rate + 2 * folds * FASTEST_M_S
    assert found(phasor(faster)).speed_m_s == pytest.approx(rate, abs=1e-9)
    certain = unfolded(found(phasor(rate)), faster, FASTEST_M_S / 5, sound_speed_m_s=SPEED_M_S)
    assert certain is not None
    # Half of the path shortens at the rate v c/(c + v).
    v = certain.speed_m_s
    assert v * SPEED_M_S / (SPEED_M_S + v) == pytest.approx(faster, abs=1e-9)


def test_a_speed_that_changed_on_the_way_is_none() -> None:
    # 0.02 to 0.06 m/s over 12 pings at 60 dB: bent by 0.04 · 0.02 · 12/8 m = 1.2 mm, 0.28
    # of a half wave of 4.3 mm, at the middle, where noise is 0.001 rad.
    k = np.arange(12)
    path_m = np.cumsum(np.linspace(0.02, 0.06, 12)) * INTERVAL_S
    changed = found(np.exp(4j * np.pi * path_m * FREQUENCY_HZ / SPEED_M_S))
    assert not changed.even
    assert unfolded(changed, 0.04, FASTEST_M_S / 10, sound_speed_m_s=SPEED_M_S) is None
    assert found(np.exp(0.3j * k)).even


def test_the_fold_is_a_quarter_wave_a_ping() -> None:
    # λ/(4T): 343.2/40e3/(4 × 0.02), by hand 0.10725.
    assert found(met(0.05, 4)).fastest_m_s == pytest.approx(0.10725, rel=1e-12)


def test_ranges_too_rough_to_choose_a_fold_choose_none() -> None:
    one = found(met(0.05, 10))
    assert unfolded(one, 0.05, FASTEST_M_S / 2, sound_speed_m_s=SPEED_M_S) is None


@pytest.mark.parametrize("snr_db", [13.0, 20.0, 30.0])
@pytest.mark.parametrize("pings", [2, 12])
def test_stated_uncertainty_is_the_scatter_of_many_trials(snr_db: float, pings: int) -> None:
    rng = np.random.default_rng((5, pings, round(snr_db)))
    d2 = 10 ** (snr_db / 10)
    clean = met(0.03, pings)
    trials = 3000
    # 2E/N0 = d² is twice the echo's power over the noise's: each part has a deviation 1/d.
    noise = rng.standard_normal((2, trials, pings)) / math.sqrt(d2)
    speeds = [found(clean + n, d2).speed_m_s for n in noise[0] + 1j * noise[1]]
    # The deviation of 3000 values is known to 1/√6000 = 1.3 %: three times that. What is
    # left out of the angle's variance is of the next order, (2/d²)² of it for a pair: 1 %
    # at 13 dB.
    stated = found(clean, d2).u_speed_m_s
    assert np.std(speeds) == pytest.approx(stated, rel=0.04 + (2 / d2) ** 2)
    # The mean has no bias beyond its own scatter.
    assert abs(np.mean(speeds) - found(clean).speed_m_s) < 4 * stated / math.sqrt(trials)


def test_a_missed_ping_costs_two_pairs_and_no_bias() -> None:
    phasor = met(0.04, 12)
    whole = found(phasor)
    phasor[5] = np.nan
    broken = found(phasor)
    assert (whole.pairs, broken.pairs) == (11, 9)
    assert broken.speed_m_s == pytest.approx(whole.speed_m_s, abs=1e-9)
    # Two runs of m₁ and m₂ pairs: √(2/d² × 2)/(m₁ + m₂), against √(2/d²)/11.
    assert broken.u_speed_m_s / whole.u_speed_m_s == pytest.approx(math.sqrt(2) * 11 / 9, rel=1e-4)


def test_sound_speed_adds_its_share_to_the_whole_speed() -> None:
    certain = unfolded(
        found(met(0.05, 30)), 0.05, 0.01, sound_speed_m_s=SPEED_M_S, u_sound_speed_m_s=3.432
    )
    assert certain is not None
    # 1 % of 0.05 m/s, the phases' own share being 1e-5 of that.
    assert certain.u_speed_m_s == pytest.approx(0.0005, rel=1e-3)


def test_no_two_neighbours_are_refused() -> None:
    with pytest.raises(ValueError, match="no two neighbours"):
        found(np.array([1.0, np.nan, 1.0]))
    with pytest.raises(ValueError, match="d2"):
        closing_speed(
            np.ones(3), np.ones(2), interval_s=0.1, frequency_hz=1e4, sound_speed_m_s=340.0
        )
