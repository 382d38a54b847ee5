"""Panels over the one range axis, which runs along the page or down it.

Whatever is drawn says how far and how much (a strength, an age, a height). Where that
is on the page is settled here alone, so that both ways come of one drawing.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.lines import Line2D

    from rig.show.pictures.ticks import Ticks

_TICK_LINE, _TICK_GAP = 17.0, 6.0
"""Of the numbers at the values: how high a line is, and how far apart two beside each other are."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Box:
    """A place on the page, in its units, from its top left corner."""

    left: float
    top: float
    width: float
    height: float

    @property
    def right(self) -> float:
        """Where it ends."""
        return self.left + self.width

    @property
    def bottom(self) -> float:
        """Where it ends."""
        return self.top + self.height

    def length(self, *, down: bool) -> float:
        """Return its side along the range axis."""
        return self.height if down else self.width

    def depth(self, *, down: bool) -> float:
        """Return its side across the range axis."""
        return self.width if down else self.height


class Panel:
    """Axes whose one side is the range and whose other is a value.

    Parameters
    ----------
    axes : matplotlib axes
    values_at : Ticks
        What puts numbers to the values.
    width_of : callable
        Returns how wide such a number is, in units of the page.
    box : Box
        Where they stand.
    stop_m : float
        The range axis ends there.
    down : bool
        Whether it runs down the page, from the top; else along, from the left.
    """

    def __init__(
        self,
        axes: Axes,
        values_at: Ticks,
        width_of: Callable[[str], float],
        box: Box,
        *,
        stop_m: float,
        down: bool,
    ) -> None:
        self.axes, self.box, self.down = axes, box, down
        self._values_at, self._width_of = values_at, width_of
        # A little room behind zero, where the transducers stand.
        self.first_m, self.stop_m = -0.04 * stop_m, stop_m
        if down:
            axes.set_ylim(stop_m, self.first_m)
        else:
            axes.set_xlim(self.first_m, stop_m)

    @property
    def units_per_m(self) -> float:
        """Units of the page to a metre of range."""
        return self.box.length(down=self.down) / (self.stop_m - self.first_m)

    def xy(self, range_m: Any, value: Any) -> tuple[Any, Any]:
        """Return what Matplotlib calls x and y of ranges and values."""
        return (value, range_m) if self.down else (range_m, value)

    def points(self, range_m: ArrayLike, value: ArrayLike) -> NDArray[np.float64]:
        """Return the same as points, shape (…, 2)."""
        return np.stack(np.broadcast_arrays(*self.xy(range_m, value)), axis=-1).astype(np.float64)

    def on_page(self, range_m: float, value: float) -> tuple[float, float]:
        """Return where a place is on the page, in its units."""
        along = (range_m - self.first_m) * self.units_per_m
        low, high = self.values
        share = (value - low) / (high - low)
        if self.down:
            return self.box.left + share * self.box.width, self.box.top + along
        return self.box.left + along, self.box.bottom - share * self.box.height

    def from_page(self, x: float, y: float) -> tuple[float, float]:
        """Return the range and the value of a place on the page."""
        low, high = self.values
        if self.down:
            along, share = y - self.box.top, (x - self.box.left) / self.box.width
        else:
            along, share = x - self.box.left, (self.box.bottom - y) / self.box.height
        return self.first_m + along / self.units_per_m, low + share * (high - low)

    def set_values(self, low: float, high: float) -> None:
        """Let the values run upwards, or to the right."""
        if self.down:
            self.axes.set_xlim(low, high)
        else:
            self.axes.set_ylim(low, high)

    def set_ages(self, newest: float, oldest: float) -> None:
        """Let the values run away from the panel before."""
        if self.down:
            self.axes.set_xlim(newest, oldest)
        else:
            self.axes.set_ylim(oldest, newest)

    @property
    def values(self) -> tuple[float, float]:
        """Where the values begin and end, as they were set."""
        low, high = self.axes.get_xlim() if self.down else self.axes.get_ylim()
        return float(low), float(high)

    def set_value_ticks(self, ticks: Sequence[float], labels: Sequence[str]) -> None:
        """Put numbers to the values: to all, or to as many evenly as there is room for."""
        low, high = self.values
        every = 1
        if len(ticks) > 1:
            apart = abs((ticks[1] - ticks[0]) / (high - low)) * self.box.depth(down=self.down)
            widest = max(map(self._width_of, labels))
            every = math.ceil((widest + _TICK_GAP if self.down else _TICK_LINE) / apart)
        self._values_at.set(ticks, [t if not i % every else "" for i, t in enumerate(labels)])

    def line_at(self, range_m: float, **how: Any) -> Line2D:
        """Draw a line through the whole panel at one range."""
        return (self.axes.axhline if self.down else self.axes.axvline)(range_m, **how)

    def move_line(self, line: Line2D, range_m: float) -> None:
        """Put a line of :meth:`line_at` to another range, and show it."""
        line.set(**{"ydata" if self.down else "xdata": [range_m] * 2}, visible=True)

    def shade(self, range_m: ArrayLike, low: ArrayLike, high: ArrayLike, **how: Any) -> None:
        """Fill what lies between two values over some ranges."""
        fill = self.axes.fill_betweenx if self.down else self.axes.fill_between
        fill(range_m, low, high, **how)
