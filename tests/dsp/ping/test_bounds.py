"""Bounds against numbers worked elsewhere, sums in closed form, and trials that ran."""

from __future__ import annotations

import math
from decimal import Decimal, localcontext

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dsp.ping.pulse.bounds import (
    blind_zone_m,
    delay_bound_s,
    detection_probability,
    false_alarm_threshold,
    flat_band_rms_bandwidth_rad_s,
    longest_range_m,
    outlier_probability,
    range_deviation_m,
    resolution_m,
)
from dsp.ping.pulse.compression import PulseCompressor
from dsp.ping.pulse.pulses import linear_chirp


def test_rms_bandwidth_of_a_flat_band_from_4_to_12_khz() -> None:
    # β_c 52317.973, β_e 14510.395 rad/s (second moment, by hand); 5e-4 is rounding.
    zero = flat_band_rms_bandwidth_rad_s(4000.0, 12000.0, about="zero")
    centre = flat_band_rms_bandwidth_rad_s(4000.0, 12000.0)
    assert zero == pytest.approx(52317.973, abs=6e-4)
    assert centre == pytest.approx(14510.395, abs=6e-4)


@given(st.floats(0.0, 1e5), st.floats(1.0, 1e5))
def test_about_zero_and_about_the_centre_differ_by_the_centre(low: float, width: float) -> None:
    # Steiner's theorem of second moments; rounding.
    zero, centre = (
        flat_band_rms_bandwidth_rad_s(low, low + width, about=about) for about in ("zero", "centre")
    )
    assert zero == pytest.approx(math.hypot(centre, 2 * math.pi * (low + width / 2)), rel=1e-12)


@pytest.mark.parametrize(
    ("about", "d2_db", "expected_mm"),
    [
        ("centre", 20, 1.18260),
        ("centre", 30, 0.37397),
        ("centre", 40, 0.11826),
        ("zero", 20, 0.32799),
        ("zero", 30, 0.10372),
        ("zero", 40, 0.03280),
    ],
)
def test_range_bounds_of_a_flat_band_from_4_to_12_khz(
    about: str, d2_db: float, expected_mm: float
) -> None:
    # var(τ) ≥ 1/(d²β²), c 343.2 (Van Trees; memory); 5e-6 mm is rounding.
    beta = flat_band_rms_bandwidth_rad_s(4000.0, 12000.0, about=about)
    delay_s = delay_bound_s(10 ** (d2_db / 10), beta)
    assert range_deviation_m(delay_s, 343.2) * 1e3 == pytest.approx(expected_mm, abs=6e-6)


def test_the_delay_bound_is_the_inverse_of_the_information_in_the_samples() -> None:
    # Fisher information of a delay in white noise: Σ (∂s/∂τ)²/σ², here of a pulse that
    # is smooth and known in closed form, with its derivative by hand.
    rate, centre, width_s, amplitude, sigma = 96e3, 9e3, 1e-3, 0.03, 0.1
    t = np.arange(-960, 960) / rate
    bell = amplitude * np.exp(-((t / width_s) ** 2) / 2)
    w = 2 * math.pi * centre
    slope = -t / width_s**2 * bell * np.cos(w * t) - w * bell * np.sin(w * t)
    information = float(np.sum(slope**2)) / sigma**2
    d2 = float(np.sum((bell * np.cos(w * t)) ** 2)) / sigma**2
    # The bell's own second moment about its centre is 1/(2 width²), in (rad/s)²; the
    # overlap of positive and negative frequencies is exp(−(w·width)²): nothing.
    beta = math.hypot(w, 1 / (math.sqrt(2) * width_s))
    assert delay_bound_s(d2, beta) == pytest.approx(information**-0.5, rel=1e-9)


@given(st.floats(0.2, 50.0), st.floats(0.0, 2.0))
def test_range_deviation_is_the_slope_of_range_over_path(range_m: float, baseline: float) -> None:
    path = 2 * math.hypot(range_m, baseline / 2)
    step = 1e-5 * path

    def range_of(length: float) -> float:
        return math.sqrt((length / 2) ** 2 - (baseline / 2) ** 2)

    # Physics: a central difference errs by (step/path)² times factors up to (b/2R)⁴,
    # 625 at the shortest range; rounding by 1e-16/1e-5 times the same.
    slope = (range_of(path + step) - range_of(path - step)) / (2 * step)
    found = range_deviation_m(1e-6, 343.2, range_m=range_m, baseline_m=baseline)
    assert found == pytest.approx(slope * 343.2e-6, rel=1e-6)


