"""What a driven input adds to a loud sound is taken out, and nothing where it adds nothing.

Blocks are made by shifting a pulse and by squaring their sum, with no code of what is tested.
"""

import math
from collections.abc import Callable

import numpy as np
import pytest
from laid_pulses import laid
from numpy.typing import NDArray

from dsp.ping.pulse.compression import PulseCompressor
from dsp.ping.pulse.pulses import Pulse, barker13, golay_pair, linear_chirp, tone_burst
from dsp.ping.samples.straightening import Straightening
from dsp.ping.search.search import find_echoes

RATE_HZ, BLOCK = 48_000.0, 4800
PULSES = {
    "rising": (linear_chirp(4e3, 12e3, 0.010, RATE_HZ),),
    "falling": (linear_chirp(12e3, 4e3, 0.010, RATE_HZ),),
    "golay": golay_pair(8e3, 2.5e-4, 16, RATE_HZ),
    "barker": (barker13(8e3, 2.5e-4, RATE_HZ),),
    "tone": (tone_burst(8e3, 2e-3, RATE_HZ),),
}
FALLING = PULSES["falling"][0]
DIRECT, AT, RMS = 0.3, 900, 3e-4


def compressors_of(pulses: tuple[Pulse, ...]) -> list[PulseCompressor]:
    return [PulseCompressor(pulse, BLOCK) for pulse in pulses]


def block_of(pulse: Pulse, sounds: dict[int, float]) -> NDArray[np.float64]:
    return laid(pulse, sounds, BLOCK)


def single(block: NDArray[np.float64]) -> NDArray[np.float32]:
    return block.astype(np.float32)


