"""Detection against probability theory, the Cramér–Rao bound and known echoes."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dsp.ping.first_sound.arrivals import first_arrival
from dsp.ping.noise.delay_spread import delay_excess
from dsp.ping.noise.false_alarms import cell_averaging_factor, ordered_statistic_factor
from dsp.ping.noise.thresholds import cell_averaging_threshold, ordered_statistic_threshold
from dsp.ping.pulse.compression import PulseCompressor
from dsp.ping.pulse.peaks import Peak, delay_uncertainty_s, interpolated, refined, side_lobe_ceiling
from dsp.ping.pulse.pulses import Pulse, barker13, linear_chirp, tone_burst
from dsp.ping.search.search import find_echoes, found_each

RATE_HZ = 48_000.0
BLOCK = 12_000
CHIRP = linear_chirp(4e3, 12e3, 0.010, RATE_HZ)
COMPRESS = PulseCompressor(CHIRP, BLOCK)
LOBE_BINS = COMPRESS.shape.width_s / COMPRESS.bin_s
CENTRE_TURNS = (COMPRESS.shape.centre_hz - COMPRESS.shape.carrier_hz) * COMPRESS.bin_s


def echo(delay_s: float, amplitude: float = 1.0, pulse: Pulse = CHIRP) -> np.ndarray:
    """Samples of an echo at any part of a sample, by a shift of the spectrum's phase."""
    length = 1 << 15
    frequency = np.fft.rfftfreq(length, 1 / RATE_HZ)
    spectrum = np.fft.rfft(pulse.samples.astype(float), length)
    shifted = spectrum * np.exp(-2j * np.pi * frequency * delay_s)
    return amplitude * np.fft.irfft(shifted, length)[:BLOCK]


def envelope_of(block: np.ndarray, compress: PulseCompressor = COMPRESS) -> np.ndarray:
    return compress.from_time_zero(compress.band_spectrum(block), 0.0)


def peaks_of_each(
    blocks: list[np.ndarray], compress: PulseCompressor, false_alarm_rate: float
) -> list[tuple[Peak, ...]]:
    """Search blocks together, which finds the same in a third of the time."""
    envelopes, start_s = envelope_of(np.array(blocks), compress), np.zeros(len(blocks))
    found = found_each(envelopes, compress.shape, rates=(false_alarm_rate,), start_s=start_s)
    return [one.peaks for one in found]


# Thresholds


def test_cell_averaging_factor_is_the_closed_form() -> None:
    # α = N(Pfa^(−1/N) − 1), Finn and Johnson 1968 (from memory).
    assert cell_averaging_factor(1e-4, 16) == pytest.approx(16 * (1e-4 ** (-1 / 16) - 1))


def test_with_many_cells_both_factors_are_that_of_known_noise() -> None:
    # Known noise power: the envelope threshold is √(−2 ln Pfa) σ a quadrature, that is
    # −ln Pfa times the mean power. N cells lift it by a share of about ln(1/Pfa)/2N.
    cells, goal = 100_000, -math.log(1e-6)
    assert cell_averaging_factor(1e-6, cells) == pytest.approx(goal, rel=1e-4)
    rank = 75_000
    mean_of_ranked = sum(1 / (cells - i) for i in range(rank))
    factor = ordered_statistic_factor(1e-6, cells, rank) * mean_of_ranked
    assert factor == pytest.approx(goal, rel=3e-4)


@given(rate=st.floats(1e-9, 0.05), cells=st.integers(4, 64), share=st.floats(0.3, 0.95))
def test_ordered_statistic_factor_solves_rohling_s_equation(
    rate: float, cells: int, share: float
) -> None:
    # Rohling 1983, eq. 37: Pfa = k·C(N, k)·Γ(N − k + 1 + α)Γ(k)/Γ(N + α + 1).
    rank = max(1, round(share * cells))
    factor = ordered_statistic_factor(rate, cells, rank)
    log_rate = (
        math.log(rank)
        + math.lgamma(cells + 1)
        - math.lgamma(rank + 1)
        - math.lgamma(cells - rank + 1)
        + math.lgamma(cells - rank + 1 + factor)
        + math.lgamma(rank)
        - math.lgamma(cells + factor + 1)
    )
    assert log_rate == pytest.approx(math.log(rate), abs=1e-6)


