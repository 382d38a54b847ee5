"""Guesses as dots along an axis: where the axis ends, how large the dots are, how they stack.

References
----------
L. Wilkinson, "Dot plots", *The American Statistician* 53 (1999) 276-281 (from memory): dots
within one dot's width stand on each other, at the middle of what they stand for.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from rig.show.pictures.page import ACCENT, INK
from rig.teach.guesses.guesses import Spread
from rig.teach.lessons.running import Turn

if TYPE_CHECKING:
    from matplotlib.axes import Axes

DOT_FORMS = ("o", "D")
DOT_FILLS = ("#f6d3c0", ACCENT)
"""Of the first round and of the second: told apart by form and by lightness."""

_LARGEST_DOT, _SMALLEST_DOT = 38.0, 3.0
_BEFORE_NOUGHT = 0.06
"""Of an axis: more than half of the largest dot on the shortest."""
_WITHIN = 4.0
"""So many middle halves beyond its own ends a guess still shapes the axis."""


def axis_limits(guesses: NDArray[np.float64], turn: Turn | None) -> tuple[float, float]:
    """Return an axis that holds most guesses and all answers; wild guesses do not squeeze it.

    Parameters
    ----------
    guesses : ndarray of float64, shape (guesses,)
    turn : Turn or None
    """
    answers: list[float] = []
    if turn is not None:
        f = turn.finding
        answers = [f.measured - 2 * f.u_measured, f.measured + 2 * f.u_measured, f.expected]
    kept = guesses
    if guesses.size:
        quarter, middle, three = np.quantile(guesses, [0.25, 0.5, 0.75])
        reach = _WITHIN * max(three - quarter, 0.1 * abs(middle))
        kept = guesses[(guesses >= quarter - reach) & (guesses <= three + reach)]
    ends = np.concatenate([kept, np.array(answers)])
    if not ends.size:
        return 0.0, 1.0
    low, high = float(ends.min()), float(ends.max())
    spare = 0.08 * (high - low) or 0.5 * abs(high) or 1.0
    begin, end = low - spare, high + spare
    # An axis of what nobody thinks negative begins at nought, or by a dot before it.
    return (max(begin, -_BEFORE_NOUGHT * end) if low >= 0 else begin), end


def fitted(
    places: Sequence[NDArray[np.float64]], room: float
) -> tuple[float, list[NDArray[np.float64]]]:
    """Return the width of the largest dots whose stacks fit, and the stacks.

    Parameters
    ----------
    places : sequence of ndarray of float64, shape (dots,)
        For each row, where its dots belong along the axis, in hundredths of an inch.
    room : float
        As high a stack may be, in the same unit.
    """
    size = _LARGEST_DOT
    while True:
        stacks = [stacked_dots(each, size) for each in places]
        tallest = max((float(s[:, 1].max()) + 1 for s in stacks if s.size), default=0.0)
        if tallest * size <= room or size <= _SMALLEST_DOT:
            return size, stacks
        size *= 0.92


def stacked_dots(places: NDArray[np.float64], size: float) -> NDArray[np.float64]:
    """Stack dots that would overlap.

    Parameters
    ----------
    places : ndarray of float64, shape (dots,)
        Where each belongs along the axis.
    size : float
        A dot's width, in the same unit.

    Returns
    -------
    ndarray of float64, shape (dots, 2)
        Where each is drawn, at most half a dot away; and how many lie below it.

    Examples
    --------
    >>> stacked_dots(np.array([1.0, 1.4, 5.0]), 1.0).tolist()
    [[1.2, 0.0], [1.2, 1.0], [5.0, 0.0]]
    """
    drawn: list[tuple[float, float]] = []
    left = np.sort(places)
    while left.size:
        here = left[left < left[0] + size]
        middle = float(here[0] + here[-1]) / 2
        drawn += [(middle, float(below)) for below in range(here.size)]
        left = left[here.size :]
    return np.array(drawn).reshape(-1, 2)


def plot_upright(axes: Axes, spread: Spread, *, wide: float, at_right: bool = False) -> None:
    """Draw a class's last guesses along the vertical axis, stacked from one side inwards.

    Parameters
    ----------
    axes : matplotlib.axes.Axes
        With its limits and its place as they stay; a guess beyond them is not drawn.
    spread : Spread
    wide : float
        As long as a stack may be, in hundredths of an inch.
    at_right : bool
        Whether stacks begin at the right edge.
    """
    low, high = axes.get_ylim()
    guesses = np.array([v for v in spread.rounds[-1] if isinstance(v, float)])
    inside = guesses[(guesses >= low) & (guesses <= high)]
    figure = axes.get_figure(root=True)
    if figure is None:
        return
    box = axes.get_position()
    across, tall = (100 * side for side in figure.get_size_inches() * (box.width, box.height))
    size, (stacked,) = fitted([tall * (inside - low) / (high - low)], wide - 12)
    inwards = (6 + size * (stacked[:, 1] + 0.5)) / across
    form = len(spread.rounds) - 1
    axes.plot(
        1 - inwards if at_right else inwards,
        low + (high - low) * stacked[:, 0] / tall,
        transform=axes.get_yaxis_transform(),
        linestyle="none",
        marker=DOT_FORMS[form],
        markersize=0.72 * size * (0.74 if form else 0.92),
        markerfacecolor=DOT_FILLS[form],
        markeredgecolor=INK,
        markeredgewidth=min(1.4, size / 8),
        zorder=5,
    )