def test_far_off_the_baseline_no_longer_counts() -> None:
    assert range_deviation_m(1e-6, 343.2, baseline_m=0.5) == range_deviation_m(1e-6, 343.2)


@pytest.mark.parametrize("cells", [2, 20, 80, 140])
@pytest.mark.parametrize("d2", [1.0, 10.0, 31.6])
def test_outliers_are_the_errors_of_orthogonal_signals(d2: float, cells: int) -> None:
    # The same integral for M orthogonal signals of unknown phase, in closed form
    # (textbook of digital communication, memory; for M = 2 it is ½ exp(−d²/4)):
    # (1/M) Σ (−1)^k C(M, k) exp(−d²/2 · (k − 1)/k), summed with 80 digits as its
    # terms alternate. What is left is rounding.
    with localcontext() as context:
        context.prec = 80
        half = Decimal(d2) / 2
        exact = sum(
            (-1) ** k * Decimal(math.comb(cells, k)) * (-half * (k - 1) / k).exp()
            for k in range(2, cells + 1)
        ) / Decimal(cells)
    assert outlier_probability(d2, cells) == pytest.approx(float(exact), abs=1e-12)


def between_cells(d2: float) -> float:
    """How many times more often a flat band's noise rises past d than its cells exceed it.

    Rice 1945 (memory): a level r in σ is crossed upwards β r/√(2π) exp(−r²/2) times a
    second; 1/B apart, cells exceed it B exp(−r²/2) times. With β = 2πB/√12 that makes
    √(π/6) r. The noise need not rise as far as d to win, so it is an upper limit.
    """
    return math.sqrt(math.pi / 6 * d2)


@pytest.mark.parametrize(("d2_db", "expected"), [(10, 0.55), (15, 0.01)])
def test_threshold_region_starts_where_a_monte_carlo_puts_it(d2_db: float, expected: float) -> None:
    # A Monte Carlo of a chirp of 4 to 12 kHz: 55 % outliers at 10 dB, 1 % at 15 dB
    # (computed with numpy; how far it searched is not recorded). Searches of 10 to
    # 20 ms have 80 to 160 cells.
    d2 = 10 ** (d2_db / 10)
    assert outlier_probability(d2, 80) < expected
    assert expected < outlier_probability(d2, 160 * between_cells(d2))


def test_outliers_of_a_compressed_chirp_are_as_many_as_foretold() -> None:
    # 2000 trials at 10 dB over 20 ms: the share's standard error is 1.1 %; three of it.
    rng = np.random.default_rng(8)
    pulse = linear_chirp(4000.0, 12000.0, 0.010, 48000.0, taper="none")
    samples = pulse.samples.size
    compress = PulseCompressor(pulse, 3 * samples)
    amplitude = math.sqrt(10.0 / float(np.sum(pulse.samples.astype(np.float64) ** 2)))
    blocks = rng.standard_normal((2000, 3 * samples)).astype(np.float32)
    blocks[:, samples : 2 * samples] += amplitude * pulse.samples
    found_s = compress.delay_s[np.abs(compress(blocks)).argmax(axis=1)]
    share = float(np.mean(np.abs(found_s - 0.010) > 1 / 8000.0))
    cells = 8000.0 * float(compress.delay_s[-1])
    assert outlier_probability(10.0, cells) - 0.033 < share
    assert share < outlier_probability(10.0, cells * between_cells(10.0)) + 0.033


@given(st.floats(0.0, 100.0), st.floats(1.0, 1000.0))
@settings(deadline=None, max_examples=30)
def test_a_stronger_echo_is_missed_less_and_a_longer_search_misses_more(
    d2: float, cells: float
) -> None:
    here = outlier_probability(d2, cells)
    assert -1e-12 <= here <= 1 - 1 / cells + 1e-12
    assert outlier_probability(d2 + 1, cells) <= here + 1e-12
    assert outlier_probability(d2, cells + 1) >= here - 1e-12