@pytest.mark.parametrize("kind", ["cell averaging", "ordered statistic"])
def test_false_alarms_come_as_often_as_was_asked(kind: str) -> None:
    # White complex Gaussian cells, 60 profiles of 4000: 240 000 at 1e-3 are 240 alarms
    # to expect, √240 = 15.5 their Poisson spread; neighbours share cells, which widens
    # it by less than √2: 4 · 22 = 88.
    rng = np.random.default_rng(11)
    alarms = 0
    for _ in range(60):
        power = rng.exponential(size=4000)
        if kind == "cell averaging":
            threshold = cell_averaging_threshold(power, false_alarm_rate=1e-3, guard_bins=2)
        else:
            threshold, _ = ordered_statistic_threshold(power, false_alarm_rate=1e-3, guard_bins=2)
        alarms += int(np.count_nonzero(power > threshold))
    assert alarms == pytest.approx(240, abs=88)


def test_ordered_statistic_is_not_lifted_by_a_quarter_of_strong_cells() -> None:
    rng = np.random.default_rng(3)
    power = rng.exponential(size=2000)
    crowded = power.copy()
    crowded[np.arange(0, 2000, 5)] += 1e6
    low, _ = ordered_statistic_threshold(power, false_alarm_rate=1e-6, guard_bins=2)
    high, _ = ordered_statistic_threshold(crowded, false_alarm_rate=1e-6, guard_bins=2)
    averaged = cell_averaging_threshold(crowded, false_alarm_rate=1e-6, guard_bins=2)
    # A fifth of the cells gone from the top: the 75th rank of 100 becomes the 94th of 100
    # of the noise, whose mean is 2.7/1.36 = 2.0 times as high.
    assert np.median(high / low) < 2.5
    assert np.median(averaged / low) > 1e4


def test_too_short_a_profile_is_refused_with_the_length_that_would_do() -> None:
    with pytest.raises(ValueError, match="found 8 bins; give at least"):
        cell_averaging_threshold(np.ones(8), false_alarm_rate=1e-3, guard_bins=2)


@pytest.mark.parametrize("rate", [0.0, 1.0, -1.0])
def test_impossible_false_alarm_rate_is_refused(rate: float) -> None:
    with pytest.raises(ValueError, match="false_alarm_rate: found"):
        cell_averaging_factor(rate, 16)


# Peaks


@given(st.floats(20, 80))
def test_interpolation_is_exact_between_bins(position: float) -> None:
    # A tone well inside the band; its kernel is stated to be 100 dB good.
    tone = np.exp(2j * np.pi * 0.2 * np.arange(100))
    value = interpolated(tone, np.array([position]))[0]
    assert abs(value - np.exp(2j * np.pi * 0.2 * position)) < 1e-3


def test_a_triangle_s_highest_place_errs_as_the_theory_of_jumps_has_it() -> None:
    # A tone with hard ends: √6.5 T/d² (Ibragimov and Has'minskii 1981, ch. VII: 26/r⁴, from
    # memory). 768 samples long, its tip is round over some of them, 1/200 of T where the errors
    # are 1/40 and more. Three times the drawing's 3 %; and lags that are 1.29 of each other, of
    # which the highest and two beside it tell the place: 0.29²/√12 = 2.4 % of it.
    shape = PulseCompressor(tone_burst(40e3, 4e-3, 192e3, taper="none"), 19_200).shape
    d2 = 10 ** np.array([1.4, 1.7, 2.0])
    u_s = delay_uncertainty_s(shape, 1.0) / np.sqrt(d2) * delay_excess(shape, d2)
    assert u_s == pytest.approx(math.sqrt(6.5) * 4e-3 / d2, rel=3 * 0.03 + 0.024)


def test_a_round_lobe_errs_to_first_order_from_20_db_on() -> None:
    # A chirp's lobe is a sinc to some 1/√BT: its fourth power is 3/5 of β⁴, which at σ = 1/(βd)
    # adds 3/5/d² and the like, a few hundredths at d² = 100 and a thousandth at 10⁴.
    excess = delay_excess(COMPRESS.shape, np.array([1e2, 1e3, 1e4]))
    assert (excess <= 1 + np.array([0.05, 0.005, 0.0005])).all()


@pytest.mark.parametrize("weighting", ["none", "hann"])
def test_a_lobe_of_many_bins_is_placed_between_them(weighting: str) -> None:
    # A tone of 1 ms at 192 kHz: its lobe is some hundred bins wide and flat on top. The
    # bound at 40 dB, 1/(d βₑ) with βₑ ≈ √12/T, is 2.9 µs; the bias may be a tenth of it.
    pulse = tone_burst(40e3, 1e-3, 192e3)
    compress = PulseCompressor(pulse, 9600, weighting=weighting)
    length = 1 << 14
    frequency = np.fft.rfftfreq(length, 1 / 192e3)
    spectrum = np.fft.rfft(pulse.samples.astype(float), length)
    for part in np.linspace(0, 1, 9):
        delay_s = (3000 + part) / 192e3
        block = np.fft.irfft(spectrum * np.exp(-2j * np.pi * frequency * delay_s), length)[:9600]
        envelope = compress.from_time_zero(compress.band_spectrum(block), 0.0)
        position, _ = refined(
            envelope,
            np.array([np.abs(envelope).argmax()]),
            lobe_bins=compress.shape.width_s / compress.bin_s,
            centre_turns=(compress.shape.centre_hz - compress.shape.carrier_hz) * compress.bin_s,
        )
        assert position[0] * compress.bin_s == pytest.approx(delay_s, abs=2.9e-7)


