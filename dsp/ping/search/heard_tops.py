"""How sure an echo's place and phase are where it is no copy of the pulse, by its own top.

A beam, a body or two of them take some of a band from an echo. What is left of it has a rounder
top, which noise moves farther, and turns at another frequency than a copy, so that its phase
there errs with its place. Both are seen at the top itself, as far as noise lets them be.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.ping.search.search_plan import SearchPlan
from dsp.ping.search.taken import Taken


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HeardTops:
    """What echoes' own tops say of their places; arrays of float64, shape (echoes,).

    Attributes
    ----------
    blunter
        How many times as unsure as a copy's noise makes a place.
    off_bins
        How far beside it the top still is: a fit of copies goes on until copies stand still.
    u_phase_rad
        Of the phase there, counted back by a copy's centre frequency.
    """

    blunter: NDArray[np.float64]
    off_bins: NDArray[np.float64]
    u_phase_rad: NDArray[np.float64]


def heard_tops(taken: Taken, snr_out: NDArray[np.float64]) -> HeardTops:
    """Look at each echo's top: all that is heard there, less the copies of all others.

    Parameters
    ----------
    snr_out : ndarray of float64, shape (echoes,)
        Twice an echo's power over the noise's, above 0.

    Notes
    -----
    Of an envelope z that is highest at t, where z'/z = jω and −(z'/z)' = κ, noise n moves the top
    by Re((n' − jω n)/z)/κ. So a copy's bound is widened by its κ over the echo's own, which is
    information observed, and not expected. A phase that is counted back by a frequency w higher
    errs by Im(n/z), less w times what the place errs by. Noise makes κ differ from a copy's by
    itself: of a difference x that is unsure by u, x (1 − u²/x²) is held to be the echo's own,
    or none.

    References
    ----------
    B. Efron and D. V. Hinkley, "Assessing the accuracy of the maximum likelihood estimator:
    observed versus expected Fisher information", *Biometrika* 65, 1978, pp. 457–482; W. James and
    C. Stein, "Estimation with quadratic loss", *Proc. 4th Berkeley Symp.* 1, 1961, pp. 361–379,
    its positive part (both from memory).
    """
    table, (first, second, fourth) = taken.planned.table, _noise_moments(taken.planned)
    # Each read by itself: many together are rounded otherwise than few.
    left = (
        a[:, 0] for a in taken.read(taken.profile[:, np.newaxis], taken.position[:, np.newaxis])
    )
    copy = _top_of_copy(taken.planned)
    value, slope, bend = (a + taken.gain * b for a, b in zip(left, copy, strict=True))
    value = np.where(value == 0, 1e-30, value)
    turn = slope / value
    lower = table.centre_rad - turn.imag
    lower = _beyond(lower, second / snr_out)
    flatter = table.curvature + (bend / value - turn**2).real
    of_noise = fourth - 2 * table.curvature * second + table.curvature**2
    flatter = _beyond(flatter, of_noise / snr_out)
    curvature = np.maximum(table.curvature - flatter, 1e-6 * table.curvature)
    mean, spread = first + lower, second + lower * (2 * first + lower)
    blunter = np.sqrt(spread / second) * table.curvature / curvature
    # No echo leaves its lobe, however flat.
    off_bins = np.minimum(np.abs(turn.real) / curvature, taken.planned.lobe_bins / 2)
    by_place = lower / curvature
    phase = 1 + by_place * (2 * mean + by_place * spread)
    u_phase_rad = np.hypot(np.sqrt(np.maximum(phase, 0.0) / snr_out), lower * off_bins)
    return HeardTops(blunter=blunter, off_bins=off_bins, u_phase_rad=u_phase_rad)


def _beyond(difference: NDArray[np.float64], u2: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return what of some differences is beyond their noise, of variances u²."""
    return difference * np.maximum(1 - u2 / np.maximum(difference**2, 1e-300), 0.0)


@functools.lru_cache(maxsize=32)
def _top_of_copy(planned: SearchPlan) -> NDArray[np.complex128]:
    """Return a copy of 1 at its top, its slope and its bend there, shape (3, 1)."""
    return planned.table.lags(np.zeros(1))


@functools.lru_cache(maxsize=32)
def _noise_moments(planned: SearchPlan) -> tuple[float, ...]:
    """Return the first, second and fourth moment of the noise's spectrum about a copy's centre.

    Of frequencies in radians a bin.
    """
    shape = planned.shape
    away = 2 * np.pi * (shape.offset_hz - shape.weights @ shape.offset_hz) * shape.bin_s
    return tuple(float(shape.noise_weights @ away**power) for power in (1, 2, 4))
