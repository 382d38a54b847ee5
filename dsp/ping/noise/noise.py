"""What compressed noise is like, and the cells about a bin that it is learnt from."""

from __future__ import annotations

import functools
import math

import numpy as np
from numpy.typing import NDArray

from dsp.ping.pulse.echo_shape import EchoShape, turning_sums

TRAINING_CELLS = 64
"""Independent cells about a bin from which its noise is learnt, where there are so many."""

WIDE_CELLS = 3 * TRAINING_CELLS
"""So many tell it where they are heard to be all alike. A threshold that is learnt stands higher
than one over noise that is known, of k cells' mean by k (P^(−1/k) − 1) over ln 1/P: at 1e-6 by
0.51 dB for what the weakest of 64 tell, which is worth 60, by 0.17 dB for 176 of 192."""

CELL_LOOKS = 2
"""Two looks a cell tell nearly all that there is: three would be worth 4 % of the cells more."""

LEAST_CELLS = 4
"""From fewer no noise is learnt."""

ALIKE_CELLS = 16
"""So many cells off it is looked whether noise is alike: a resonance of 200 Hz is for 7 of a
code's."""


def fewest_bins(shape: EchoShape, *, cells: int = LEAST_CELLS) -> int:
    """Return how many bins hold so many independent cells to learn the noise from.

    With fewer than four :func:`find_echoes` refuses. A narrow-band pulse, whose noise
    is alike over a long time, needs many.
    """
    guard_bins, spacing_bins = training_steps(shape)
    return 2 * guard_bins + 1 + (cells + 1) * spacing_bins


def independent_s(shape: EchoShape) -> float:
    """Return how long an independent bin of noise is: the inverse of its bandwidth."""
    return float(np.sum(shape.noise_weights**2)) / float(shape.offset_hz[1])


@functools.lru_cache(maxsize=32)
def training_steps(shape: EchoShape) -> tuple[int, int]:
    """Bins that an echo fills to each side, and from one independent cell to the next."""
    guard_bins = math.ceil(max(1.0, shape.width_s / shape.bin_s)) + 1
    return guard_bins, max(1, math.ceil(independent_s(shape) / shape.bin_s))


@functools.lru_cache(maxsize=32)
def look_steps(shape: EchoShape) -> tuple[int, int, tuple[float, ...]]:
    """Bins that an echo fills to each side, and from one look to the next; ρ² of two looks.

    The last for each step from one look to another, as far as :data:`ALIKE_CELLS`.
    """
    cell_bins = independent_s(shape) / shape.bin_s
    spacing_bins = max(1, math.ceil(cell_bins / CELL_LOOKS))
    step_hz = float(shape.offset_hz[1])
    lag_s = spacing_bins * np.arange(1, ALIKE_CELLS * CELL_LOOKS + 1) * shape.bin_s
    # Farther off than half of its cycle a sum of frequencies comes again.
    lag_s = lag_s[lag_s * step_hz < 0.5]
    alike = np.abs(turning_sums(lag_s, shape.noise_weights, step_hz=step_hz)) ** 2
    return training_steps(shape)[0], spacing_bins, tuple(alike.tolist())


def noise_about(
    shape: EchoShape, lag_s: NDArray[np.float64], turn_hz: float = 0.0
) -> tuple[NDArray[np.float64], NDArray[np.complex128]]:
    """Return the noise's powers about a place along ways in which it is independent, and these.

    With noise made white, what is left of a sound is weighed as well as may be (H. L. Van Trees,
    *Detection, Estimation, and Modulation Theory* I, 1968, sect. 4.3; from memory).

    Parameters
    ----------
    shape : EchoShape
    lag_s : ndarray of float64, shape (lags,)
        Where the envelope is looked at.
    turn_hz : float
        By which it was turned back.

    Returns
    -------
    power : ndarray of float64, shape (lags,)
        Weakest first; all of them add up to the number of lags.
    ways : ndarray of complex128, shape (lags, lags)
        Each a column.
    """
    apart_s = lag_s[:, np.newaxis] - lag_s
    alike = turning_sums(apart_s, shape.noise_weights, step_hz=float(shape.offset_hz[1]))
    power, ways = np.linalg.eigh(alike * np.exp(-2j * np.pi * turn_hz * apart_s))
    return np.maximum(power, 0.0), ways


def cells_with_room(
    bins: int, guard_bins: int, spacing_bins: int, cells: int, *, least: int = LEAST_CELLS
) -> int:
    """Return how many of the cells that are wanted there are around each bin."""
    cells = min(cells, (bins - 2 * guard_bins - 1) // spacing_bins - 1)
    if cells < least:
        raise ValueError(
            f"power: found {bins} bins; "
            f"give at least {2 * guard_bins + 1 + (least + 1) * spacing_bins} to learn the noise "
            "from"
        )
    return cells


def cells_about(
    first: NDArray[np.int64],
    last: NDArray[np.int64],
    bins: int,
    guard_bins: int,
    spacing_bins: int,
    cells: int,
    wanted: int,
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return where the cells about some stretches of bins stand, and how far from these.

    So many as are wanted ahead of each, the rest behind it; near an end, what has no room on
    one side is taken from the other. Both of shape (stretches, cells).
    """
    room_before = np.maximum(0, (first - guard_bins - 1) // spacing_bins + 1)
    room_after = np.maximum(0, (bins - 2 - last - guard_bins) // spacing_bins + 1)
    on_left = np.clip(wanted, cells - room_after, room_before)[:, np.newaxis]
    j = np.arange(cells)
    away = guard_bins + 1 + np.where(j < on_left, j, j - on_left) * spacing_bins
    return np.where(j < on_left, first[:, np.newaxis] - away, last[:, np.newaxis] + away), away
