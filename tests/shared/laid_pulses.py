"""Pulses laid into a block, each from a sample on."""

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from dsp.ping.pulse.pulses import Pulse


def laid(pulse: Pulse, sounds: Mapping[int, float], samples: int) -> NDArray[np.float64]:
    """Return a block of so many samples; sounds by where each begins, and its amplitude."""
    block = np.zeros(samples)
    for at, amplitude in sounds.items():
        block[at : at + pulse.samples.size] += amplitude * pulse.samples.astype(float)
    return block
