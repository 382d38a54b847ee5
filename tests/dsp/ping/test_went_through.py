"""What a first sound alone went through, against ways made by their own formulas."""

import dataclasses
import math

import numpy as np
import pytest
from numpy.typing import NDArray

from dsp.ping.first_sound.arrivals import first_arrival
from dsp.ping.first_sound.went_through import late_by_shape
from dsp.ping.pulse.compression import PulseCompressor
from dsp.ping.pulse.echo_shape import EchoShape
from dsp.ping.pulse.peaks import Peak, crest_near
from dsp.ping.pulse.pulses import Pulse, linear_chirp, tone_burst
from dsp.ping.search.search import find_echoes

RATE_HZ, BLOCK = 48_000.0, 6000
PULSE = linear_chirp(4e3, 12e3, 0.010, RATE_HZ)
COMPRESS = PulseCompressor(PULSE, BLOCK)
LENGTH = 1 << 14
FREQUENCY_HZ = np.fft.rfftfreq(LENGTH, 1 / RATE_HZ)
TURNED = -2j * np.pi * FREQUENCY_HZ
SPECTRUM = np.fft.rfft(PULSE.samples.astype(float), LENGTH)
FIRST_S = 0.012
FLAT = np.ones(FREQUENCY_HZ.size, dtype=np.complex128)
DULL = np.asarray(1 / (1 + 1j * FREQUENCY_HZ / 6e3), dtype=np.complex128)


def bounce(share: float, behind_s: float) -> NDArray[np.complex128]:
    """Return the response of two paths."""
    return np.asarray(1 + share * np.exp(TURNED * behind_s))


def low_pass(order: int, corner_hz: float) -> NDArray[np.complex128]:
    """Return Butterworth's: poles evenly on a circle."""
    poles = np.exp(1j * np.pi * (2 * np.arange(order) + order + 1) / (2 * order))
    return np.asarray(np.prod(-poles / (1j * FREQUENCY_HZ[:, None] / corner_hz - poles), axis=1))


def first_crest(envelope: NDArray[np.complex64], shape: EchoShape) -> Peak:
    """Return the first sound of an envelope, where that is highest within half a lobe."""
    found = first_arrival(envelope, shape)
    assert found is not None
    reach = max(1, round(shape.width_s / 2 / shape.bin_s))
    place, height = crest_near(envelope, shape, round(found.delay_s / shape.bin_s), reach)
    return dataclasses.replace(found, delay_s=place * shape.bin_s, amplitude=height)


def told(
    first: NDArray[np.complex128],
    echo: NDArray[np.complex128],
    *,
    seed: int = 0,
    rms: float = 3e-3,
) -> tuple[float, float]:
    """Return by how much what is told of a first sound is off, and how sure it is."""
    sounds = 0.5 * first * np.exp(TURNED * FIRST_S) + 0.1 * echo * np.exp(
        TURNED * (FIRST_S + 0.005)
    )
    block = np.fft.irfft(SPECTRUM * sounds, LENGTH)[:BLOCK]
    block += rms * np.random.default_rng(seed).standard_normal(BLOCK)
    envelope = COMPRESS.from_time_zero(COMPRESS.band_spectrum(block.astype(np.float32)), 0.0)
    shape = COMPRESS.shape
    crest = first_crest(envelope, shape)
    late = late_by_shape(envelope, shape, crest)
    return crest.delay_s - late.late_s - FIRST_S, late.u_late_s


@pytest.mark.parametrize(("share", "behind_s"), [(-0.4, 1.7e-4), (0.2, 6e-5), (0.6, 1e-4)])
def test_a_bounce_close_behind_is_taken_off(share: float, behind_s: float) -> None:
    off_s, u_s = told(bounce(share, behind_s), FLAT)
    # 2E/N0 is 0.5² · 240 · 0.9 / 3e-3² = 68 dB: a lone copy is placed to 1/(14.5e3 · 2400) s,
    # 30 ns, and it takes some times as much to place two that overlap.
    assert u_s < 1e-6
    assert abs(off_s) < 3 * u_s


@pytest.mark.parametrize(("share", "behind_s"), [(1.4, 1.4e-4), (-2.0, 1e-4), (3.0, 1.45e-4)])
def test_a_bounce_louder_than_the_sound_is_taken_off(share: float, behind_s: float) -> None:
    # As where the direct sound is partly shadowed: what is placed is the bounce, 0.1 ms late.
    off_s, u_s = told(bounce(share, behind_s), FLAT)
    assert u_s < 1e-6
    assert abs(off_s) < 3 * u_s


@pytest.mark.parametrize("order", [2, 4])
def test_a_high_pass_is_not_told_as_a_bounce_that_is_louder(order: int) -> None:
    # H(s) of a low-pass over H(1/s); at 2E/N0 of 52 dB.
    poles = np.exp(1j * np.pi * (2 * np.arange(order) + order + 1) / (2 * order))
    inverse = 4e3 / (1j * np.maximum(FREQUENCY_HZ, 1.0))
    way = np.asarray(np.prod(-poles / (inverse[:, None] - poles), axis=1))
    off_s, u_s = told(way, FLAT, rms=2e-2)
    assert abs(off_s) < 2 * u_s


