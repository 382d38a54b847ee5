"""Pulses against scipy's windows and chirps, and against the codes' own theory."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from dsp.ping.pulse.pulses import (
    BARKER_13,
    Pulse,
    barker13,
    chirp_phase_rad,
    golay_codes,
    golay_pair,
    linear_chirp,
    taper_window,
    tone_burst,
)

RATE = 48_000.0
HALF_LAST_BIT = 2.0**-25
"""Rounding of a float32 below 1."""


def autocorrelation(samples: NDArray[np.floating]) -> NDArray[np.float64]:
    return np.correlate(samples.astype(np.float64), samples.astype(np.float64), "full")


@given(st.integers(1, 400), st.just(0.0) | st.floats(0.01, 1.0))
@settings(deadline=None)
def test_a_tukey_taper_is_that_of_scipy(samples: int, fraction: float) -> None:
    from scipy.signal.windows import tukey

    # Computed with scipy; rounding. (Rounded parts of less than 1e-16 of a sample, where
    # scipy's own two ends differ, are left out.)
    expected = tukey(samples, fraction)
    np.testing.assert_allclose(taper_window(samples, "tukey", fraction), expected, atol=1e-12)


def test_a_hann_taper_is_that_of_scipy_and_no_taper_is_ones() -> None:
    from scipy.signal.windows import hann

    np.testing.assert_allclose(taper_window(101, "hann"), hann(101), atol=1e-15)
    np.testing.assert_array_equal(taper_window(101, "none", 0.7), np.ones(101))


@given(
    st.floats(100.0, 20e3),
    st.floats(100.0, 20e3),
    st.integers(4, 2000),
)
@settings(deadline=None)
def test_a_chirp_is_that_of_scipy(start_hz: float, stop_hz: float, samples: int) -> None:
    from hypothesis import assume
    from scipy.signal import chirp

    assume(abs(start_hz - stop_hz) > 1.0)
    duration = samples / RATE
    # Computed with scipy, whose chirp is a cosine. Rounding: float32, and a phase of up
    # to 2π · 20 kHz · 42 ms = 5200 rad in steps of 1e-12.
    t = np.arange(samples) / RATE
    expected = chirp(t, start_hz, duration, stop_hz, phi=-90)
    found = linear_chirp(start_hz, stop_hz, duration, RATE, taper="none").samples
    np.testing.assert_allclose(found, expected, atol=HALF_LAST_BIT + 1e-11)


def test_a_chirps_phase_has_the_frequency_asked_for_at_either_end() -> None:
    step = 1e-7
    t = np.array([0.0, step, 0.01 - step, 0.01])
    phase = chirp_phase_rad(t, 4000.0, 12000.0, 0.01)
    found_hz = np.diff(phase)[[0, 2]] / step / (2 * math.pi)
    # The frequency moves by 8e5 Hz/s · 1e-7 s / 2 = 0.04 Hz within the step; rounding of
    # 503 rad adds 1e-13/1e-7.
    np.testing.assert_allclose(found_hz, [4000.0, 12000.0], atol=0.05)


def test_a_tone_is_a_sine_under_its_taper() -> None:
    from scipy.signal.windows import tukey

    t = np.arange(96) / RATE
    expected = tukey(96, 0.5) * np.sin(2 * np.pi * 5000.0 * t)
    found = tone_burst(5000.0, 0.002, RATE, taper_fraction=0.5)
    np.testing.assert_allclose(found.samples, expected, atol=HALF_LAST_BIT + 1e-12)
    # First nulls of a burst of 2 ms lie 500 Hz to either side.
    assert found.band_hz == (4500.0, 5500.0)


def test_the_barker_code_has_side_lobes_of_one() -> None:
    # Barker 1953 (memory): peak 13, side lobes 0 or 1, that is −22.279 dB.
    found = np.abs(autocorrelation(np.array(BARKER_13, dtype=float)))
    assert found[12] == 13
    assert set(np.delete(found, 12)) == {0.0, 1.0}
    highest_db = 20 * math.log10(np.delete(found, 12).max() / found[12])
    assert highest_db == pytest.approx(-22.279, abs=5e-4)  # rounding


def test_a_barker_pulse_has_the_codes_side_lobes_chip_by_chip() -> None:
    # Chips of a whole number of waves and samples: at lags of whole chips the pulse
    # correlates as its code does, with 24/2 for each chip's energy. Rounding of
    # 312 products of float32.
    pulse = barker13(4000.0, 0.0005, RATE)
    found = autocorrelation(pulse.samples)[pulse.samples.size - 1 :: 24]
    expected = 12 * autocorrelation(np.array(BARKER_13, dtype=float))[12:]
    np.testing.assert_allclose(found, expected, atol=312 * 2 * HALF_LAST_BIT)


@given(st.integers(1, 9))
def test_side_lobes_of_a_golay_pair_cancel(doublings: int) -> None:
    # Golay 1961: whole numbers, so exactly.
    a, b = golay_codes(2**doublings)
    total = np.correlate(a, a, "full") + np.correlate(b, b, "full")
    assert total[a.size - 1] == 2 * a.size
    assert not np.delete(total, a.size - 1).any()


@pytest.mark.parametrize("chips", [2, 16, 64])
def test_side_lobes_of_a_golay_pair_of_pulses_cancel(chips: int) -> None:
    # A sampled chip is the same in every place, so that what a code cancels cancels at
    # every lag of a chip or more, not only at whole ones. Rounding of float32 products.
    first, second = golay_pair(4000.0, 0.0005, chips, RATE)
    total = autocorrelation(first.samples) + autocorrelation(second.samples)
    lag = np.abs(np.arange(total.size) - (first.samples.size - 1))
    assert total.max() == pytest.approx(2 * 12 * chips, rel=1e-6)
    assert np.abs(total[lag >= 24]).max() < 4 * first.samples.size * HALF_LAST_BIT


@given(st.floats(2e-3, 0.1), st.floats(8_000.0, 192_000.0), st.sampled_from(["chirp", "tone"]))
def test_a_pulse_has_its_duration_times_its_rate_in_samples(
    duration: float, rate: float, kind: str
) -> None:
    if kind == "chirp":
        pulse = linear_chirp(rate / 8, rate / 4, duration, rate)
    else:
        pulse = tone_burst(rate / 8, duration, rate)
    assert pulse.samples.size == round(duration * rate)
    assert pulse.samples.dtype == np.float32
    assert np.abs(pulse.samples).max() <= 1
    assert pulse.duration_s == pulse.samples.size / rate


@pytest.mark.parametrize(
    ("pulse", "samples"),
    [
        (barker13(8000.0, 0.0005, RATE), 13 * 24),
        (barker13(8000.0, 0.00051, RATE), 318),  # 13 · 24.48 = 318.24
        (golay_pair(8000.0, 0.0005, 16, RATE)[0], 16 * 24),
        (golay_pair(8000.0, 0.0005, 16, RATE)[1], 16 * 24),
    ],
)
def test_a_coded_pulse_has_all_of_its_chips(pulse: Pulse, samples: int) -> None:
    assert (pulse.samples.size, pulse.samples.dtype) == (samples, np.float32)
    assert pulse.band_hz[1] - pulse.centre_hz == pytest.approx(pulse.bandwidth_hz / 2)


@given(st.floats(1e-4, 2e-3))
def test_the_phase_flips_where_a_chip_begins_and_nowhere_else(chip_s: float) -> None:
    # Dividing the pulse by its carrier leaves the code, where the carrier is not near 0.
    pulse = barker13(8000.0, chip_s, 96e3)
    t = np.arange(pulse.samples.size) / 96e3
    carrier = np.sin(2 * np.pi * 8000.0 * t)
    place = t / chip_s
    # An instant within 1e-6 of a chip's boundary may fall to either side.
    clear = (np.abs(carrier) > 0.1) & (np.abs(place - np.round(place)) > 1e-6)
    clear &= place < 13
    expected = np.array(BARKER_13)[place[clear].astype(int)]
    np.testing.assert_array_equal(np.sign(pulse.samples[clear] * carrier[clear]), expected)


def test_a_falling_chirp_has_the_same_band_as_a_rising_one() -> None:
    falling = linear_chirp(12000.0, 4000.0, 0.01, RATE)
    assert falling.band_hz == (4000.0, 12000.0)
    assert (falling.centre_hz, falling.bandwidth_hz) == (8000.0, 8000.0)


def test_a_pulse_keeps_a_copy_that_nobody_can_change() -> None:
    mine = np.ones(8, dtype=np.float32)
    pulse = Pulse(samples=mine, sample_rate_hz=RATE, band_hz=(1.0, 2.0))
    mine[0] = 7.0
    assert pulse.samples[0] == 1.0
    with pytest.raises(ValueError, match="read-only"):
        pulse.samples[0] = 7.0


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: taper_window(8, "cosine"), "taper: found 'cosine'; give"),
        (lambda: taper_window(8, "tukey", 1.5), "fraction: found 1.5; give 0 to 1"),
        (lambda: linear_chirp(4e3, 30e3, 0.01, RATE), "reaches 30000 Hz; give at most .* 24000 Hz"),
        (lambda: tone_burst(23.9e3, 0.001, RATE), "reaches 24900 Hz"),
        (lambda: barker13(4e3, 1e-5, RATE), "reaches 104000 Hz"),
        (lambda: linear_chirp(4e3, 12e3, 0.0, RATE), "duration_s: found 0 s"),
        (lambda: linear_chirp(4e3, 12e3, 1e-6, RATE), "duration_s: found 1e-06 s"),
        (lambda: linear_chirp(4e3, 4e3, 0.01, RATE), "band_hz: found 4000 to 4000 Hz"),
        (lambda: tone_burst(-8e3, 0.001, RATE), "centred on -8000 Hz; give a frequency above 0"),
        (lambda: barker13(0.0, 1e-3, RATE), "centred on 0 Hz"),
        (lambda: tone_burst(math.nan, 0.001, RATE), "centred on nan Hz"),
        (lambda: linear_chirp(-1e3, 12e3, 0.01, RATE), "found -1000, 12000; give 0 or more"),
        (lambda: golay_codes(12), "chips: found 12; give a power of two"),
        (lambda: golay_codes(1), "chips: found 1"),
        (
            lambda: Pulse(samples=np.zeros(4), sample_rate_hz=RATE, band_hz=(1, 2)),
            "samples: not finite, or all zero",
        ),
        (
            lambda: Pulse(samples=np.ones((2, 2)), sample_rate_hz=RATE, band_hz=(1, 2)),
            r"samples: found shape \(2, 2\)",
        ),
    ],
)
def test_pulses_refuse_what_cannot_be_sent(call: object, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        call()  # type: ignore[operator]
