"""Which sounds of a ping come again in those that follow it, an interval later each."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import scipy
from numpy.typing import NDArray

LIKE = 0.8
"""Two sounds are the same if their envelopes, over two lobes, correlate by at least this. Chosen
between noise, of which two pieces do in 13 of 100, and two copies at the threshold of a search,
13 dB above its noise, of which 3 in 100 do not, and 1 in 2000 another 3 dB up (drawn, for chirp,
codes and tone)."""

AS_STRONG = 1.6
"""And if neither is stronger than the other by more than this factor, 4 dB: 5 in 100 of two copies
at that threshold, and 1 in 100 another 3 dB up, are not. Such a train begins a ping later."""


def comes_again(
    envelope: NDArray[np.complexfloating],
    following: Sequence[NDArray[np.complexfloating]],
    place_bins: NDArray[np.float64],
    *,
    lobe_bins: float,
    drift_bins: float,
) -> NDArray[np.bool_]:
    """Say which sounds come again in the next ping and in more than half of all that follow.

    Parameters
    ----------
    envelope : ndarray of complex64, shape (bins,)
    following : sequence of ndarray of complex64, shape (bins,)
        The same stretch one, two, ... intervals later.
    place_bins : ndarray of float64, shape (sounds,)
        Where the sounds stand in the first.
    lobe_bins : float
        Width of an echo's main lobe at half amplitude.
    drift_bins : float
        A sound may move by up to so much from one ping to the next, and by as much each time.

    Returns
    -------
    ndarray of bool, shape (sounds,)
        All false where nothing follows.
    """
    most = np.zeros(place_bins.size, dtype=np.intp)
    if not following:
        return most > 0
    half = math.ceil(lobe_bins)
    place = np.rint(place_bins).astype(np.intp)
    first = _windows(envelope, place, half)
    last = len(following)
    same = []
    for k, later in enumerate(following, start=1):
        reach = math.ceil(drift_bins * k)
        shift = np.arange(-reach, reach + 1)
        windows = _windows(later, place[:, np.newaxis] + shift, half)
        energy = (np.abs(windows) ** 2).sum(axis=-1)
        own = (np.abs(first) ** 2).sum(axis=-1)[:, np.newaxis]
        alike = np.abs((windows * first[:, np.newaxis].conj()).sum(axis=-1)) ** 2
        is_same = alike > LIKE**2 * energy * own
        is_same &= (energy < AS_STRONG**2 * own) & (own < AS_STRONG**2 * energy)
        # Between two bins it is as good as at one of them.
        same.append(scipy.ndimage.maximum_filter1d(is_same, 3, axis=1))
    farthest = same[-1].shape[1] // 2
    for end in range(-farthest, farthest + 1):
        columns = [s[:, s.shape[1] // 2 + int(end * k / last)] for k, s in enumerate(same, 1)]
        # One that is not there in the very next has nothing to confirm it.
        most = np.maximum(most, np.sum(columns, axis=0) * columns[0])
    return np.asarray(most > last / 2)


def _windows(
    envelope: NDArray[np.complexfloating], place: NDArray[np.intp], half: int
) -> NDArray[np.complexfloating]:
    """Return the bins about some places, shape (..., 2 half + 1); 0 outside the envelope."""
    bins = place[..., np.newaxis] + np.arange(-half, half + 1)
    inside = (bins >= 0) & (bins < envelope.size)
    return np.where(inside, envelope[np.clip(bins, 0, envelope.size - 1)], 0)
