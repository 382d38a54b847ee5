"""One round of a search: the peaks that stand out are taken, and all echoes fitted together."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dsp.ping.search.joint_fit import NEAREST_LOBES, fit
from dsp.ping.search.noise_left import NoiseLeft
from dsp.ping.search.rows import pairs
from dsp.ping.search.standing import Tops, standing
from dsp.ping.search.taken import Taken


def take_standing(
    taken: Taken, noise: NoiseLeft, going: NDArray[np.intp]
) -> tuple[NDArray[np.intp], Tops]:
    """Take away the peaks that now stand out.

    Parameters
    ----------
    going : ndarray of int, shape (profiles,)
        In which it is looked for them.

    Returns
    -------
    again : ndarray of int
        The profiles that had any.
    tops : Tops
        Of what stood out of the noise, hidden or not.
    """
    profile, new, height, tops = standing(taken, noise, going)
    if new.size == 0:
        return profile, tops
    if taken.position.size:
        # What was found at first in another's side lobe may stand beside its true place.
        one, echo, _ = pairs(profile, taken.start)
        near = np.abs(taken.position[echo] - new[one]) < (NEAREST_LOBES * taken.planned.lobe_bins)
        beside = np.zeros(taken.position.size, dtype=bool)
        beside[echo[near & (taken.strength[echo] < height[one])]] = True
        taken.keep(~beside)
    return take(taken, noise, profile, new), tops


def take(
    taken: Taken, noise: NoiseLeft, profile: NDArray[np.intp], where: NDArray[np.float64]
) -> NDArray[np.intp]:
    """Take away what stands at some places; return the profiles that these are of."""
    taken.add(profile, where)
    going = np.bincount(profile).nonzero()[0]
    fit(taken, noise, going, np.ones_like(going))
    taken.measure(going)
    return going
