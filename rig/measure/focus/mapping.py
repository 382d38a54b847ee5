"""A straight way focused piece after piece: its map, and the peaks that are points of their own."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.history import focus_limits
from dsp.history.focus_limits import Face
from dsp.history.focusing import WIDEST_RAD, StraightWay, focused
from rig.measure.focus.kept import KeptProfiles
from rig.measure.focus.ways import all_ahead_m

PIECE_PINGS = 4096
"""So many pings are focused at once, whatever the recording's length: memory is then bounded."""

MOST_ROWS = 500
"""Of ranges in the map."""

MOST_PLACES = 1200
"""Of places along the way that are kept of a long map, each the strongest of its stretch."""

MOST_POINTS = 40
"""Points that are told, the strongest first."""

FAINT_DB = 20.0
"""What lies so far below a point whose arch or side lobes cross there is not told as another."""

_UNSURE_DB = 4.0  # to which copies are foretold: each pulse's own band smears them
_LOBES_DB = 30.0
"""So far below a point is what its pulse's side lobes may still make, as far as they reach."""

_CHANCE = 1e-3  # of taking noise for a point, in a whole map


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FocusMap:
    """Places along the way by range.

    Attributes
    ----------
    along_m : ndarray of float64, shape (places,)
        Middle of each stretch, from where the pair stood as the first ping left.
    range_m : ndarray of float64, shape (ranges,)
    amplitude : ndarray of float32, shape (places, ranges)
        Re full scale.
    """

    along_m: NDArray[np.float64]
    range_m: NDArray[np.float64]
    amplitude: NDArray[np.float32]


class MovedRows:
    """Profiles without what stood still."""

    def __init__(self, kept: KeptProfiles, still: NDArray[np.complex64]) -> None:
        self._kept, self._still = kept, still

    def some(self, first: int, last: int) -> NDArray[np.complex64]:
        """Return those of some pings, shape (pings, bins); a lost ping's stay silent."""
        rows = self._kept.rows(max(first, 0), last).copy()
        rows[np.abs(rows).any(axis=1)] -= self._still
        return rows


def map_and_peaks(
    rows: MovedRows,
    pings: int,
    way: StraightWay,
    face: Face,
    range_m: NDArray[np.float64],
    cell_m: float,
) -> tuple[FocusMap, list[tuple[float, float, float]]]:
    """Focus piece after piece; return the map and its peaks: time, range, amplitude."""
    margin = way.reach_pings(float(range_m[-1]))
    finest_m = max(focus_limits.finest_along_m(face) / 2, 0.6 * way.spacing_m)
    finer = max(1, min(4, math.ceil(2.5 * way.spacing_m / finest_m)))
    piece = max(PIECE_PINGS - 2 * margin, PIECE_PINGS // 2)
    together = max(1, -(-finer * pings // MOST_PLACES))
    parts, peaks = [], []
    for first in range(0, pings, piece):
        last = min(first + piece, pings)
        begin = max(first - margin, 0)
        part = np.abs(focused(rows.some(begin, last + margin), way, range_m, finer=finer))
        own = part[finer * (first - begin) : finer * (last - begin)]
        step_s = way.interval_s / finer
        for at, row, high in _peaks(own, range_m, finer, cell_m):
            peaks.append((first * way.interval_s + at * step_s, float(range_m[row]), high))
        ends = np.arange(0, own.shape[0], together)
        parts.append(np.maximum.reduceat(own, ends, axis=0))
    amplitude = np.concatenate(parts)
    middles = (np.arange(amplitude.shape[0]) + 0.5) * together - 0.5
    along_m = np.asarray(middles * (way.spacing_m / finer))
    peaks.sort(key=lambda p: -p[2])
    return FocusMap(along_m=along_m, range_m=range_m, amplitude=amplitude), peaks


def _peaks(
    part: NDArray[np.float32],
    range_m: NDArray[np.float64],
    finer: int,
    cell_m: float,
) -> list[tuple[int, int, float]]:
    """Return places that stand above all around them, and above what noise reaches."""
    from scipy.ndimage import maximum_filter

    high = max(1, round(cell_m / float(range_m[1] - range_m[0])) if range_m.size > 1 else 1)
    top = maximum_filter(part, size=(2 * finer + 1, 2 * high + 1), mode="nearest")
    # Of Rayleigh's noise the middle is √ln 2, and one of n cells exceeds √ln(n/p) by chance p.
    noise = np.median(part, axis=0) / math.sqrt(math.log(2))
    least = noise * math.sqrt(math.log(part.size / _CHANCE))
    at, row = np.nonzero((part == top) & (part > least) & (part > 0))
    order = np.argsort(-part[at, row])[: 20 * MOST_POINTS]
    return [(int(at[i]), int(row[i]), float(part[at[i], row[i]])) for i in order]


def alone(
    peaks: list[tuple[float, float, float]],
    way: StraightWay,
    face: Face,
    cell_m: float,
    lobes_m: float,
) -> list[tuple[float, float, float]]:
    """Leave out what a stronger point's side lobes, arch, blur or copies may have made."""
    kept: list[tuple[float, float, float]] = []
    faint, lobes = 10 ** (-FAINT_DB / 20), 10 ** (-_LOBES_DB / 20)
    width_m = max(way.wavelength_m / (4 * math.sin(way.half_angle_rad)), way.spacing_m)
    reach = 2 * math.tan(way.half_angle_rad)
    widest_rad = way.half_angle_rad
    sine = way.wavelength_m / (2 * way.spacing_m)
    if peaks and sine < math.sin(WIDEST_RAD):
        # Copies stand so far aside, and as far behind as their own angle's arch.
        _, range_m, _ = peaks[0]
        copies_db = focus_limits.copies_db(face, way, all_ahead_m(way, range_m), range_m)
        if copies_db is not None:
            faint = max(faint, 10 ** ((copies_db + _UNSURE_DB) / 20))
            widest_rad = max(widest_rad, math.asin(sine))
            reach = max(reach, 1.6 * math.tan(widest_rad))
    for time_s, range_m, high in peaks:
        for other_s, other_m, other in kept:
            along_m = abs(time_s - other_s) * way.speed_m_s
            beside = along_m < 2 * width_m and abs(range_m - other_m) < 2 * cell_m
            # Farther than its arch reaches, and nearer than it stands, it has only lobes.
            foot_m = other_m * (1 / math.cos(widest_rad) - 1) + 4 * cell_m
            away_m, within = abs(range_m - other_m), along_m < other_m * reach
            shadowed = within and away_m < foot_m and high < faint * other
            lobe = within and away_m < foot_m + lobes_m and high < lobes * other
            if beside or shadowed or lobe:
                break
        else:
            kept.append((time_s, range_m, high))
    return kept
