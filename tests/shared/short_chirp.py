"""A chirp from 4 to 12 kHz in 10 ms, and the noise in which a sound of it is so strong."""

import math

import numpy as np

from dsp.ping.pulse.pulses import linear_chirp

RATE_HZ = 48_000.0
PULSE = linear_chirp(4e3, 12e3, 0.010, RATE_HZ)
ENERGY = float(np.sum(PULSE.samples.astype(float) ** 2))


def rms_for(amplitude: float, snr_db: float) -> float:
    """RMS of white noise in which a sound has a 2E/N0 of so much: N0/2 is a sample's variance."""
    return amplitude * math.sqrt(ENERGY) / 10 ** (snr_db / 20)
