"""One echo as two channels hear it, by turning a pulse's spectrum: no code of the receiver's."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from dsp.ping.pulse.compression import PulseCompressor
from dsp.ping.pulse.peaks import Peak
from dsp.ping.pulse.pulses import Pulse
from dsp.ping.search.search import find_echoes

BLOCK = 3600
LENGTH = 1 << 13

Sound = tuple[float, float, float]
"""Amplitude, delay in s, and by how much its carrier is turned, rad."""


class TwoChannels:
    """Two receivers' channels, in white noise that is not the same in both."""

    def __init__(self, pulse: Pulse) -> None:
        self.rate_hz = pulse.sample_rate_hz
        samples = pulse.samples.astype(float)
        self.energy = float(samples @ samples)
        self.compress = PulseCompressor(pulse, BLOCK)
        self.shape = self.compress.shape
        self._spectrum = np.fft.rfft(samples, LENGTH)
        self._frequency_hz = np.fft.rfftfreq(LENGTH, 1 / self.rate_hz)

    def noise_rms(self, snr_db: float) -> float:
        """Return the RMS of white noise in which an echo of amplitude 1 has so much 2E/N0.

        N0 is twice the power over the rate: 2E/N0 = energy / rms², sample by sample.
        """
        return math.sqrt(self.energy / 10 ** (snr_db / 10))

    def heard(
        self, sounds: list[Sound], rms: float, random: np.random.Generator
    ) -> tuple[Peak, ...]:
        """Return what one channel's search finds."""
        response = sum(
            a * np.exp(-2j * np.pi * self._frequency_hz * t + 1j * phi) for a, t, phi in sounds
        )
        block: NDArray[np.float64] = np.fft.irfft(self._spectrum * response, LENGTH)[:BLOCK]
        block = block + random.normal(0, rms, BLOCK)
        envelope = self.compress(block.astype(np.float32)) / np.float32(self.compress.peak)
        return find_echoes(envelope, self.shape, false_alarm_rate=1e-4, start_s=0.002)[0]

    def both(
        self, delay_s: float, later_s: float, snr_db: float, random: np.random.Generator
    ) -> tuple[Peak, Peak] | None:
        """Return the one echo in both, or None where it was not found in one."""
        rms = self.noise_rms(snr_db)
        found = []
        for due_s in (delay_s, delay_s + later_s):
            near = [
                p
                for p in self.heard([(1.0, due_s, 0.0)], rms, random)
                if abs(p.delay_s - due_s) < self.shape.width_s
            ]
            if not near:
                return None
            found.append(max(near, key=lambda p: p.amplitude))
        return found[0], found[1]
