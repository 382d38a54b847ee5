"""What the pulse brings with it: sounds beside every echo that are none of their own.

A loudspeaker that ripples or is dull sends more than the pulse: a direct sound has the
same beside it as each echo, at the same distance and in the same share. What was found
there, and what is left around it out of the noise, is held against all echoes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.ping.search.noise_left import NoiseLeft
from dsp.ping.search.rows import within
from dsp.ping.search.search_plan import FLANK_LOBES
from dsp.ping.search.taken import Taken

BROUGHT_MARGIN = 1.5
"""What stands beside an echo is the pulse's own up to so many times what the pulse brought with
it elsewhere: two of its parts that the search took for one may add up otherwise there."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Brought:
    """What each profile's loudest sound before its echoes has beside it.

    Attributes
    ----------
    share : ndarray of float64, shape (profiles, lags)
        Of that sound's amplitude, at whole bins' lags, the middle one 0.
    loudest : ndarray of int, shape (profiles,)
        Which echo that sound is; −1 where nothing was learnt.
    """

    share: NDArray[np.float64]
    loudest: NDArray[np.intp]


def learn_brought(taken: Taken, noise: NoiseLeft, start: NDArray[np.float64]) -> Brought | None:
    """Learn what the pulse brings with it, from the loudest sound before the first echo.

    Parameters
    ----------
    start : ndarray of float64, shape (profiles,)
        The bin from which on a sound is an echo.

    Returns
    -------
    Brought or None
        None where no profile tells of any.
    """
    most = math.ceil(FLANK_LOBES * taken.planned.lobe_bins)
    before = taken.position < start[taken.profile]
    several = (np.bincount(taken.profile[before]) > 1).nonzero()[0].tolist()
    if not several:
        return None
    shares = np.zeros((taken.profiles, 2 * most + 1))
    loudest = np.full(taken.profiles, -1)
    for profile in several:
        first, last = taken.start[profile : profile + 2]
        its = first + before[first:last].nonzero()[0]
        one = its[taken.strength[its].argmax()]
        room = math.floor(start[profile] - taken.planned.lobe_bins - taken.position[one])
        reach = min(most, room)
        beside = its[np.abs(taken.position[its] - taken.position[one]) <= reach]
        beside = beside[beside != one]
        if beside.size:
            share = _share_about(taken, noise, one, beside, reach)
            shares[profile, most - reach : most + reach + 1] = share
            loudest[profile] = one
    return Brought(share=shares, loudest=loudest) if (loudest >= 0).any() else None


def _share_about(
    taken: Taken, noise: NoiseLeft, one: np.intp, beside: NDArray[np.intp], reach: int
) -> NDArray[np.float64]:
    """Return what stands beside a sound, over its own amplitude, shape (2 reach + 1,)."""
    planned, position, profile = taken.planned, taken.position, taken.profile[one]
    lag = np.arange(-reach, reach + 1)
    bins = round(position[one]) + lag
    known = (bins >= 0) & (bins < planned.bins)
    bins = within(bins, 0, planned.bins - 1)
    copies = planned.table.lags(bins - position[beside, np.newaxis])[0]
    brought = taken.left_padded[profile, bins + planned.margin] + taken.gain[beside] @ copies
    power = brought.real**2 + brought.imag**2
    known &= power > noise.threshold_at(np.full(bins.size, profile), bins)
    share = np.where(known, np.sqrt(power), 0.0) * (BROUGHT_MARGIN / taken.strength[one])
    half = math.ceil(planned.lobe_bins / 2)
    around = np.lib.stride_tricks.sliding_window_view(np.pad(share, half), 2 * half + 1)
    return np.where(np.abs(lag) <= half, 0.0, around.max(axis=1))