def test_without_an_echo_every_cell_is_as_likely() -> None:
    assert outlier_probability(0.0, 50.0) == pytest.approx(1 - 1 / 50, abs=1e-12)


@given(st.floats(1e-9, 0.5))
@settings(deadline=None)
def test_without_an_echo_detections_are_false_alarms(rate: float) -> None:
    # Rounding: chndtr is a share near 1, good to 1e-12 or so.
    assert detection_probability(0.0, rate) == pytest.approx(rate, abs=1e-11)


def test_detection_probability_is_the_one_of_the_textbook_curves() -> None:
    # A steady echo at Pfa 1e-6 needs 13.2 dB of signal-to-noise power for Pd 0.9
    # (radar textbooks, memory); that ratio is d²/2, the envelope's mean square being
    # twice σ². Read to 0.1 dB; Pd moves by 0.03 for that.
    d2 = 2 * 10**1.32
    assert detection_probability(d2, 1e-6) == pytest.approx(0.9, abs=0.03)


def test_noise_alone_passes_the_threshold_as_often_as_asked() -> None:
    # 1e6 draws at 1e-3: 1000 ± 32; four standard errors.
    rng = np.random.default_rng(3)
    envelope = np.hypot(*rng.standard_normal((2, 1_000_000)))
    passed = int(np.sum(envelope > false_alarm_threshold(1e-3)))
    assert passed == pytest.approx(1000, abs=127)


def test_resolution_of_8_khz_in_air() -> None:
    # c/(2B) (Woodward): 21.450 mm at c 343.2, exact.
    assert resolution_m(8000.0, 343.2) == pytest.approx(21.450e-3, rel=1e-12)


@given(st.floats(0.0, 0.1), st.floats(0.0, 2.0))
def test_at_the_blind_zones_end_the_echo_comes_when_the_direct_sound_stops(
    deaf_s: float, baseline: float
) -> None:
    range_m = blind_zone_m(deaf_s, 343.2, baseline_m=baseline)
    # Out and back by way of a target on the axis, in seconds; rounding.
    echo_s = 2 * math.hypot(range_m, baseline / 2) / 343.2
    assert echo_s == pytest.approx(baseline / 343.2 + deaf_s, rel=1e-9, abs=1e-15)


def test_a_burst_of_a_millisecond_blinds_17_cm_of_air() -> None:
    assert blind_zone_m(1e-3, 343.2) == pytest.approx(0.1716, rel=1e-12)


def test_four_pings_a_second_see_43_m_far_in_air() -> None:
    assert longest_range_m(0.25, 343.2) == pytest.approx(42.9, rel=1e-12)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: flat_band_rms_bandwidth_rad_s(5.0, 5.0), "high_hz - low_hz: found 0 Hz"),
        (lambda: flat_band_rms_bandwidth_rad_s(-5.0, 5.0), "low_hz: found -5 Hz"),
        (lambda: flat_band_rms_bandwidth_rad_s(1, 2, about="x"), "about: found 'x'"),
        (lambda: delay_bound_s(0, 1), "d2: found 0"),
        (lambda: delay_bound_s(1, -1), "rms_bandwidth_rad_s: found -1"),
        (lambda: range_deviation_m(-1, 1), "delay_deviation_s: found -1"),
        (lambda: range_deviation_m(1, 1, range_m=0), "range_m: found 0 m"),
        (lambda: outlier_probability(-1, 5), "d2: found -1"),
        (lambda: outlier_probability(1, 0), "independent_cells: found 0"),
        (lambda: detection_probability(1, 0), "false_alarm_rate: found 0"),
        (lambda: false_alarm_threshold(2), "false_alarm_rate: found 2"),
        (lambda: resolution_m(0, 1), "bandwidth_hz: found 0 Hz"),
        (lambda: blind_zone_m(-1, 1), "deaf_s: found -1 s"),
        (lambda: longest_range_m(1, 0), "sound_speed_m_s: found 0 m/s"),
    ],
)
def test_bounds_refuse_what_cannot_be(call: object, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        call()  # type: ignore[operator]
