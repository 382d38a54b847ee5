"""Pulses put at exact instants: against the same formula, evaluated at shifted times."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.tank.sampling import GUARD_SAMPLES, PulseSampler, scaled_transforms

RATE = 48000.0
LENGTH = 480


def _wave(place):
    """A Hann-tapered chirp, 4 to 12 kHz over 480 samples, at any place in samples."""
    share = place / LENGTH
    inside = (share > 0) & (share < 1)
    phase = 2 * np.pi * (4000 * place / RATE + 8000 / (LENGTH / RATE) * (place / RATE) ** 2 / 2)
    return np.where(inside, np.sin(np.pi * share) ** 2 * np.sin(phase), 0)


PULSE = _wave(np.arange(LENGTH, dtype=float)).astype(np.float32)
SAMPLER = PulseSampler([PULSE], RATE)


def _copy(start, dilation=1.0):
    out = np.zeros(2000)
    flat = np.ones((1, SAMPLER.frequency_hz.size), dtype=complex)
    SAMPLER.add(
        out,
        pulse_index=0,
        start=np.array([start]),
        response=flat,
        dilation=np.array([dilation]),
    )
    return out


@settings(max_examples=50, deadline=None)
@given(start=st.floats(300, 1000))
def test_a_copy_is_the_wave_sampled_at_shifted_times(start):
    # The taper's second derivative jumps by J = 2(π/480)² at the ends, so that the spectrum
    # about the end frequency ω₀ = π/2 falls as J/(ω − ω₀)³. Beyond ω = π lies at most
    # J/(2(π/2)²)/π = 5.5e-6; as much is folded back.
    np.testing.assert_allclose(_copy(start), _wave(np.arange(2000) - start), atol=1.2e-5)


@settings(max_examples=50, deadline=None)
@given(start=st.floats(300, 1000))
def test_a_delay_is_exact_to_a_millionth_of_a_sample(start):
    turned = np.fft.rfft(_copy(start)) * np.conj(np.fft.rfft(PULSE, 2000))
    frequency = np.fft.rfftfreq(2000)
    band = (frequency > 4000 / RATE) & (frequency < 12000 / RATE)
    left = np.angle(turned * np.exp(2j * np.pi * frequency * start))[band]
    # The pulse's float32 rounding is the same on both sides. What is left are the tails
    # that wrap around in the guards: 5e-6 at one end of the band, averaged over 300 bins.
    weight = np.abs(turned[band])
    slope = np.sum(weight * left * frequency[band]) / np.sum(weight * frequency[band] ** 2)
    assert abs(slope / (2 * np.pi)) < 1e-6


@settings(max_examples=30, deadline=None)
@given(start=st.floats(300, 1000), dilation=st.floats(0.82, 1.22))
def test_a_stretched_copy_is_the_wave_at_scaled_times(start, dilation):
    # As above, pressed together to 0.82: J is 1.5 times as large, ω₀ 0.61 π; 2.7e-5 in all.
    expected = _wave((np.arange(2000) - start) / dilation)
    np.testing.assert_allclose(_copy(start, dilation), expected, atol=3e-5)


def test_a_whole_delay_gives_the_pulse_itself():
    # The phase turned by the guard reaches π·256 = 800 rad, rounded to 1e-13.
    np.testing.assert_allclose(_copy(700.0)[700 : 700 + LENGTH], PULSE, atol=1e-12)


def test_what_lies_outside_the_block_is_left_out():
    whole, cut = np.zeros(2000), np.zeros(900)
    flat = np.ones((1, SAMPLER.frequency_hz.size), dtype=complex)
    for out, shift in ((whole, 0), (cut, 600)):
        SAMPLER.add(out, pulse_index=0, start=np.array([500.25 - shift]), response=flat)
    np.testing.assert_allclose(cut, whole[600:1500], atol=1e-12)


def test_a_filter_acts_over_the_true_frequencies():
    # The response of a delay of 1 ms, exp(−2πi f τ), moves the copy by 48 samples.
    out = np.zeros(2000)
    delay = np.exp(-2j * np.pi * SAMPLER.frequency_hz * 1e-3)[np.newaxis]
    SAMPLER.add(out, pulse_index=0, start=np.array([700.0]), response=delay)
    np.testing.assert_allclose(out[748 : 748 + LENGTH], PULSE, atol=1e-12)


@given(step=st.floats(1e-4, 2e-3), seed=st.integers(0, 1000))
@settings(max_examples=25, deadline=None)
def test_the_scaled_transforms_are_the_plain_sums(step, seed):
    signal = np.random.default_rng(seed).standard_normal(100)
    bins, steps = np.arange(300), np.array([step, 0.7 * step])
    turns = steps[:, np.newaxis, np.newaxis] * np.outer(bins, np.arange(100))
    plain = np.exp(-2j * np.pi * turns) @ signal
    # Phases up to π·2e-3·300² = 600 turn over in double precision: 1e-13 each, 100 terms.
    np.testing.assert_allclose(scaled_transforms(signal, steps, 300), plain, atol=1e-10)


def test_a_copy_has_room_for_its_guards():
    assert SAMPLER.samples >= LENGTH + 2 * GUARD_SAMPLES
    assert SAMPLER.frequency_hz[-1] == pytest.approx(RATE / 2, rel=1e-2)
