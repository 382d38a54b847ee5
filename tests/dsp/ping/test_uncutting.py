"""What an input cuts off a loud sound is reckoned back, and nothing of what it did not cut.

Blocks are made by shifting a pulse's samples, with no code of what is tested.
"""

import math

import numpy as np
import pytest
import scipy
from laid_pulses import laid
from numpy.typing import NDArray

from dsp.ping.pulse.compression import PulseCompressor
from dsp.ping.pulse.pulses import Pulse, barker13, golay_pair, linear_chirp, tone_burst
from dsp.ping.samples.uncutting import Uncutting

# Of a carrier that is a small part of the rate all crests are sampled alike, here of none.
RATE_HZ, BLOCK = 50_000.0, 5000
PULSES = {
    "rising": (linear_chirp(4e3, 12e3, 0.005, RATE_HZ),),
    "golay": golay_pair(8e3, 2.5e-4, 16, RATE_HZ),
    "barker": (barker13(8e3, 2.5e-4, RATE_HZ),),
    "tone": (tone_burst(8e3, 2e-3, RATE_HZ),),
}
DIRECT, AT, RMS = 0.3, 900, 2e-4
# Speakers and microphones have gains that lean and ripple, and ring for some samples.
ROOM = np.array([1.0, 0.35, -0.2, 0.08])


def compressors_of(pulses: tuple[Pulse, ...]) -> list[PulseCompressor]:
    return [PulseCompressor(pulse, BLOCK) for pulse in pulses]


def block_of(pulse: Pulse, sounds: dict[int, float]) -> NDArray[np.float64]:
    return laid(pulse, sounds, BLOCK)


def noise_of(seed: int) -> NDArray[np.float64]:
    return RMS * np.random.default_rng(seed).standard_normal(BLOCK)


def cut(block: NDArray[np.float64], depth: float, sides: int) -> NDArray[np.float64]:
    """Cut off all above a share of the highest sample, and below the lowest's if to both sides."""
    highest = depth * np.abs(block).max()
    return np.clip(block, -highest if sides == 2 else -math.inf, highest)


@pytest.mark.parametrize("name", PULSES)
@pytest.mark.parametrize(("sides", "depth"), [(1, 0.9), (1, 0.5), (1, 0.3), (2, 0.8), (2, 0.6)])
@pytest.mark.parametrize("through", [np.ones(1), ROOM], ids=["plain", "filtered"])
def test_what_was_cut_off_is_known_as_surely_as_is_said(
    name: str, sides: int, depth: float, through: NDArray[np.float64]
) -> None:
    pulses = PULSES[name]
    for seed, (pulse, compress) in enumerate(zip(pulses, compressors_of(pulses), strict=True)):
        # Echoes 20 and 30 dB down, of which one lies within the direct sound.
        size = pulse.samples.size
        plain = block_of(pulse, {AT: DIRECT, AT + size // 2: -DIRECT / 10, 3000: DIRECT / 31})
        sent = scipy.signal.lfilter(through, [1.0], plain)
        noise = noise_of(seed)
        heard = (cut(sent, depth, sides) + noise).astype(np.float32)
        uncut = Uncutting(compressors_of(pulses))(heard)
        if uncut is None:
            # Of the highest crests' tips alone too little may be missing to be told.
            assert depth == 0.9
            continue
        known = np.setdiff1d(np.arange(BLOCK), uncut.places)
        np.testing.assert_array_equal(uncut.samples[known], heard[known])
        off = (uncut.samples - sent - noise).astype(np.float32)
        # What stands at a ceiling lacks noise of its own, which is not said again.
        own = noise_of(seed) * np.isin(np.arange(BLOCK), uncut.places)
        said = np.sum(np.abs(compress(uncut.ways())) ** 2, axis=0)
        left = np.abs(compress(off + own.astype(np.float32))) ** 2
        floor = (RMS * compress.shape.noise_gain * compress.peak) ** 2
        # A complex normal magnitude stands above its RMS by so much once in a million bins.
        assert np.all(left < -math.log(1e-6) * (said + floor))


@pytest.mark.parametrize("name", PULSES)
@pytest.mark.parametrize("rate_hz", [RATE_HZ, 48_000.0])
@pytest.mark.parametrize("bits", [24, 7])
def test_what_nothing_cut_is_left_as_it_is(name: str, rate_hz: float, bits: int) -> None:
    # At 48 kHz each wave of 8 kHz has six samples: of all its crests two stand as high.
    pulses = {
        "rising": (linear_chirp(4e3, 12e3, 0.005, rate_hz),),
        "golay": golay_pair(8e3, 2.5e-4, 16, rate_hz),
        "barker": (barker13(8e3, 2.5e-4, rate_hz),),
        "tone": (tone_burst(8e3, 2e-3, rate_hz),),
    }[name]
    step = 2.0 ** (1 - bits)
    for seed in range(20):
        random = np.random.default_rng(seed)
        level = 10 ** random.uniform(-5, -3)
        uncut = Uncutting(compressors_of(pulses))
        for pulse in pulses:
            sounds = {AT: DIRECT, AT + int(random.integers(1, 2000)): 0.1 * DIRECT}
            block = block_of(pulse, sounds) + level * random.standard_normal(BLOCK)
            assert uncut((np.rint(block / step) * step).astype(np.float32)) is None


def test_noise_hum_clicks_and_silence_are_left_as_they_are() -> None:
    random = np.random.default_rng(1)
    hum = 0.1 * np.sin(2 * np.pi * 50 * np.arange(BLOCK) / RATE_HZ)
    click = np.zeros(BLOCK)
    click[2000:2010] = 0.5
    for added in (0.0, hum, click, hum + click, np.sign(hum) * 0.1):
        uncut = Uncutting(compressors_of(PULSES["rising"]))
        for _ in range(20):
            block = 1e-3 * random.standard_normal(BLOCK) + added
            assert uncut(block.astype(np.float32)) is None
    for block in (np.zeros(BLOCK), np.full(BLOCK, np.inf), np.full(BLOCK, np.nan)):
        assert Uncutting(compressors_of(PULSES["rising"]))(block.astype(np.float32)) is None


def test_a_loud_block_shows_that_nothing_is_cut_off_below_it() -> None:
    pulse = PULSES["rising"][0]
    uncut = Uncutting(compressors_of((pulse,)))
    loud = (block_of(pulse, {AT: DIRECT}) + noise_of(0)).astype(np.float32)
    cut_off = (cut(block_of(pulse, {AT: DIRECT}), 0.5, 2) + noise_of(1)).astype(np.float32)
    assert uncut(cut_off) is not None
    fresh = Uncutting(compressors_of((pulse,)))
    assert fresh(loud) is None
    assert fresh(cut_off) is None
