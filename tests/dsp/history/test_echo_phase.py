"""Phases sharpen the ranges of a track, or say that they cannot."""

import math

import numpy as np
import pytest

from dsp.history.echo_phase import SharpRanges, echo_phasor, sharpened
from dsp.ping.pulse.compression import PulseCompressor
from dsp.ping.pulse.pulses import linear_chirp

WAVELENGTH_M, BASELINE_M, COARSE_M = 0.0245, 0.12, 0.0014
D = 10 ** (15 / 20)  # 2E/N0 of 15 dB


def sharp(
    path_m: np.ndarray, *, rng: np.random.Generator, turned: np.ndarray | float = 0.0
) -> SharpRanges | None:
    """Sharpen ranges whose paths are known, the target adding a phase of its own."""
    range_m = np.sqrt((path_m / 2) ** 2 - (BASELINE_M / 2) ** 2)
    phase = -2 * np.pi * path_m / WAVELENGTH_M + turned + rng.standard_normal(path_m.size) / D
    return sharpened(
        0.1 * np.arange(path_m.size),
        range_m + COARSE_M * rng.standard_normal(path_m.size),
        np.full(path_m.size, COARSE_M),
        phase,
        np.full(path_m.size, 1 / D),
        wavelength_m=WAVELENGTH_M,
        baseline_m=BASELINE_M,
    )


def arch_path_m(hits: int) -> np.ndarray:
    away_m = 0.02 * (np.arange(hits) - hits / 2)
    return 2 * np.sqrt(0.8**2 + away_m**2 + (BASELINE_M / 2) ** 2)


def test_sharpened_ranges_scatter_by_the_phases_own_noise() -> None:
    rng = np.random.default_rng(1)
    path_m = arch_path_m(40)
    true_m = np.sqrt((path_m / 2) ** 2 - (BASELINE_M / 2) ** 2)
    scatter, shifts, u_shifts = [], [], []
    for _ in range(60):
        found = sharp(path_m, rng=rng, turned=rng.uniform(-np.pi, np.pi))
        assert found is not None
        error = found.range_m - true_m
        scatter.append(np.std(error))
        shifts.append(np.mean(error))
        u_shifts.append(found.u_shift_m)
    # λ/(4π d) of range, a fourth of what the envelope gives; 60 x 40 values know it to
    # 1.5 %, the pair's spacing adds 0.3 %.
    assert np.mean(scatter) == pytest.approx(WAVELENGTH_M / (4 * np.pi * D), rel=0.06)
    # What is common stays as sure as the mean of 40 envelopes; 60 values know it to 9 %.
    assert np.std(shifts) == pytest.approx(COARSE_M / math.sqrt(40), rel=0.3)
    assert np.mean(u_shifts) == pytest.approx(COARSE_M / math.sqrt(40), rel=0.2)


def test_phases_that_do_not_follow_the_ranges_are_not_used() -> None:
    rng = np.random.default_rng(2)
    for hits in (6, 12, 40):
        used = [
            sharp(arch_path_m(hits), rng=rng, turned=rng.uniform(-np.pi, np.pi, hits))
            for _ in range(60)
        ]
        # Of any phases half lie within a right angle of a common one, and their mean
        # resultant is 2/π = 0.64; asked for are three quarters, and 0.8. With few hits
        # the curve can follow some by chance.
        assert sum(found is not None for found in used) <= {6: 12, 12: 4, 40: 0}[hits]


def test_one_strange_phase_leaves_its_range_as_the_envelope_had_it() -> None:
    rng = np.random.default_rng(3)
    turned = np.zeros(40)
    turned[7] = 2.5
    found = sharp(arch_path_m(40), rng=rng, turned=turned)
    assert found is not None
    assert found.noise_m[7] == COARSE_M
    assert np.all(np.delete(found.noise_m, 7) < COARSE_M / 3)


def test_phasor_is_that_of_the_delay_at_the_spectrums_centre() -> None:
    chirp = linear_chirp(8e3, 20e3, 0.004, 48e3)
    compress = PulseCompressor(chirp, 2400)
    shape = compress.shape
    spectrum = np.fft.rfft(chirp.samples.astype(float), 4800)
    frequency_hz = np.fft.rfftfreq(4800, 1 / 48e3)
    for delay_s in (0.0051, 0.0123456, 0.02):
        moved = spectrum * np.exp(-2j * np.pi * frequency_hz * delay_s)
        block = 0.3 * np.fft.irfft(moved, 4800)[:2400].astype(np.float32)
        envelope = compress.from_time_zero(compress.band_spectrum(block), 0.0)
        # The search's own error, here 3 µs, turns the envelope but not this phase.
        phasor = echo_phasor(
            envelope,
            [delay_s + 3e-6],
            bin_s=compress.bin_s,
            centre_offset_hz=shape.centre_hz - shape.carrier_hz,
        )[0]
        assert abs(phasor) == pytest.approx(0.3, rel=5e-3)  # interpolation: 60 dB down
        turned = phasor / abs(phasor) * np.exp(2j * np.pi * shape.centre_hz * delay_s)
        # Single precision and the interpolation: 1e-3 each.
        assert abs(np.angle(turned)) < 3e-3


def test_a_wave_of_no_length_is_refused() -> None:
    with pytest.raises(ValueError, match="wavelength_m"):
        sharpened([0.0], [1.0], [0.1], [0.0], [0.1], wavelength_m=0.0)
