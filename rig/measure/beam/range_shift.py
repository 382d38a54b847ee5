"""How much too far a pulse shows what recedes."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from rig.bench.waveforms import pulses_of
from rig.run.receiver import Receiver

SPEEDS = 5
"""At so many speeds the shift is worked out, the first 0."""


def range_shift_m(
    receiver: Receiver, speed_m_s: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return how much too far the plan's pulse shows what recedes.

    A receding target stretches its echo, which moves the compressed peak of a chirp. The
    usual formula holds for many cycles of the envelope in a pulse; here the stretched
    pulse is compressed.

    Parameters
    ----------
    receiver : Receiver
    speed_m_s : float
        The fastest.

    Returns
    -------
    speed_m_s, shift_m : ndarray of float64, shape (speeds,)
        From 0 on; the shift is odd in speed.
    """
    pulse, shape = pulses_of(receiver.plan)[0], receiver.shape
    sound_speed = receiver.sound_speed_m_s
    # Enough bins to hold twice the pulse's length without folding.
    most = max(256, math.ceil(4 * float(np.ptp(shape.offset_hz)) * pulse.duration_s))
    step = max(1, shape.weights.size // most)
    frequency_hz = (shape.carrier_hz + shape.offset_hz)[::step]
    weights = shape.weights[::step]
    from_middle = np.arange(pulse.samples.size) - (pulse.samples.size - 1) / 2
    turns = -2j * np.pi / pulse.sample_rate_hz * from_middle
    spectrum = np.exp(np.outer(frequency_hz, turns)) @ pulse.samples
    energy = np.maximum(np.abs(spectrum) ** 2, 1e-12 * float(np.max(np.abs(spectrum) ** 2)))
    lag_s = np.linspace(-1.0, 1.0, 257) * shape.width_s
    lags = np.exp(2j * np.pi * np.outer(lag_s, frequency_hz))
    speed = np.linspace(0.0, speed_m_s, SPEEDS)
    shift_m = np.zeros(SPEEDS)
    for i in range(1, SPEEDS):
        stretch = 1 + 2 * speed[i] / sound_speed
        heard = np.exp(np.outer(frequency_hz * stretch, turns)) @ pulse.samples
        compressed = np.abs(lags @ (weights * heard * spectrum.conj() / energy)) ** 2
        top = int(np.clip(np.argmax(compressed), 1, lag_s.size - 2))
        before, at, after = compressed[top - 1 : top + 2]
        part = (before - after) / 2 / (before - 2 * at + after)
        shift_m[i] = sound_speed / 2 * (lag_s[top] + part * (lag_s[1] - lag_s[0]))
    return speed, shift_m
