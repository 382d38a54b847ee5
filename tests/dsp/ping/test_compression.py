"""The compressor against SciPy's own correlation, and against the theory of the chirp."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import array_shapes, arrays
from scipy.signal import correlate, hilbert

from dsp.ping.pulse.compression import ENERGY_LEFT_OUT, PulseCompressor
from dsp.ping.pulse.echo_shape import turning_sums
from dsp.ping.pulse.pulses import Pulse, barker13, linear_chirp, tone_burst

RATE_HZ = 192_000.0
BLOCK = 19_200


def chirp(**how: object) -> Pulse:
    return linear_chirp(4e3, 12e3, 0.010, RATE_HZ, **how)


def full_envelope(block: np.ndarray, pulse: Pulse) -> np.ndarray:
    """Magnitude of the analytic signal of the full correlation, from delay 0 on."""
    correlation = correlate(block.astype(float), pulse.samples.astype(float), method="fft")
    return np.abs(hilbert(correlation))[pulse.samples.size - 1 :]


PULSES = {
    "chirp": chirp(),
    "untapered chirp": chirp(taper="none"),
    "downward chirp": linear_chirp(12e3, 4e3, 0.010, RATE_HZ),
    "tone": tone_burst(40e3, 0.5e-3, RATE_HZ),
    "barker": barker13(40e3, 1e-4, RATE_HZ),
}


@pytest.mark.parametrize("pulse", PULSES.values(), ids=PULSES)
def test_envelope_equals_that_of_the_full_correlation(pulse: Pulse) -> None:
    # Reference: scipy.signal.correlate and hilbert in double precision. The band left
    # out changes an echo by at most ENERGY_LEFT_OUT of its peak and the noise, here
    # 20 dB under the peak, by its square root, 3e-4 · 0.1; single precision adds 1e-6.
    rng = np.random.default_rng(3)
    block = 0.01 * rng.standard_normal(BLOCK)
    for delay in (3001, 9000, 14_000):
        block[delay : delay + pulse.samples.size] += pulse.samples
    compress = PulseCompressor(pulse, BLOCK)
    envelope = compress(block)
    at = np.round(compress.delay_s * RATE_HZ).astype(int)
    reference = full_envelope(block, pulse)[at]
    tolerance = (ENERGY_LEFT_OUT + 0.1 * ENERGY_LEFT_OUT**0.5 + 1e-6) * reference.max()
    np.testing.assert_allclose(np.abs(envelope), reference, atol=tolerance)


def test_every_bin_stands_on_a_sample() -> None:
    compress = PulseCompressor(chirp(), BLOCK)
    samples = compress.delay_s * RATE_HZ
    np.testing.assert_allclose(samples, np.round(samples), atol=1e-6)  # rounding of 1/192000
    assert compress.delay_s[0] == 0
    assert round(samples[-1]) + chirp().samples.size <= BLOCK


def test_types_are_single_precision_samples_and_double_precision_delays() -> None:
    compress = PulseCompressor(chirp(), BLOCK)
    envelope = compress(np.zeros((2, 3, BLOCK)))
    assert envelope.dtype == np.complex64
    assert envelope.shape == (2, 3, compress.delay_s.size)
    assert compress.delay_s.dtype == np.float64


def test_many_pings_at_once_give_what_each_gives_alone() -> None:
    blocks = np.random.default_rng(5).standard_normal((7, BLOCK)).astype(np.float32)
    compress = PulseCompressor(chirp(), BLOCK)
    alone = np.stack([compress(block) for block in blocks])
    # The transforms differ in order of summation: some rounding of single precision.
    np.testing.assert_allclose(compress(blocks), alone, atol=1e-5 * np.abs(alone).max())


@pytest.mark.parametrize("block", [np.zeros(BLOCK)[::-1], np.zeros(2 * BLOCK)[::2]])
def test_input_need_not_be_contiguous(block: np.ndarray) -> None:
    assert not PulseCompressor(chirp(), BLOCK)(block).any()


def test_input_is_left_as_it_was() -> None:
    block = np.random.default_rng(1).standard_normal(BLOCK).astype(np.float32)
    block.setflags(write=False)
    before = block.copy()
    PulseCompressor(chirp(), BLOCK)(block)
    np.testing.assert_array_equal(block, before)


def test_peak_is_the_echo_s_amplitude_times_the_pulse_s_energy() -> None:
    pulse = chirp()
    compress = PulseCompressor(pulse, BLOCK)
    energy = float(pulse.samples.astype(float) @ pulse.samples)
    assert compress.peak == pytest.approx(energy, rel=2 * ENERGY_LEFT_OUT)


def test_noise_gain_is_the_rms_that_white_noise_comes_to() -> None:
    # 30 blocks of some 1400 independent cells: the mean square is known to
    # 1/√42 000 = 0.5 %, the RMS to half of that; four times it.
    compress = PulseCompressor(chirp(), BLOCK)
    noise = np.random.default_rng(8).standard_normal((30, BLOCK))
    rms = np.sqrt(np.mean(np.abs(compress(noise) / compress.peak) ** 2))
    assert rms == pytest.approx(compress.shape.noise_gain, rel=0.01)


def test_white_noise_and_echo_give_2e_over_n0() -> None:
    # d² = 2E/N0 = A²·E/σ² for white noise of σ a sample (N0 = 2σ² a sample), and twice
    # the peak's power over the envelope's noise power: the definition that the
    # detector uses. Turin 1960, eq. 13.
    compress = PulseCompressor(chirp(), BLOCK)
    energy = float(chirp().samples.astype(float) @ chirp().samples)
    assert 2 / compress.shape.noise_gain**2 == pytest.approx(energy, rel=1e-5)


def test_weighting_costs_the_snr_that_its_own_filter_loses() -> None:
    # By Cauchy and Schwarz the loss of a weight w is (∫w|P|²)²/(∫|P|² ∫w²|P|²)
    # (Turin 1960); here from a plain FFT of the pulse at another length.
    pulse = chirp()
    energy = np.abs(np.fft.rfft(pulse.samples.astype(float), 1 << 17)) ** 2
    frequency = np.fft.rfftfreq(1 << 17, 1 / RATE_HZ)
    place = np.clip((frequency - 4e3) / 8e3, 0, 1)
    weight = 0.5 - 0.5 * np.cos(2 * np.pi * place)
    kept = (weight @ energy) ** 2 / (energy.sum() * (weight**2 @ energy))
    shape = PulseCompressor(pulse, BLOCK, weighting="hann").shape
    assert shape.efficiency == pytest.approx(kept, rel=1e-3)  # bins of 10 Hz against 1.5


def test_plain_matched_filter_loses_nothing() -> None:
    assert PulseCompressor(chirp(), BLOCK).shape.efficiency == pytest.approx(
        1, abs=2 * ENERGY_LEFT_OUT
    )


@settings(max_examples=40, deadline=None)
@given(delay=st.floats(0.001, 0.08), amplitude=st.floats(1e-3, 1.0))
def test_shape_is_what_an_echo_really_gives(delay: float, amplitude: float) -> None:
    pulse = chirp()
    compress = PulseCompressor(pulse, BLOCK)
    length = 1 << 16
    frequency = np.fft.rfftfreq(length, 1 / RATE_HZ)
    spectrum = np.fft.rfft(pulse.samples.astype(float), length)
    block = np.fft.irfft(spectrum * np.exp(-2j * np.pi * frequency * delay), length)[:BLOCK]
    envelope = compress.from_time_zero(compress.band_spectrum(amplitude * block), 0.0)
    expected = amplitude * compress.shape.at_bins(delay, envelope.size)
    # Single precision, and what a fractional shift spreads over the block's end.
    np.testing.assert_allclose(envelope, expected, atol=3e-5 * amplitude)


@settings(max_examples=40, deadline=None)
@given(start=st.floats(0.0, 0.04))
def test_moving_time_zero_moves_an_echo_and_nothing_else(start: float) -> None:
    compress = PulseCompressor(chirp(), BLOCK)
    block = np.zeros(BLOCK, dtype=np.float32)
    block[9600 : 9600 + 1920] = chirp().samples
    envelope = compress.from_time_zero(compress.band_spectrum(block), start)
    expected = compress.shape.at_bins(9600 / RATE_HZ - start, envelope.size)
    np.testing.assert_allclose(envelope, expected, atol=3e-5)


def test_shape_at_a_lag_equals_shape_at_its_bin() -> None:
    shape = PulseCompressor(chirp(), BLOCK).shape
    on_bins = shape.at_bins(20 * shape.bin_s, 100)
    lags = (np.arange(100) - 20) * shape.bin_s
    np.testing.assert_allclose(np.abs(on_bins), np.abs(shape.at(lags)), atol=1e-6)


@given(
    lags=arrays(np.float64, array_shapes(min_dims=0, max_dims=2), elements=st.floats(-0.1, 0.1)),
    band=st.integers(1, 300),
    sums=st.none() | st.integers(1, 3),
)
def test_turning_sums_are_the_sums_as_written(
    lags: np.ndarray, band: int, sums: int | None
) -> None:
    # By the definition, term by term. A turn of up to 0.1 s · 300 · 7 Hz = 210 is known to
    # 2e-16 of itself, so each term's angle to 3e-13 rad and no more.
    rng = np.random.default_rng(band)
    weights = rng.standard_normal((band,) if sums is None else (band, sums))
    wanted = np.tensordot(
        np.exp(2j * np.pi * lags[..., np.newaxis] * 7.0 * np.arange(band)), weights, axes=1
    )
    found = turning_sums(lags, weights, step_hz=7.0)
    assert found.shape == wanted.shape
    assert np.abs(found - wanted).max(initial=0) <= 3e-13 * np.abs(weights).sum()


@pytest.mark.parametrize("name", ["tone", "barker"])
def test_what_hum_s_filter_took_from_a_pulse_is_known_of_its_echo(name: str) -> None:
    # Below 25 kHz nothing is kept: of an echo's hard edges that takes a part.
    compress = PulseCompressor(PULSES[name], BLOCK)
    kept = 1.0 * (np.fft.rfftfreq(compress.fft_samples, 1 / RATE_HZ) > 25e3)
    after = compress.of_filtered(kept)
    block = np.zeros(BLOCK)
    block[9600 : 9600 + PULSES[name].samples.size] = PULSES[name].samples
    spectrum = (compress.spectrum(block) * kept).astype(np.complex64)
    envelope = after.from_time_zero(after.matched(spectrum), 0.0)
    np.testing.assert_allclose(
        envelope, after.shape.at_bins(9600 / RATE_HZ, envelope.size), atol=3e-5
    )
    # By Parseval; some 200 cells of noise tell its RMS to 1/(2 √200) = 3.5 %: four times that.
    noise = np.random.default_rng(1).standard_normal(BLOCK)
    heard = after.from_time_zero(
        after.matched((compress.spectrum(noise) * kept).astype(np.complex64)), 0.0
    )
    assert np.sqrt(np.mean(np.abs(heard) ** 2)) == pytest.approx(after.shape.noise_gain, rel=0.14)
    # A filter takes some of what is known of the delay, and some of the energy.
    assert after.shape.efficiency < compress.shape.efficiency == pytest.approx(1.0)
    assert after.shape.rms_bandwidth_rad_s < compress.shape.rms_bandwidth_rad_s


def test_half_amplitude_width_is_where_the_lobe_has_fallen_to_half() -> None:
    shape = PulseCompressor(chirp(), BLOCK).shape
    assert abs(shape.at(shape.width_s / 2)) == pytest.approx(0.5, abs=1e-6)


def test_block_shorter_than_the_pulse_is_refused_with_both_lengths() -> None:
    with pytest.raises(ValueError, match=r"found 1000; give at least the pulse's 1920"):
        PulseCompressor(chirp(), 1000)


def test_block_of_another_length_is_refused() -> None:
    with pytest.raises(ValueError, match="found 100 samples; give 19200"):
        PulseCompressor(chirp(), BLOCK)(np.zeros(100))


def test_unknown_weighting_is_refused() -> None:
    with pytest.raises(ValueError, match="weighting: found 'boxcar'; give"):
        PulseCompressor(chirp(), BLOCK, weighting="boxcar")


def test_time_zero_outside_the_block_is_refused() -> None:
    compress = PulseCompressor(chirp(), BLOCK)
    with pytest.raises(ValueError, match="within the block"):
        compress.from_time_zero(compress.band_spectrum(np.zeros(BLOCK)), 1.0)
