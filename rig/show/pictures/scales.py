"""Numbers to places: bins to ranges, ranges to columns, labels that keep apart."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from dsp.ping.ranging import path_from_range_m, range_from_path_m
from rig.run.receiver import Receiver
from rig.run.results import PingResult

SILENT_LIMITS_DB = (-90.0, -30.0)
"""Ends of the strength scale while no ping has come through."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RangeScale:
    """The one range axis of a picture, and the time of flight that belongs to it.

    Attributes
    ----------
    sound_speed_m_s : float
    baseline_m : float
        From source to receiver.
    start_m, stop_m : float
        The plan looks for echoes from here to there; the axis runs from 0.
    """

    sound_speed_m_s: float
    baseline_m: float
    start_m: float
    stop_m: float

    def path_time_s(self, range_m: ArrayLike) -> NDArray[np.float64]:
        """Return the time out and back to a range on the axis.

        Never less than the direct sound's.

        Examples
        --------
        >>> scale = RangeScale(sound_speed_m_s=340.0, baseline_m=0.34, start_m=0.0, stop_m=1.0)
        >>> float(scale.path_time_s(0.0))
        0.001
        """
        return path_from_range_m(range_m, self.baseline_m) / self.sound_speed_m_s

    def range_m(self, delay_s: ArrayLike) -> NDArray[np.float64]:
        """Return the range of an echo that was out and back in `delay_s`.

        The inverse of :meth:`path_time_s`; NaN before the direct sound, where no
        echo can be.
        """
        path_m = self.sound_speed_m_s * np.asarray(delay_s, dtype=np.float64)
        no_echo = path_m < self.baseline_m
        return np.where(no_echo, np.nan, range_from_path_m(path_m, self.baseline_m))


def range_scale(receiver: Receiver) -> RangeScale:
    """Return the range axis of what a receiver hears."""
    plan = receiver.plan
    return RangeScale(
        sound_speed_m_s=receiver.sound_speed_m_s,
        baseline_m=plan.geometry.baseline_m,
        start_m=plan.receiver.range_start_m,
        stop_m=plan.receiver.range_stop_m,
    )


class RangeColumns:
    """Bins of an echo profile gathered into equal columns of range, by their strongest.

    The strongest, since a picture has fewer columns than a profile has bins and an
    echo may be one bin wide: it must not fall between two columns.

    Parameters
    ----------
    range_m : ndarray of float64, shape (bins,)
        Range of each bin, rising; NaN at the start for bins that have none.
    stop_m : float
        The columns share out 0 to here.
    columns : int

    Attributes
    ----------
    bins : int
        How many bins of a profile the columns reach; the others need not be given.
    """

    def __init__(self, range_m: NDArray[np.float64], *, stop_m: float, columns: int) -> None:
        self._skip = int(np.count_nonzero(np.isnan(range_m)))
        ranges = range_m[self._skip :]
        edges = np.linspace(0.0, stop_m, columns + 1)
        first = np.searchsorted(ranges, edges)
        # A bin that stands on the last edge belongs to the last column.
        first[-1] = np.searchsorted(ranges, edges[-1], side="right")
        self._columns = columns
        self._full = np.flatnonzero(np.diff(first) > 0)
        self._starts = first[:-1][self._full]
        self._used = int(first[-1])
        # Columns finer than the bins stay empty; each shows the bin nearest to it.
        centres = (edges[:-1] + edges[1:]) / 2
        if ranges.size > 1:
            middles = (ranges[:-1] + ranges[1:]) / 2
            within = (centres >= ranges[0]) & (centres <= ranges[-1])
            gaps = within & (np.diff(first) == 0)
            self._gaps = np.flatnonzero(gaps)
            self._nearest = np.searchsorted(middles, centres[self._gaps])
        else:
            self._gaps = np.zeros(0, dtype=np.intp)
            self._nearest = np.zeros(0, dtype=np.intp)
        last = max([self._used, *(self._nearest + 1).tolist()[-1:]])
        self.bins = self._skip + last

    def __call__(self, amplitude: NDArray[np.floating]) -> NDArray[np.float64]:
        """Return the strongest of each column.

        Parameters
        ----------
        amplitude : ndarray, shape (bins,)

        Returns
        -------
        ndarray of float64, shape (columns,)
            NaN where a column has no bin.
        """
        values = amplitude[self._skip :]
        row = np.full(self._columns, np.nan)
        if self._full.size:
            row[self._full] = np.maximum.reduceat(values[: self._used], self._starts)
        row[self._gaps] = values[self._nearest]
        return row


def decibels(amplitude: NDArray[np.floating]) -> NDArray[np.float64]:
    """Return amplitudes in dB re full scale, at least −200; NaN stays NaN."""
    return np.asarray(20 * np.log10(np.maximum(amplitude.astype(np.float64), 1e-10)))


