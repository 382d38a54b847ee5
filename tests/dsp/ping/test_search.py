"""The search's own parts: its table of copies, its shared cells, its fit and its look."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from dsp.ping.first_sound.arrivals import first_arrival
from dsp.ping.first_sound.punctual import standing_peak
from dsp.ping.noise.false_alarms import cell_averaging_factor, cell_rate
from dsp.ping.noise.noise_grid import cells_told, mean_of_weakest, noise_grid, weak_of
from dsp.ping.pulse.compression import PulseCompressor
from dsp.ping.pulse.lobe_table import lobe_table, powers_of
from dsp.ping.pulse.peaks import Peak, bin_reader
from dsp.ping.pulse.pulses import Pulse, barker13, golay_pair, linear_chirp, tone_burst
from dsp.ping.search.search import find_echoes, found_each, lead_bins

RATE_HZ, BLOCK = 48_000.0, 6000
PULSES = {
    "chirp": linear_chirp(4e3, 12e3, 0.010, RATE_HZ),
    "barker": barker13(8e3, 2.5e-4, RATE_HZ),
    "golay": golay_pair(8e3, 2.5e-4, 16, RATE_HZ)[0],
    "tone": tone_burst(8e3, 1e-3, RATE_HZ),
    "hard tone": tone_burst(8e3, 1e-3, RATE_HZ, taper="none"),
    "round tone": tone_burst(8e3, 1e-3, RATE_HZ, taper="hann"),
}
COMPRESS = PulseCompressor(PULSES["chirp"], BLOCK, weighting="hann")
SHAPE = COMPRESS.shape


def echo(delay_s: float, amplitude: float, pulse: Pulse = PULSES["chirp"]) -> NDArray[np.float64]:
    """Samples of an echo at any part of a sample, by a shift of the spectrum's phase."""
    length = 1 << 14
    frequency_hz = np.fft.rfftfreq(length, 1 / RATE_HZ)
    spectrum = np.fft.rfft(pulse.samples.astype(float), length)
    shifted = spectrum * np.exp(-2j * np.pi * frequency_hz * delay_s)
    return np.asarray(amplitude * np.fft.irfft(shifted, length)[:BLOCK])


def envelope_of(
    block: NDArray[np.float64], compress: PulseCompressor = COMPRESS
) -> NDArray[np.complex64]:
    return compress.from_time_zero(compress.band_spectrum(block), 0.0)


# The table of copies


@pytest.mark.parametrize("weighting", ["none", "hann"])
@pytest.mark.parametrize("name", sorted(PULSES))
def test_a_copy_from_the_table_is_the_pulse_s_own_to_100_db(name: str, weighting: str) -> None:
    # Against the shape's sum over its spectrum, at any part of a bin: the polynomial's error
    # is stated as 8e-7, single precision adds some 1e-7 for each of its 8 terms.
    shape = PulseCompressor(PULSES[name], BLOCK, weighting=weighting).shape
    table = lobe_table(shape)
    lag = np.arange(-table.reach_bins, table.reach_bins + 1)
    for part in (-0.5, -0.31, 0.0, 0.07, 0.5):
        copy = powers_of(np.array(part)) @ table.copies
        turn = np.exp(-2j * np.pi * table.turns * (lag + part))
        exact = shape.at((lag + part) * shape.bin_s) * turn
        assert np.abs(copy - exact).max() < 8e-7 + 8e-7


def test_the_table_s_slope_and_bend_are_those_of_its_values() -> None:
    # By central differences over 1e-4 of a bin, good to the square of that times the third
    # derivative, 2.4³/6 · 1e-8 = 2e-8, and to rounding over it: 1e-15/1e-8 for the bend.
    table, step = lobe_table(SHAPE), 1e-4
    lag = np.linspace(-20.2, 20.2, 57)
    value, slope, bend = table.lags(lag)
    before, after = table.lags(lag - step)[0], table.lags(lag + step)[0]
    near = np.abs(lag - np.rint(lag)) < 0.49  # a bin's polynomial ends with it
    assert np.abs(slope - (after - before) / (2 * step))[near].max() < 1e-6
    assert np.abs(bend - (after - 2 * value + before) / step**2)[near].max() < 1e-5


def test_beyond_the_table_there_is_nothing_and_nothing_is_left_out() -> None:
    table = lobe_table(SHAPE)
    assert not table.lags(np.array([table.reach_bins + 1.6, -1e9])).any()
    beyond = np.arange(table.reach_bins + 1, 2 * table.reach_bins) * SHAPE.bin_s
    assert np.abs(SHAPE.at(beyond)).max() < 3e-6  # −110 dB, as is stated