@settings(max_examples=60, deadline=None)
@given(part=st.floats(0, 1), amplitude=st.floats(1e-3, 1))
def test_a_peak_without_noise_is_placed_to_a_thousandth_of_a_sample(
    part: float, amplitude: float
) -> None:
    delay_s = (3000 + part) / RATE_HZ
    envelope = envelope_of(echo(delay_s, amplitude))
    position, height = refined(
        envelope,
        np.array([np.abs(envelope).argmax()]),
        centre_turns=CENTRE_TURNS,
        lobe_bins=LOBE_BINS,
    )
    assert position[0] * COMPRESS.bin_s == pytest.approx(delay_s, abs=1e-3 / RATE_HZ)
    assert height[0] == pytest.approx(amplitude, rel=1e-3)


@pytest.mark.parametrize("snr_db", [20, 30, 40])
def test_delay_error_stands_at_the_cramer_rao_bound(snr_db: float) -> None:
    # var(τ) ≥ 1/(d²β²) with d² = 2E/N0 and β the RMS bandwidth about the centre
    # (C. E. Cook and M. Bernfeld, Radar Signals, 1967, ch. 5; from memory). β is taken
    # here from the pulse's samples by a plain FFT, not from the compressor.
    spectrum = np.abs(np.fft.rfft(CHIRP.samples.astype(float), 1 << 16)) ** 2
    omega = 2 * np.pi * np.fft.rfftfreq(1 << 16, 1 / RATE_HZ)
    mean = omega @ spectrum / spectrum.sum()
    beta = math.sqrt((omega - mean) ** 2 @ spectrum / spectrum.sum())
    d = 10 ** (snr_db / 20)
    bound_s = 1 / (d * beta)
    energy = float(CHIRP.samples.astype(float) @ CHIRP.samples)
    trials, rng = 400, np.random.default_rng(int(snr_db))
    places_s, blocks = [], []
    for _ in range(trials):
        places_s.append((3000 + rng.random()) / RATE_HZ)
        blocks.append(echo(places_s[-1], d / math.sqrt(energy)) + rng.standard_normal(BLOCK))
    envelopes = envelope_of(np.array(blocks))
    highest = np.abs(envelopes[:, 1400:1700]).argmax(axis=1)  # the search: 12.5 ms about the echo
    # Laid end to end, each is read far from where its neighbours begin.
    begin = np.arange(trials) * envelopes.shape[1]
    position, _ = refined(
        envelopes.ravel(), begin + 1400 + highest, centre_turns=CENTRE_TURNS, lobe_bins=LOBE_BINS
    )
    errors = (position - begin) * COMPRESS.bin_s - np.array(places_s)
    rms, bias = np.sqrt(np.mean(np.square(errors))), np.mean(errors)
    # 400 trials tell an RMS to 1/√800 = 3.5 %, so an estimator that stands at the bound
    # is within 1.10 of it with 99.7 % chance.
    assert 0.90 * bound_s < rms < 1.10 * bound_s
    assert abs(bias) < 0.1 * bound_s + bound_s / math.sqrt(trials)


def test_below_its_threshold_snr_the_search_picks_wrong_peaks() -> None:
    # The bound does not hold there: at 10 dB some 55 % are outliers and at 15 dB 1 %
    # (computed by Monte Carlo for a search over some 100 cells); the more cells, the
    # more. Here 12.5 ms · 8 kHz = 100 cells; 200 trials tell a share to 3.5 %.
    energy = float(CHIRP.samples.astype(float) @ CHIRP.samples)
    rng = np.random.default_rng(4)

    def outliers(snr_db: float) -> float:
        wrong = 0
        for _ in range(200):
            block = echo(3000 / RATE_HZ, 10 ** (snr_db / 20) / math.sqrt(energy))
            envelope = envelope_of(block + rng.standard_normal(BLOCK))
            place = 1400 + np.abs(envelope[1400:1700]).argmax()
            wrong += abs(place * COMPRESS.bin_s - 3000 / RATE_HZ) > COMPRESS.shape.width_s
        return wrong / 200

    assert outliers(6) > 0.5
    assert outliers(10) > 0.15
    assert outliers(20) == 0


