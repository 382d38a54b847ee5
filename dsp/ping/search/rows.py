"""Echoes of several profiles in one column, in order of their profiles.

Each profile has its own number of them. What is worked out for all profiles in one go is to
be, to the last bit, what it is for each alone: so matrices are never filled up, but those
of profiles with as many echoes are stacked.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray


def starts_of(profile: NDArray[np.intp], profiles: int) -> NDArray[np.intp]:
    """Return where each profile's echoes begin, and their end, shape (profiles + 1,)."""
    if profiles == 1:
        return np.array([0, profile.size])
    return np.asarray(np.searchsorted(profile, np.arange(profiles + 1)))


def alike(start: NDArray[np.intp], profiles: NDArray[np.intp]) -> Iterator[NDArray[np.intp]]:
    """Yield the echoes of those profiles that have as many, shape (profiles, echoes).

    Parameters
    ----------
    start : ndarray of int
        As of :func:`starts_of`.
    profiles : ndarray of int
        Whose echoes are wanted.
    """
    if start.size == 2:
        if start[1]:
            yield np.arange(start[1])[np.newaxis]
        return
    first = start[profiles]
    echoes = start[profiles + 1] - first
    for number in sorted(set(echoes.tolist()) - {0}):
        yield first[echoes == number, np.newaxis] + np.arange(number)


def pairs(
    profile: NDArray[np.intp], start: NDArray[np.intp]
) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.intp]]:
    """Pair each of some things with all echoes of its profile.

    Parameters
    ----------
    profile : ndarray of int, shape (things,)
        Of each thing.
    start : ndarray of int
        Of the echoes.

    Returns
    -------
    thing, echo : ndarray of int, shape (pairs,)
        One thing's pairs follow each other.
    echoes : ndarray of int, shape (things,)
        How many pairs each has.
    """
    if start.size == 2:
        each = int(start[1])
        thing, echo = np.divmod(np.arange(profile.size * each), each)
        return thing, echo, np.array([each]).repeat(profile.size)
    first, last = start[profile], start[profile + 1]
    echoes = last - first
    thing = np.arange(profile.size).repeat(echoes)
    echo = np.arange(thing.size) + (last - echoes.cumsum()).repeat(echoes)
    return thing, echo, echoes


def highest_each(values: NDArray[np.float64], number: NDArray[np.intp]) -> NDArray[np.float64]:
    """Return the highest of each thing's values; 0 where it has none.

    Parameters
    ----------
    values : ndarray of float64, shape (pairs,)
        One thing's after the other's.
    number : ndarray of int, shape (things,)
        How many values each thing has.
    """
    if values.size == 0:
        return np.zeros(number.size)
    first = number.cumsum() - number
    if np.count_nonzero(number) == number.size:
        return np.asarray(np.maximum.reduceat(values, first))
    highest = np.zeros(number.size)
    some = number > 0
    highest[some] = np.maximum.reduceat(values, first[some])
    return highest


def within(values: NDArray[Any], low: Any, high: Any) -> NDArray[Any]:
    """Return values held between two ends; of a few, in half of numpy.clip's time."""
    return np.asarray(np.minimum(np.maximum(values, low), high))
