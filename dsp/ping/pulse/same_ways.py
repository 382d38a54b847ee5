"""How much later one pulse came than another by the same ways, whatever those made of both."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

_STEPS = 3
"""Of Newton's method. Begun within a tenth of a wave, each leaves a hundredth and less."""

_FARTHEST_WAVES = 1 / 4
"""Beyond that another wave is nearer."""


def same_ways_apart_s(
    one: NDArray[np.complexfloating],
    other: NDArray[np.complexfloating],
    frequency_hz: NDArray[np.floating],
    *,
    near_s: float,
) -> float:
    """Return by how much later `other` came than `one`.

    Each is the spectrum of what was heard, times the conjugate of its own pulse's. Whatever the
    ways did, echoes among it, drops out of the two's product but for its power, which turns no
    phase: what turns it is the delay alone. (A crest does not tell that: what a filter makes of a
    code's own side lobes moves it, another way for each code.)

    Parameters
    ----------
    one, other : ndarray of complex, shape (frequencies,)
    frequency_hz : ndarray of float, shape (frequencies,)
    near_s : float
        Where it is looked for, to a tenth of a wave of the highest frequency; it is returned
        itself where nothing stands so near, as of two pulses that did not go the same ways.
    """
    turn = 2 * np.pi * frequency_hz
    both = one.conj() * other
    apart_s, farthest_s = near_s, _FARTHEST_WAVES / float(np.max(frequency_hz))
    for _ in range(_STEPS):
        turned = both * np.exp(1j * turn * apart_s)
        curvature = float(turned.real @ turn**2)
        apart_s -= float(turned.imag @ turn) / curvature if curvature > 0 else np.inf
        if not abs(apart_s - near_s) <= farthest_s:
            return near_s
    return apart_s