def test_stated_uncertainty_equals_the_bound_for_a_plain_matched_filter() -> None:
    shape = COMPRESS.shape
    assert delay_uncertainty_s(shape, 1000.0) == pytest.approx(
        1 / (math.sqrt(1000.0) * shape.rms_bandwidth_rad_s), rel=1e-6
    )


def test_stated_uncertainty_covers_the_errors_of_a_weighted_receiver() -> None:
    compress = PulseCompressor(CHIRP, BLOCK, weighting="hann")
    rng, places_s, blocks, scaled = np.random.default_rng(9), [], [], []
    for _ in range(200):
        places_s.append((3000 + rng.random()) / RATE_HZ)
        blocks.append(echo(places_s[-1], 0.01) + 0.01 * rng.standard_normal(BLOCK))
    for delay_s, peaks in zip(places_s, peaks_of_each(blocks, compress, 1e-6), strict=True):
        nearest = min(peaks, key=lambda p: abs(p.delay_s - delay_s))
        scaled.append((nearest.delay_s - delay_s) / nearest.u_delay_s)
    # χ² of 200: the RMS within 3 standard errors of 1/√400; the noise estimate from 64
    # cells adds a spread of some 8 % to each u, which averages out, and to first order
    # no bias.
    assert np.sqrt(np.mean(np.square(scaled))) == pytest.approx(1, abs=0.15 + 0.03)


# Echoes and side lobes


def test_strength_and_snr_of_an_echo_are_what_they_were_made() -> None:
    amplitude, sigma = 0.02, 0.01
    energy = float(CHIRP.samples.astype(float) @ CHIRP.samples)
    d2 = amplitude**2 * energy / sigma**2
    block = echo(0.05, amplitude) + sigma * np.random.default_rng(2).standard_normal(BLOCK)
    (peak,), _ = find_echoes(envelope_of(block), COMPRESS.shape, false_alarm_rate=1e-6)
    # The amplitude is noisy by 1/d = 3 %; the noise is learnt from 64 cells, to some
    # 1.3/√64 = 16 %. Three of each.
    assert peak.amplitude == pytest.approx(amplitude, rel=3 / math.sqrt(d2))
    assert 10 * math.log10(peak.snr) == pytest.approx(10 * math.log10(d2), abs=10 * 0.21)


@pytest.mark.parametrize(
    "pulse",
    [
        CHIRP,
        linear_chirp(4e3, 12e3, 0.010, RATE_HZ, taper="none"),
        barker13(8e3, 2.5e-4, RATE_HZ),
        tone_burst(8e3, 1e-3, RATE_HZ),
    ],
    ids=["chirp", "untapered chirp", "barker", "tone"],
)
def test_side_lobes_of_a_strong_sound_are_never_listed(pulse: Pulse) -> None:
    # A direct sound at half of full scale, 50 dB and more above the noise, alone. The
    # false-alarm rate is set so low that in 40 blocks noise itself lists nothing.
    compress = PulseCompressor(pulse, BLOCK)
    rng, places_s, blocks = np.random.default_rng(6), [], []
    for _ in range(40):
        places_s.append(0.02 + 0.01 * rng.random())
        sound = echo(places_s[-1], 0.5, pulse)
        blocks.append(sound + 10 ** (-70 / 20) * rng.standard_normal(BLOCK))
    for delay_s, peaks in zip(places_s, peaks_of_each(blocks, compress, 1e-9), strict=True):
        assert [round(p.delay_s - delay_s, 4) for p in peaks] == [0.0]


def test_side_lobes_of_a_coloured_echo_are_never_listed() -> None:
    # A transducer's resonance between microphone and sound makes the echo no exact
    # copy of the pulse: what is left once it has been taken away is no echo.
    rng = np.random.default_rng(7)
    frequency, blocks = np.fft.rfftfreq(BLOCK, 1 / RATE_HZ), []
    for _ in range(30):
        resonance = rng.uniform(6e3, 10e3)
        detune = frequency / resonance - resonance / np.maximum(frequency, 1)
        colour = 1 / np.sqrt(1 + detune**2)
        block = np.fft.irfft(np.fft.rfft(echo(0.03, 0.5)) * colour, BLOCK)
        block += 10 ** (-70 / 20) * rng.standard_normal(BLOCK)
        blocks.append(block)
    for peaks in peaks_of_each(blocks, COMPRESS, 1e-9):
        assert [round(p.delay_s - 0.03, 4) for p in peaks] == [0.0]


