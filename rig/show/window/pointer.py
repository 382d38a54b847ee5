"""Which range is pointed at in the window, and where the pointer goes."""

from __future__ import annotations

from collections.abc import Sequence

from rig.run.results import Echo


class Pointer:
    """A range that is pointed at, or none.

    Parameters
    ----------
    stop_m : float
        End of the range axis; may change with the plan.

    Attributes
    ----------
    range_m : float or None
    """

    def __init__(self, stop_m: float) -> None:
        self.stop_m = stop_m
        self.range_m: float | None = None

    @property
    def _nudge_m(self) -> float:
        return self.stop_m / 100

    def point_at(self, range_m: float, echoes: Sequence[Echo]) -> None:
        """Point at a range, or at the echo that is close by."""
        range_m = self._within(range_m)
        near = [e.range_m for e in echoes if abs(e.range_m - range_m) < self._nudge_m]
        self.range_m = min(near, key=lambda m: abs(m - range_m), default=range_m)

    def next(self, echoes: Sequence[Echo]) -> str:
        """Go to the next echo beyond; after the last, to the nearest. Say where there is none."""
        ranges = [e.range_m for e in echoes]
        if not ranges:
            return "The newest ping has no echo to mark; a click marks any range."
        past_m = -1.0 if self.range_m is None else self.range_m + self._nudge_m / 2
        self.range_m = next((m for m in ranges if m > past_m), ranges[0])
        return ""

    def move(self, steps: int) -> None:
        """Go some steps along; from the middle, where nothing was pointed at."""
        start_m = self.stop_m / 2 if self.range_m is None else self.range_m
        self.range_m = self._within(start_m + steps * self._nudge_m / 4)

    def drop(self) -> None:
        """Point at nothing."""
        self.range_m = None

    def _within(self, range_m: float) -> float:
        return min(max(range_m, 0.0), self.stop_m)
