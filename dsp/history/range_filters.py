"""A Kalman filter for each target: where its next echo is due, and how fast it goes.

All targets are foretold at once; echoes and filters are paired so that all of them together
fit best. An echo that fits none begins one, so a false alarm begins one too, which soon dies.

All limits are counted in range resolutions and pings, so they hold for a room, a
trough and a chirp of any band alike.

References
----------
S. S. Blackman, *Multiple-Target Tracking with Radar Applications*, 1986, chs. 4
and 9 (cited from memory): gating, assignment, track initiation and deletion.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.arguments import read_only, require_positive
from dsp.history.pairing import GATE, assigned

FASTEST_CELLS = 1.5
"""Standard deviation of an unknown target's way from one ping to the next, in resolutions."""

TURN_CELLS = 0.1
"""Standard deviation of the change of that way from ping to ping, in resolutions."""

MOST_MISSES = 5
"""A track that was not heard in so many pings running has ended."""

FEWEST_HITS = 4
"""Fewer hits are no track: false alarms line up so often by chance."""

_EARLY_MISSES = 2  # for a track that is not yet one


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scan:
    """The echoes of one ping. A lost ping has no scan: it says nothing, not even a miss.

    Attributes
    ----------
    time_s : float
        When it was sent.
    range_m : ndarray of float64, shape (echoes,)
    noise_m : ndarray of float64, shape (echoes,)
        Standard deviation of each range from ping to ping. What is alike in all
        pings, such as a wrong sound speed, is no part of it.
    """

    time_s: float
    range_m: NDArray[np.float64]
    noise_m: NDArray[np.float64]

    def __post_init__(self) -> None:
        for name in ("range_m", "noise_m"):
            values = read_only(getattr(self, name), np.float64, ndmin=1)
            object.__setattr__(self, name, values)
        if self.range_m.shape != self.noise_m.shape:
            raise ValueError(
                f"noise_m: found shape {self.noise_m.shape}; give one for each range, "
                f"shape {self.range_m.shape}"
            )
        require_positive("noise_m", self.noise_m, "m")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rates:
    """How fast the targets of a ping's echoes go.

    Attributes
    ----------
    speed_m_s, u_speed_m_s : ndarray of float64, shape (echoes,)
        Away from here. The uncertainty is infinite where no ping before it heard the target.
    taken_hz : ndarray of float64, shape (echoes,)
        By so much of each metre that this ping's range errs by does the speed err.
    off_m : ndarray of float64, shape (echoes,)
        How much farther it is than the pings before it foretold; 0 where none did.
    """

    speed_m_s: NDArray[np.float64]
    u_speed_m_s: NDArray[np.float64]
    taken_hz: NDArray[np.float64]
    off_m: NDArray[np.float64]


