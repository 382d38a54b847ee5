"""Samples that were lost on the way and left as nothing, amid sound.

A driver that falls behind fills up with zeros. No sound falls from one sample to the next to
exactly nothing, stays there, and is back as suddenly, unless it is so faint that nothing is one
of the few steps it is counted in.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

_BESIDE = 16
"""So many samples to each side tell how much sound moves there, to about a fifth of that."""
_BY_CHANCE = 1e-6
"""A block in so many may be taken for one with holes where sound passes through 0 by itself."""
_MEDIAN_NORMAL = 0.6745  # of the amount of normal noise, over its RMS


def has_holes(samples: NDArray[np.float32], pulse_samples: int) -> bool:
    """Say whether samples are missing amid sound: more than noise hides.

    Each stretch of zeros is held against chance: where a step of the input is so small beside
    what the sound on both its sides moves by from sample to sample, so many zeros in a row are
    not come by in any block. Together they must weigh: what they hold back, spread by the
    compression over a pulse's length as noise is, is as much as that.

    Parameters
    ----------
    samples : ndarray of float32, shape (samples,)
        Of one channel.
    pulse_samples : int
        How long the pulse is.

    Returns
    -------
    bool
        False where half of the input is nothing: such is quiet, and not what was lost.
    """
    nothing = samples == 0
    if not np.any(nothing[1:] & nothing[:-1]):
        return False
    edges = np.flatnonzero(np.diff(nothing.astype(np.int8), prepend=0, append=0))
    start, stop = edges.reshape(-1, 2).T
    # As far as there is sound on both sides to tell by.
    inside = (stop - start >= 2) & (start > 1) & (stop < samples.size - 1)
    if not inside.any():
        return False
    start, stop = start[inside], stop[inside]
    steps = np.concatenate([[0.0, 0.0], np.cumsum(np.diff(samples.astype(np.float64)) ** 2)])
    first, last = np.maximum(start - _BESIDE, 1), np.minimum(stop + _BESIDE, samples.size)
    before = (steps[start] - steps[first]) / (start - first)
    after = (steps[last] - steps[stop + 1]) / (last - stop - 1)
    moves2 = np.minimum(before, after) / 2
    # What moves so from sample to sample is within half a step of 0 as often as that.
    amount = np.abs(samples)
    step = float(amount[~nothing].min())
    often = np.minimum(step / np.sqrt(2 * math.pi * np.maximum(moves2, 1e-60)), 1.0)
    missing = stop - start
    lost = samples.size * often**missing < _BY_CHANCE
    if not lost.any():
        return False
    noise = float(np.median(amount)) / _MEDIAN_NORMAL
    held_back = float(np.sum(missing[lost] * moves2[lost]))
    return 0 < pulse_samples * noise**2 < held_back
