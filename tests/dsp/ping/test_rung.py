"""What a sender and a receiver ring is told as no echo of its own, and bodies are kept.

Sounds are made in frequency, at exact delays, without any code of the search. A face that rings is
a mass on a spring: its velocity goes with 1 / (1 + iQ (f/f₀ − f₀/f)) (textbook). All scenes are
invented.
"""

import math

import numpy as np
import pytest

from dsp.ping.pulse.compression import PulseCompressor
from dsp.ping.pulse.peaks import Peak
from dsp.ping.pulse.pulses import Pulse, barker13, linear_chirp
from dsp.ping.search.search import found_at

RATE_HZ, BLOCK, LENGTH = 48_000.0, 4800, 1 << 13
CHIRP = linear_chirp(4e3, 12e3, 0.010, RATE_HZ)
BARKER = barker13(8e3, 2.5e-4, RATE_HZ)
LOBE_S = PulseCompressor(CHIRP, BLOCK).shape.width_s
AT_S = 0.030
OTHERS = [(0.0341, 0.9j), (0.0378, -0.6), (0.0423, 1.3), (0.0461, 0.7 - 0.3j)]


def found(
    *bodies: tuple[float, complex],
    quality: float,
    face_hz: tuple[float, ...] = (7.1e3, 7.1e3),
    snr_db: float = 40.0,
    seed: int = 0,
    pulse: Pulse = CHIRP,
) -> tuple[Peak, ...]:
    """Search what is heard of bodies through such faces, in white noise.

    An echo of gain 1 has so much 2E/N0.
    """
    hz = np.maximum(np.fft.rfftfreq(LENGTH, 1 / RATE_HZ), 1.0)
    one = np.fft.rfft(pulse.samples.astype(float), LENGTH)
    for at_hz in face_hz:
        one = one / (1 + 1j * quality * (hz / at_hz - at_hz / hz))
    energy = float(np.sum(np.fft.irfft(one, LENGTH) ** 2))
    sent = one * sum(gain * np.exp(-2j * np.pi * hz * at_s) for at_s, gain in bodies)
    heard = np.fft.irfft(sent, LENGTH)[:BLOCK] * math.sqrt(10 ** (snr_db / 10) / energy)
    heard += np.random.default_rng(seed).standard_normal(BLOCK)
    compress = PulseCompressor(pulse, BLOCK)
    matched = compress.matched(compress.spectrum(heard.astype(np.float32)))
    return found_at(compress.from_time_zero(matched, 0.0), compress.shape, rates=(1e-6,)).peaks


def holds(peak: Peak, at_s: float) -> bool:
    return abs(peak.delay_s - at_s) < 3 * math.hypot(peak.u_delay_s, peak.u_second_s)


@pytest.mark.parametrize("pulse", [CHIRP, BARKER], ids=["chirp", "barker"])
@pytest.mark.parametrize("quality", [2.0, 3.0, 5.0])
@pytest.mark.parametrize("seed", range(3))
def test_one_body_that_rings_brings_no_false_echo(pulse: Pulse, quality: float, seed: int) -> None:
    gain = np.exp(2j * np.pi * seed / 3)
    (peak,) = found((AT_S, gain), quality=quality, seed=seed, pulse=pulse)
    # Alone it may as well be two, and its top comes later than the body's place.
    assert peak.u_second_s > 0
    assert holds(peak, AT_S)


@pytest.mark.parametrize("quality", [1.0, 2.0, 3.0])
def test_bodies_that_ring_alike_are_one_each(quality: float) -> None:
    peaks = found((AT_S, 1.0), *OTHERS, quality=quality)
    assert len(peaks) == 1 + len(OTHERS)
    assert all(peak.u_second_s == 0 for peak in peaks)


@pytest.mark.parametrize("others", [[], OTHERS], ids=["alone", "among others"])
@pytest.mark.parametrize("seed", range(4))
def test_two_bodies_are_two_where_nothing_rings(
    others: list[tuple[float, complex]], seed: int
) -> None:
    second = AT_S + 1.4 * LOBE_S, 0.7 * np.exp(0.5j * np.pi * seed)
    peaks = found((AT_S, 1.0), second, *others, quality=0.0, seed=seed)
    assert len(peaks) == 2 + len(others)
    assert all(holds(peak, at_s) for peak, at_s in zip(peaks, (AT_S, second[0]), strict=False))


@pytest.mark.parametrize("others", [[], OTHERS], ids=["alone", "among others"])
@pytest.mark.parametrize("quality", [2.0, 3.0])
@pytest.mark.parametrize("seed", range(4))
def test_two_bodies_that_ring_are_held(
    others: list[tuple[float, complex]], quality: float, seed: int
) -> None:
    second = AT_S + 1.3 * LOBE_S, 0.7 * np.exp(0.5j * np.pi * seed)
    peaks = found((AT_S, 1.0), second, *others, quality=quality, seed=seed)
    near = [peak for peak in peaks if abs(peak.delay_s - AT_S) < 8 * LOBE_S]
    assert len(near) <= 2
    for at_s in (AT_S, second[0]):
        assert any(holds(peak, at_s) for peak in near)


@pytest.mark.parametrize("seed", range(3))
def test_two_bodies_farther_apart_are_each_listed(seed: int) -> None:
    second = AT_S + 4.0 * LOBE_S, 0.6 * np.exp(0.7j * np.pi * seed)
    peaks = found((AT_S, 1.0), second, quality=2.0, seed=seed)
    assert len(peaks) == 2
    assert all(holds(peak, at_s) for peak, at_s in zip(peaks, (AT_S, second[0]), strict=True))


def test_faces_a_little_unlike_bring_no_false_echo() -> None:
    for seed in range(3):
        peaks = found((AT_S, 1.0), quality=3.0, face_hz=(6.8e3, 7.4e3), seed=seed)
        assert len(peaks) == 1
