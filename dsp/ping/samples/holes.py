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
_LOOKED_AT = 1024
"""The least of so many samples is no less than a step."""
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
    nothing = (samples == 0).nonzero()[0]
    if 2 * nothing.size > samples.size:
        return False
    # Most zeros of a sound stand alone: what does not is looked at more closely.
    follows = nothing[1:] - nothing[:-1] == 1
    second = nothing[1:][follows]
    if second.size == 0:
        return False
    of_stretch = (second[1:] - second[:-1] > 1).nonzero()[0] + 1
    first = np.concatenate(([0], of_stretch))
    start, missing = second[first] - 1, np.diff(first, append=second.size) + 1
    inside = (start >= _BESIDE) & (start + missing <= samples.size - _BESIDE)
    if not inside.any():
        return False
    start, missing = start[inside], missing[inside]
    # What moves so from sample to sample is within half a step of 0 as often as that.
    looked_at = np.abs(samples[:: -(-samples.size // _LOOKED_AT)])
    step = float(looked_at.min(where=looked_at > 0, initial=math.inf))
    # None moves by more than from one end of what was heard to the other.
    most2 = float(samples.max() - samples.min()) ** 2 / 2
    if samples.size * _often(step, most2) ** int(missing.max()) >= _BY_CHANCE:
        return False
    moves2 = np.minimum(_moves2(samples, start - _BESIDE), _moves2(samples, start + missing))
    often = np.array([_often(step, each) for each in moves2.tolist()])
    lost = samples.size * often**missing < _BY_CHANCE
    if not lost.any():
        return False
    noise = float(np.median(np.abs(samples))) / _MEDIAN_NORMAL
    held_back = float(np.sum(missing[lost] * moves2[lost]))
    return held_back > pulse_samples * noise**2


def _often(step: float, moves2: float) -> float:
    return min(step / math.sqrt(2 * math.pi * max(moves2, 1e-60)), 1.0)


def _moves2(samples: NDArray[np.float32], start: NDArray[np.intp]) -> NDArray[np.float64]:
    """Return half the mean square of the changes from sample to sample behind some places."""
    beside = samples[start[:, np.newaxis] + np.arange(_BESIDE)].astype(np.float64)
    return np.asarray(np.mean(np.diff(beside, axis=1) ** 2, axis=1) / 2)
