"""Which echoes are listed and which are not, against probability theory and known scenes."""

from __future__ import annotations

import math
import tracemalloc
from collections.abc import Iterable

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import binom

from dsp.ping.noise.false_alarms import cell_rate
from dsp.ping.noise.thresholds import ordered_statistic_threshold
from dsp.ping.pulse.bounds import detection_probability
from dsp.ping.pulse.compression import PulseCompressor
from dsp.ping.pulse.peaks import Peak
from dsp.ping.pulse.pulses import Pulse, barker13, golay_pair, linear_chirp, tone_burst
from dsp.ping.search.search import find_echoes, found_each

RATE_HZ = 48_000.0
BLOCK = 3600
LENGTH = 1 << 13
FREQUENCY_HZ = np.fft.rfftfreq(LENGTH, 1 / RATE_HZ)
PULSES = {
    "chirp": linear_chirp(4e3, 12e3, 0.010, RATE_HZ),
    "barker": barker13(8e3, 2.5e-4, RATE_HZ),
    "golay": golay_pair(8e3, 2.5e-4, 16, RATE_HZ)[0],
    "tone": tone_burst(8e3, 1e-3, RATE_HZ),
    "hard tone": tone_burst(8e3, 1e-3, RATE_HZ, taper="none"),
    "round tone": tone_burst(8e3, 1e-3, RATE_HZ, taper="hann"),
}


class Scene:
    """One pulse, in white noise of RMS 1."""

    def __init__(self, pulse: Pulse, *, weighting: str = "none", block: int = BLOCK) -> None:
        self.block = block
        self.compress = PulseCompressor(pulse, block, weighting=weighting)
        self.shape = self.compress.shape
        self.spectrum = np.fft.rfft(pulse.samples.astype(float), LENGTH)
        self.energy = float(pulse.samples.astype(float) @ pulse.samples)

    def echo(
        self,
        delay_s: float,
        d2_db: float,
        phase_rad: float = 0.0,
        colour: NDArray[np.complex128] | float = 1.0,
    ) -> NDArray[np.float64]:
        """Samples of an echo of d² = 2E/N0, N0/2 = 1, at any part of a sample."""
        turned = np.exp(1j * (phase_rad - 2 * np.pi * FREQUENCY_HZ * delay_s))
        samples = np.zeros(self.block)
        heard = np.fft.irfft(self.spectrum * turned * colour, LENGTH)[: self.block]
        samples[: heard.size] = heard
        return samples * 10 ** (d2_db / 20) / math.sqrt(self.energy)

    def find(self, samples: NDArray[np.float64], false_alarm_rate: float = 1e-6) -> list[Peak]:
        (peaks,) = self.find_each([samples], false_alarm_rate)
        return peaks

    def find_each(
        self, blocks: Iterable[NDArray[np.float64]], false_alarm_rate: float = 1e-6
    ) -> list[list[Peak]]:
        """Search blocks together, which takes a third of the time and finds the same."""
        spectra = self.compress.band_spectrum(np.array(list(blocks)))
        envelopes = self.compress.from_time_zero(spectra, 0.0)
        start_s = np.zeros(len(envelopes))
        found = found_each(envelopes, self.shape, rates=(false_alarm_rate,), start_s=start_s)
        return [list(one.peaks) for one in found]


def any_place(rng: np.random.Generator) -> float:
    return 0.03 + rng.random() / RATE_HZ


def any_phase(rng: np.random.Generator) -> float:
    return float(rng.uniform(0, 2 * np.pi))


# Noise alone


@pytest.mark.parametrize(("rate", "blocks"), [(1e-3, 30), (1e-4, 150)])
@pytest.mark.parametrize(("name", "weighting"), [("chirp", "none"), ("chirp", "hann")])
def test_noise_alone_is_listed_as_often_as_was_asked(
    rate: float, blocks: int, name: str, weighting: str
) -> None:
    # Independent bins: the time searched, times the noise's bandwidth (Σw)²/Σw².
    scene = Scene(PULSES[name], weighting=weighting, block=12_000)
    weights = scene.shape.noise_weights
    bandwidth_hz = scene.shape.offset_hz[1] / float(np.sum(weights**2))
    rng = np.random.default_rng(12)
    found = sum(map(len, scene.find_each(rng.standard_normal((blocks, scene.block)), rate)))
    expected = rate * blocks * float(scene.compress.delay_s[-1]) * bandwidth_hz
    # Alarms of a small rate are Poisson distributed: four spreads. The count is of crossings
    # (Rice 1945); those that belong to one peak are listed once, so there may be fewer, but
    # not by half. Cells alone, without Rice's factor of some 3, are far outside.
    assert found < expected + 4 * math.sqrt(expected)
    assert found > expected / 2 - 4 * math.sqrt(expected / 2)


