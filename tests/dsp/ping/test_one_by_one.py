"""When pings that are sent one by one tell where the first sound stands, and when not yet.

The sounds are made by turning a pulse's spectrum, with no code of the receiver; the knocks are
damped oscillations, drawn.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from short_chirp import PULSE, RATE_HZ, rms_for

from dsp.ping.first_sound.one_by_one import MOST_PINGS, FirstHeard, OneByOne
from dsp.ping.first_sound.train_start import begun_alone
from dsp.ping.pulse.compression import PulseCompressor

HEARD = 19_200
COMPRESS = PulseCompressor(PULSE, HEARD, weighting="hann")
LENGTH = 1 << 15
FREQUENCY_HZ = np.fft.rfftfreq(LENGTH, 1 / RATE_HZ)
FIRST_S = 0.1501
SEEDS = range(6)

Sounds = Sequence[tuple[float, float]]


def samples_of(sounds: Sounds) -> NDArray[np.float64]:
    """Return what is heard of sounds at (s after the first, amplitude)."""
    response = sum(a * np.exp(-2j * np.pi * FREQUENCY_HZ * (FIRST_S + t)) for t, a in sounds)
    spectrum = np.fft.rfft(PULSE.samples.astype(float), LENGTH) * response
    return np.fft.irfft(spectrum, LENGTH)[:HEARD]


def knock(random: np.random.Generator, *, at_s: float, amplitude: float) -> NDArray[np.float64]:
    """Return some damped oscillations that begin together, of 0.5 to 12 kHz."""
    time_s = np.arange(HEARD) / RATE_HZ - at_s
    struck = np.zeros(HEARD)
    for _ in range(6):
        hertz, lasts_s = (
            np.exp(random.uniform(np.log(500), np.log(12e3))),
            random.uniform(1e-3, 2e-2),
        )
        since_s = np.maximum(time_s, 0)
        struck += random.normal() * np.exp(-since_s / lasts_s) * np.sin(2 * np.pi * hertz * since_s)
    return amplitude * struck / np.abs(struck).max()


def envelope_of(heard: NDArray[np.float64]) -> NDArray[np.complex64]:
    """Compress a ping."""
    return COMPRESS.from_time_zero(COMPRESS.band_spectrum(heard.astype(np.float32)), 0.0)


def asked(
    sounds: Sounds,
    random: np.random.Generator,
    *,
    rms: float,
    knocks: Sequence[NDArray[np.float64]] = (),
) -> tuple[FirstHeard, int]:
    """Return what is told in the end, and by how many pings; a knock for each of the first."""
    one_by_one = OneByOne(COMPRESS.shape, drift_bins=0.1, way_s=0.001)
    told = FirstHeard(train=None)
    for number in range(1, MOST_PINGS + 1):
        heard = samples_of(sounds) + rms * random.standard_normal(HEARD)
        if number <= len(knocks):
            heard += knocks[number - 1]
        told = one_by_one.hear(envelope_of(heard))
        if told.is_sure:
            return told, number
    return told, MOST_PINGS


def is_right(told: FirstHeard) -> bool:
    """Half a sample, the least slip, or five times its own uncertainty: 6e-7 of the errors."""
    assert told.train is not None
    off_s = abs(told.delay_s - FIRST_S)
    return told.is_sure and off_s < max(5 * told.train.first.u_delay_s, 0.5 / RATE_HZ)


def test_a_plain_direct_sound_takes_two_pings() -> None:
    for seed in SEEDS:
        random = np.random.default_rng(seed)
        sounds = [(0.0, 0.1), (random.uniform(0.003, 0.02), 0.03), (0.03, 0.02)]
        told, pings = asked(sounds, random, rms=rms_for(0.1, random.uniform(30, 70)))
        assert is_right(told), seed
        assert pings == 2, seed


def test_a_direct_sound_that_one_ping_leaves_open_is_told_by_several() -> None:
    # 18 to 20 dB below an echo 1.1 to 1.7 ms later. A third sound, 20 dB below that echo, would
    # have what rings ahead of it at a 2E/N0 of 20 to 24 dB: less than the 6 dB above the threshold
    # that one ping needs (see test_arrivals).
    for seed in SEEDS:
        random = np.random.default_rng(seed)
        share, later_s = 10 ** (-random.uniform(18, 20) / 20), random.uniform(1.1e-3, 1.7e-3)
        sounds = [(0.0, 0.1 * share), (later_s, 0.1), (0.02 + later_s, 0.01)]
        rms = rms_for(0.01 * share, random.uniform(20, 24))
        heard = samples_of(sounds) + rms * random.standard_normal(HEARD)
        alone = begun_alone(envelope_of(heard), COMPRESS.shape, way_s=0.001)
        assert alone is not None, seed
        assert alone.ahead is not None, seed
        told, _ = asked(sounds, random, rms=rms)
        assert is_right(told), seed


def test_two_sounds_alone_stay_open() -> None:
    for seed in SEEDS[:4]:
        random = np.random.default_rng(seed)
        sounds = [(0.0, 0.1 * 10 ** (-random.uniform(18, 28) / 20)), (1.5e-3, 0.1)]
        told, pings = asked(sounds, random, rms=rms_for(sounds[0][1], 40))
        assert not told.is_sure, seed
        assert pings == MOST_PINGS, seed
        assert told.train is not None
        assert told.train.ahead is not None


def test_a_knock_ahead_of_the_first_ping_is_passed_over() -> None:
    # Up to 90 ms ahead, and from 20 dB weaker than the direct sound to as strong.
    misled = 0
    for seed in SEEDS:
        random = np.random.default_rng(seed)
        struck = knock(
            random,
            at_s=FIRST_S - random.uniform(0.0, 0.09),
            amplitude=0.1 * 10 ** (random.uniform(-20, 0) / 20),
        )
        sounds = [(0.0, 0.1), (0.012, 0.03), (0.03, 0.02)]
        alone = begun_alone(envelope_of(samples_of(sounds) + struck), COMPRESS.shape, way_s=0.001)
        assert alone is not None, seed
        misled += abs(alone.first.delay_s - FIRST_S) > COMPRESS.shape.width_s / 2
        told, _ = asked(sounds, random, rms=rms_for(0.1, 60), knocks=[struck])
        assert is_right(told), seed
    # So that it is known to be heard at all.
    assert misled > 0


def test_a_knock_in_one_of_two_pings_is_told_by_both() -> None:
    for seed in SEEDS:
        random = np.random.default_rng(seed)
        before_s, amplitude = random.uniform(0.001, 0.14), 0.1 * 10 ** (random.uniform(-20, 6) / 20)
        struck = knock(random, at_s=FIRST_S - before_s, amplitude=amplitude)
        sounds = [(0.0, 0.1), (0.012, 0.03), (0.03, 0.02)]
        for knocks in ([struck], [0 * struck, struck]):
            told, pings = asked(sounds, random, rms=rms_for(0.1, 60), knocks=knocks)
            assert is_right(told), seed
            # A ping that is covered is outvoted by three.
            assert pings <= 4, seed


def test_an_echo_is_never_sure_where_a_knock_covers_the_direct_sound_of_one_ping() -> None:
    # Heard in all pings but the first, in which an echo that is louder comes out of the knock: two
    # pings have the echo alone in common.
    told_right = 0
    for seed in SEEDS:
        random = np.random.default_rng(seed)
        share = 10 ** (-random.uniform(18, 20) / 20)
        struck = knock(random, at_s=FIRST_S - 0.004, amplitude=0.05)
        sounds = [(0.0, 0.1 * share), (1.5e-3, 0.1), (0.0215, 0.01)]
        told, _ = asked(sounds, random, rms=rms_for(0.01 * share, 22), knocks=[struck])
        assert is_right(told) or not told.is_sure, seed
        told_right += is_right(told)
    assert told_right > 0


def test_noise_alone_is_no_sound() -> None:
    random = np.random.default_rng(1)
    told, _ = asked([(0.0, 0.0)], random, rms=0.01)
    assert told.train is None
    assert not told.is_sure
