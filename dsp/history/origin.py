"""Which ping an echo is of, told by its phase from ping to ping.

Pings carry signs (:mod:`dsp.ping.signs.signs`). The phase of an echo of a ping's own goes on evenly
from ping to ping, as its target moves; of one that is late it jumps by half a turn wherever the
signs of the two pings differ.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

FEWEST_HITS = 5
"""Of fewer hits, phases at random fall into line too often by chance."""

MOST_HITS = 16
"""Of more, a target that changes its speed turns its phase too unevenly."""

IN_LINE = 0.9
"""Mean resultant length of phases that go on evenly: they scatter by less than 0.46 rad, more
than a sixth more than an echo's at the threshold, and less than two echoes' at one place."""

CLEARLY = 2.0
"""Hits by which one reading of the signs is in line and the others are not: what one hit that
stands the other way up makes."""


SURELY = 9.0
"""By so many times its variance another ping's share is seen: three standard deviations."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Origin:
    """Which ping a followed echo is of.

    Attributes
    ----------
    late : int
        By how many pings it is late; 0 for an echo of each ping's own.
    mixed_share : float
        Amplitude of another ping's echo at the same place, over its own; 0 where none is seen.
    """

    late: int
    mixed_share: float


def origin_of(
    ping: ArrayLike,
    delay_s: ArrayLike,
    phasor: ArrayLike,
    signs: ArrayLike,
    *,
    u_delay_s: float,
    centre_hz: float,
) -> Origin | None:
    """Tell by how many pings an echo is late that was followed from ping to ping.

    Parameters
    ----------
    ping : array_like of int, shape (hits,)
        Numbers of the pings that heard it, rising.
    delay_s : array_like of float, shape (hits,)
        Where it stood in each.
    phasor : array_like of complex, shape (hits,)
        :func:`dsp.history.echo_phase.echo_phasor`, of pings that were turned back by their own
        signs.
    signs : array_like of int, shape (hits, ways)
        :func:`dsp.ping.signs.signs.late_signs` of each ping.
    u_delay_s : float
        Standard uncertainty of one delay.
    centre_hz : float
        Of an echo's spectrum.

    Returns
    -------
    Origin or None
        By the fewest of the latest hits that tell it. None where none do.
    """
    number, place_s = np.asarray(ping), np.asarray(delay_s, dtype=np.float64)
    heard = np.asarray(phasor, dtype=np.complex128)
    ways = np.asarray(signs, dtype=np.float64)
    for hits in range(FEWEST_HITS, min(MOST_HITS, number.size) + 1):
        latest = slice(number.size - hits, None)
        turned = _turned_back(
            number[latest], place_s[latest], u_delay_s=u_delay_s, centre_hz=centre_hz
        )
        unit = heard[latest] / np.maximum(np.abs(heard[latest]), 1e-300)
        along = np.abs((turned * unit) @ ways[latest]) / hits
        best = int(along.max(axis=0).argmax())
        others = np.delete(along.max(axis=0), best)
        evenly = float(along[:, best].max())
        if evenly >= IN_LINE and hits * (evenly - others.max()) >= CLEARLY:
            upright = turned[int(along[:, best].argmax())] * heard[latest]
            return Origin(late=best, mixed_share=_mixed_share(upright, ways[latest], best))
    return None


def _turned_back(
    ping: NDArray[np.int64],
    delay_s: NDArray[np.float64],
    *,
    u_delay_s: float,
    centre_hz: float,
) -> NDArray[np.complex128]:
    """Return what turns each hit back by as much as the target's way turned it.

    How fast the phase may turn from ping to ping is known from the delays, to three of their
    standard deviations. Shape (rates, hits), for all rates within that.
    """
    away = ping - ping.mean()
    spread = float(away @ away)
    slope_s = float(away @ delay_s) / spread
    misfit_s = delay_s - delay_s.mean() - slope_s * away
    rough_s = math.sqrt(float(misfit_s @ misfit_s) / max(ping.size - 2, 1))
    u_slope_s = max(u_delay_s, rough_s) / math.sqrt(spread)
    turn_rad = -2 * math.pi * centre_hz * slope_s
    reach_rad = min(6 * math.pi * centre_hz * u_slope_s, math.pi)
    # An eighth of the turn that brings the ends of the hits a whole turn apart: the best of
    # these rates is a sixteenth off at the most, which takes 1 % of what is in line.
    step_rad = math.pi / (4 * float(np.ptp(ping)))
    count = 2 * math.ceil(reach_rad / step_rad) + 1
    turns = turn_rad + np.linspace(-reach_rad, reach_rad, count)
    return np.asarray(np.exp(-1j * np.outer(turns, away)))


def _mixed_share(upright: NDArray[np.complex128], signs: NDArray[np.float64], way: int) -> float:
    """Return the largest share of another ping's echo that is surely in an echo, of one way each.

    Parameters
    ----------
    upright : ndarray of complex128, shape (hits,)
        Phasors without what the target's way turned them by.
    signs : ndarray of float64, shape (hits, ways)
    way : int
        The echo's own.
    """
    largest = 0.0
    for other in range(signs.shape[1]):
        design = signs[:, [way, other]]
        gram = design.T @ design
        if other == way or np.linalg.det(gram) < 1e-6:
            continue
        inverse = np.linalg.inv(gram)
        both = inverse @ (design.T @ upright)
        left = upright - design @ both
        variance = float(np.sum(np.abs(left) ** 2)) / (upright.size - 2) * float(inverse[1, 1])
        if abs(both[1]) ** 2 > SURELY * variance:
            largest = max(largest, float(abs(both[1]) / abs(both[0])))
    return largest