@pytest.mark.parametrize("name", ["tone", "hard tone"])
def test_of_a_ragged_peak_the_highest_top_is_listed(name: str) -> None:
    # Noise of a tone has several tops to a peak, higher than a copy's flank is beside the first.
    # Alone in its profile, the peak is what stands out of the noise, whatever its tops.
    scene, rng, high = Scene(PULSES[name]), np.random.default_rng(7), 0
    for _ in range(150):
        samples = rng.standard_normal(BLOCK)
        envelope = scene.compress.from_time_zero(scene.compress.band_spectrum(samples), 0.0)
        peaks, threshold = find_echoes(envelope, scene.shape, false_alarm_rate=3e-3)
        over = np.abs(envelope) / threshold
        crest = int(over[10:-10].argmax()) + 10
        # A copy at another part of a bin is as strong to 1 %.
        if not peaks and over[crest] > 1.01:
            pytest.fail(f"nothing is listed where {over[crest]:.2f} of the threshold is reached")
        high += bool(peaks)
    assert high > 10  # so that the test could fail


def test_cell_rate_is_rice_s_for_noise_that_is_known() -> None:
    # Flat noise of bandwidth B: RMS width B/√12, cells of 1/B; for known noise power the
    # crossings are 2π/√12 √(ln(1/P)/π) P a cell. Against many cells, whose threshold is that
    # of known noise to some ln(1/P)/2N = 1 % of ln(1/P), and a Hann-free untapered chirp of
    # BT = 800, whose spectrum is flat to its edges within a share of some 1/√BT = 4 %.
    chirp = linear_chirp(4e3, 12e3, 0.100, RATE_HZ, taper="none")
    shape = PulseCompressor(chirp, 9600).shape
    rate = cell_rate(1e-6, shape, cells=1024)
    crossings = 2 * math.pi / math.sqrt(12) * math.sqrt(math.log(1 / rate) / math.pi) * rate
    assert crossings == pytest.approx(1e-6, rel=0.05)


@pytest.mark.parametrize("bins", [330_000])
def test_the_noise_of_a_long_profile_is_learnt_in_little_memory(bins: int) -> None:
    # Two megasamples a second for a sixth of a second. All cells of all bins at once would be
    # 64 · 8 bytes a bin, 169 MB; a few rows of 8 bytes a bin are 2.6 MB each.
    power = np.random.default_rng(1).exponential(size=bins)
    tracemalloc.start()
    threshold, _ = ordered_statistic_threshold(power, false_alarm_rate=1e-6, guard_bins=3)
    _, peak_bytes = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert threshold.size == bins
    assert peak_bytes < 10 * 8 * bins


# A weak echo beside a strong one


@pytest.mark.parametrize("side", [-1, 1])
@pytest.mark.parametrize("lobes", [1.5, 2.0, 3.0])
@pytest.mark.parametrize(
    ("name", "weighting"), [("chirp", "none"), ("chirp", "hann"), ("barker", "none")]
)
def test_an_echo_18_db_down_is_found_a_lobe_and_a_half_beside_one_of_50_db(
    name: str, weighting: str, lobes: float, side: int
) -> None:
    # Alone, 32 dB would be found always: Marcum's probability. Beside the strong echo
    # it may fall on one of that one's side lobes and cancel; in 20 trials 15 at the least.
    assert detection_probability(10**3.2, 1e-6) > 0.9999
    scene = Scene(PULSES[name], weighting=weighting)
    rng = np.random.default_rng(5)
    blocks, far_s = [], []
    for _ in range(20):
        near_s = any_place(rng)
        far_s.append(near_s + side * lobes * scene.shape.width_s)
        block = scene.echo(near_s, 50, any_phase(rng)) + scene.echo(far_s[-1], 32, any_phase(rng))
        blocks.append(block + rng.standard_normal(BLOCK))
    found = 0
    for true_s, peaks in zip(far_s, scene.find_each(blocks), strict=True):
        found += any(abs(p.delay_s - true_s) < 0.4 * scene.shape.width_s for p in peaks)
    assert found >= 15


