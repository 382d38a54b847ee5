"""Delays between two receivers: exact without noise, at their bound with it, open where open."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from dsp.ping.pair.delay_differences import (
    OwnDifference,
    delay_difference,
    delay_difference_bound_s,
    own_difference,
)
from dsp.ping.pulse.pulses import linear_chirp, tone_burst
from tests.shared.two_hearings import TwoChannels

RATE_HZ = 48_000.0
CHIRP = TwoChannels(linear_chirp(4e3, 12e3, 0.010, RATE_HZ))
TONE = TwoChannels(tone_burst(8e3, 1e-3, RATE_HZ))


def _both(channels: TwoChannels, later_s: float, snr_db: float, seed: int = 0, phase: float = 0.0):
    random = np.random.default_rng(seed)
    rms = channels.noise_rms(snr_db)
    first = channels.heard([(1.0, 0.01, 0.0)], rms, random)
    second = channels.heard([(1.0, 0.01 + later_s, phase)], rms, random)
    return (max(found, key=lambda p: p.amplitude) for found in (first, second))


@pytest.mark.parametrize("channels", [CHIRP, TONE], ids=["chirp", "tone"])
@pytest.mark.parametrize("later_us", [-411.3, -40.7, 0.0, 7.9, 58.2])
def test_delay_is_that_of_the_sounds_to_a_hundredth_of_a_sample(
    channels: TwoChannels, later_us: float
) -> None:
    first, second = _both(channels, 1e-6 * later_us, 80.0)
    found = delay_difference(first, second, channels.shape, longest_s=6e-4)
    assert found.by_phase
    assert len(found.possible_s) == 1
    # The bound at 80 dB is 3 ns; single precision's 1e-5 of an envelope turns a carrier of 8 kHz
    # by as many radians, 0.2 ns.
    assert found.delay_s == pytest.approx(1e-6 * later_us, abs=4 * found.bound_s)


def test_bound_is_the_inverse_of_the_information_of_two_spectra() -> None:
    # From the definition, by differences: the log likelihood of two spectra with unknown
    # delays τ and τ + Δ, amplitudes and one phase, in white noise. S. M. Kay, Fundamentals of
    # Statistical Signal Processing, 1993, eq. 3.31 (cited from memory): Fisher's matrix of a mean
    # in white noise is the product of its slopes.
    shape = CHIRP.shape
    omega = 2 * np.pi * (shape.carrier_hz + shape.offset_hz)
    root = np.sqrt(shape.weights)
    d1, d2 = 400.0, 90.0

    def mean(theta: np.ndarray) -> np.ndarray:
        a1, a2, phase, tau, later = theta
        one = a1 * root * np.exp(1j * phase - 1j * omega * tau)
        other = a2 * root * np.exp(1j * phase - 1j * omega * (tau + later))
        both = np.concatenate([one, other])
        return np.concatenate([both.real, both.imag])

    at = np.array([math.sqrt(d1), math.sqrt(d2), 0.3, 1e-3, 2e-5])
    steps = np.array([1e-4, 1e-4, 1e-6, 1e-10, 1e-10])
    slopes = [(mean(at + h) - mean(at - h)) / (2 * h.max()) for h in np.diag(steps)]
    information = np.array([[a @ b for a in slopes] for b in slopes])
    # Scaled first: delays are 1e6 times smaller than the rest.
    scale = 1 / np.sqrt(np.diag(information))
    inverse = np.linalg.inv(information * np.outer(scale, scale)) * np.outer(scale, scale)
    bound_s = delay_difference_bound_s(d1, d2, shape, by_phase=True)
    # The compressor's band leaves out 1e-7 of the energy, with it 1e-4 of β² at the most.
    assert bound_s == pytest.approx(math.sqrt(inverse[4, 4]), rel=1e-3)


@pytest.mark.parametrize(("snr_db", "seed"), [(20.0, 1), (30.0, 2), (40.0, 3)])
def test_errors_are_at_the_bound(snr_db: float, seed: int) -> None:
    random = np.random.default_rng(seed)
    over = []
    for _ in range(100):
        later_s = random.uniform(-5e-4, 5e-4)
        pair = CHIRP.both(random.uniform(0.005, 0.02), later_s, snr_db, random)
        assert pair is not None
        found = delay_difference(*pair, CHIRP.shape, longest_s=6e-4)
        over.append((found.delay_s - later_s) / found.bound_s)
    # The RMS of 100 normal errors scatters by 1/√200 = 7 %: 1.0 to 3 of that.
    assert 0.79 < math.sqrt(np.mean(np.square(over))) < 1.21


def test_cycle_is_open_where_the_envelope_cannot_tell_and_the_spacing_allows_two() -> None:
    for seed in range(20):
        first, second = _both(TONE, 3e-5, 20.0, seed)
        far = delay_difference(first, second, TONE.shape, longest_s=6e-4)
        assert not far.by_phase
        assert len(far.possible_s) > 1
        assert "cycles" in far.why_not
        assert far.delay_s == far.envelope_delay_s
        # One of those that are named is right: 4 deviations of the phase's own.
        off = min(abs(each - 3e-5) for each in far.possible_s)
        assert off < 4 * math.sqrt(2 / first.snr + 2 / second.snr) / (2 * math.pi * 8e3)
        # Half a wave apart no other cycle can be: 58 µs are less than half of 125.
        near = delay_difference(first, second, TONE.shape, longest_s=5.8e-5)
        assert near.by_phase
        assert near.delay_s == pytest.approx(3e-5, abs=5 * near.bound_s)


def test_a_decided_cycle_is_wrong_in_less_than_three_in_a_thousand() -> None:
    random = np.random.default_rng(5)
    decided = wrong = 0
    for _ in range(150):
        later_s = random.uniform(-5e-4, 5e-4)
        pair = TONE.both(random.uniform(0.005, 0.02), later_s, 28.0, random)
        assert pair is not None
        found = delay_difference(*pair, TONE.shape, longest_s=6e-4)
        decided += found.by_phase
        wrong += found.by_phase and abs(found.delay_s - later_s) > found.cycle_s / 2
    # 0.27 % of 150 are 0.4: more than 3 by chance in 1 of 1000.
    assert decided > 75
    assert wrong <= 3


def test_pairs_own_delay_and_phase_are_learnt_and_taken_off() -> None:
    # The second channel is 37 µs late and turns the carrier by 1.1 rad.
    own = own_difference(*_both(CHIRP, 3.7e-5, 70.0, 1, 1.1), CHIRP.shape)
    first, second = _both(CHIRP, 3.7e-5 + 9e-5, 70.0, 2, 1.1)
    found = delay_difference(first, second, CHIRP.shape, longest_s=6e-4, own=own)
    assert found.by_phase
    assert found.delay_s == pytest.approx(9e-5, abs=4 * found.u_delay_s)
    assert found.u_delay_s == pytest.approx(math.sqrt(2) * found.u_noise_s, rel=0.3)
    # Without it, envelope and phase contradict each other, which is said and counted in.
    bare = delay_difference(first, second, CHIRP.shape, longest_s=6e-4)
    assert not bare.by_phase
    assert not bare.possible_s
    assert "no cycle" in bare.why_not
    assert bare.u_delay_s > 1e-5


def test_what_is_more_than_one_is_as_unsure_as_where_each_of_them_stands() -> None:
    # Two bodies 0.3 and 0.4 of a lobe apart, which the second receiver hears nearer to each other:
    # each has a difference of its own, and a peak stands on neither.
    random, several = np.random.default_rng(3), 0
    for drawn in range(20):
        apart_s = random.uniform(0.3, 0.4) * CHIRP.shape.width_s
        own_s = np.array([0.0, -random.uniform(0.3, 0.7) * apart_s])
        weaker, turned = random.uniform(0.4, 0.9), random.uniform(0, 2 * math.pi)
        channels = []
        for later_s in (np.zeros(2), own_s):
            at_s = 0.01 + np.array([0.0, apart_s]) + later_s
            sounds = [(1.0, at_s[0], 0.0), (weaker, at_s[1], turned)]
            heard = CHIRP.heard(sounds, CHIRP.noise_rms(60.0), random)
            channels.append(max(heard, key=lambda p: p.amplitude))
        first, second = channels
        if not first.u_second_s and not second.u_second_s:
            continue
        several += 1
        found = delay_difference(first, second, CHIRP.shape, longest_s=6e-4)
        # Their range's uncertainty holds either; so has their difference's to, with k = 3.
        assert max(abs(own_s - found.delay_s)) <= 3 * found.u_delay_s, drawn
        assert not found.by_phase
    # At 60 dB most are seen to be more than one.
    assert several > 10


def test_an_unknown_phase_is_not_used() -> None:
    first, second = _both(CHIRP, 3e-5, 40.0)
    own = OwnDifference(u_carrier_delay_s=math.inf)
    found = delay_difference(first, second, CHIRP.shape, longest_s=6e-4, own=own)
    assert not found.by_phase
    assert found.delay_s == found.envelope_delay_s
    assert found.bound_s == delay_difference_bound_s(
        first.snr, second.snr, CHIRP.shape, by_phase=False
    )


def test_arguments_are_refused() -> None:
    first, second = _both(CHIRP, 0.0, 40.0)
    with pytest.raises(ValueError, match="longest_s: found -1"):
        delay_difference(first, second, CHIRP.shape, longest_s=-1.0)
    with pytest.raises(ValueError, match="snr: found 0"):
        delay_difference(dataclasses.replace(first, snr=0.0), second, CHIRP.shape, longest_s=1.0)
    with pytest.raises(ValueError, match="u_gain_db: found -1"):
        OwnDifference(u_gain_db=-1.0)
