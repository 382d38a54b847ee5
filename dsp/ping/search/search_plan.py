"""What a search of profiles for echoes needs and that no profile changes, made once.

Tables of a copy's side lobes, the cells that noise is learnt from, the factors of its
thresholds: all follow from the length of the profiles, the shape of an echo and the rate of
false alarms.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.ping.noise.false_alarms import cell_averaging_factor, cell_rate
from dsp.ping.noise.noise import independent_s, look_steps
from dsp.ping.noise.noise_colour import SURELY, u_log_crossings
from dsp.ping.noise.noise_grid import NoiseGrid, noise_grid
from dsp.ping.pulse.echo_shape import ROUNDING, EchoShape
from dsp.ping.pulse.lobe_table import LobeTable, lobe_table
from dsp.ping.pulse.peaks import KERNEL_HALF, bin_reader, delay_uncertainty_s, side_lobe_ceiling

FLANK_LOBES = 12
"""How far from an echo its side lobes are looked at, to see how well a copy fits."""

_SIDE_LOBE_MARGIN = 1.12  # 1 dB: what noise and interpolation may add to a side lobe


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SearchPlan:
    """What every search of profiles of one length and shape needs, made once.

    Attributes
    ----------
    taps : ndarray of int, shape (taps,)
        Which bins of an envelope that is padded by `margin` are around its first.
    reader : ndarray of complex64, shape (taps, 3 POWERS)
        Times the envelope around a bin, the polynomial that it is in that bin, and those of its
        slope and its bend.
    looks : ndarray of complex64, shape (taps, looks)
        Times the same, the envelope at some places in the bin.
    cell_bins : float
        How long an independent cell of noise is.
    margin : int
        Bins ahead of and behind an envelope, so that it is read and copies are taken away as
        near to its ends as elsewhere.
    ceiling : ndarray of float64, shape (bins,)
        What a copy of the pulse still reaches from each lag on.
    ceiling_reach : int
        The last lag at which an echo may have left more than rounding.
    far_lobes : ndarray of float64, shape (bins,), or None
        What an equalised echo of 1 may leave far off.
    flank : ndarray of int
        Lags, in bins, at which it is seen how well a copy fits.
    flank_ceiling : ndarray of float64
        The ceiling at those lags.
    near : slice
        Which of them are near by.
    """

    shape: EchoShape
    bins: int
    before_only: bool
    table: LobeTable
    grid: NoiseGrid
    cell_bins: float
    turn: NDArray[np.complex64]
    taps: NDArray[np.intp]
    reader: NDArray[np.complex64]
    looks: NDArray[np.complex64]
    margin: int
    ceiling: NDArray[np.float64]
    ceiling_reach: int
    far_lobes: NDArray[np.float64] | None
    flank: NDArray[np.intp]
    flank_ceiling: NDArray[np.float64]
    near: slice
    lobe_bins: float
    half_bin: float
    amplifies: float
    u_at_one_s: float
    u_at_one_bins: float
    noise_doubt: float
    log_rate: float
    threshold_over_ranked: float


@functools.lru_cache(maxsize=32)
def search_plan(
    shape: EchoShape, bins: int, false_alarm_rate: float, before_only: bool
) -> SearchPlan:
    """Return what a search of profiles of `bins` bins needs; kept of the last few asked for."""
    guard_bins, spacing_bins, alike = look_steps(shape)
    grid = noise_grid(bins, guard_bins, spacing_bins, alike=alike, before_only=before_only)
    if not before_only:
        # Noise that is slower than white, and not surely so, peaks less often.
        false_alarm_rate *= math.exp(SURELY * u_log_crossings(shape, bins))
    rate = cell_rate(min(false_alarm_rate, 0.5), shape, cells=grid.cells)
    table = lobe_table(shape)
    lobe_bins = max(1.0, shape.width_s / shape.bin_s)
    amplifies = 1 / math.sqrt(shape.efficiency)
    taps, reader, looks = bin_reader()
    lag = np.arange(math.floor(lobe_bins) + 1, math.ceil(FLANK_LOBES * lobe_bins))
    lag = lag[lag < min(bins, table.reach_bins + 1)]
    flank = np.concatenate([-lag[::-1], lag])
    near = np.flatnonzero(np.abs(flank) < 4 * lobe_bins)
    margin = max(KERNEL_HALF, table.reach_bins)
    u_at_one_s = delay_uncertainty_s(shape, 1.0)
    ceiling = side_lobe_ceiling(shape, bins) * _SIDE_LOBE_MARGIN
    far = _amplified_lobes(shape, bins, lobe_bins) if amplifies > 2 else None
    return SearchPlan(
        shape=shape,
        bins=bins,
        before_only=before_only,
        table=table,
        grid=grid,
        cell_bins=independent_s(shape) / shape.bin_s,
        turn=np.exp(-2j * np.pi * table.turns * np.arange(bins)).astype(np.complex64),
        taps=taps + margin,
        reader=_with_slopes(reader).astype(np.complex64),
        looks=looks.astype(np.complex64),
        margin=margin,
        ceiling=ceiling,
        ceiling_reach=int(np.flatnonzero(ceiling >= ROUNDING)[-1]) if far is None else bins - 1,
        far_lobes=far,
        flank=flank,
        flank_ceiling=ceiling[np.abs(flank)],
        near=slice(near[0], near[-1] + 1) if near.size else slice(0),
        lobe_bins=lobe_bins,
        half_bin=0.9 * float(abs(shape.at(shape.bin_s / 2))),
        amplifies=amplifies,
        u_at_one_s=u_at_one_s,
        u_at_one_bins=u_at_one_s / shape.bin_s,
        noise_doubt=1 / grid.level_cells,
        log_rate=math.log(rate),
        threshold_over_ranked=cell_averaging_factor(rate, grid.cells),
    )


def _with_slopes(polynomials: NDArray[np.floating]) -> NDArray[np.floating]:
    """Return polynomials, each a row, with those of their slopes and their bends beside them."""
    slope, bend = np.zeros_like(polynomials), np.zeros_like(polynomials)
    exponents = np.arange(1, polynomials.shape[1])
    slope[:, :-1] = polynomials[:, 1:] * exponents
    bend[:, :-1] = slope[:, 1:] * exponents
    return np.hstack([polynomials, slope, bend])


def _amplified_lobes(shape: EchoShape, bins: int, lobe_bins: float) -> NDArray[np.float64]:
    """Return what an echo of 1 may leave far off, at a pulse's length say.

    How well a copy fits is seen on its flanks. Beyond them a filter that evens out a
    spectrum makes much of what is weak in it, where two sounds differ most.
    """
    from scipy.ndimage import maximum_filter1d

    reach = 2 * math.ceil(FLANK_LOBES * lobe_bins) + 1
    lobes = np.abs(shape.at_bins(0.0, bins)).astype(np.float64)
    lobes = maximum_filter1d(lobes, reach) / math.sqrt(shape.efficiency)
    lobes[:reach] = 0.0
    return np.asarray(lobes)
