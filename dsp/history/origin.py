"""Which ping an echo is of, told by its phase from ping to ping.

Pings carry signs (:mod:`dsp.ping.signs`). The phase of an echo of a ping's own goes on evenly
from ping to ping, as its target moves; of one that is late it jumps by half a turn wherever the
signs of the two pings differ.
"""

from __future__ import annotations

import math

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


def late_by(
    ping: ArrayLike,
    delay_s: ArrayLike,
    phasor: ArrayLike,
    signs: ArrayLike,
    *,
    u_delay_s: float,
    centre_hz: float,
) -> int | None:
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
        :func:`dsp.ping.signs.late_signs` of each ping.
    u_delay_s : float
        Standard uncertainty of one delay.
    centre_hz : float
        Of an echo's spectrum.

    Returns
    -------
    int or None
        The way, from 0: by the fewest of the latest hits that tell it. None where none do.
    """
    number, place_s = np.asarray(ping), np.asarray(delay_s, dtype=np.float64)
    unit = np.asarray(phasor, dtype=np.complex128)
    unit = unit / np.maximum(np.abs(unit), 1e-300)
    ways = np.asarray(signs, dtype=np.float64)
    for hits in range(FEWEST_HITS, min(MOST_HITS, number.size) + 1):
        latest = slice(number.size - hits, None)
        along = in_line(
            number[latest],
            place_s[latest],
            unit[latest],
            ways[latest],
            u_delay_s=u_delay_s,
            centre_hz=centre_hz,
        )
        best = int(along.argmax())
        others = np.delete(along, best)
        if along[best] >= IN_LINE and hits * (along[best] - others.max()) >= CLEARLY:
            return best
    return None


def in_line(
    ping: NDArray[np.int64],
    delay_s: NDArray[np.float64],
    unit: NDArray[np.complex128],
    signs: NDArray[np.float64],
    *,
    u_delay_s: float,
    centre_hz: float,
) -> NDArray[np.float64]:
    """Return how far phases go on evenly by each way of reading the signs.

    How fast the phase may turn from ping to ping is known from the delays, to three of their
    standard deviations; within that, the rate which suits each way best is taken.

    Returns
    -------
    ndarray of float64, shape (ways,)
        Mean resultant length: 1 for phases that are all in line.
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
    back = np.exp(-1j * np.outer(turns, away))
    return np.asarray(np.abs((back * unit) @ signs).max(axis=0) / ping.size)