def strength_limits_db(results: Iterable[PingResult], scale: RangeScale) -> tuple[float, float]:
    """Choose the ends of the strength scale, from the noise floor to the strongest echo.

    The floor is the median of all bins within the plan's ranges, since most of
    them hold no echo. Both ends lie on a whole 5 dB and at least 30 dB apart, so
    that noise alone is never drawn as dark as an echo.

    Returns
    -------
    tuple of float
        Low and high, dB re full scale; :data:`SILENT_LIMITS_DB` without a good ping.
    """
    start_s, stop_s = scale.path_time_s([scale.start_m, scale.stop_m])
    floors, peaks = [], []
    for result in results:
        if result.profile is None:
            continue
        bin_s = result.profile.bin_s
        heard = np.abs(
            result.profile.envelope[math.ceil(start_s / bin_s) : int(stop_s / bin_s) + 1]
        )
        if heard.size:
            floors.append(float(np.median(heard)))
            peaks.append(float(heard.max()))
    if not floors:
        return SILENT_LIMITS_DB
    floor_db, peak_db = decibels(np.array([np.median(floors), max(peaks)]))
    low = 5.0 * math.floor(floor_db / 5)
    return low, max(5.0 * math.ceil(peak_db / 5), low + 30.0)


def widened_limits_db(
    limits_db: tuple[float, float] | None, results: Sequence[PingResult], scale: RangeScale
) -> tuple[float, float] | None:
    """Fix the strength scale with the first good ping; later only ever raise its top.

    Parameters
    ----------
    limits_db : tuple of float or None
        Until now; None where none was fixed yet.
    results : sequence of PingResult
    scale : RangeScale
    """
    good = [r for r in results if r.profile is not None]
    if not good:
        return limits_db
    low_db, high_db = limits_db or strength_limits_db(good, scale)
    _, needed_db = strength_limits_db(good[-1:], scale)
    return low_db, max(high_db, needed_db)


def round_ticks(low: float, high: float, *, most: int) -> list[float]:
    """Return up to `most` round numbers, evenly spaced by 1, 2 or 5 times a power of ten.

    Examples
    --------
    >>> round_ticks(0.0, 29.1, most=8)
    [0.0, 5.0, 10.0, 15.0, 20.0, 25.0]
    """
    span = high - low
    step = 10.0 ** math.floor(math.log10(span / most))
    for factor in (1, 2, 5, 10, 20):
        first = math.ceil(low / (factor * step) - 1e-9)
        last = math.floor(high / (factor * step) + 1e-9)
        if last - first + 1 <= most:
            return [round(k * factor * step, 12) for k in range(first, last + 1)]
    raise AssertionError("20 steps of a tenth are more than the span")  # pragma: no cover


def place_labels(
    centres: Sequence[float],
    widths: Sequence[float],
    *,
    left: float,
    right: float,
    rows: int,
    gap: float,
    most: int,
    first: Sequence[int] = (),
    line: tuple[float, int | None] | None = None,
) -> list[tuple[int, int, float]]:
    """Choose which labels to show, and where, so that none meets another.

    Labels are taken in the order given. Each stands over its own place, moved only
    as far as the panel's edges and a line demand, in the lowest row that is free; from
    there a leader runs straight down, which no label in a lower row may cross.

    Parameters
    ----------
    centres, widths : sequence of float, shape (labels,)
    left, right : float
        The panel's edges.
    rows : int
    gap : float
        Least space between two labels, and between a label and another's leader.
    most : int
        No more labels than this.
    first : sequence of int
        Labels that are taken before all others.
    line : (float, int or None), optional
        Place of a line from the panel's top to its bottom, and the label that stands
        on it; the others stand beside it, where the panel has room.

    Returns
    -------
    list of (label, row, centre)
        Those that fit; row 0 is the lowest.
    """
    placed: list[tuple[int, int, float]] = []
    order = [*first, *(label for label in range(len(centres)) if label not in first)]
    for label in order:
        place, width = centres[label], widths[label]
        if len(placed) == most:
            break
        if width > right - left or not left <= place <= right:
            continue
        centre = min(max(place, left + width / 2), right - width / 2)
        if line is not None and line[1] != label:
            centre = _beside(line[0], place, centre, width, left=left, right=right, gap=gap)
        for row in range(rows):
            if _is_free(placed, centres, widths, place, centre, width, row, gap):
                placed.append((label, row, centre))
                break
    return placed


def _beside(
    line: float,
    place: float,
    centre: float,
    width: float,
    *,
    left: float,
    right: float,
    gap: float,
) -> float:
    """Return a label's centre, moved off a line on the side where its place is."""
    # A hair more than the gap, so that the line's own leader is free whatever is rounded.
    reach = width / 2 + gap + 1e-6
    if abs(centre - line) >= reach:
        return centre
    moved = line - reach if place < line else line + reach
    return moved if left + width / 2 <= moved <= right - width / 2 else centre


def _is_free(
    placed: Sequence[tuple[int, int, float]],
    centres: Sequence[float],
    widths: Sequence[float],
    place: float,
    centre: float,
    width: float,
    row: int,
    gap: float,
) -> bool:
    for other, other_row, other_centre in placed:
        reach = (widths[other] + width) / 2 + gap
        if other_row == row and abs(centre - other_centre) < reach:
            return False
        if other_row < row and abs(place - other_centre) < widths[other] / 2 + gap:
            return False  # this leader would cross that label
        if other_row > row and abs(centres[other] - centre) < width / 2 + gap:
            return False  # that leader would cross this label
    return True
