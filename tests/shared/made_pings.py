"""Pings made by turning a pulse's spectrum, without any code of the receiver or the tank."""

import math
from collections.abc import Iterator, Sequence

import numpy as np

from rig.bench.capture import LEAD_S, CaptureBlock
from rig.bench.plan import Plan
from rig.bench.waveforms import pulses_of

SPEED_M_S = 343.987  # the formula's at 20 °C and 50 %, which the plans believe in

Sound = tuple[float, float, float]
"""Amplitude, range from midway between source and receiver in the first ping, m, and how fast
that grows, m/s; the direct sound has a range of 0."""


def made_pings(
    plan: Plan, sounds: Sequence[Sound], *, pings: int, rms: float, seed: int = 0
) -> Iterator[CaptureBlock]:
    """Yield blocks whose pulse leaves at their lead, in white noise of an RMS."""
    rate_hz, baseline_m = plan.timing.sample_rate_hz, plan.geometry.baseline_m
    pulses = [pulse.samples.astype(float) for pulse in pulses_of(plan)]
    length = 1 << (plan.interval_samples + max(p.size for p in pulses)).bit_length()
    frequency_hz = np.fft.rfftfreq(length, 1 / rate_hz)
    spectra = [np.fft.rfft(pulse, length) for pulse in pulses]
    random = np.random.default_rng(seed)
    for ping in range(pings):
        sent_s = ping * plan.timing.ping_interval_s
        response = np.zeros(frequency_hz.size, dtype=complex)
        for amplitude, range_m, speed_m_s in sounds:
            way_m = math.hypot(2 * (range_m + speed_m_s * sent_s), baseline_m)
            delay_s = LEAD_S + way_m / SPEED_M_S
            response += amplitude * np.exp(-2j * np.pi * frequency_hz * delay_s)
        turn = ping % len(pulses)
        samples = np.fft.irfft(spectra[turn] * response, length)[: plan.interval_samples]
        samples += random.normal(0, rms, samples.size)
        yield CaptureBlock(
            index=ping,
            samples=samples[np.newaxis],
            start_sample=ping * plan.interval_samples,
            mark_s=LEAD_S + baseline_m / SPEED_M_S,
            pulse_index=turn,
        )
