"""Equalised compression against Wiener's criterion, theory of band-limited echoes, trials."""

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import correlate, find_peaks, hilbert, resample

from dsp.ping.pulse.compression import PulseCompressor
from dsp.ping.pulse.equalising import (
    Equalisation,
    Replica,
    aligned_mean,
    equalisation,
    measured_replica,
    noise_cost_db,
)
from dsp.ping.pulse.pulses import Pulse, linear_chirp

RATE_HZ = 48_000.0


def coloured(pulse: Pulse, centre_hz: float, wide_hz: float, *, length: int = 4096) -> np.ndarray:
    """A pulse's samples, after two resonators, each −3 dB wide by `wide_hz`."""
    frequency = np.maximum(np.fft.rfftfreq(length, 1 / RATE_HZ), 1e-9)
    ratio = frequency / centre_hz
    answer = 1 / (1 + 1j * centre_hz / wide_hz * (ratio - 1 / ratio)) ** 2
    return np.fft.irfft(np.fft.rfft(pulse.samples.astype(float), length) * answer, length)


def heard_pulse(pulse: Pulse, centre_hz: float, wide_hz: float) -> Pulse:
    samples = coloured(pulse, centre_hz, wide_hz)[: pulse.samples.size + 200]
    return Pulse(samples=samples.astype(np.float32), sample_rate_hz=RATE_HZ, band_hz=pulse.band_hz)


def compressor(pulse: Pulse, found: Equalisation, block: int) -> PulseCompressor:
    return PulseCompressor(
        pulse, block, weighting="equalised", floor=found.floor, band_hz=found.band_hz
    )


CHIRP = linear_chirp(4e3, 12e3, 0.010, RATE_HZ)
HEARD = heard_pulse(CHIRP, 8e3, 4e3)


@given(st.lists(st.floats(1e-6, 1.0), min_size=2, max_size=30), st.floats(1e-6, 1.0))
def test_noise_cost_is_never_negative_and_rises_as_the_floor_sinks(
    power: list[float], floor: float
) -> None:
    spectrum = np.array(power)
    cost = noise_cost_db(spectrum, floor)
    assert cost >= -1e-9  # rounding
    assert noise_cost_db(spectrum, floor / 2) >= cost - 1e-9


@given(st.integers(0, 2**32 - 1), st.floats(1e-4, 1.0))
@settings(max_examples=50)
def test_no_other_filter_has_a_smaller_error_than_wiener_s(seed: int, floor: float) -> None:
    # What comes out of an echo is |S|²W where 1 is wanted, and of noise of power `floor`
    # in each bin |S|²W² floor; Wiener 1949: their sum is least for W = 1/(|S|² + floor).
    rng = np.random.default_rng(seed)
    power = rng.uniform(1e-4, 1.0, 50)

    def error(weight: np.ndarray) -> float:
        return float(np.sum((1 - power * weight) ** 2 + floor * power * weight**2))

    best = 1 / (power + floor)
    other = best * (1 + 0.1 * rng.standard_normal(50))
    assert error(best) <= error(other)


@pytest.mark.parametrize("cost_db", [1.0, 6.0, 15.0])
def test_the_cost_that_was_allowed_is_spent_and_not_exceeded(cost_db: float) -> None:
    found = equalisation(HEARD, most_cost_db=cost_db)
    # The compressor's own grid is another than the search's: 0.1 dB of ripple between.
    assert found.noise_cost_db == pytest.approx(cost_db, abs=0.1)


def test_more_noise_buys_a_narrower_echo() -> None:
    widths = [equalisation(HEARD, most_cost_db=cost).width_s for cost in (1, 3, 6, 10, 15, 20)]
    assert all(a > b for a, b in itertools.pairwise(widths))


def test_equalised_to_the_full_a_band_limited_echo_is_as_wide_as_theory_has_it() -> None:
    # A flat band of width B compresses to a sinc, whose half-amplitude width is 1.2067/B
    # (sin x = x/2 at x = 1.8955; 2·1.8955/π). The pulse here has half a cosine over
    # exactly that band and nothing outside; 20 dB below, lifted to within 0.1 dB, leaves
    # the edges of 3 % of the band rounded, which widens it by less.
    length, low, high = 4096, 4e3, 12e3
    frequency = np.fft.rfftfreq(length, 1 / RATE_HZ)
    inside = (frequency >= low) & (frequency <= high)
    shape = np.where(inside, np.sin(np.pi * (frequency - low) / (high - low)), 0.0)
    spectrum = shape * np.exp(-1j * np.pi * length / RATE_HZ * frequency)
    samples = np.fft.irfft(spectrum, length)
    pulse = Pulse(
        samples=(samples / abs(samples).max()).astype(np.float32),
        sample_rate_hz=RATE_HZ,
        band_hz=(low, high),
    )
    compress = PulseCompressor(pulse, 8192, weighting="equalised", floor=1e-4)
    assert compress.shape.width_s == pytest.approx(1.2067 / (high - low), rel=0.03)


