"""A loudspeaker that colours the pulse: what it sends beside the pulse is no echo.

A filter whose cepstrum is one term, exp(r·exp(−2πi·f·T)), is of minimum phase, as loudspeakers
nearly are; its magnitude ripples by r·cos(2πfT) nepers over the band, and it rings on at T, 2T, …
(A. V. Oppenheim and R. W. Schafer, *Discrete-Time Signal Processing*, on cepstra; from memory).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from dsp.ping.pulse.compression import PulseCompressor
from dsp.ping.pulse.peaks import Peak
from dsp.ping.pulse.pulses import linear_chirp
from dsp.ping.search.search import find_echoes

RATE_HZ, BLOCK = 48_000.0, 6000
PULSE = linear_chirp(4e3, 12e3, 0.010, RATE_HZ)
COMPRESS = PulseCompressor(PULSE, BLOCK)
WIDTH_S = COMPRESS.shape.width_s
DIRECT_S, START_S, FIRST_S, SECOND_S = 0.005, 0.0075, 0.020, 0.040
RINGS_AFTER_S = 3 * WIDTH_S
RMS = 1e-4
Sound = tuple[float, float]


def heard(sounds: list[Sound], *, ripple_db: float, seed: int = 0) -> tuple[Peak, ...]:
    """Echoes that are listed of sounds (delay, amplitude), all through one loudspeaker."""
    length = 1 << 14
    frequency_hz = np.fft.rfftfreq(length, 1 / RATE_HZ)
    nepers = ripple_db * math.sqrt(2) / (20 / math.log(10))
    coloured = np.fft.rfft(PULSE.samples.astype(float), length) * np.exp(
        nepers * np.exp(-2j * np.pi * frequency_hz * RINGS_AFTER_S)
    )
    arrivals: NDArray[np.complex128] = sum(
        (a * np.exp(-2j * np.pi * frequency_hz * t) for t, a in sounds),
        np.zeros(frequency_hz.size, dtype=complex),
    )
    samples = np.fft.irfft(coloured * arrivals, length)[:BLOCK]
    samples += np.random.default_rng(seed).normal(0, RMS, BLOCK)
    envelope = COMPRESS.from_time_zero(COMPRESS.band_spectrum(samples), 0.0)
    return find_echoes(envelope, COMPRESS.shape, false_alarm_rate=1e-6, start_s=START_S)[0]


def count_near(peaks: tuple[Peak, ...], delay_s: float) -> int:
    return sum(abs(p.delay_s - delay_s) < WIDTH_S / 2 for p in peaks)


@pytest.mark.parametrize("ripple_db", [0.5, 1.3, 2.6])
def test_what_the_direct_sound_has_beside_it_too_is_no_echo(ripple_db: float) -> None:
    sounds = [(DIRECT_S, 0.1), (FIRST_S, 0.02), (SECOND_S, 0.02)]
    for seed in range(5):
        peaks = heard(sounds, ripple_db=ripple_db, seed=seed)
        assert [count_near(peaks, t) for t, _ in sounds[1:]] == [1, 1]
        assert len(peaks) == 2


def test_without_a_sound_to_learn_from_it_is_listed() -> None:
    # So the ripple is seen at all: nothing but the direct sound tells it from a body.
    peaks = heard([(FIRST_S, 0.02), (SECOND_S, 0.02)], ripple_db=2.6)
    assert count_near(peaks, FIRST_S + RINGS_AFTER_S) == 1


@pytest.mark.parametrize("aside_lobes", [1.6, 4.4])
def test_a_body_where_the_direct_sound_has_nothing_is_listed(aside_lobes: float) -> None:
    body_s = FIRST_S + aside_lobes * WIDTH_S
    sounds = [(DIRECT_S, 0.1), (FIRST_S, 0.02), (body_s, 0.02 / 3)]
    assert count_near(heard(sounds, ripple_db=1.3), body_s) == 1


def test_a_body_much_stronger_than_what_the_pulse_brings_is_listed() -> None:
    # 1.3 dB RMS bring a share of 1.3 √2/8.69 = 0.21; 0.21 · 1.5 is held for the pulse's own.
    body_s = FIRST_S + RINGS_AFTER_S
    sounds = [(DIRECT_S, 0.1), (FIRST_S, 0.02), (body_s, 0.02 * 0.7)]
    assert count_near(heard(sounds, ripple_db=1.3), body_s) == 1
