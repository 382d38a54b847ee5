"""The peaks that stand out of what is left: those that are taken as echoes next.

A bin that is higher than its neighbours, above the noise's threshold and above what the echoes
found so far may have left there is a peak. Its place and height are read off between the bins.
Of several at once only those are taken that no higher one may have made by its side lobes; the
others may come in a later round, once that one was taken away.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dsp.ping.products import product
from dsp.ping.pulse.peaks import LOOKS
from dsp.ping.search.joint_fit import NEAREST_LOBES
from dsp.ping.search.noise_left import LIFTED, NoiseLeft
from dsp.ping.search.rows import alike, highest_each, pairs, starts_of, within
from dsp.ping.search.search_plan import SearchPlan
from dsp.ping.search.side_lobes_left import left_by
from dsp.ping.search.taken import Taken

MOST_ECHOES = 100
"""No more echoes than this are looked for in one profile."""

Tops = tuple[NDArray[np.intp], NDArray[np.intp]]
"""Whose some tops are, and in which bins they stand."""

_ABOUT = np.array([[-1], [0], [1]])


def standing(
    taken: Taken, noise: NoiseLeft, going: NDArray[np.intp]
) -> tuple[NDArray[np.intp], NDArray[np.float64], NDArray[np.float64], Tops]:
    """Return profiles, places and heights of the peaks that stand out of what is left.

    And the tops that stand out of the noise, hidden by echoes or not.

    Parameters
    ----------
    going : ndarray of int, shape (profiles,)
        In which it is looked for them.
    """
    planned, power = taken.planned, taken.power[taken.some(going)]
    room = MOST_ECHOES - (taken.start[going + 1] - taken.start[going])
    inner = power[:, 1:-1]
    # A peak between two bins is higher than either, by as much as a copy of the pulse
    # falls in half a bin, or a little more where noise adds to it.
    high = planned.half_bin**2
    least_power = (high * noise.threshold[taken.some(going)]).astype(np.float32)
    stands = inner > least_power.take(planned.grid.stretch_of[1:-1], axis=1)
    stands &= inner >= power[:, :-2]
    stands &= inner > power[:, 2:]
    if room.min() <= 0:
        stands &= (room > 0)[:, np.newaxis]
    row, place = stands.nonzero()
    profile, place = going[row], place + 1
    tops = profile, place
    least = np.sqrt(noise.threshold_at(profile, place))
    behind = row[:0], place[:0].astype(np.float64), least[:0]
    if taken.position.size:
        peak, echo, echoes = pairs(profile, taken.start)
        hidden_by = highest_each(left_by(taken, noise, echo, place[peak]), echoes)
        np.maximum(least, hidden_by, out=least)
        height = power[row, place]
        kept = (height > high * least**2) | (echoes == 0)
        hidden = ~kept
        behind = row[hidden], place[hidden].astype(np.float64), np.sqrt(height[hidden])
        row, profile, place, least = row[kept], profile[kept], place[kept], least[kept]
    if place.size == 0:
        return profile, np.empty(0), np.empty(0), tops
    looks_power = _looks_power(taken, profile, place)
    best = within(looks_power.argmax(axis=1), 1, LOOKS.size - 2)
    about_best = best + _ABOUT
    before, at, after = looks_power[np.arange(place.size), about_best].astype(np.float64)
    bend = before - 2 * at + after
    slope = (before - after) / 2
    bowed = bend < 0
    shift = within(np.where(bowed, slope / np.where(bowed, bend, 1), 0), -1, 1)
    height = np.sqrt(np.maximum(at - slope * shift / 2, 0))
    where = place + LOOKS[best] + shift * (LOOKS[1] - LOOKS[0])
    stands = height > least
    if taken.dropped.size:
        # What was found to be part of others would be found so again; what was but below the
        # noise may be above it where that turned out to be less.
        dropped_start = starts_of(taken.dropped_profile, taken.profiles)
        peak, dropped, _ = pairs(profile, dropped_start)
        apart = np.abs(where[peak] - taken.dropped[dropped])
        again = apart <= NEAREST_LOBES * planned.lobe_bins
        threshold = noise.threshold_at(profile, place)[peak]
        again &= LIFTED * threshold > taken.dropped_below[dropped]
        stands[peak[again]] = False
    free = stands & _uncovered(planned, (row, where, height), behind)
    order = np.lexsort((-height, row))
    order = order[free[order]]
    rank = np.arange(order.size) - starts_of(row[order], room.size)[row[order]]
    chosen = order[rank < room[row[order]]]
    return profile[chosen], where[chosen], height[chosen], tops


def _looks_power(
    taken: Taken, profile: NDArray[np.intp], place: NDArray[np.intp]
) -> NDArray[np.float32]:
    """Return the power of what is left at some looks about some bins, shape (bins, looks)."""
    planned = taken.planned
    around = taken.around(profile, place)
    if taken.profiles == 1:
        looks = product(around, planned.looks)
    else:
        looks = np.empty((place.size, planned.looks.shape[1]), dtype=np.complex64)
        start = starts_of(profile, taken.profiles)
        for index in alike(start, np.arange(taken.profiles)):
            looks[index] = product(around[index], planned.looks)
    return np.asarray(looks.real**2 + looks.imag**2)


def _uncovered(
    planned: SearchPlan,
    peaks: tuple[NDArray[np.intp], NDArray[np.float64], NDArray[np.float64]],
    behind: tuple[NDArray[np.intp], NDArray[np.float64], NDArray[np.float64]],
) -> NDArray[np.bool_]:
    """Say which peaks no higher one of their profile covers with its side lobes.

    That one may be covered itself, or stand `behind` what an echo left: it is none, or one
    that cannot be told yet, and then what its side lobes reach up to cannot either.

    Parameters
    ----------
    peaks, behind : tuple of ndarray, shape (peaks,)
        Row, place and height of each.
    """
    row, where, height = peaks
    uncovered = np.zeros(row.size, dtype=bool)
    for profile in np.bincount(row).nonzero()[0].tolist():
        its = (row == profile).nonzero()[0]
        # No more than the highest are looked at: of any number of peaks, in bounded room.
        its = its[(-height[its]).argsort(kind="stable")[: 2 * MOST_ECHOES]]
        here, high = where[its], height[its]
        near = (behind[0] == profile) & (behind[2] > high[-1])
        over = np.concatenate([high, behind[2][near]])[:, np.newaxis]
        lag = np.abs(np.concatenate([here, behind[1][near]])[:, np.newaxis] - here)
        covers = over * planned.ceiling[lag.astype(np.intp)] >= high
        # Of several tops of one ragged peak the fit would make one, and that of a part's strength.
        covers |= lag < NEAREST_LOBES * planned.lobe_bins
        uncovered[its] = ~(covers & (over > high)).any(axis=0)
    return uncovered