class RangeFilters:
    """Kalman filters on the range and rate of all targets at once; a change of rate is noise.

    Each has a number, by the order in which they began, and takes one echo of a ping at most.

    Parameters
    ----------
    resolution_m : float
        Two echoes closer than this run into one.
    interval_s : float
        From ping to ping; where pings were lost, the scans lie further apart.

    Attributes
    ----------
    u_rate_m_s : float
        Standard uncertainty of a new filter's rate.
    """

    def __init__(self, *, resolution_m: float, interval_s: float) -> None:
        self.u_rate_m_s = FASTEST_CELLS * resolution_m / interval_s
        self._turn_m_s2 = TURN_CELLS * resolution_m / interval_s**2
        self._time_s = 0.0
        # Range, rate, their variances: of the range, of both, of the rate; and by how much the
        # latest range was off what was foretold.
        self._state = np.empty((6, 0))
        self._number = np.empty(0, dtype=np.int64)
        self._hits = np.empty(0, dtype=np.int64)
        self._misses = np.empty(0, dtype=np.int64)
        self._begun = 0

    def rates(self, owner: NDArray[np.int64], noise_m: NDArray[np.float64]) -> Rates:
        """Return the rates of the filters of some numbers, whose echoes have a noise."""
        # Numbers rise by the order in which filters began, and stay in it.
        at = np.searchsorted(self._number, owner)
        u = np.where(self._hits[at] > 1, np.sqrt(self._state[4][at]), np.inf)
        # A gain is what range and rate share once they are corrected, over the noise's variance.
        return Rates(
            speed_m_s=self._state[1][at],
            u_speed_m_s=u,
            taken_hz=self._state[3][at] / noise_m**2,
            off_m=self._state[5][at],
        )

    def take(self, scan: Scan) -> NDArray[np.int64]:
        """Pair a ping's echoes with the targets; return the number of each one's filter."""
        owner = np.full(scan.range_m.size, -1, dtype=np.int64)
        if self._number.size:
            self._advance(scan.time_s - self._time_s)
            which, echo = self._paired(scan)
            self._correct(which, scan.range_m[echo], scan.noise_m[echo])
            owner[echo] = self._number[which]
            self._end_the_unheard()
        self._time_s = scan.time_s
        self._begin((owner < 0).nonzero()[0], scan, owner)
        return owner

    def _advance(self, step_s: float) -> None:
        """Foretell ranges and rates at a later time."""
        range_m, rate_m_s, of_range, of_both, of_rate, _ = self._state
        push_m, push_m_s = step_s**2 / 2 * self._turn_m_s2, step_s * self._turn_m_s2
        range_m += step_s * rate_m_s
        moved = of_both + step_s * of_rate
        of_range += step_s * (of_both + moved) + push_m**2
        of_both[:] = moved + push_m * push_m_s
        of_rate += push_m_s**2

    def _paired(self, scan: Scan) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Pair filters and echoes at the least cost; a miss costs as much as the gate's edge.

        Returns
        -------
        which, echo : ndarray of int64, shape (pairs,)
        """
        variance = self._state[2][:, np.newaxis] + scan.noise_m**2
        cost = (scan.range_m - self._state[0][:, np.newaxis]) ** 2 / variance
        near = cost <= GATE**2
        which, echo = np.nonzero(near)
        alone = (np.bincount(which)[which] == 1) & (np.bincount(echo)[echo] == 1)
        if np.count_nonzero(alone) == alone.size:
            return which, echo
        pairs = [(which[alone], echo[alone])]
        confirmed = self._hits[which] >= FEWEST_HITS
        # What is known for a track chooses first; a chance alarm cannot take its echo.
        first = assigned(cost, which[confirmed & ~alone], echo[confirmed & ~alone])
        chosen = np.zeros(scan.range_m.size, dtype=bool)
        chosen[first[1]] = True
        left = ~confirmed & ~alone & ~chosen[echo]
        pairs += [first, assigned(cost, which[left], echo[left])]
        return np.concatenate([w for w, _ in pairs]), np.concatenate([e for _, e in pairs])

    def _correct(
        self,
        which: NDArray[np.int64],
        heard_m: NDArray[np.float64],
        noise_m: NDArray[np.float64],
    ) -> None:
        """Correct the forecasts by the echoes that were heard."""
        forecast = self._state[:, which]
        # Of the variances, what concerns the range: its share of what was heard corrects all.
        gain = forecast[2:4] / (forecast[2] + noise_m**2)
        forecast[5] = heard_m - forecast[0]
        forecast[:2] += gain * forecast[5]
        of_rate = forecast[4] - gain[1] * forecast[3]
        forecast[2:4] -= gain[0] * forecast[2:4]
        forecast[4] = of_rate
        self._state[:, which] = forecast
        self._hits[which] += 1
        self._misses += 1
        self._misses[which] = 0

    def _end_the_unheard(self) -> None:
        if self._misses.max() <= _EARLY_MISSES:
            return
        confirmed = self._hits >= FEWEST_HITS
        over = self._misses > np.where(confirmed, MOST_MISSES, _EARLY_MISSES)
        if not over.any():
            return
        kept = np.flatnonzero(~over)
        self._state = self._state.take(kept, axis=1)
        self._number, self._hits, self._misses = (
            a.take(kept) for a in (self._number, self._hits, self._misses)
        )

    def _begin(self, echo: NDArray[np.int64], scan: Scan, owner: NDArray[np.int64]) -> None:
        """Begin a filter with each echo that fits none, and note it as the echo's owner."""
        if not echo.size:
            return
        owner[echo] = number = self._begun + np.arange(echo.size)
        self._begun += echo.size
        state = np.zeros((6, echo.size))
        state[0], state[2] = scan.range_m[echo], scan.noise_m[echo] ** 2
        state[4] = self.u_rate_m_s**2
        self._state = np.concatenate([self._state, state], axis=1)
        self._number = np.concatenate([self._number, number])
        self._hits = np.concatenate([self._hits, np.ones_like(echo)])
        self._misses = np.concatenate([self._misses, np.zeros_like(echo)])


class Speeds:
    """Tells how fast each echo's target moves, from the pings up to it; keeps none of them.

    Parameters
    ----------
    resolution_m, interval_s : float
        As for :class:`RangeFilters`.

    Attributes
    ----------
    owner : ndarray of int64, shape (echoes,)
        The number of the target, by the order in which they were first heard, that each of the
        latest ping's echoes was paired with.
    """

    def __init__(self, *, resolution_m: float, interval_s: float) -> None:
        self._filters = RangeFilters(resolution_m=resolution_m, interval_s=interval_s)
        self.u_unknown_m_s = self._filters.u_rate_m_s
        """Standard uncertainty of a speed of which nothing is known."""
        self.owner = np.empty(0, dtype=np.int64)

    def add(self, scan: Scan) -> Rates:
        """Take the next ping; return how fast its echoes' targets go."""
        self.owner = self._filters.take(scan)
        return self._filters.rates(self.owner, scan.noise_m)
