"""Delay and Doppler of a body that moves."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.tank.scene import Target


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Flight:
    """One instant of the sent sound, to each of some points of a body and back.

    Attributes
    ----------
    delay_s : ndarray of float64, shape (...)
        From its leaving to its being heard.
    dilation : ndarray of float64, shape (...)
        How much longer the sound lasts when heard than when sent.
    place_m : ndarray of float64, shape (..., 3)
        Where the point is when the sound meets it.
    out_m, back_m : ndarray of float64, shape (...)
        From the source to it, and on to the receiver.
    leaving, coming : ndarray of float64, shape (..., 3)
        Unit vectors: to it from the source, and from the receiver.
    """

    delay_s: NDArray[np.float64]
    dilation: NDArray[np.float64]
    place_m: NDArray[np.float64]
    out_m: NDArray[np.float64]
    back_m: NDArray[np.float64]
    leaving: NDArray[np.float64]
    coming: NDArray[np.float64]


def track(target: Target, time_s: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Where a body is at a time, and its velocity."""
    start, velocity = np.array(target.position_m), np.array(target.velocity_m_s)
    if target.turn_back_s == 0:
        return start + velocity * time_s, velocity
    start = start - velocity * target.under_way_s
    since_start = time_s + target.under_way_s
    leg = math.floor(since_start / target.turn_back_s)
    since = since_start - leg * target.turn_back_s
    if leg % 2 == 0:
        return start + velocity * since, velocity
    return start + velocity * (target.turn_back_s - since), -velocity


def as_at(target: Target, time_s: float) -> Target:
    """Return the same body with its clock set to 0 at a time; it goes the same way."""
    place, velocity = track(target, time_s)
    under_way_s = 0.0
    if target.turn_back_s:
        under_way_s = (time_s + target.under_way_s) % target.turn_back_s
    return dataclasses.replace(
        target,
        position_m=tuple(place.tolist()),
        velocity_m_s=tuple(velocity.tolist()),
        under_way_s=under_way_s,
    )


def flight(
    place_m: NDArray[np.float64],
    velocity_m_s: NDArray[np.float64],
    source_m: NDArray[np.float64],
    receiver_m: NDArray[np.float64],
    sound_speed_m_s: float,
) -> Flight:
    """Follow the sound of one instant to some points of a body and back.

    The sound meets a point after the time t with |p + v t − s| = c t, the positive root
    of a quadratic. Differentiated by the time of leaving, way out and
    way back stretch it by 1/(1 − v·û/c) and by 1 + v·ŵ/c, with û and ŵ from source
    and receiver to the point. For a body that recedes along the axis that is
    (c + v)/(c − v).

    Parameters
    ----------
    place_m : ndarray, shape (..., 3)
        Of the points when the sound leaves.
    velocity_m_s : ndarray, shape (3,)
    source_m, receiver_m : ndarray, shape (3,)
    sound_speed_m_s : float
    """
    c = sound_speed_m_s
    apart = place_m - source_m
    closing = apart @ velocity_m_s
    square = c**2 - float(velocity_m_s @ velocity_m_s)
    out_s = (closing + np.sqrt(closing**2 + square * (apart**2).sum(axis=-1))) / square
    met = place_m + velocity_m_s * out_s[..., np.newaxis]
    out_m, leaving = _way(met - source_m)
    back_m, coming = _way(met - receiver_m)
    return Flight(
        delay_s=np.asarray(out_s + back_m / c),
        dilation=(1 + coming @ velocity_m_s / c) / (1 - leaving @ velocity_m_s / c),
        place_m=met,
        out_m=out_m,
        back_m=back_m,
        leaving=leaving,
        coming=coming,
    )


def _way(apart_m: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Split vectors into their lengths and their directions."""
    length_m = np.sqrt((apart_m**2).sum(axis=-1))
    return length_m, apart_m / np.maximum(length_m, 1e-12)[..., np.newaxis]
