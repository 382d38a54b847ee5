"""What is heard where it should be quiet: crosstalk, and the ring-down."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from dsp.history import known_targets
from dsp.ping.pulse.equalising import aligned_mean
from dsp.ping.pulse.peaks import side_lobe_ceiling
from dsp.ping.ranging import path_from_range_m
from rig.bench.plan import Plan
from rig.bench.stored_calibration import StoredFinding
from rig.bench.waveforms import pulses_of
from rig.measure.calibrate.runs import HOLD_S, Start, lined_up, magnitude_at
from rig.measure.calibrate.steps import KnownTarget


def crosstalk(start: Start, notes: list[str]) -> list[StoredFinding]:
    """Look for the pulse in the microphone before any sound can have come."""
    rate = start.info.sample_rate_hz
    heard, noise_rms = lined_up(start, 0)
    begin = round(HOLD_S * rate)
    # Band-limited sound begins a little before itself.
    samples = int(start.direct_s * rate) - 3
    pulse = pulses_of(start.receiver.plan)[0].samples.astype(np.float64)
    turned = aligned_mean(heard[np.newaxis], np.array([HOLD_S - begin / rate]), rate)
    try:
        amplitude, u_amplitude = known_targets.crosstalk(
            turned[begin : begin + max(samples, 0)],
            _analytic(pulse)[: max(samples, 0)],
            noise_rms=noise_rms,
        )
    except ValueError:
        notes.append(
            "crosstalk cannot be told from the direct sound: source and receiver stand too close"
        )
        return []
    at_most = amplitude < 3 * u_amplitude
    level = max(amplitude, 3 * u_amplitude, 1e-10)
    direct = magnitude_at(start, start.direct_s)
    fit = level < direct / 3
    advice = "" if fit else "the pulse comes by wire or through the table: screen or part the leads"
    return [
        StoredFinding(
            name="crosstalk, at most" if at_most else "crosstalk",
            value=20 * math.log10(level),
            u_value=None if at_most else 20 / math.log(10) * u_amplitude / amplitude,
            unit="dB re full scale",
            fit=fit,
            advice=advice,
        )
    ]


def ring_down(
    start: Start, known: Sequence[KnownTarget], plan: Plan, notes: list[str]
) -> list[StoredFinding]:
    """Follow what is heard behind the direct sound, in the low side lobes of a Hann weighting."""
    hann, profile = start.receiver, start.run.measurement.profile
    if profile is None:
        return []
    shape, bin_s = hann.shape, profile.bin_s
    magnitude = np.abs(profile.envelope).astype(np.float64)
    # The median of Rayleigh noise, far out, over √ln 2, is its RMS.
    noise = float(np.median(magnitude[3 * magnitude.size // 4 :])) / math.sqrt(math.log(2))
    lobes = side_lobe_ceiling(shape, magnitude.size)
    direct_bin = round(start.direct_s / bin_s)
    begin = direct_bin + math.ceil(1.2 * shape.width_s / bin_s)
    nearest_m = min([t.range_m for t in known], default=plan.receiver.range_stop_m)
    path_m = float(path_from_range_m(nearest_m, plan.geometry.baseline_m))
    end = int((path_m / hann.sound_speed_m_s - 2 * shape.width_s) / bin_s)
    if end <= begin:
        return []
    peak = float(magnitude[max(direct_bin - 1, 0) : direct_bin + 2].max())
    floor = np.maximum(noise, 1e-10) + peak * lobes[begin - direct_bin : end - direct_bin]
    ring = known_targets.ring_down(
        magnitude[begin:end],
        floor,
        bin_s=bin_s,
        window_bins=max(1, round(shape.width_s / bin_s)),
    )
    if ring is None:
        notes.append("no ring-down stood out behind the direct sound")
        return []
    deaf_s = ring.deaf_s + (begin - direct_bin) * bin_s
    return [
        StoredFinding(
            name="ring-down to 1/e",
            value=1e3 * ring.decay_s,
            u_value=1e3 * ring.u_decay_s,
            unit="ms",
            fit=True,
        ),
        StoredFinding(
            name="ring-down heard for",
            value=1e3 * deaf_s,
            u_value=1e3 * shape.width_s / math.sqrt(12),
            unit="ms",
            fit=deaf_s * hann.sound_speed_m_s / 2 < plan.receiver.range_start_m,
            advice=""
            if deaf_s * hann.sound_speed_m_s / 2 < plan.receiver.range_start_m
            else "it covers the plan's nearest ranges: damp the source, or start further off",
        ),
    ]


def _analytic(samples: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Return the analytic signal of a pulse with silence around it."""
    length = 4 * samples.size
    spectrum = np.fft.fft(samples, length)
    spectrum[1 : length // 2] *= 2
    spectrum[length // 2 + 1 :] = 0
    return np.asarray(np.fft.ifft(spectrum)[: samples.size])