@pytest.mark.parametrize("turn_rad", [0.0, 0.01, 0.5, -1.5, 2.0, -2.4])
def test_a_reader_reads_any_tone_of_the_band_between_bins(turn_rad: float) -> None:
    # π / 1.3 = 2.417 is the band's end; 100 dB is what the search counts on.
    taps, to_powers, _ = bin_reader()
    part = np.linspace(-0.5, 0.5, 11)
    read = powers_of(part) @ (np.exp(1j * turn_rad * taps) @ to_powers)
    assert np.abs(read - np.exp(1j * turn_rad * part)).max() < 1e-5


def test_a_reader_has_no_ripple_where_a_lobe_is_wide() -> None:
    # A lobe of 300 bins has β² = 6e-5 a bin²; a slope of 1e-6 moves its top by 0.02 of a bin.
    taps, to_powers, _ = bin_reader()
    terms = np.ones(taps.size) @ to_powers
    part = np.linspace(-0.5, 0.5, 11)
    slope = powers_of(part)[:, :-1] @ (terms[1:] * np.arange(1, terms.size))
    assert np.abs(slope).max() < 1e-6


# Cells that bins share


@pytest.mark.parametrize("before_only", [False, True])
@pytest.mark.parametrize("bins", [70, 100, 400, 3000])
def test_shared_cells_stand_a_guard_away_from_every_bin_and_a_spacing_apart(
    bins: int, before_only: bool
) -> None:
    guard, spacing = 8, 6
    grid = noise_grid(bins, guard, spacing, before_only=before_only)
    assert grid.index.min() >= 0
    assert grid.index.max() < bins
    for place in range(bins):
        cells = np.sort(grid.index[grid.stretch_of[place]])
        assert np.abs(cells - place).min() > guard
        assert np.diff(cells).min() >= spacing
    if before_only and bins == 3000:
        late = grid.index[grid.stretch_of[2000]]
        assert (late < 2000).all()


def test_a_threshold_that_a_stretch_shares_keeps_its_false_alarm_rate() -> None:
    # As for cells of each bin's own: 240 000 exponential bins at 1e-3, 240 alarms, √240 = 15.5
    # their spread; bins that share cells are wrong together. The relative spread of a
    # threshold is 8 %, 1/√168, which at L = 7 makes alarms vary as exp(7 · 0.08) = 1.8-fold
    # from stretch to stretch: 8 bins in each have 1 alarm in 125, so that hardly any has two
    # and the spread grows by less than √2 once more.
    rng = np.random.default_rng(11)
    grid = noise_grid(4000, 2, 1)
    factor = cell_averaging_factor(1e-3, grid.cells)
    alarms = 0
    for _ in range(60):
        power = rng.exponential(size=4000)
        alarms += int(np.count_nonzero(power > (grid.ranked(power)[0] * factor)[grid.stretch_of]))
    assert alarms == pytest.approx(240, abs=4 * 15.5 * math.sqrt(2) * math.sqrt(2))


@pytest.mark.parametrize("share", [0.5, 0.875])
def test_looks_that_are_alike_are_worth_as_many_cells_as_their_mean_scatters(share: float) -> None:
    # Drawn: each look half of one number and half of the next, ρ² = 1/4. A variance of 4000
    # draws is known to √(2/4000) = 2.2 %; three of these, and 1 % for what 1/x bends.
    looks, rng = 96, np.random.default_rng(3)
    drawn = rng.standard_normal((4000, looks + 1, 2)) @ [1, 1j]
    power = np.sort(np.abs(drawn[:, :-1] + drawn[:, 1:]) ** 2, axis=1)
    mean = mean_of_weakest(power, round(share * looks))
    # E|z₁ + z₂|² is 4; the weakest of independent cells tell it without bias, others to 1/N.
    assert mean.mean() == pytest.approx(4, rel=1 / looks + 3 * 0.15 / math.sqrt(4000))
    worth = cells_told(looks, share, (0.25,))
    assert mean.mean() ** 2 / mean.var() == pytest.approx(worth, rel=3 * 0.022 + 0.01)
    assert cells_told(looks, share) == share * looks