def test_weak_echoes_are_found_beside_a_strong_direct_sound() -> None:
    # 40 dB under the direct sound and well inside its side lobes' reach of 10 ms.
    rng = np.random.default_rng(8)
    truth = [0.010, 0.0125, 0.0150, 0.0181]
    levels = [0.5, 0.005, 0.02, 0.005]
    block = sum(echo(d, a) for d, a in zip(truth, levels, strict=True))
    block = block + 10 ** (-70 / 20) * rng.standard_normal(BLOCK)
    peaks, _ = find_echoes(envelope_of(block), COMPRESS.shape, false_alarm_rate=1e-6)
    assert len(peaks) == 4
    # Each within five of its own bounds, and what is left of the others: 1 % of a lobe.
    for peak, delay_s in zip(peaks, truth, strict=True):
        assert peak.delay_s == pytest.approx(delay_s, abs=5 * peak.u_delay_s + 1.6e-6)


def test_two_equal_echoes_one_and_a_half_resolution_cells_apart_are_told_apart() -> None:
    # c/2B in range is 1/B = 125 µs in delay; the taper makes the lobe 30 % wider.
    block = echo(0.03, 0.1) + echo(0.03 + 1.5 * 1.3 / 8e3, 0.1)
    block += 1e-3 * np.random.default_rng(1).standard_normal(BLOCK)
    peaks, _ = find_echoes(envelope_of(block), COMPRESS.shape, false_alarm_rate=1e-6)
    assert len(peaks) == 2


def test_echoes_outside_the_ranges_asked_for_are_not_returned() -> None:
    block = (
        echo(0.03, 0.1) + echo(0.05, 0.1) + 1e-3 * np.random.default_rng(1).standard_normal(BLOCK)
    )
    peaks, _ = find_echoes(
        envelope_of(block), COMPRESS.shape, false_alarm_rate=1e-6, start_s=0.04, stop_s=0.06
    )
    assert [round(p.delay_s, 4) for p in peaks] == [0.05]


def test_silence_and_a_profile_of_a_few_bins_hold_no_echo() -> None:
    peaks, threshold = find_echoes(np.zeros(4000), COMPRESS.shape, false_alarm_rate=1e-6)
    assert peaks == ()
    peaks, threshold = find_echoes(np.ones(5), COMPRESS.shape, false_alarm_rate=1e-6)
    assert peaks == ()
    assert threshold.size == 5


def test_first_arrival_is_the_first_not_the_strongest() -> None:
    block = (
        echo(0.02, 0.05) + echo(0.026, 0.4) + 1e-3 * np.random.default_rng(1).standard_normal(BLOCK)
    )
    peak = first_arrival(envelope_of(block), COMPRESS.shape)
    assert peak is not None
    assert peak.delay_s == pytest.approx(0.02, abs=1e-5)


def test_first_arrival_of_noise_alone_is_none() -> None:
    block = np.random.default_rng(1).standard_normal(BLOCK)
    assert first_arrival(envelope_of(block), COMPRESS.shape) is None


def test_side_lobe_ceiling_falls_and_stands_above_every_side_lobe() -> None:
    ceiling = side_lobe_ceiling(COMPRESS.shape, 500)
    assert ceiling[0] == pytest.approx(1, abs=1e-6)
    assert (np.diff(ceiling) <= 0).all()
    lags = np.arange(500) * COMPRESS.bin_s
    assert (np.abs(COMPRESS.shape.at(lags)) <= ceiling + 1e-6).all()


def test_rounding_that_a_quiet_input_does_not_show_is_no_echo() -> None:
    # An 8-bit converter and a noise of a twentieth of its step: most samples are 0, and now and
    # then one is a step. The noise that rounding makes is step/√12 (W. R. Bennett, Bell Syst.
    # Tech. J. 27, 1948; from memory).
    step = 1 / 128
    block = np.zeros(BLOCK)
    block[5000] = step
    compress = PulseCompressor(tone_burst(8e3, 1e-3, RATE_HZ), BLOCK)
    envelope = envelope_of(block, compress)
    seen, _ = find_echoes(envelope, compress.shape, false_alarm_rate=1e-6)
    assert seen  # so that the next line can fail
    least = step / math.sqrt(12) * compress.shape.noise_gain
    peaks, threshold = find_echoes(
        envelope, compress.shape, false_alarm_rate=1e-6, least_noise=least
    )
    assert peaks == ()
    assert threshold.min() >= math.sqrt(-math.log(1e-6)) * least * (1 - 1e-12)
