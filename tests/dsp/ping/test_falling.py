"""Noise that falls with range is learnt by how it falls; noise that does not is left alone."""

import numpy as np
from numpy.typing import NDArray

from dsp.ping.noise.falling import SKIPPED_BLOCKS, falls
from dsp.ping.pulse.compression import PulseCompressor
from dsp.ping.pulse.pulses import linear_chirp
from dsp.ping.search.search import find_echoes

SHAPE = PulseCompressor(linear_chirp(4e3, 12e3, 0.01, 48_000.0), 4800).shape
BINS = 799


def no_lobes(rows: NDArray[np.intp], bins: NDArray[np.intp]) -> NDArray[np.float64]:
    return np.zeros((rows.size, bins.size))


def test_even_noise_is_hardly_ever_held_to_fall() -> None:
    power = np.random.default_rng(1).exponential(size=(1000, 240)).astype(np.float32)
    found = falls(power, 1.0, no_lobes, np.ones(len(power)))
    # Once in a hundred: 10 of 1000, and 24 by chance once in 10 000 (Poisson).
    assert found is None or found[0].size <= 24


def test_noise_that_is_alike_over_many_cells_is_no_fall() -> None:
    # Each cell the mean of eight: ρ² falls from 1 to 0 as (1 − k/8)², 5.3 over all k, by so much
    # a sum of cells scatters more.
    rng = np.random.default_rng(6)
    drawn = rng.normal(size=(1000, 247, 2)) @ [1, 1j]
    sums = np.cumsum(np.pad(drawn, ((0, 0), (1, 0))), axis=1)
    power = (np.abs(sums[:, 8:] - sums[:, :-8]) ** 2).astype(np.float32)
    doubt = 1 + 2 * sum((1 - k / 8) ** 2 for k in range(1, 8))
    found = falls(power, 1.0, no_lobes, np.full(1000, doubt))
    # As for even noise; held for white it is held to fall in a third of them.
    assert found is None or found[0].size <= 24
    unaware = falls(power, 1.0, no_lobes, np.ones(1000))
    assert unaware is not None
    assert unaware[0].size > 100


def test_another_echo_is_no_fall() -> None:
    power = np.random.default_rng(2).exponential(size=(1000, 240)).astype(np.float32)
    power[:, 40:42] *= 1e4
    found = falls(power, 1.0, no_lobes, np.ones(len(power)))
    # Six of six cells are heard and twice the last, 6 + 2 · 2.45 for 6: 0.6 of a logarithm, of
    # which a law has 0.3 at the most there: 0.4 of a standard deviation, and 2.1 for 2.5, once
    # in 56. By chance 34 of 1000 (Poisson, 1e-4).
    assert found is None or found[0].size <= 34


def test_what_side_lobes_may_have_left_is_no_fall() -> None:
    rng = np.random.default_rng(5)
    law = 1 + 100 * np.exp(-np.arange(240) / 20)
    power = (rng.exponential(size=(500, 240)) * law).astype(np.float32)

    def lobes(rows: NDArray[np.intp], bins: NDArray[np.intp]) -> NDArray[np.float64]:
        return np.tile(law[bins] - 1, (rows.size, 1))

    found = falls(power, 1.0, no_lobes, np.ones(len(power)))
    assert found is not None
    assert found[0].size == 500
    found = falls(power, 1.0, lobes, np.ones(len(power)))
    # Even noise is held to fall once in a hundred. One block's value stands for several, and
    # what is a quarter of it is left: so many times as often.
    assert found is None or found[0].size <= 0.1 * 500


def test_a_fall_is_followed_to_the_start_of_the_profile() -> None:
    rng = np.random.default_rng(3)
    cells, blocks = 240, 30
    law = 1 + 10 * np.exp(-np.arange(cells) / 80)
    power = (rng.exponential(size=(100, cells)) * law).astype(np.float32)
    found = falls(power, 1.0, no_lobes, np.ones(len(power)))
    assert found is not None
    rows, level = found
    assert rows.size >= 99
    off = np.log(level / law)
    off -= off[:, SKIPPED_BLOCKS * 8 :].mean(axis=1, keepdims=True)
    # The end of a line through N values is off by 2 σ/√N, σ = 0.43 that of a block's logarithm;
    # a law of two numbers by half as much again. The mean of a hundred, by a tenth of that and
    # by what lies between two of the laws that are asked.
    u_end = 1.5 * 2 * 0.43 / np.sqrt(blocks - SKIPPED_BLOCKS)
    assert off[:, 0].std() < 1.5 * u_end
    assert abs(off[:, 0].mean()) < u_end


def noise(level: NDArray[np.float64], *, profiles: int) -> NDArray[np.complex64]:
    """A direct sound, and noise of the pulse's band, made by summing its frequencies."""
    rng = np.random.default_rng(4)
    delay_s = np.arange(BINS) * SHAPE.bin_s
    white = rng.normal(size=(profiles, SHAPE.offset_hz.size, 2)) @ [1, 1j] / np.sqrt(2)
    turns = np.exp(2j * np.pi * np.outer(SHAPE.offset_hz, delay_s))
    made = (white * np.sqrt(SHAPE.noise_weights)) @ turns * np.sqrt(level)
    made += 300 * SHAPE.at_bins(8 * SHAPE.bin_s, BINS)
    return np.asarray(made, dtype=np.complex64)


def test_a_threshold_stands_as_high_over_a_rooms_tail_as_over_even_noise() -> None:
    # A reverberation time of 0.15 s is 60 dB in 0.15 s; it begins 10 dB over the noise.
    tail = np.asarray(1 + 10 * 10 ** (-6 * np.arange(BINS) * SHAPE.bin_s / 0.15))
    over_db = {}
    for name, level in (("even", np.ones(BINS)), ("tail", tail)):
        thresholds = [
            find_echoes(envelope, SHAPE, false_alarm_rate=1e-6)[1]
            for envelope in noise(level, profiles=30)
        ]
        over_db[name] = 20 * np.log10(np.median(thresholds, axis=0)) - 10 * np.log10(level)
    near, far = slice(80, 180), slice(500, 700)
    # What is learnt of the law leaves the doubt of 64 cells, which stands 0.3 dB higher at 1e-6
    # (0.51 less 0.17). 30 thresholds' median is off by 1.25/√30 of what each is: by 0.25 dB.
    for part in (near, far):
        higher_db = over_db["tail"][part].mean() - over_db["even"][part].mean()
        assert abs(higher_db - 0.3) < 3 * 0.25