def test_noise_that_is_louder_here_than_around_is_learnt_here() -> None:
    # 120 bins 10 dB louder than the rest, the nearest 64 cells of the middle 40 all among them.
    # Of all 192 cells some 60 % are loud: the weakest seven eighths end at the loud ones' 79 %
    # one, 1.56 of their mean. They are 77 quiet ones, 91 loud ones of 0.46 · 115 together, and
    # 24 times 1.56 for the others: 0.59 of the loud ones' mean, so that 1e-2 becomes
    # 1e-2^0.59 = 7 %. The nearest, 1.7 times that with a spread of 13 %, are by 1.39 times it
    # in 14 of 15 stretches: 1.0 % and a fifteenth of 7 % are 1.5 %; asked for twice 1 %, and
    # 4 · √160 more.
    rng = np.random.default_rng(4)
    grid = noise_grid(3000, 2, 1)
    factor = cell_averaging_factor(1e-2, grid.cells)
    power = rng.exponential(size=(200, 3000))
    power[:, 1400:1520] *= 10
    over = power > (grid.ranked(power)[0] * factor)[:, grid.stretch_of]
    alarms = int(np.count_nonzero(over[:, 1440:1480]))
    assert alarms < 2 * 80 + 4 * math.sqrt(160)
    wide = np.sort(power[:, grid.index], axis=-1)
    wide = mean_of_weakest(wide, weak_of(wide.shape[-1]))
    unaware = (power > (wide * factor)[:, grid.stretch_of])[:, 1440:1480]
    assert 2 * alarms < np.count_nonzero(unaware)


@pytest.mark.parametrize("name", ["barker", "tone", "hard tone"])
def test_ragged_noise_is_listed_as_often_as_was_asked(name: str) -> None:
    # Crossings alone, without how many belong to one peak, list 0.7 of it for a hard tone.
    # 300 alarms tell a rate to 6 %: three of these, and the 10 % that a Gaussian's crossings
    # are off for an envelope's at so low a level.
    compress = PulseCompressor(PULSES[name], BLOCK)
    weights = compress.shape.noise_weights
    bandwidth_hz = compress.shape.offset_hz[1] / float(np.sum(weights**2))
    rate, rng = 5e-3, np.random.default_rng(8)
    each = rate * float(compress.delay_s[-1]) * bandwidth_hz
    blocks = math.ceil(300 / each)
    expected = blocks * each
    envelopes = envelope_of(rng.standard_normal((blocks, BLOCK)), compress)
    # Together, which finds the same in a third of the time.
    found = found_each(envelopes, compress.shape, rates=(rate,), start_s=np.zeros(blocks))
    listed = sum(len(one.peaks) for one in found)
    assert listed == pytest.approx(expected, rel=3 * 0.06 + 0.10)


def test_a_hard_tone_s_noise_crosses_a_level_more_often_than_it_peaks() -> None:
    # With one crossing to a peak the two rates would differ by their bandwidths alone.
    rates = {
        name: cell_rate(1e-3, PulseCompressor(PULSES[name], BLOCK).shape)
        for name in ("hard tone", "round tone")
    }
    assert rates["hard tone"] < rates["round tone"] < 1e-3


# The fit


def test_overlapping_echoes_are_fitted_without_bias() -> None:
    # No noise: what is left is single precision's and the table's −100 dB, of a lobe of some
    # 6 bins; the weakest echo has 0.1 of the strongest, so 1e-5 · 10 of a lobe, doubled for
    # each of four echoes.
    truth_s = np.array([0.0301, 0.0301 + 1.3 * SHAPE.width_s, 0.0341, 0.0371])
    pairs = zip(truth_s, (0.1, 0.08, 0.3, 0.03), strict=True)
    block = np.sum([echo(t, a) for t, a in pairs], axis=0)
    peaks, _ = find_echoes(envelope_of(block), SHAPE, false_alarm_rate=1e-6)
    assert len(peaks) == 4
    for peak, true_s in zip(peaks, truth_s, strict=True):
        assert abs(peak.delay_s - true_s) < 8e-4 * SHAPE.width_s


def test_more_echoes_than_are_solved_for_together_are_all_found() -> None:
    rng = np.random.default_rng(2)
    truth_s = 0.002 + 0.0024 * np.arange(44) + rng.uniform(0, 3e-4, 44)
    block = sum(echo(t, a) for t, a in zip(truth_s, rng.uniform(0.01, 0.1, 44), strict=True))
    block = block + 1e-4 * rng.standard_normal(BLOCK)
    peaks, _ = find_echoes(envelope_of(block), SHAPE, false_alarm_rate=1e-6)
    assert len(peaks) == 44
    assert np.abs(np.array([p.delay_s for p in peaks]) - truth_s).max() < 0.02 * SHAPE.width_s


