"""A first sound's place is as sure as stated whatever clutter stands beside it."""

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import binom

from dsp.ping.first_sound.punctual import standing_peak
from dsp.ping.pulse.compression import PulseCompressor
from dsp.ping.pulse.peaks import Peak
from dsp.ping.pulse.pulses import linear_chirp
from dsp.ping.search.clutter import clutter_look
from dsp.ping.search.search import sounds_ahead

RATE_HZ = 48_000.0
BLOCK = 2400
LENGTH = 1 << 13
FREQUENCY_HZ = np.fft.rfftfreq(LENGTH, 1 / RATE_HZ)
PULSE = linear_chirp(4e3, 12e3, 0.004, RATE_HZ)
SPECTRUM = np.fft.rfft(PULSE.samples.astype(float), LENGTH)
ENERGY = float(PULSE.samples.astype(float) @ PULSE.samples)
COMPRESS = PulseCompressor(PULSE, BLOCK, weighting="hann")
DIRECT_DB = 60.0
DRAWS = 60


def copy_at(delay_s: float, d2_db: float, phase_rad: float = 0.0) -> NDArray[np.complex128]:
    """Spectrum of a copy of d² = 2E/N0 in white noise of RMS 1."""
    turned = np.exp(1j * (phase_rad - 2 * np.pi * FREQUENCY_HZ * delay_s))
    return np.asarray(SPECTRUM * turned * 10 ** (d2_db / 20) / math.sqrt(ENERGY))


def envelope_of(
    spectrum: NDArray[np.complex128], rng: np.random.Generator
) -> NDArray[np.complex64]:
    samples = np.fft.irfft(spectrum, LENGTH)[:BLOCK] + rng.standard_normal(BLOCK)
    return COMPRESS.from_time_zero(COMPRESS.band_spectrum(samples), 0.0)


def searched(envelope: NDArray[np.complex64]) -> Peak:
    found = sounds_ahead(envelope, COMPRESS.shape, false_alarm_rate=1e-9)
    return max(found.peaks, key=lambda peak: peak.amplitude)


def off_in_u(level_db: float, *, ahead_s: float) -> NDArray[np.float64]:
    """By how many u a direct sound is off among white specks that each send the pulse.

    These are as strong over the noise, where the pulse is, as the level says. As it is searched
    for, and where a look is enough, as that places it.
    """
    rng = np.random.default_rng(5)
    power = np.abs(SPECTRUM) ** 2
    of_each = 10 ** (level_db / 20) * math.sqrt(power.sum() / (power**2).sum())
    off = []
    for _ in range(DRAWS):
        delay_s = 0.025 + rng.random() / RATE_HZ
        begin, end = (round((delay_s + t_s) * RATE_HZ) for t_s in (-ahead_s, 2e-3))
        specks = np.zeros(LENGTH)
        specks[begin:end] = of_each * rng.standard_normal(end - begin)
        spectrum = copy_at(delay_s, DIRECT_DB, rng.uniform(0, 2 * np.pi))
        envelope = envelope_of(spectrum + SPECTRUM * np.fft.rfft(specks), rng)
        found = searched(envelope)
        looked = standing_peak(
            envelope, COMPRESS.shape, delay_s, like_amplitude=found.amplitude, within_db=1.5
        )
        off.append([(p.delay_s - delay_s) / p.u_delay_s for p in (found, looked or found)])
    return np.array(off).T


@pytest.mark.parametrize("ahead_s", [2e-3, 0.0], ids=["about it", "behind it"])
@pytest.mark.parametrize("level_db", [-60.0, 3.0, 20.0])
def test_a_first_sound_is_as_sure_as_stated_in_clutter(level_db: float, ahead_s: float) -> None:
    # Clutter about it and behind it are told alike, so that the one's intervals hold some more
    # than 95 of 100 and the other's some less: 0.92 to 0.98, by what few numbers tell of a power.
    least, most = binom.ppf(1e-3, DRAWS, 0.92), binom.ppf(1 - 1e-3, DRAWS, 0.98)
    for off in off_in_u(level_db, ahead_s=ahead_s):
        assert least <= np.count_nonzero(np.abs(off) <= 2) <= most
        # Chance alone makes 1/√(2·60) = 0.09 of it, some times as much where the tails are long.
        assert 0.7 < np.sqrt(np.mean(off**2)) < 1.3


def test_a_bounce_in_quiet_is_no_clutter() -> None:
    rng, behind_s = np.random.default_rng(6), 1.7 * COMPRESS.shape.width_s
    for phase_rad in np.arange(9.0):
        bounce = copy_at(0.025 + behind_s, DIRECT_DB - 12, phase_rad)
        first = searched(envelope_of(copy_at(0.025, DIRECT_DB) + bounce, rng))
        assert first.u_pull_s == 0
        assert abs(first.delay_s - 0.025) < 4 * first.u_delay_s


def test_a_look_sees_noise_alike_and_no_copy() -> None:
    look, shape = clutter_look(COMPRESS.shape), COMPRESS.shape
    lag = np.arange(-look.half, look.half + 1)
    turned = np.exp(-2j * np.pi * float(shape.offset_hz[-1]) * shape.bin_s / 2 * lag)
    ways = look.ways.astype(np.complex128)
    for beside in (0.0, 0.05):
        copy = np.array([complex(shape.at((n - beside) * shape.bin_s)) for n in lag])
        assert np.abs(turned * copy @ ways).max() < 2 * beside**2 + 1e-5
    rng, numbers = np.random.default_rng(7), []
    for _ in range(200):
        envelope = envelope_of(np.zeros(FREQUENCY_HZ.size, dtype=np.complex128), rng)
        middle = envelope.size // 2
        numbers.append(
            (turned * envelope[middle + lag]) @ ways / np.sqrt(np.mean(np.abs(envelope) ** 2))
        )
    told = np.array(numbers)
    alike = told.conj().T @ told / len(told)
    # Chance alone makes 1/√200 = 0.07 of each.
    assert np.abs(alike - np.eye(len(alike))).max() < 4 / math.sqrt(200)