def test_noise_comes_out_as_strong_as_the_cost_says() -> None:
    # 40 blocks of some 800 independent cells: the RMS of noise is known to
    # 1/(2 √32 000) = 0.3 %; four times that. The plain filter's gain is 1/√energy.
    found = equalisation(HEARD, most_cost_db=10.0)
    compress = compressor(HEARD, found, 9600)
    noise = np.random.default_rng(3).standard_normal((40, 9600))
    rms = np.sqrt(np.mean(np.abs(compress(noise) / compress.peak) ** 2))
    energy = float(np.sum(HEARD.samples.astype(float) ** 2))
    plain_rms = math.sqrt(2 / energy)  # of an envelope: Turin 1960
    assert 20 * math.log10(rms / plain_rms) == pytest.approx(found.noise_cost_db, abs=0.1)


def peaks_of(envelope: np.ndarray, delay_s: np.ndarray) -> list[float]:
    """Delays of the maxima above half of the highest."""
    magnitude = np.abs(envelope)
    places, _ = find_peaks(magnitude, height=magnitude.max() / 2)
    return [float(delay_s[p]) for p in places]


def finer(compress: PulseCompressor, block: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The envelope on a grid 32 times as fine, by padding its spectrum with zeros."""
    band = compress.band_spectrum(block)
    bins = 32 * compress.shape.cycle_bins
    return np.fft.ifft(band, bins), np.arange(bins) * compress.bin_s / 32


@pytest.mark.parametrize(
    ("wide_hz", "snr_db", "cost_db"), [(1e9, 50.0, 10.0), (1e9, 50.0, 15.0), (8e3, 65.0, 28.0)]
)
def test_two_echoes_at_0_6_of_the_resolution_show_as_two_where_the_plain_filter_shows_one(
    wide_hz: float, snr_db: float, cost_db: float
) -> None:
    # A chirp from 7 to 13 kHz: 0.6/B is one whole turn of the middle frequency, so that
    # the two add up in phase, which is the worst case. The cost leaves 2E/N0 above 35 dB.
    sent = linear_chirp(7e3, 13e3, 0.010, RATE_HZ, taper="none")
    heard = heard_pulse(sent, 10e3, wide_hz)
    apart_s = 0.6 / 6e3
    length, at_s = 4800, 0.02
    frequency = np.fft.rfftfreq(length, 1 / RATE_HZ)
    both = np.exp(-2j * np.pi * frequency * at_s) * (1 + np.exp(-2j * np.pi * frequency * apart_s))
    block = np.fft.irfft(np.fft.rfft(heard.samples.astype(float), length) * both, length)
    energy = float(np.sum(heard.samples.astype(float) ** 2))
    noise_rms = math.sqrt(energy / 10 ** (snr_db / 10))
    block += noise_rms * np.random.default_rng(4).standard_normal(length)
    plain = peaks_of(*finer(PulseCompressor(heard, length), block))
    assert len(plain) == 1
    assert plain[0] == pytest.approx(at_s + apart_s / 2, abs=apart_s / 4)
    found = equalisation(heard, most_cost_db=cost_db)
    equalised = peaks_of(*finer(compressor(heard, found, length), block))
    # Each is pulled by the other's flank and by the noise; a quarter of their distance
    # still tells which is which.
    np.testing.assert_allclose(equalised, [at_s, at_s + apart_s], atol=apart_s / 4)


def plain_delay_s(samples: np.ndarray) -> float:
    """Where the sent pulse's own filter places it: the peak of its envelope, by scipy."""
    envelope = np.abs(hilbert(correlate(samples, CHIRP.samples.astype(float))))
    finer_by = 64
    near = int(envelope.argmax())
    fine = resample(envelope[near - 64 : near + 64], 128 * finer_by)
    return (near - 64 + fine.argmax() / finer_by - (CHIRP.samples.size - 1)) / RATE_HZ


LATE_S = plain_delay_s(coloured(CHIRP, 8e3, 4e3, length=4096))
ARRIVAL_S = 0.005 + LATE_S
GATE_S = (1e-3, 1.8e-3)


def replica_of(block: np.ndarray, noise_rms: float) -> Replica:
    return measured_replica(
        block,
        CHIRP,
        delay_s=ARRIVAL_S,
        before_s=GATE_S[0],
        after_s=GATE_S[1],
        noise_rms=noise_rms,
    )


def a_block(answer_wide_hz: float, noise_rms: float, seed: int) -> np.ndarray:
    """Two coloured copies 4 ms apart, at 5 and 9 ms, in noise."""
    alone = coloured(CHIRP, 8e3, answer_wide_hz, length=4096)
    spectrum = np.fft.rfft(alone)
    frequency = np.fft.rfftfreq(4096, 1 / RATE_HZ)
    turns = np.exp(-2j * np.pi * frequency * 0.005) + 0.7 * np.exp(-2j * np.pi * frequency * 0.009)
    noise = noise_rms * np.random.default_rng(seed).standard_normal(4096)
    return np.fft.irfft(spectrum * turns, 4096) + noise


def after_its_instant(replica: Replica) -> np.ndarray:
    """The replica's samples, turned so that its instant stands at sample 0 of 4096."""
    frequency = np.fft.rfftfreq(4096, 1 / RATE_HZ)
    spectrum = np.fft.rfft(replica.pulse.samples.astype(float), 4096)
    return np.fft.irfft(spectrum * np.exp(2j * np.pi * frequency * replica.lead_s), 4096)


def test_the_replica_is_the_pulse_as_it_was_heard_though_another_overlaps_it() -> None:
    got = after_its_instant(replica_of(a_block(4e3, 1e-4, 5), 1e-4))
    frequency = np.fft.rfftfreq(4096, 1 / RATE_HZ)
    spectrum = np.fft.rfft(coloured(CHIRP, 8e3, 4e3, length=4096))
    wanted = np.fft.irfft(spectrum * np.exp(2j * np.pi * frequency * LATE_S), 4096)
    # Its scale is the plain filter's reading; the rest must be alike. What leaks of the
    # other echo is a sinc's flank, 1/(π · 8 kHz · 4 ms) = −40 dB in amplitude.
    scale = got @ wanted / (wanted @ wanted)
    misfit = np.sum((got - scale * wanted) ** 2) / np.sum((scale * wanted) ** 2)
    assert 10 * math.log10(misfit) < -40


def test_the_sent_pulse_s_own_filter_reads_the_replica_as_amplitude_1() -> None:
    got = after_its_instant(replica_of(a_block(4e3, 1e-4, 6), 1e-4))
    sent = CHIRP.samples.astype(float)
    envelope = np.abs(hilbert(correlate(np.roll(got, 1000), sent))) / (sent @ sent)
    at = 1000 + sent.size - 1
    assert envelope[at - 2 : at + 3].max() == pytest.approx(1.0, abs=0.005)  # between samples
    assert envelope.max() == pytest.approx(1.0, abs=0.005)


def test_a_replica_s_noise_is_no_more_than_its_gate_lets_through() -> None:
    # The gate keeps (1 + 1.8) ms · 48 kHz = 134 samples' worth of noise, in the pulse's
    # third of all frequencies and, where the pulse fades, some more: not above them all.
    noise_rms = 3e-3
    replicas = [
        replica_of(a_block(4e3, noise_rms, seed), noise_rms).pulse.samples.astype(float)
        for seed in range(20)
    ]
    noise = np.var(replicas, axis=0, ddof=1).sum()
    sent = CHIRP.samples.astype(float)
    envelope = np.abs(hilbert(correlate(coloured(CHIRP, 8e3, 4e3, length=4096), sent)))
    amplitude = envelope.max() / (sent @ sent)
    assert noise < sum(GATE_S) * RATE_HZ * (noise_rms / amplitude) ** 2


def test_an_arrival_outside_the_block_is_refused() -> None:
    with pytest.raises(ValueError, match="delay_s: found 1 s"):
        measured_replica(
            np.ones(4096), CHIRP, delay_s=1.0, before_s=1e-3, after_s=1e-3, noise_rms=1e-4
        )


def test_blocks_are_lined_up_by_any_part_of_a_sample() -> None:
    frequency = np.fft.rfftfreq(1024, 1 / RATE_HZ)
    pulse = np.fft.rfft(CHIRP.samples.astype(float), 1024)
    starts_s = np.array([100.25, 37.7, 5.0]) / RATE_HZ
    blocks = np.array(
        [np.fft.irfft(pulse * np.exp(-2j * np.pi * frequency * s), 1024) for s in starts_s]
    )
    mean = aligned_mean(blocks, starts_s, RATE_HZ)
    # Rounding, and the bin at half the rate, of which a part of a sample keeps the cosine.
    np.testing.assert_allclose(mean[:480], CHIRP.samples, atol=1e-4)
