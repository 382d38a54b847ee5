"""What the ranges of different targets share is the medium's or the clock's, and no target's."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.goodness import goodness
from dsp.history.track_numbers import FEWEST_HITS


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ranges:
    """The ranges of one target.

    Attributes
    ----------
    ping : ndarray of int64, shape (hits,)
        Rising.
    range_m, noise_m : ndarray of float64, shape (hits,)
        And their standard deviations from ping to ping.
    """

    ping: NDArray[np.int64]
    range_m: NDArray[np.float64]
    noise_m: NDArray[np.float64]


def changed_alike(one: Ranges, other: Ranges) -> bool:
    """Say whether the ranges of two targets changed, and both alike.

    Alike is in proportion, as a sound speed that drifts changes them, or by as much, as a
    time zero does. Two that did not change are not alike, nor are two with fewer than
    :data:`~dsp.history.track_numbers.FEWEST_HITS` pings in common.

    Examples
    --------
    >>> ping, drift, noise = np.arange(9), np.linspace(0, 0.01, 9), np.full(9, 1e-4)
    >>> near = Ranges(ping=ping, range_m=1 + drift, noise_m=noise)
    >>> changed_alike(near, Ranges(ping=ping, range_m=2 * (1 + drift), noise_m=noise))
    True
    >>> changed_alike(near, Ranges(ping=ping, range_m=2 * (1 - drift), noise_m=noise))
    False
    """
    _, at, there = np.intersect1d(one.ping, other.ping, assume_unique=True, return_indices=True)
    if at.size < FEWEST_HITS:
        return False
    a_m, b_m, u_a_m, u_b_m = (
        one.range_m[at],
        other.range_m[there],
        one.noise_m[at],
        other.noise_m[there],
    )
    if _constant(a_m, u_a_m) or _constant(b_m, u_b_m):
        return False
    scale = float(np.mean(a_m) / np.mean(b_m))
    return any(_constant(a_m - k * b_m, np.hypot(u_a_m, k * u_b_m)) for k in (scale, 1.0))


def _constant(values: NDArray[np.float64], u_values: NDArray[np.float64]) -> bool:
    weight = 1 / u_values**2
    return goodness(values - weight @ values / weight.sum(), u_values, fitted=1).holds