@pytest.mark.parametrize("name", PULSES)
@pytest.mark.parametrize("share", [-0.07, 0.07, 0.6])
def test_what_was_added_is_gone_below_the_noise(name: str, share: float) -> None:
    # 1 and 9 % of second harmonic, with echoes 20 and 40 dB down within the pulse.
    pulses = PULSES[name]
    for turn, (pulse, compress) in enumerate(zip(pulses, compressors_of(pulses), strict=True)):
        random = np.random.default_rng(turn)
        size = pulse.samples.size
        sounds = {AT: DIRECT, AT + size // 3: DIRECT / 10, AT + 2 * size // 3: DIRECT / 100}
        heard = block_of(pulse, sounds)
        noise = RMS * random.standard_normal(BLOCK)
        bent = single(heard + share * heard**2 + noise)
        straight = Straightening(compressors_of(pulses))(bent)
        away = np.abs(compress.delay_s - AT / RATE_HZ) > 2 * compress.shape.width_s
        left = np.abs(compress(single(straight - heard - noise)))[away] / compress.peak
        # What white noise passes in one bin of a million: Rayleigh's law.
        assert left.max() < RMS * compress.shape.noise_gain * math.sqrt(-math.log(1e-6))


@pytest.mark.parametrize("name", PULSES)
@pytest.mark.parametrize("bends", [lambda x: np.clip(x, -1, 1), np.tanh], ids=["cut", "rounded"])
def test_what_is_bent_to_both_sides_alike_is_left_as_it_is(
    name: str, bends: Callable[[NDArray[np.float64]], NDArray[np.float64]]
) -> None:
    # Its powers are odd: there is no square in it.
    pulses = PULSES[name]
    compressors = compressors_of(pulses)
    for seed in range(20):
        random = np.random.default_rng(seed)
        sounds = {AT: 10 ** random.uniform(0, 1), 3000: 10 ** random.uniform(-2, 0)}
        heard = block_of(pulses[0], sounds) + 10 ** random.uniform(-4, -2) * (
            random.standard_normal(BLOCK)
        )
        block = single(bends(heard))
        assert Straightening(compressors)(block) is block


@pytest.mark.parametrize("name", PULSES)
def test_what_is_straight_is_left_as_it_is(name: str) -> None:
    pulses = PULSES[name]
    for seed in range(20):
        random = np.random.default_rng(seed)
        straighten = Straightening(compressors_of(pulses))
        for pulse in pulses:
            begins = AT + random.integers(0, 2 * pulse.samples.size, size=5)
            down_db = random.uniform(0, 40, size=5)
            sounds = {
                int(b): DIRECT * 10 ** (-d / 20) for b, d in zip(begins, down_db, strict=True)
            }
            level = 10 ** random.uniform(-6, -2)
            block = single(block_of(pulse, sounds | {AT: DIRECT}))
            block += single(level * random.standard_normal(BLOCK))
            assert straighten(block) is block


def test_noise_hum_and_silence_are_left_as_they_are() -> None:
    random = np.random.default_rng(1)
    hum = 0.1 * np.sin(2 * np.pi * 50 * np.arange(BLOCK) / RATE_HZ)
    click = np.zeros(BLOCK)
    click[2000] = 0.5
    straighten = Straightening(compressors_of((FALLING,)))
    for added in (0.0, hum, click, hum + click):
        for _ in range(100):
            block = single(1e-3 * random.standard_normal(BLOCK) + added)
            assert straighten(block) is block
    silence = np.zeros(BLOCK, dtype=np.float32)
    assert straighten(silence) is silence


def test_an_echo_that_what_was_added_hides_is_found() -> None:
    # 5 % of second harmonic, compressed from a falling chirp, stands 5 to 8 ms behind; a body there
    # 54 dB down has a 2E/N0 of 10 log 240 · 0.0006²/(3e-4)² = 30 dB.
    (compress,) = compressors_of((FALLING,))
    later_s, zero_s = 298 / RATE_HZ, (AT - 400) / RATE_HZ
    heard = block_of(FALLING, {AT: DIRECT, AT + 298: DIRECT / 500})
    bent = heard + 2 * 0.05 / DIRECT * heard**2
    bent += RMS * np.random.default_rng(2).standard_normal(BLOCK)

    def found_s(block: NDArray[np.float32]) -> list[float]:
        envelope = compress.from_time_zero(compress.band_spectrum(block), zero_s)
        peaks, _ = find_echoes(envelope, compress.shape, false_alarm_rate=1e-6)
        return [peak.delay_s - 400 / RATE_HZ for peak in peaks]

    # The Cramér–Rao bound is 0.1 samples: 1/(2π 8 kHz/√12 √1000).
    there = [pytest.approx(t, abs=5 * 0.1 / RATE_HZ) for t in (0.0, later_s)]
    assert found_s(single(bent)) != there
    assert found_s(Straightening([compress])(single(bent))) == there


def test_what_an_input_then_dulls_is_taken_out_as_it_was_turned() -> None:
    # H(2f)/H²(f) of a low-pass of first order at 20 kHz is 0.95 + 0.03j for an f of 5 kHz, whose
    # double lies in the band, and 0.93 + 0.04j to 0.85 + 0.18j for 6 to 12 kHz, whose doubles tell
    # it: up to 0.18 off.
    (compress,) = compressors_of((FALLING,))
    heard = block_of(FALLING, {AT: DIRECT})
    hz = np.fft.rfftfreq(BLOCK, 1 / RATE_HZ)

    def dulled(block: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.fft.irfft(np.fft.rfft(block) / (1 + 1j * hz / 20e3), BLOCK)

    noise = RMS * np.random.default_rng(3).standard_normal(BLOCK)
    added = dulled(0.3 * heard**2)
    clean = dulled(heard) + noise
    left = Straightening([compress])(single(clean + added)) - clean
    behind = compress.delay_s > (AT + 100) / RATE_HZ
    before, after = (float(np.abs(compress(single(b)))[behind].max()) for b in (added, left))
    assert after < before / 5


def test_a_louder_sound_is_looked_at_anew() -> None:
    straighten = Straightening(compressors_of((FALLING,)))
    random = np.random.default_rng(4)

    def bent(amplitude: float) -> NDArray[np.float32]:
        heard = block_of(FALLING, {AT: amplitude})
        return single(heard + 0.2 * heard**2 + RMS * random.standard_normal(BLOCK))

    quiet, loud = bent(0.003), bent(0.3)
    assert straighten(quiet) is quiet
    assert straighten(loud) is not loud
    assert straighten(quiet) is quiet


@pytest.mark.parametrize("loud", [0.0, 1e-38, 1e-20, 1e-12, 1e12, 1e30, math.inf, math.nan])
def test_what_is_no_sound_stays_as_it_is(loud: float) -> None:
    samples = np.zeros(BLOCK, dtype=np.float32)
    samples[AT : AT + 2] = loud, -loud
    kept = samples.copy()
    np.testing.assert_array_equal(Straightening(compressors_of((FALLING,)))(samples), kept)
