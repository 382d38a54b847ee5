"""A stand that nobody minds: when it goes back to its start by itself."""

from __future__ import annotations

import math
import time
from collections.abc import Callable

from rig.tank.scene import Scene

_WARNED_S = 10.0
"""So long before, whoever has only been looking can still touch it."""


class Stand:
    """Counts since when nobody has touched the window.

    Parameters
    ----------
    untouched_s : float
        After so long all goes back to the start.
    clock_s : callable
    """

    def __init__(
        self, untouched_s: float, *, clock_s: Callable[[], float] = time.monotonic
    ) -> None:
        self._untouched_s, self._clock_s = untouched_s, clock_s
        self._since_s = clock_s()
        self._touched = False

    def touch(self) -> None:
        """Note that someone is there."""
        self._since_s, self._touched = self._clock_s(), True

    def due(self, *, ends: bool) -> bool:
        """Whether to go back to the start now: once after it was touched.

        Parameters
        ----------
        ends : bool
            Whether the scene comes to an end by itself: it then begins again and again.
        """
        if not (self._touched or ends) or self._left_s > 0:
            return False
        self._since_s, self._touched = self._clock_s(), False
        return True

    @property
    def words(self) -> str:
        """What is said shortly before, to whoever is there; else nothing."""
        left_s = math.ceil(self._left_s)
        if not self._touched or not 0 < left_s <= _WARNED_S:
            return ""
        return f"Back to the start in {left_s} s, unless it is touched."

    @property
    def _left_s(self) -> float:
        return self._since_s + self._untouched_s - self._clock_s()


def comes_to_an_end(scene: Scene) -> bool:
    """Whether something in a scene goes away for good, so that in the end nothing moves."""
    return any(any(body.velocity_m_s) and body.turn_back_s == 0 for body in scene.target)
