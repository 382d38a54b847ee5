"""Samples that stand at exactly nothing amid sound, in drawn sound of many kinds.

No code of the program makes the sound: a chirp by its formula, noise, rumble, in as many steps as
converters have.
"""

import numpy as np
import pytest
from scipy.signal import lfilter

from dsp.ping.samples.holes import has_holes

RATE_HZ, SIZE = 48_000.0, 12_000
PULSE = np.sin(2 * np.pi * (4e3 * np.arange(480) + 4e3 / 480 * np.arange(480) ** 2 / 2) / RATE_HZ)
STEPS = {"float": None, "24 bits": 2**23, "16 bits": 2**15}


def drawn(seed: int, rms: float, steps: int | None = None) -> np.ndarray:
    samples = np.random.default_rng(seed).normal(0, rms, SIZE)
    samples[3000:3480] += 0.3 * PULSE
    if steps is not None:
        samples = np.round(samples * steps) / steps
    return samples.astype(np.float32)


@pytest.mark.parametrize("steps", STEPS.values(), ids=STEPS)
@pytest.mark.parametrize("missing", [4, 11, 64])
def test_zeros_amid_a_loud_sound_are_told_and_none_are_not(steps: int | None, missing: int) -> None:
    for seed in range(20):
        samples = drawn(seed, 1e-3, steps)
        assert not has_holes(samples, 480)
        at = 3050 + 15 * seed
        samples[at : at + missing] = 0
        assert has_holes(samples, 480)


def test_zeros_that_noise_hides_are_let_pass() -> None:
    # Of noise alone ten samples hold back no more than ten of a pulse's 480 have in them.
    samples = drawn(1, 1e-3)
    samples[8000:8010] = 0
    assert not has_holes(samples, 480)


@pytest.mark.parametrize("rms_steps", [0.1, 0.3, 1.0, 3.0, 10.0, 100.0])
@pytest.mark.parametrize("lowest", [0.0, 0.9, 0.999], ids=["white", "dull", "rumbling"])
def test_noise_that_is_counted_in_few_steps_is_whole(rms_steps: float, lowest: float) -> None:
    # At one in a million each, one of these 900 blocks is taken amiss in one run of 1,100.
    for seed in range(50):
        noise = np.random.default_rng(seed).standard_normal(2 * SIZE)
        noise = lfilter([1.0], [1.0, -lowest], noise)[SIZE:]
        noise *= rms_steps / noise.std()
        noise[3000:3480] += 100 * rms_steps * PULSE
        assert not has_holes(np.round(noise).astype(np.float32), 480)


def test_silence_between_sounds_without_noise_is_no_hole() -> None:
    samples = np.zeros(SIZE, dtype=np.float32)
    for at in (3000, 3500, 4300):
        samples[at : at + 480] += PULSE.astype(np.float32)
    assert not has_holes(samples, 480)
    assert not has_holes(np.zeros(SIZE, dtype=np.float32), 480)
    assert not has_holes(np.ones(SIZE, dtype=np.float32), 480)