def test_two_bounces_are_not_told_as_one() -> None:
    off_s, u_s = told(bounce(-0.3, 8e-5) + bounce(0.3, 1.6e-4) - FLAT, FLAT)
    # The crest is moved by 11 µs; one bounce would be told to less than a hundredth of that.
    assert u_s > 11e-6 / 2
    assert abs(off_s) < 2 * u_s


def test_how_far_a_bounce_is_off_is_what_is_told() -> None:
    off = [off_s / u_s for off_s, u_s in (told(bounce(0.4, 8e-5), FLAT, seed=s) for s in range(8))]
    # Of eight normal ones the mean square is above 3.3 or below 0.1 in one of a thousand each.
    assert 0.1 < np.mean(np.square(off)) < 3.3


@pytest.mark.parametrize("corner_hz", [6e3, 12e3])
def test_how_late_a_filter_makes_a_sound_is_not_told_but_bounded(corner_hz: float) -> None:
    # A low-pass that a sampled chain makes, (1 + 1/z)/2 over a pole, looks as one pole does, and
    # is half a sample later: none of it is taken off, and both are held.
    pole = np.exp(-2 * np.pi * corner_hz / RATE_HZ)
    one_later = np.exp(TURNED / RATE_HZ)
    sampled = (1 + one_later) / 2 * (1 - pole) / (1 - pole * one_later)
    for way in (1 / (1 + 1j * FREQUENCY_HZ / corner_hz), sampled):
        off_s, u_s = told(np.asarray(way), FLAT)
        assert u_s > 0.5 / RATE_HZ / 2
        assert abs(off_s) < 2 * u_s


@pytest.mark.parametrize("order", [1, 2, 3])
def test_how_late_a_filter_makes_a_sound_is_bounded_by_what_looks_alike(order: int) -> None:
    off_s, u_s = told(low_pass(order, 14e3), FLAT)
    assert abs(off_s) < 2 * u_s
    # Two poles that colour the band as one of half their sum does are late by √2 of it at most, and
    # three and four by a quarter more than two and three: nothing alike is late by twice as much.
    # Even between: 1/√3. At 68 dB a filter beyond the band hides 10**(-68/60) of 1/β = 69 µs.
    assert u_s < math.hypot(2 / math.sqrt(3) * off_s, 5.1e-6)


@pytest.mark.parametrize(("order", "corner_hz"), [(2, 20e3), (3, 18e3)])
def test_a_bounce_through_a_low_pass_is_not_told_as_a_bounce(order: int, corner_hz: float) -> None:
    # 52 dB: one bounce alone holds, 22 to 41 µs early by the low-pass.
    off_s, u_s = told(bounce(0.4, 1.2e-4) * low_pass(order, corner_hz), FLAT, rms=2e-2)
    assert abs(off_s) < 2 * u_s


def test_a_copy_is_not_late() -> None:
    off_s, u_s = told(FLAT, FLAT)
    # A lone copy is placed to 30 ns, as above, and 5e-4 of it may be misread: as much again.
    assert u_s < math.hypot(3e-8, 3e-8)
    assert abs(off_s) < 3 * u_s


@pytest.mark.parametrize("way", [DULL, bounce(0.4, 1e-4)])
def test_what_all_sounds_went_through_makes_none_late(way: NDArray[np.complex128]) -> None:
    # A search goes on until its steps are a seventh of what noise moves a sound by: 30 ns again.
    assert told(way, way)[1] < 30e-9 / 7


@pytest.mark.parametrize(
    ("pulse", "weighting", "quality"),
    [
        (tone_burst(8e3, 2e-3, RATE_HZ), "none", 1.0),
        (tone_burst(8e3, 2e-3, RATE_HZ), "none", 3.0),
        (PULSE, "hann", 2.0),
        (PULSE, "none", 2.0),
    ],
)
def test_before_faces_that_ring_an_echo_is_as_late_as_the_direct_sound(
    pulse: Pulse, weighting: str, quality: float
) -> None:
    """Sender and receiver are a driven oscillator each, of one Q, at 7.6 kHz (textbook)."""
    behind_s, block, length = 0.04, 6000, 1 << 14
    over = np.maximum(FREQUENCY_HZ, 1.0) / 7.6e3
    faces = 1 / (1 + 1j * quality * (over - 1 / over)) ** 2
    sent = np.fft.rfft(pulse.samples.astype(float), length) * faces
    both = 0.5 * np.exp(TURNED * FIRST_S) + 0.1 * np.exp(TURNED * (FIRST_S + behind_s))
    heard = np.fft.irfft(sent * both, length)[:block]
    heard += 1e-3 * np.random.default_rng(0).standard_normal(block)
    compress = PulseCompressor(pulse, block, weighting=weighting)
    shape = compress.shape
    envelope = compress.from_time_zero(compress.band_spectrum(heard.astype(np.float32)), 0.0)
    crest = first_crest(envelope, shape)
    late = late_by_shape(envelope, shape, crest)
    echoes, _ = find_echoes(envelope, shape, false_alarm_rate=1e-6, start_s=FIRST_S + 0.03)
    echo = max(echoes, key=lambda echo: echo.amplitude)
    off_s = echo.delay_s - (crest.delay_s - late.late_s) - behind_s
    assert abs(off_s) < 3 * math.hypot(echo.u_delay_s, crest.u_delay_s, late.u_late_s)