@pytest.mark.parametrize("name", ["chirp", "barker", "golay", "tone"])
def test_three_echoes_close_behind_a_sound_30_db_louder_are_listed(name: str) -> None:
    # 45 dB each, 12 lobes behind at the most and two lobes apart at the least: where a code's side
    # lobes are as high as beside its top. What three echoes leave beside the louder one, before
    # they are known, is theirs, and no sign that it is no copy.
    scene, rng = Scene(PULSES[name]), np.random.default_rng(31)
    lobe_s = scene.shape.width_s
    cases, blocks = [], []
    for _ in range(12):
        at = 0.02 + lobe_s * (rng.uniform(2.5, 4) + np.cumsum([0, *rng.uniform(2, 4, 2)]))
        block = scene.echo(0.02, 75, any_phase(rng)) + rng.standard_normal(BLOCK)
        block += sum(scene.echo(one_s, 45, any_phase(rng)) for one_s in at)
        cases.append(np.array([0.02, *at]))
        blocks.append(block)
    for at, peaks in zip(cases, scene.find_each(blocks), strict=True):
        found = np.array([p.delay_s for p in peaks])
        assert found.size == at.size
        assert np.abs(found - at).max() < lobe_s / 2


@pytest.mark.parametrize("weighting", ["none", "hann"])
@pytest.mark.parametrize("weaker", [4, 6])
def test_echoes_about_a_strong_one_do_not_hide_each_other(weaker: int, weighting: str) -> None:
    # 20 to 30 dB below it, 3 to 10 lobes to either side, two lobes apart at the least: of a code of
    # 13 chips, whose side lobes are 22 dB down all over, all that the weaker ones leave on its
    # flanks is theirs, and no sign that the strong one is no copy. Marcum's probability says that
    # each alone would be found.
    assert detection_probability(10**4.0, 1e-6) > 0.9999
    scene, rng = Scene(PULSES["barker"], weighting=weighting), np.random.default_rng(17)
    lobe_s = scene.shape.width_s
    cases, blocks = [], []
    for _ in range(12):
        strong_s = any_place(rng)
        block = scene.echo(strong_s, 70, any_phase(rng)) + rng.standard_normal(BLOCK)
        slots = rng.permutation(8)[:weaker]
        lobes = (slots // 2 * 2.3 + rng.uniform(3, 3.3, weaker)) * np.where(slots % 2, 1, -1)
        at = strong_s + lobe_s * np.array([0, *lobes])
        block += sum(scene.echo(one_s, rng.uniform(40, 50), any_phase(rng)) for one_s in at[1:])
        cases.append(np.sort(at))
        blocks.append(block)
    for at, peaks in zip(cases, scene.find_each(blocks), strict=True):
        found = np.array([p.delay_s for p in peaks])
        assert found.size == at.size
        assert np.abs(found - at).max() < lobe_s / 2


@pytest.mark.parametrize("name", sorted(PULSES))
@pytest.mark.parametrize("weighting", ["none", "hann"])
def test_one_echo_is_listed_once_however_strong(name: str, weighting: str) -> None:
    # 25 trials for each of twelve; noise alone would list 1e-6 · some 500 bins in each, in
    # all 0.15: of two false ones the chance is 1 %, so one is let pass in each.
    scene = Scene(PULSES[name], weighting=weighting)
    rng = np.random.default_rng(9)
    listed, blocks, places_s = 0, [], []
    for _ in range(25):
        places_s.append(any_place(rng))
        block = scene.echo(places_s[-1], rng.uniform(25, 75), any_phase(rng))
        blocks.append(block + rng.standard_normal(BLOCK))
    for true_s, peaks in zip(places_s, scene.find_each(blocks), strict=True):
        assert min(abs(p.delay_s - true_s) for p in peaks) < scene.shape.width_s / 2
        listed += len(peaks)
    assert listed <= 26


@pytest.mark.parametrize(
    ("name", "weighting"),
    [("chirp", "none"), ("barker", "none"), ("barker", "hann"), ("tone", "none")],
)
def test_a_resonance_of_q_1_makes_no_second_echo(name: str, weighting: str) -> None:
    scene = Scene(PULSES[name], weighting=weighting)
    rng, blocks = np.random.default_rng(7), []
    for _ in range(25):
        true_s, resonance_hz = any_place(rng), rng.uniform(6e3, 10e3)
        detune = FREQUENCY_HZ / resonance_hz - resonance_hz / np.maximum(FREQUENCY_HZ, 1)
        block = scene.echo(true_s, rng.uniform(30, 75), any_phase(rng), 1 / (1 + 1j * detune))
        blocks.append(block + rng.standard_normal(BLOCK))
    assert [len(peaks) for peaks in scene.find_each(blocks)] == [1] * 25


# How sure a place is


@pytest.mark.parametrize("d2_db", [40, 50])
@pytest.mark.parametrize("name", ["hard tone", "tone", "round tone", "chirp"])
def test_errors_are_as_large_as_is_stated_whatever_the_pulse_s_edges(
    name: str, d2_db: float
) -> None:
    scene = Scene(PULSES[name], block=2400)
    rng = np.random.default_rng(3)
    blocks, places_s, scaled = [], [], []
    for _ in range(200):
        places_s.append(0.02 + rng.random() / RATE_HZ)
        block = scene.echo(places_s[-1], d2_db, any_phase(rng))
        blocks.append(block + rng.standard_normal(scene.block))
    for true_s, peaks in zip(places_s, scene.find_each(blocks), strict=True):
        peak = max(peaks, key=lambda p: p.amplitude)
        scaled.append((peak.delay_s - true_s) / peak.u_delay_s)
    # 200 trials tell an RMS to 1/√400 = 5 %: three of these. The noise learnt from 64 cells
    # spreads each u by 8 %, which moves the RMS by some 0.5 %.
    assert np.sqrt(np.mean(np.square(scaled))) == pytest.approx(1, abs=0.155)


@pytest.mark.parametrize(
    ("weighting", "falls_db", "d2_db", "times"),
    [("none", 20, 30, 1.3), ("none", 30, 34, 1.6), ("hann", 30, 34, 1.6), ("hann", 40, 46, 1.8)],
)
def test_an_echo_that_lost_its_upper_band_is_as_sure_as_is_stated(
    weighting: str, falls_db: float, d2_db: float, times: float
) -> None:
    # As a beam takes it, off its axis: evenly in dB from 4 to 12 kHz.
    scene, rng = Scene(PULSES["chirp"], weighting=weighting), np.random.default_rng(11)
    colour = 10 ** (-falls_db / 20 * (FREQUENCY_HZ - 4e3) / 8e3)
    places, blocks = [], []
    for _ in range(200):
        true_s, turned_rad = any_place(rng), any_phase(rng)
        places.append((true_s, turned_rad))
        blocks.append(scene.echo(true_s, d2_db, turned_rad, colour) + rng.standard_normal(BLOCK))
    place, by_a_copy, phase = [], [], []
    for (true_s, turned_rad), peaks in zip(places, scene.find_each(blocks), strict=True):
        peak = min(peaks, key=lambda p: abs(p.delay_s - true_s))
        error_s = peak.delay_s - true_s
        bound_s = 1 / (math.sqrt(peak.snr) * scene.shape.pulse_rms_bandwidth_rad_s)
        at_true = peak.phase_rad - 2 * math.pi * scene.shape.centre_hz * error_s
        place.append(error_s / peak.u_delay_s)
        by_a_copy.append(error_s / bound_s)
        phase.append(math.remainder(at_true - turned_rad, 2 * math.pi) / peak.u_phase_rad)
    # 200 trials tell an RMS to 5 %: three of these, as above.
    for scaled in (place, phase):
        assert np.sqrt(np.mean(np.square(scaled))) == pytest.approx(1, abs=0.155)
    # So many times a copy's bound, or more: else nothing would be tested.
    assert np.sqrt(np.mean(np.square(by_a_copy))) > times


@pytest.mark.parametrize("name", ["barker", "golay"])
@pytest.mark.parametrize("weighting", ["none", "hann"])
def test_a_phase_code_is_placed_between_samples(name: str, weighting: str) -> None:
    # 0.02 mm of range is 0.117 µs of delay in air at 343 m/s: a sixth of the bound at 40 dB,
    # 1/(100 β) with β = 15e3 rad/s, so that it adds (1/6)²/2 = 1.4 % to the error there.
    scene = Scene(PULSES[name], weighting=weighting)
    noise = 1e-3 * np.random.default_rng(0).standard_normal(BLOCK)
    for part in np.arange(0, 1, 0.1):
        true_s = 0.03 + part / RATE_HZ
        peak = max(scene.find(scene.echo(true_s, 60) + noise), key=lambda p: p.amplitude)
        assert peak.delay_s == pytest.approx(true_s, abs=0.117e-6)


@pytest.mark.parametrize("lobes", [1.8, 2.5])
def test_two_echoes_near_each_other_are_as_sure_as_is_stated(lobes: float) -> None:
    scene = Scene(PULSES["chirp"])
    rng = np.random.default_rng(4)
    blocks, pairs_s, within = [], [], []
    for _ in range(100):
        first_s = any_place(rng)
        second_s = first_s + lobes * scene.shape.width_s
        pairs_s.append((first_s, second_s))
        block = scene.echo(first_s, 45, any_phase(rng))
        block += scene.echo(second_s, 45 - rng.uniform(0, 12), any_phase(rng))
        blocks.append(block + rng.standard_normal(BLOCK))
    for pair_s, peaks in zip(pairs_s, scene.find_each(blocks), strict=True):
        for peak in peaks:
            error_s = min(abs(peak.delay_s - t) for t in pair_s)
            within.append(error_s < 2 * peak.u_delay_s)
    # 95 % at k = 2; some 200 of them tell a share to 1.5 %: three of these.
    assert np.mean(within) > 0.954 - 3 * 0.015


@pytest.mark.parametrize(("centre_hz", "duration_s"), [(1e3, 1e-3), (22_990.0, 1e-3), (50.0, 4e-3)])
def test_a_tone_whose_band_ends_at_0_hz_or_half_the_rate_is_found(
    centre_hz: float, duration_s: float
) -> None:
    scene = Scene(tone_burst(centre_hz, duration_s, RATE_HZ), block=24_000)
    block = scene.echo(0.1, 40) + np.random.default_rng(2).standard_normal(scene.block)
    peak = max(scene.find(block), key=lambda p: p.amplitude)
    # Its phase counts as well where the band holds but a wave or less: within half a lobe.
    assert peak.delay_s == pytest.approx(0.1, abs=scene.shape.width_s / 2)


@pytest.mark.parametrize(
    ("lobes", "below_db", "turned_rad"), [(1.1, 0, 0.5), (1.3, 6, 2), (1.2, 3, 4)]
)
def test_what_noise_makes_of_two_that_overlap_is_their_bound(
    lobes: float, below_db: float, turned_rad: float
) -> None:
    # The Cramér–Rao bound of white noise of RMS 1 by the samples' own slopes: strength, phase and
    # delay of both are unknown.
    scene = Scene(PULSES["chirp"])
    apart_s = lobes * scene.shape.width_s
    unknown = np.array([40.0, 0.0, 0.0301, 40.0 - below_db, turned_rad, 0.0301 + apart_s])

    def heard(x: NDArray[np.float64]) -> NDArray[np.float64]:
        return scene.echo(x[2], x[0], x[1]) + scene.echo(x[5], x[3], x[4])

    steps = np.diag([1e-3, 1e-4, 1e-8] * 2)
    slopes = [(heard(unknown + s) - heard(unknown - s)) / (2 * s.max()) for s in steps]
    bound = np.linalg.inv(np.array(slopes) @ np.array(slopes).T)
    peaks = scene.find(heard(unknown) + np.random.default_rng(5).standard_normal(BLOCK))
    assert len(peaks) == 2
    for peak, bound_s2 in zip(peaks, (bound[2, 2], bound[5, 5]), strict=True):
        # The noise's RMS is learnt to some 9 %, and each strength has a noise of its own.
        noise_s = math.sqrt(peak.u_delay_s**2 - peak.u_pull_s**2)
        assert noise_s == pytest.approx(math.sqrt(bound_s2), rel=0.25)
        # At the least 0.05 of the other may be no copy, and pulls by a quarter of a lobe.
        assert peak.u_pull_s < 0.05 * scene.shape.width_s


def test_what_more_than_one_leaves_beside_it_is_in_the_uncertainty_there() -> None:
    # Four paths 2.6 to 3.8 of 1/B behind one echo are listed as one or two that are more than one.
    # Of an echo that is not k = 2 holds 95.45 %; one time in 1e4 more lie beyond than is allowed.
    scene, rng = Scene(PULSES["chirp"]), np.random.default_rng(5)
    blocks, true_s = [], [any_place(rng) for _ in range(120)]
    for at_s in true_s:
        heard = scene.echo(at_s, 60, any_phase(rng)) + rng.normal(size=scene.block)
        for lag in np.array([2.6, 2.75, 3.6, 3.75]) + rng.uniform(-0.05, 0.05, 4):
            heard += scene.echo(at_s + lag / 8e3, 56, any_phase(rng))
        blocks.append(heard)
    errors_u = []
    for at_s, peaks in zip(true_s, scene.find_each(blocks), strict=True):
        nearest = min(peaks, key=lambda peak: abs(peak.delay_s - at_s))
        if nearest.u_second_s == 0 and any(peak.u_second_s > 0 for peak in peaks):
            errors_u.append((nearest.delay_s - at_s) / nearest.u_delay_s)
    assert len(errors_u) >= 50
    beyond = int(np.sum(np.abs(errors_u) > 2))
    assert beyond <= binom.ppf(1 - 1e-4, len(errors_u), 0.0455)
