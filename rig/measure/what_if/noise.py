"""Noise: how loud it was, drawn anew, and what is heard above it."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from dsp.ping.pulse.echo_shape import EchoShape
from rig.measure.what_if.bench import Bench
from rig.run.hits import FOLLOW_RATE
from rig.run.receiver import Receiver
from rig.run.results import PingResult

_FEWEST = 64  # bins from which noise is known well enough


def noise_rms_of(receiver: Receiver, good: Sequence[PingResult]) -> float:
    """RMS of the noise in each sample, from the middle of what most bins hold.

    Past the farthest echo that the plan looks for, where there is room for that; else past
    the direct sound.
    """
    shape, direct_s = receiver.shape, receiver.plan.geometry.baseline_m / receiver.sound_speed_m_s
    middles = []
    for profile in (r.alone for r in good if r.alone is not None):
        heard = np.abs(profile.envelope)
        starts_s = (receiver.last_echo_s, direct_s + shape.reach_s, 0.0)
        late = [heard[math.ceil(start / profile.bin_s) :] for start in starts_s]
        middles.append(float(np.median(next(h for h in late if h.size >= _FEWEST or h is late[2]))))
    # Half of a Rayleigh distribution lies below √(ln 2) of its RMS.
    return max(float(np.median(middles)) / math.sqrt(math.log(2)) / shape.noise_gain, 1e-12)


def drawn_noise(
    shape: EchoShape, bins: int, noise_rms: float, random: np.random.Generator
) -> NDArray[np.complex64]:
    """White noise of an RMS in each sample, compressed."""
    import scipy.fft

    spectrum = np.zeros(shape.cycle_bins, dtype=np.complex128)
    share = np.sqrt(np.maximum(shape.noise_weights, 0) / 2) * noise_rms * shape.noise_gain
    drawn = random.standard_normal((2, share.size))
    spectrum[shape.band_index] = share * (drawn[0] + 1j * drawn[1]) * shape.cycle_bins
    return np.asarray(scipy.fft.ifft(spectrum)[:bins], dtype=np.complex64)


def threshold(bench: Bench, noise_rms: float) -> float:
    """Amplitude from which a track's echoes are heard."""
    gain = bench.shapes[0].noise_gain
    return noise_rms * gain * math.sqrt(-math.log(FOLLOW_RATE))
