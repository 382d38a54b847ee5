"""Where a hand was, and when: even ways made of a pointer's leaps from dot to dot."""

from __future__ import annotations

import bisect
import math
from collections.abc import Callable
from typing import Any

import numpy as np

from rig.tank.scene import Triple

LAG_S = 0.08
"""A hand is followed so much later: its way is then known on both sides of the instant."""

_EVENED_S = np.linspace(-0.06, 0.06, 13)
"""Over so long a hand's way is evened: a pointer leaps from dot to dot, a body has mass."""

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
        """Return where it was at a time, evened over a tenth of a second."""
        # By the shorter, should the other thread be between its two appends.
        count = min(len(self._times_s), len(self._places_m))
        times_s, places_m = self._times_s[:count], np.array(self._places_m[:count])
        about_s = time_s + _EVENED_S
        along, across, up = (
            float(np.interp(about_s, times_s, column).mean()) for column in places_m.T
        )
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


class EventClock:
    """Tells when a pointer's event happened, by the screen's own time of it if it has one.

    A screen's time does not wait for a drawing to end. How far it is behind is held while
    something is: else a window that catches up would date a hand's rest into its way.

    Parameters
    ----------
    clock_s : callable
        By which the time is told.
    """

    def __init__(self, clock_s: Callable[[], float]) -> None:
        self._clock_s = clock_s
        self._least_s = math.inf
        self._behind_s = math.inf

    def time_s(self, event: Any, *, holds: bool = True) -> float:
        """Return when an event of matplotlib's happened; `holds` while something is held."""
        own_ms = getattr(getattr(event, "guiEvent", None), "time", None)
        if not isinstance(own_ms, int) or own_ms <= 0:
            return self._clock_s()
        behind_s = self._clock_s() - own_ms / 1e3
        # The least is that of an event which waited for nothing; a clock that wraps begins anew.
        if not 0 <= behind_s - self._least_s < 60:
            self._least_s = behind_s
        if not holds or abs(behind_s - self._behind_s) >= 60:
            self._behind_s = self._least_s
        return own_ms / 1e3 + self._behind_s
