"""Slowed sound against SciPy's own resampling, and against what slowing means."""

import numpy as np
import pytest
import scipy.signal
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from dsp.ping.slowing import evened, faded, slowed

RATE_HZ = 48_000


def heard_tone_hz(samples: np.ndarray) -> float:
    """The strongest frequency, by an FFT under a Hann window, its peak interpolated."""
    spectrum = np.abs(np.fft.rfft(samples * np.hanning(samples.size), 4 * samples.size))
    top = int(spectrum.argmax())
    before, at, after = np.log(spectrum[top - 1 : top + 2])
    offset = (before - after) / (before - 2 * at + after) / 2
    return (top + offset) * RATE_HZ / (4 * samples.size)


def tone(frequency_hz: float, samples: int = 2048, rate_hz: float = RATE_HZ) -> np.ndarray:
    return faded(
        np.sin(2 * np.pi * frequency_hz * np.arange(samples) / rate_hz), rise=300, fall=300
    )


@settings(deadline=None, max_examples=25)
@given(st.integers(1, 40), st.integers(50, 400), st.integers(0, 2**32 - 1))
def test_a_whole_factor_is_fourier_resampling(factor: int, samples: int, seed: int) -> None:
    # scipy.signal.resample interpolates by the same trigonometric polynomial. Its constant,
    # and the bin at half the rate, which slowed sound keeps only below half of the new one,
    # are taken out first.
    noise = np.random.default_rng(seed).standard_normal(samples)
    spectrum = np.fft.rfft(noise)
    spectrum[0] = 0
    if samples % 2 == 0:
        spectrum[-1] = 0
    noise = np.fft.irfft(spectrum, samples)
    heard = slowed(noise, sample_rate_hz=RATE_HZ, factor=factor, heard_rate_hz=RATE_HZ)
    # Rounding: 1e-16 for each of some 1e4 angles and 1e3 additions.
    assert_allclose(heard, scipy.signal.resample(noise, samples * factor), atol=1e-9)


@settings(deadline=None, max_examples=25)
@given(st.floats(1.0, 50.0), st.floats(2000.0, 15_000.0))
def test_every_frequency_falls_by_the_factor(factor: float, frequency_hz: float) -> None:
    heard = slowed(tone(frequency_hz), sample_rate_hz=RATE_HZ, factor=factor, heard_rate_hz=RATE_HZ)
    assert heard.size == pytest.approx(2048 * factor, abs=1)
    # Under a Hann window, and four times padded, a parabola through the logarithms misses a
    # peak by less than a tenth of a padded bin; its own bin is four times as wide, and the
    # fades move nothing, being even about the middle.
    assert heard_tone_hz(heard) == pytest.approx(
        frequency_hz / factor, abs=0.1 * RATE_HZ / heard.size
    )


@settings(deadline=None, max_examples=15)
@given(st.floats(8.0, 40.0), st.floats(300.0, 3000.0))
def test_a_shift_moves_the_pitch_and_leaves_the_envelope(factor: float, pitch_hz: float) -> None:
    # A burst whose envelope is a Gaussian: 2 ms, at 9 kHz.
    at_s, width_s, frequency_hz = 0.0213, 0.002, 9000.0
    t = np.arange(2048) / RATE_HZ
    burst = np.exp(-(((t - at_s) / width_s) ** 2)) * np.sin(2 * np.pi * frequency_hz * t)
    heard = slowed(
        burst,
        sample_rate_hz=RATE_HZ,
        factor=factor,
        heard_rate_hz=RATE_HZ,
        shift_hz=pitch_hz - frequency_hz / factor,
    )
    assert heard_tone_hz(heard) == pytest.approx(pitch_hz, abs=0.2 * RATE_HZ / heard.size)
    time_s = np.arange(heard.size) / RATE_HZ
    true = np.exp(-(((time_s / factor - at_s) / width_s) ** 2))
    # The analytic signal's magnitude is the envelope as far as the burst holds no energy at
    # or below 0 Hz: at least 300 Hz · 2 ms · 8 = 5 widths away, exp(−(π·4.8)²) of it.
    assert_allclose(np.abs(scipy.signal.hilbert(heard)), true, atol=1e-6)


@settings(deadline=None, max_examples=15)
@given(st.floats(1.0, 30.0), st.integers(0, 2**32 - 1))
def test_an_envelope_about_a_carrier_sounds_as_the_sound_that_it_is_of(
    factor: float, seed: int
) -> None:
    rng = np.random.default_rng(seed)
    spectrum = np.zeros(257, dtype=complex)
    spectrum[60:120] = rng.standard_normal(60) + 1j * rng.standard_normal(60)
    sound = np.fft.irfft(spectrum, 512)
    carrier_hz = 50 * RATE_HZ / 512
    envelope = scipy.signal.hilbert(sound) * np.exp(
        -2j * np.pi * carrier_hz * np.arange(512) / RATE_HZ
    )
    how = {"sample_rate_hz": RATE_HZ, "factor": factor, "heard_rate_hz": RATE_HZ}
    assert_allclose(
        slowed(envelope, carrier_hz=carrier_hz, **how), slowed(sound, **how), atol=1e-12
    )


