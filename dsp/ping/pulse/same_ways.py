"""How much later one pulse came than another by the same ways, whatever those made of both."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

_STEPS = 3
"""Of Newton's method. Begun within a tenth of a wave, each leaves a hundredth and less."""


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
        Where it is looked for, to a tenth of a wave of the highest frequency.
    """
    turn = 2 * np.pi * frequency_hz
    both = one.conj() * other
    apart_s = near_s
    for _ in range(_STEPS):
        turned = both * np.exp(1j * turn * apart_s)
        apart_s -= float(turned.imag @ turn) / max(float(turned.real @ turn**2), 1e-300)
    return apart_s
