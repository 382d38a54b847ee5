"""What two codes that take turns differ by: noise alone where sound went one linear way.

Sounds are made by turning a pulse's spectrum, with no code of the receiver. A complementary pair's
side lobes cancel (M. J. E. Golay, *IRE Trans. Inf. Theory* 7, 1961, from memory); what moves from
ping to ping spoils that.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from numpy.typing import NDArray

from dsp.ping.noise.turns import (
    Sounds,
    among_lobes_of_unlike,
    hidden_by_unlike,
    in_the_other,
    noise_over_unlike,
)
from dsp.ping.pulse.compression import PulseCompressor, energy_band_hz
from dsp.ping.pulse.echo_shape import mean_shape
from dsp.ping.pulse.pulses import golay_pair
from dsp.ping.search.search import found_each

RATE_HZ, BLOCK, LENGTH, RATE = 48e3, 4096, 1 << 13, 1e-6
PAIR = golay_pair(8e3, 2.5e-4, 16, RATE_HZ)
BAND_HZ = (min(energy_band_hz(p)[0] for p in PAIR), max(energy_band_hz(p)[1] for p in PAIR))
COMPRESSORS = [PulseCompressor(pulse, BLOCK, band_hz=BAND_HZ) for pulse in PAIR]
ONE, OTHER = (compress.shape for compress in COMPRESSORS)
HZ = np.fft.rfftfreq(LENGTH, 1 / RATE_HZ)
DIRECT_S = 0.004
PATHS = ((DIRECT_S, 0.2), (0.012, 0.02), (0.02, -0.01))


def block_of(
    turn: int, paths: tuple[tuple[float, float], ...], way: NDArray[np.complex128] | float = 1.0
) -> NDArray[np.float64]:
    ways = sum(share * np.exp(-2j * np.pi * HZ * at_s) for at_s, share in paths)
    spectrum = np.fft.rfft(PAIR[turn].samples.astype(np.float64), LENGTH)
    return np.fft.irfft(spectrum * ways * way, LENGTH)[:BLOCK]


def heard(blocks: list[NDArray[np.float64]]) -> tuple[NDArray[np.complex64], ...]:
    """Return the average of the two codes' profiles, and half of what they differ by."""
    envelopes, crossed = [], []
    for turn, (compress, block) in enumerate(zip(COMPRESSORS, blocks, strict=True)):
        matched = compress.band_spectrum(block.astype(np.float32))
        share = in_the_other(compress.shape, COMPRESSORS[1 - turn].shape)
        envelopes.append(compress.from_time_zero(matched, 0.0))
        crossed.append(compress.from_time_zero(matched * share, 0.0))
    return (envelopes[0] + envelopes[1]) / 2, (crossed[0] - crossed[1]) / 2


def listed(envelope: NDArray[np.complex64]) -> Sounds:
    shape = mean_shape((ONE, OTHER))
    (found,) = found_each(envelope[np.newaxis], shape, rates=(RATE,), start_s=(0.0,))
    columns = np.array([(p.delay_s, p.amplitude, p.snr) for p in found.peaks]).T
    return Sounds(delay_s=columns[0], amplitude=columns[1], snr=columns[2])


def left(unlike: NDArray[np.complex64], echoes: Sounds) -> NDArray[np.float64]:
    """Return the delays of the echoes that neither rule hides."""
    hidden = hidden_by_unlike(unlike, ONE, OTHER, echoes, false_alarm_rate=RATE)
    hidden |= among_lobes_of_unlike(unlike, ONE, OTHER, echoes, echoes, false_alarm_rate=RATE)
    return echoes.delay_s[~hidden]


def false_of(delay_s: NDArray[np.float64]) -> int:
    """Return how many stand farther than a lobe from any path."""
    apart_s = np.abs(delay_s[:, np.newaxis] - [at_s for at_s, _ in PATHS]).min(axis=1)
    return int((apart_s > ONE.width_s).sum())


def dulled(hz: NDArray[np.float64]) -> NDArray[np.complex128]:
    """A resonance and a low-pass: a linear way."""
    at = 1j * hz
    return 1 / (1 + at / 9e3) * (1 + 0.5 / (1 + 4 * (at / 7e3 + 7e3 / (at + 1e-9))))


def test_what_went_one_linear_way_leaves_nothing_in_the_difference() -> None:
    envelope, unlike = heard([block_of(turn, PATHS, dulled(HZ)) for turn in (0, 1)])
    # Rounding in single precision, and the ends of the band, of which next to nothing is sent.
    assert np.abs(unlike).max() < 2e-3 * np.abs(envelope).max()


def test_noise_is_as_much_more_in_the_average_as_is_said() -> None:
    rng = np.random.default_rng(3)
    powers = np.zeros(2)
    for _ in range(40):
        both = heard([rng.standard_normal(BLOCK), rng.standard_normal(BLOCK)])
        powers += [float(np.mean(np.abs(each) ** 2)) for each in both]
    # 40 blocks of some 680 independent bins: to 1/√27000 each, 0.9 % of their ratio.
    assert powers[0] / powers[1] == pytest.approx(noise_over_unlike(ONE, OTHER), rel=0.03)


def test_what_moved_a_little_between_two_codes_shows_no_false_echo() -> None:
    false = 0
    for seed in range(6):
        rng = np.random.default_rng(seed)
        # A sixtieth of a turn of 8 kHz.
        blocks = [block_of(0, PATHS), block_of(1, ((DIRECT_S + 2e-6, 0.2), *PATHS[1:]))]
        envelope, unlike = heard([b + 1e-4 * rng.standard_normal(BLOCK) for b in blocks])
        echoes = listed(envelope)
        false += false_of(echoes.delay_s)
        told = left(unlike, echoes)
        assert false_of(told) == 0
        assert all(np.abs(told - at_s).min() < 1e-5 for at_s, _ in PATHS)
    assert false >= 6


def test_weak_echoes_of_a_straight_input_stay() -> None:
    # 20 dB 2E/N0 in each code, within a pulse behind a direct sound 66 dB above the noise.
    rng, kept, all_of_them = np.random.default_rng(7), 0, 0
    energy = float(np.sum(PAIR[0].samples.astype(np.float64) ** 2))
    rms = 1e-4
    weak = rms * math.sqrt(10**2.0 / (2 * energy))
    for _ in range(30):
        at_s = DIRECT_S + rng.uniform(0.0005, 0.0035)
        paths = ((DIRECT_S, 0.2), (at_s, weak))
        blocks = [block_of(turn, paths) + rms * rng.standard_normal(BLOCK) for turn in (0, 1)]
        envelope, unlike = heard(blocks)
        echoes = listed(envelope)
        near = np.abs(echoes.delay_s - at_s) < ONE.width_s
        all_of_them += int(near.sum())
        some = dataclasses.replace(
            echoes,
            delay_s=echoes.delay_s[near],
            amplitude=echoes.amplitude[near],
            snr=echoes.snr[near],
        )
        hidden = hidden_by_unlike(unlike, ONE, OTHER, some, false_alarm_rate=RATE)
        kept += int((~hidden).sum())
    assert all_of_them >= 20
    assert kept == all_of_them
