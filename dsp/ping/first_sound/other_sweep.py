"""Whether what was sent sweeps as the pulse does that it is compressed with.

A chirp of another length or band is drawn out: each of its frequencies comes through its matched
filter at a time of its own, in proportion. Turned back by as much, it is one sound again, and far
higher than it was. No room, resonance or second path spreads frequencies so evenly.

References
----------
J. R. Klauder et al., "The theory and design of chirp radars", *Bell Syst. Tech. J.* 39, 1960,
pp. 745-808: what a mismatch of sweeps leaves is a sweep again.
"""

from __future__ import annotations

import math

import numpy as np
import scipy
from numpy.typing import NDArray

from dsp.ping.pulse.echo_shape import EchoShape

MUCH_HIGHER = 2.5
"""In energy, 4 dB. By the other sweep that suits them best, chirps gain 5 dB and more that were
sent from half as high or twice, or lasted for half as long or twice; what a measured room, three
bounces or faces that ring with a Q of 12 make of the right one gains 2.3 dB at the most."""

LONGEST = 3.0
"""Of the sweep itself: what was sent has at most so much of it, rising or falling."""

CLICK = 0.2
"""Of the sweep itself, to either side of none: with all of it taken away, a click would stand as a
sound."""

_STEP = 1.15
"""From one tried sweep to the next. What a sweep of n lobes draws out loses a factor of n in its
crest, and what is left of it after the nearest is taken off, no more than n/14."""


def sweeps_otherwise(
    envelope: NDArray[np.complexfloating],
    shape: EchoShape,
    delay_s: float,
    *,
    duration_s: float,
    sweep_s_per_hz: float,
) -> bool:
    """Say whether a sound is far rather a chirp of another sweep.

    Parameters
    ----------
    envelope : ndarray of complex, shape (bins,)
        A block compressed without weights, its first bin at delay 0.
    shape : EchoShape
        Of the pulse that it was compressed with.
    delay_s : float
        Of the sound.
    duration_s : float
        Of the pulse; so far to each side of the sound it may be drawn out.
    sweep_s_per_hz : float
        How much later the pulse sends a frequency 1 Hz higher; less than 0 where it falls.
    """
    first, last = (math.floor((delay_s + side * duration_s) / shape.bin_s) for side in (-1, 1))
    around = envelope[max(first, 0) : last + 1]
    bins = scipy.fft.next_fast_len(2 * around.size)
    from_centre_hz = scipy.fft.fftfreq(bins, shape.bin_s) + shape.carrier_hz - shape.centre_hz
    # Bins carry what lies beyond their span's ends within it, at the other one.
    from_centre_hz -= np.round(from_centre_hz * shape.bin_s) / shape.bin_s
    spectrum = scipy.fft.fft(around, bins)
    turns = math.pi * from_centre_hz**2
    least_s_per_hz = shape.width_s**2
    highest = float(np.max(np.abs(around) ** 2))
    tried = _STEP ** np.arange(
        math.log(least_s_per_hz / abs(sweep_s_per_hz), _STEP), math.log(1 + LONGEST, _STEP)
    )
    for more in np.concatenate([tried, -tried]).tolist():
        if not CLICK < abs(1 + more) < LONGEST:
            continue
        turned = scipy.fft.ifft(spectrum * np.exp(1j * more * sweep_s_per_hz * turns))
        if np.max(np.abs(turned) ** 2) > MUCH_HIGHER * highest:
            return True
    return False