def test_a_folded_band_is_heard_where_it_truly_lay_and_the_right_way_round() -> None:
    # R. G. Vaughan et al. 1991 (bandpass sampling): 38 to 42 kHz sampled at 62.5 kHz lies at
    # 24.5 down to 20.5 kHz. Slowed 20 times, the true sweep rises from 1.9 to 2.1 kHz.
    rate_hz, samples = 62_500, 3125
    t = np.arange(samples) / rate_hz
    sweep = faded(scipy.signal.chirp(t, f0=38e3, t1=samples / rate_hz, f1=42e3), rise=200, fall=200)
    heard = slowed(sweep, sample_rate_hz=rate_hz, factor=20, heard_rate_hz=RATE_HZ, zone=1)
    # The mean frequency of either half of an even sweep is its middle; the fades take 200 of
    # 3125 samples off either end, which moves it inwards by at most half of 13 Hz, and Welch's
    # segments of 0.2 s hide the ends of each half: together below 20 Hz.
    for half, middle_hz in zip(np.array_split(heard, 2), (1950, 2050), strict=True):
        frequency_hz, power = scipy.signal.welch(half, RATE_HZ, nperseg=9600)
        assert frequency_hz @ power / power.sum() == pytest.approx(middle_hz, abs=20)


def test_what_would_be_heard_above_half_the_rate_is_left_out_and_not_folded() -> None:
    ultrasound = tone(60e3, samples=8192, rate_hz=250e3)
    heard = slowed(ultrasound, sample_rate_hz=250e3, factor=1, heard_rate_hz=RATE_HZ)
    # The fades' spectrum, 36 kHz off: below 1e-5.
    assert np.abs(heard).max() < 1e-5


def test_a_long_sound_is_made_in_parts_that_join() -> None:
    # More samples than are made at once: the sum of tones, evaluated directly at some places.
    rng = np.random.default_rng(8)
    sound = rng.standard_normal(3001)
    factor = 197.3
    heard = slowed(sound, sample_rate_hz=RATE_HZ, factor=factor, heard_rate_hz=RATE_HZ)
    spectrum = np.fft.rfft(sound) * 2 / 3001
    places = np.concatenate(
        [np.arange(262_140, 262_150), rng.integers(0, heard.size, 20), [heard.size - 1]]
    )
    k = np.arange(1, spectrum.size)
    turns = np.outer(places / factor / 3001, k)
    direct = (np.exp(2j * np.pi * turns) @ spectrum[1:]).real
    # Rounding: angles of up to 1e5 turns at 1e-16 each, 1500 of them.
    assert_allclose(heard[places], direct, atol=1e-9)


@pytest.mark.parametrize(
    ("words", "complaint"),
    [
        ({"factor": 0.5}, "factor: found 0.5; give 1"),
        ({"factor": float("nan")}, "factor: found nan"),
        ({"heard_rate_hz": 0.0}, "heard_rate_hz: found 0 Hz"),
        ({"samples": np.zeros((2, 5))}, "one row"),
        ({"samples": np.array([np.nan, 1.0])}, "each of them a number"),
    ],
)
def test_slowing_refuses_what_it_cannot_do(words: dict, complaint: str) -> None:
    usual = {
        "samples": np.ones(8),
        "sample_rate_hz": 48e3,
        "factor": 2.0,
        "heard_rate_hz": 48e3,
    } | words
    with pytest.raises(ValueError, match=complaint):
        slowed(usual.pop("samples"), **usual)


def test_fades_start_and_end_in_silence_and_leave_the_middle() -> None:
    given_samples = np.ones(100)
    soft = faded(given_samples, rise=10, fall=20)
    assert soft[0] == soft[-1] == 0
    assert np.all(np.diff(soft[:11]) > 0)
    assert np.all(np.diff(soft[79:]) < 0)
    assert np.array_equal(soft[10:80], np.ones(70))
    assert np.array_equal(given_samples, np.ones(100))
    with pytest.raises(ValueError, match="give at most 100"):
        faded(given_samples, rise=60, fall=60)


def test_evening_halves_a_difference_in_level_and_moves_nothing() -> None:
    t = np.arange(4800) / RATE_HZ

    def burst(at_s: float) -> np.ndarray:
        return np.exp(-(((t - at_s) / 0.003) ** 2)) * np.sin(2 * np.pi * 5000 * t)

    evener = evened(burst(0.03) + 0.01 * burst(0.07), window=240)
    envelope = np.abs(scipy.signal.hilbert(evener))
    loud, soft = envelope[:2400].max(), envelope[2400:].max()
    # Each burst is even about its middle and alone in the window, so that 40 dB become 20.
    assert 20 * np.log10(loud / soft) == pytest.approx(20, abs=0.01)
    # A sample, and the window's own middle, half a sample off for an even length.
    assert abs(envelope[:2400].argmax() - 0.03 * RATE_HZ) <= 1.5
    assert abs(2400 + envelope[2400:].argmax() - 0.07 * RATE_HZ) <= 1.5


def test_evening_silence_gives_silence() -> None:
    assert not evened(np.zeros(50), window=5).any()
    with pytest.raises(ValueError, match="window: found 0"):
        evened(np.zeros(50), window=0)
