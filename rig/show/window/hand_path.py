"""Where a hand was, and when: even ways made of a pointer's leaps from dot to dot."""

from __future__ import annotations

import bisect
from collections.abc import Callable

import numpy as np

from rig.tank.scene import Triple

LAG_S = 0.04
"""A hand is followed so much later: its way is then known on both sides of the instant."""

_RESTED_S = 0.4
"""A pointer that tells nothing for so long stood still; one that goes slowly tells more often."""

_SETS_OUT_S = 0.02
_FLICK_S = 0.25
_KEPT_S = 5.0


class HandPath:
    """The places of a pointer, each with its time; between them it went evenly."""

    def __init__(self, time_s: float, place_m: Triple) -> None:
        self._times_s: list[float] = [time_s]
        self._places_m: list[Triple] = [place_m]

    def add(self, time_s: float, place_m: Triple) -> None:
        """Take the next place; of two at the same time the later counts."""
        if time_s <= self._times_s[-1]:
            self._places_m[-1] = place_m
            return
        if time_s - self._times_s[-1] > _RESTED_S:
            self._times_s.append(time_s - _SETS_OUT_S)
            self._places_m.append(self._places_m[-1])
        self._times_s.append(time_s)
        self._places_m.append(place_m)
        old = bisect.bisect_left(self._times_s, time_s - _KEPT_S) - 1
        if old > 0:
            # New lists, since the tank's thread may be reading the old ones.
            self._times_s, self._places_m = self._times_s[old:], self._places_m[old:]

    @property
    def last_m(self) -> Triple:
        """Where it was last."""
        return self._places_m[-1]

    def at(self, time_s: float) -> Triple:
        """Return where it was at a time."""
        # By the shorter, should the other thread be between its two appends.
        count = min(len(self._times_s), len(self._places_m))
        times_s, places_m = self._times_s[:count], np.array(self._places_m[:count])
        along, across, up = (float(np.interp(time_s, times_s, column)) for column in places_m.T)
        return (along, across, up)

    def velocity_m_s(self, time_s: float) -> Triple:
        """Return how fast it was going just before a time."""
        now, before = np.array(self.at(time_s)), np.array(self.at(time_s - _FLICK_S))
        since_s = min(_FLICK_S, max(time_s - self._times_s[0], 1e-3))
        along, across, up = ((now - before) / since_s).tolist()
        return (along, across, up)


class SceneClock:
    """Tells a wall clock's time from a scene's, evenly, though it is asked by fits and starts.

    Parameters
    ----------
    clock_s : callable
        The wall clock.
    """

    def __init__(self, clock_s: Callable[[], float]) -> None:
        self._clock_s = clock_s
        self._ahead_s: float | None = None

    def wall_s(self, run_s: float) -> float:
        """Return the wall clock's time of an instant of the scene that is now."""
        now_s = self._clock_s()
        # A ping is sounded some milliseconds early or late; only a stumble sets it anew.
        if self._ahead_s is None or abs(now_s - run_s - self._ahead_s) > _RESTED_S / 2:
            self._ahead_s = now_s - run_s
        return run_s + self._ahead_s