@pytest.mark.parametrize("name", ["barker", "golay", "chirp"])
def test_echoes_as_strong_as_each_other_do_not_pass_for_noise_all_together(name: str) -> None:
    # Common practice, no source: where echoes fill many of the cells that a threshold is learnt
    # from, it is learnt again without them. 25 in 60 ms, three lobes apart or more: a fifth of
    # all cells. At 34 dB or more Marcum's chance to miss one is nothing at a rate of 1e-6.
    bins = 2880
    compress = PulseCompressor(PULSES[name], bins)
    lobe_s = compress.shape.width_s
    for seed in range(4):
        rng = np.random.default_rng(seed)
        spare_s = rng.uniform(0, 0.04 - 3 * 24 * lobe_s, 25)
        truth_s = 0.005 + np.sort(spare_s) + 3 * lobe_s * np.arange(25)
        block = 0.01 * rng.standard_normal(bins)
        energy = float(PULSES[name].samples.astype(float) @ PULSES[name].samples)
        for true_s, snr_db in zip(truth_s, rng.uniform(34, 42, 25), strict=True):
            block += echo(true_s, 0.01 * 10 ** (snr_db / 20) / energy**0.5, PULSES[name])[:bins]
        peaks, _ = find_echoes(envelope_of(block, compress), compress.shape, false_alarm_rate=1e-6)
        assert len(peaks) == 25
        assert np.abs(np.array([p.delay_s for p in peaks]) - truth_s).max() < lobe_s / 4


def test_the_same_profile_gives_the_same_bits() -> None:
    rng = np.random.default_rng(4)
    envelopes = [envelope_of(echo(0.03, 0.1) + 0.01 * rng.standard_normal(BLOCK)) for _ in "abc"]
    first = [find_echoes(e, SHAPE, false_alarm_rate=1e-4) for e in envelopes]
    again = [find_echoes(e, SHAPE, false_alarm_rate=1e-4) for e in reversed(envelopes)][::-1]
    for (peaks, threshold), (peaks_again, threshold_again) in zip(first, again, strict=True):
        assert peaks == peaks_again
        assert (threshold == threshold_again).all()


# A look


def look(
    block: NDArray[np.float64], due_s: float, amplitude: float, pulled_s: float = 0.0
) -> Peak | None:
    return standing_peak(
        envelope_of(block),
        SHAPE,
        due_s,
        like_amplitude=amplitude,
        within_db=1.5,
        pulled_s=pulled_s,
    )


@pytest.mark.parametrize("due_s", [0.03, 0.001])  # long after the block begins, and soon
def test_a_look_places_a_standing_sound_as_a_search_does(due_s: float) -> None:
    rng = np.random.default_rng(3)
    for _ in range(20):
        true_s = due_s + rng.random() / RATE_HZ
        block = echo(true_s, 0.1) + echo(0.06, 0.05) + 1e-3 * rng.standard_normal(BLOCK)
        seen, found = look(block, due_s, 0.1), first_arrival(envelope_of(block), SHAPE)
        assert seen is not None
        assert found is not None
        # 0.3 of its uncertainty is what others may pull it by.
        assert abs(seen.delay_s - found.delay_s) < 0.3 * seen.u_delay_s
        assert seen.amplitude == pytest.approx(found.amplitude, rel=1e-3)
        assert math.remainder(seen.phase_rad - found.phase_rad, 2 * math.pi) == pytest.approx(
            0, abs=0.3 * seen.u_delay_s * 2 * math.pi * 12e3
        )


@pytest.mark.parametrize(
    ("sounds", "due_s", "amplitude"),
    [
        ([(0.0301, 1e-4)], 0.0301, 1e-4),  # below the noise
        ([(0.03, 0.1)], 0.0304, 0.1),  # not where it is due
        ([(0.03, 0.1)], 0.03, 0.2),  # not as strong as it was
        ([(0.03, 0.1), (0.0303, 0.1)], 0.03, 0.1),  # another pulls it
        ([(5e-5, 0.1)], 5e-5, 0.1),  # at the profile's begin
        ([(0.11499, 0.1)], 0.11499, 0.1),  # at the profile's end
        # No noise ahead to be told from, and the end not quiet.
        ([(0.001, 0.01), *((0.11 + i * 1e-4, 0.1) for i in range(50))], 0.001, 0.01),
    ],
)
def test_a_look_leaves_to_a_search_what_it_cannot_say(
    sounds: list[tuple[float, float]], due_s: float, amplitude: float
) -> None:
    block = sum(echo(t, a) for t, a in sounds)
    block = block + 1e-3 * np.random.default_rng(1).standard_normal(BLOCK)
    assert look(block, due_s, amplitude) is None


