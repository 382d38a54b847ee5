"""Levels by hand, against a matched filter that ran, and against the printed table."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dsp.physics.levels import (
    echo_level_db,
    energy_to_noise,
    transmission_loss_db,
)
from dsp.ping.pulse.compression import PulseCompressor
from dsp.ping.pulse.pulses import linear_chirp


def test_doubling_the_range_costs_6_db_one_way_and_12_both() -> None:
    # 20·log10(2) = 6.0206 dB, from spherical spreading alone; 5e-5 is rounding.
    for ways, expected_db in ((1, 6.0206), (2, 12.0412)):
        near, far = transmission_loss_db([3.0, 6.0], ways=ways)
        assert far - near == pytest.approx(expected_db, abs=6e-5)


def test_a_metre_is_where_nothing_but_absorption_is_lost() -> None:
    assert float(transmission_loss_db(1.0, 1.5)) == pytest.approx(1.5, abs=1e-12)
    assert float(transmission_loss_db(1.0, 1.5, ways=2)) == pytest.approx(3.0, abs=1e-12)


def test_an_echo_at_40_khz_in_a_room_by_hand() -> None:
    # Source 0 dB re full scale at 1 m, sphere of 20 mm radius (a/2 = 10 mm, −40 dB), at
    # 2 m, 1.3182 dB/m: −40 − 40·log10(2) − 4·1.3182 = −57.3140 dB; 5e-5 is rounding.
    found = float(echo_level_db(0.0, -40.0, 2.0, absorption_db_m=1.3182))
    assert found == pytest.approx(-57.3140, abs=6e-5)


def test_at_the_cones_two_way_edge_an_echo_is_3_db_weaker() -> None:
    axis, edge = echo_level_db(-10.0, -40.0, 2.0, two_way_beam_db=[0.0, -3.0103])
    assert axis - edge == pytest.approx(3.0103, abs=1e-9)


@given(st.floats(0.01, 100.0), st.floats(0.0, 5.0), st.floats(-80.0, 0.0))
def test_further_off_an_echo_is_weaker(range_m: float, absorption: float, strength: float) -> None:
    near, far = echo_level_db(0.0, strength, [range_m, 1.1 * range_m], absorption_db_m=absorption)
    assert far < near


@pytest.mark.parametrize(("start_hz", "duration_s"), [(4000.0, 0.010), (6000.0, 0.050)])
def test_energy_to_noise_is_what_a_matched_filter_makes_of_it(
    start_hz: float, duration_s: float
) -> None:
    pulse = linear_chirp(start_hz, 12000.0, duration_s, 48000.0)
    compressor = PulseCompressor(pulse, 2 * pulse.samples.size)
    amplitude, noise_rms = 0.02, 0.1
    # The filter's own account: the echo's peak squared over the noise's power in one of
    # the two parts of the envelope, which is half of its mean square.
    part_rms = compressor.shape.noise_gain * noise_rms / math.sqrt(2)
    energy = float(np.sum(pulse.samples.astype(np.float64) ** 2))
    found = float(energy_to_noise(amplitude, energy, noise_rms))
    # Physics: an envelope without negative frequencies differs by about 1/(4πfT) at a
    # sharp end of the sweep, squared (1e-5); the band left out, 1e-7.
    assert found == pytest.approx((amplitude / part_rms) ** 2, rel=1e-4)


def test_energy_to_noise_is_what_noise_does_to_a_correlation() -> None:
    # 20 000 correlations of a pulse with itself in noise: the sample variance of the
    # output is known to √(2/20 000) = 1 %; four of its standard errors.
    rng = np.random.default_rng(20)
    pulse = linear_chirp(4000.0, 12000.0, 0.010, 48000.0).samples.astype(np.float64)
    noise = 0.1 * rng.standard_normal((20_000, pulse.size)) @ pulse
    peak = 0.02 * float(pulse @ pulse)
    found = float(energy_to_noise(0.02, float(pulse @ pulse), 0.1))
    assert found == pytest.approx(peak**2 / noise.var(), rel=0.04)


@given(st.floats(1e-6, 1.0), st.floats(1e-6, 1.0))
def test_twice_the_amplitude_is_6_db_and_so_is_half_the_noise(
    amplitude: float, noise_rms: float
) -> None:
    here = float(energy_to_noise(amplitude, 200.0, noise_rms))
    assert float(energy_to_noise(2 * amplitude, 200.0, noise_rms)) == pytest.approx(4 * here)
    assert float(energy_to_noise(amplitude, 200.0, noise_rms / 2)) == pytest.approx(4 * here)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: transmission_loss_db(0.0), "range_m: found 0 m"),
        (lambda: transmission_loss_db(1.0, -1.0), "absorption_db_m: found -1 dB/m"),
        (lambda: transmission_loss_db(1.0, ways=3), "ways: found 3"),
        (lambda: echo_level_db(0, 0, -1), "range_m: found -1 m"),
        (lambda: energy_to_noise(1, 0, 1), "pulse_energy: found 0"),
        (lambda: energy_to_noise(1, 1, 0), "noise_rms: found 0"),
    ],
)
def test_levels_refuse_what_cannot_be(call: object, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        call()  # type: ignore[operator]
