"""Doppler shifts by hand, and against an echo that was stretched sample by sample."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from dsp.physics.doppler import chirp_delay_shift_s, doppler_shift_hz, fastest_speed_m_s
from dsp.ping.pulse.pulses import chirp_phase_rad

SPEED_M_S = 343.2


def test_a_metre_a_second_at_40_khz() -> None:
    # f((c + v)/(c − v) − 1): 233.7814 Hz at c 343.2 (by hand); 5e-5 is rounding.
    assert doppler_shift_hz(1.0, 40e3, SPEED_M_S) == pytest.approx(233.7814, abs=6e-5)


@given(st.floats(-340.0, 340.0))
def test_an_echo_is_squeezed_as_its_paths_are(speed: float) -> None:
    # Two crests, sent T apart at a target that starts 10 m off: where and when each
    # meets it, by hand, and when it is back. Rounding: 1e-16 of 30 m over 1e-5 s.
    period = 1e-3
    arrivals = []
    for sent in (0.0, period):
        met = (10.0 + SPEED_M_S * sent) / (SPEED_M_S + speed)
        arrivals.append(met + (10.0 - speed * met) / SPEED_M_S)
    received_hz = 1 / (arrivals[1] - arrivals[0])
    found = 1 / period + doppler_shift_hz(speed, 1 / period, SPEED_M_S)
    assert found == pytest.approx(received_hz, rel=1e-7)


def test_a_rising_chirp_shows_an_approaching_target_too_near() -> None:
    # 8 kHz swept in 10 ms about 8 kHz: 58.275 µs, 10.0 mm per m/s (by hand, first order).
    shift = chirp_delay_shift_s(1.0, 4000.0, 12000.0, 0.010, SPEED_M_S)
    assert shift == pytest.approx(-58.275e-6, abs=6e-10)
    assert SPEED_M_S / 2 * shift == pytest.approx(-10.0e-3, abs=5e-5)
    falling = chirp_delay_shift_s(1.0, 12000.0, 4000.0, 0.010, SPEED_M_S)
    assert falling == -shift


@pytest.mark.parametrize("speed", [-2.0, 0.0, 0.5, 2.0])
@pytest.mark.parametrize(("start_hz", "stop_hz"), [(4000.0, 12000.0), (12000.0, 4000.0)])
def test_a_stretched_chirp_peaks_where_foretold(
    speed: float, start_hz: float, stop_hz: float
) -> None:
    duration, rate, met_s = 0.010, 960e3, 0.005
    squeeze = (SPEED_M_S + speed) / (SPEED_M_S - speed)
    # The pulse's middle, sent at half its duration, is back met_s later.
    first = duration / 2 + met_s - duration / 2 / squeeze
    t = np.arange(round(0.022 * rate)) / rate

    def chirp(own_s: NDArray[np.float64]) -> NDArray[np.complex128]:
        inside = (own_s >= 0) & (own_s < duration)
        return inside * np.exp(1j * chirp_phase_rad(own_s, start_hz, stop_hz, duration))

    echo = chirp(squeeze * (t - first))
    foretold = chirp_delay_shift_s(speed, start_hz, stop_hz, duration, SPEED_M_S)
    lags = met_s + foretold + np.linspace(-60e-6, 60e-6, 241)
    found = lags[np.argmax([abs(np.vdot(chirp(t - lag), echo)) for lag in lags])]
    # Physics: the second order is a share of about 2v/c of the shift, 1.4 µs at 2 m/s.
    # Rounding: ends cut to samples change a correlation by 1/9600, by as much as it
    # falls, (βδ)²/2 with β = 14 510 rad/s, over δ = 1.0 µs; lags are 0.5 µs apart.
    second_order = 2 * abs(speed) / SPEED_M_S * abs(foretold)
    assert found == pytest.approx(met_s + foretold, abs=second_order + 1.25e-6)


def test_a_quarter_wave_a_ping_is_the_fastest() -> None:
    # λ 8.58 mm, 4 pings a second: 8.58 mm per s by hand.
    found = fastest_speed_m_s(0.25, 40e3, SPEED_M_S)
    assert found == pytest.approx(8.58e-3, rel=1e-12)
    # At that speed the echo's phase moves by half a turn a ping: 2π · 2 v T / λ = π.
    assert 4 * math.pi * found * 0.25 / (SPEED_M_S / 40e3) == pytest.approx(math.pi, rel=1e-12)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: doppler_shift_hz(343.2, 1e3, 343.2), "speed_m_s: found 343.2 m/s"),
        (lambda: doppler_shift_hz(1, 0, 343.2), "frequency_hz: found 0 Hz"),
        (lambda: chirp_delay_shift_s(1, 5e3, 5e3, 0.01, 343.2), "stop_hz: found 5000 Hz"),
        (lambda: chirp_delay_shift_s(1, 4e3, 5e3, 0, 343.2), "duration_s: found 0 s"),
        (lambda: fastest_speed_m_s(0, 4e3, 343.2), "ping_interval_s: found 0 s"),
    ],
)
def test_doppler_refuses_what_cannot_be(call: object, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        call()  # type: ignore[operator]