def test_a_look_bears_as_much_pull_as_is_known_to_be_left() -> None:
    # Another, 20 dB down and three lobes behind, moves the crest by its side lobe's slope.
    other_s = 3 * SHAPE.width_s
    block = echo(0.03, 0.1) + echo(0.03 + other_s, 0.01)
    block = block + 1e-4 * np.random.default_rng(1).standard_normal(BLOCK)
    alone = look(
        echo(0.03, 0.1) + 1e-4 * np.random.default_rng(1).standard_normal(BLOCK), 0.03, 0.1
    )
    assert alone is not None
    assert alone.u_pull_s == 0
    assert look(block, 0.03, 0.1) is None
    seen = look(block, 0.03, 0.1, pulled_s=0.1 * SHAPE.width_s)
    assert seen is not None
    assert 0 < seen.u_pull_s <= 0.1 * SHAPE.width_s
    assert seen.u_delay_s == pytest.approx(math.hypot(alone.u_delay_s, seen.u_pull_s), rel=0.05)
    assert abs(seen.delay_s - 0.03) < 2 * seen.u_delay_s
    assert look(block, 0.03, 0.1, pulled_s=0.5 * seen.u_pull_s) is None


def test_silence_holds_no_standing_sound() -> None:
    assert look(np.zeros(BLOCK), 0.03, 0.1) is None


# A sound at time zero itself


@pytest.mark.parametrize("off_bins", [-1.4, -0.3, 0.0, 0.45, 2.0])
def test_beside_a_sound_at_time_zero_an_echo_s_noise_is_the_noise(off_bins: float) -> None:
    """As of one face that sends and hears: its own sound is 40 dB over the echo."""
    pulse = linear_chirp(12e3, 16e3, 0.002, RATE_HZ)
    compress = PulseCompressor(pulse, BLOCK)
    shape, lead = compress.shape, lead_bins(compress.shape)
    rms, amplitude, zero_s, echo_s = 1e-3, 1e-2, 0.020, 0.0258
    noise_power = (rms * shape.noise_gain) ** 2
    told: dict[str, list[float]] = {"seen": [], "unseen": []}
    delay_bins, heard = [], []
    for seed in range(40):
        block = np.random.default_rng(seed).normal(0, rms, BLOCK)
        block += echo(zero_s + off_bins * shape.bin_s, 1.0, pulse) + echo(echo_s, amplitude, pulse)
        start_s = zero_s - lead * shape.bin_s
        whole = compress.from_time_zero(compress.band_spectrum(block), start_s)
        heard.append(whole[: lead + 935])
    every, from_s = np.array(heard), np.full(len(heard), 0.004)
    for name, ahead in (("seen", every[:, :lead]), ("unseen", None)):
        for found in found_each(
            every[:, lead:], shape, rates=(1e-6,), start_s=from_s, stop_s=0.015, ahead=ahead
        ):
            told[name] += [2 * p.amplitude**2 / (p.snr * shape.efficiency) for p in found.peaks]
            if name == "seen":
                (peak,) = found.peaks
                delay_bins.append((peak.delay_s - (echo_s - zero_s)) / shape.bin_s)
    # The noise is known from the weaker half of 64 cells to 1/√32 = 18 % at the worst (Epstein
    # and Sobel); the mean of 40 to 2.8 %, four times that, and 1 % for rounding and the echoes'
    # own tops.
    assert np.mean(told["seen"]) == pytest.approx(noise_power, rel=0.12)
    # Woodward's bound on a delay at this 2E/N0, for the mean of 40; four times that.
    bound_s = 1 / (math.sqrt(2 * amplitude**2 / noise_power) * shape.rms_bandwidth_rad_s)
    assert abs(np.mean(delay_bins)) < 4 * bound_s / math.sqrt(40) / shape.bin_s
    if off_bins < 0.5:
        # Not seen as a peak, the sound leaves its side lobes among the cells.
        assert np.mean(told["unseen"]) > 1.12 * noise_power
