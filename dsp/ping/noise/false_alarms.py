"""How far above noise a threshold stands for how many false alarms.

References
----------
H. Rohling, "Radar CFAR thresholding in clutter and multiple target situations",
*IEEE Trans. Aerosp. Electron. Syst.* 19, 1983, pp. 608–621.
"""

from __future__ import annotations

import functools
import math

import numpy as np
from numpy.typing import NDArray

from dsp.ping.noise.noise import TRAINING_CELLS, independent_s
from dsp.ping.pulse.echo_shape import EchoShape, turning_sums
from dsp.quadrature import gauss_legendre


def cell_averaging_factor(false_alarm_rate: float, cells: float) -> float:
    """Return the threshold over the mean power of `cells` independent cells.

    ``N (Pfa^(−1/N) − 1)`` for complex Gaussian noise.

    References
    ----------
    H. M. Finn and R. S. Johnson, *RCA Review* 29, 1968, pp. 414–464 (from memory).

    Examples
    --------
    >>> round(cell_averaging_factor(1e-6, 32), 3)
    17.278
    """
    _check_rate(false_alarm_rate)
    return cells * math.expm1(-math.log(false_alarm_rate) / cells)


@functools.lru_cache(maxsize=32)
def cell_rate(false_alarm_rate: float, shape: EchoShape, *, cells: float = TRAINING_CELLS) -> float:
    """Return how rarely one cell may pass a threshold that noise's peaks pass at a rate.

    A peak of noise stands anywhere between two cells, so that more peaks pass than
    cells do: for Gaussian noise of the power spectrum's RMS width β about its centre,
    β √(L/π) crossings a second for each cell, L being the threshold over the noise's
    mean power. Of several crossings in one peak but one is listed.

    Parameters
    ----------
    false_alarm_rate : float
        Peaks of noise to be listed for each independent bin, the inverse of the noise's
        bandwidth (Σw)²/Σw² long.
    shape : EchoShape
        Of one echo; its noise is meant.
    cells : float
        As sure as the mean of so many independent cells is what is learnt of the noise.

    References
    ----------
    S. O. Rice, "Mathematical analysis of random noise", *Bell Syst. Tech. J.* 24, 1945,
    sect. 3.8: how often an envelope crosses a level (from memory).
    """
    crossings = _crossings(shape)
    rate = false_alarm_rate
    # The crossings depend on the threshold by a root of a logarithm only: this converges
    # by a factor of ten a turn.
    for _ in range(8):
        factor = cell_averaging_factor(rate, cells)
        # A noise that is taken for lower than it is lets more alarms pass: this is the mean
        # of L over those, the derivative of log Pfa by the factor's logarithm.
        level = factor / (1 + factor / cells)
        rate = false_alarm_rate / max(crossings.of_a_cell(level) / crossings.of_a_peak(level), 1.0)
    return rate


class _Crossings:
    """How often compressed noise crosses a level, and how often in one peak.

    Noise whose spectrum falls off slowly, as that of a tone with hard edges does, is
    ragged: it crosses a level several times while it stands high, and but one of these
    tops is listed. How many follow within an echo's width is known from the joint density
    of two crossings; as many again follow each of those, so that their number is geometric
    and its mean one more than what follows one.

    References
    ----------
    S. O. Rice, "Mathematical analysis of random noise", *Bell Syst. Tech. J.* 24, 1945,
    sect. 3.3 and 3.8; M. R. Leadbetter, G. Lindgren and H. Rootzén, *Extremes and Related
    Properties of Random Sequences and Processes*, Springer, 1983, ch. 7: a high envelope
    crosses as its part in phase does (both from memory).
    """

    def __init__(self, shape: EchoShape) -> None:
        node, self._share = (each / 2 for each in gauss_legendre(48))
        node = node + 0.5
        weights = shape.noise_weights
        turns_rad_s = 2 * math.pi * (shape.offset_hz - weights @ shape.offset_hz)
        self._spread = float(weights @ turns_rad_s**2)
        self._cell_s = independent_s(shape)
        # Crossings follow each other soon: places lie closest near zero.
        lag_s = shape.width_s * node**2
        self._step_s = 2 * shape.width_s * node * self._share
        self._node = node
        powers = _powers(weights, turns_rad_s)
        sums = turning_sums(lag_s, powers, step_hz=float(shape.offset_hz[1]))
        about_centre = np.exp(1j * turns_rad_s[0] * lag_s)
        self._alike, self._slope, self._bend = (sums.T * about_centre).real

    def of_a_cell(self, level: float) -> float:
        """Return the crossings in a cell, over the chance that the cell is above the level."""
        return math.sqrt(self._spread * level / math.pi) * self._cell_s

    def of_a_peak(self, level: float) -> float:
        """Return the mean number of crossings that belong to one peak."""
        from scipy.special import ndtr

        high2 = 2 * level
        alike, slope = self._alike, self._slope
        unlike = 1 - alike**2
        # Given that it stands at the level at both ends of a lag, its slopes there are Gauss
        # distributed: it comes up at the first and goes down at the second, on the average.
        spread2 = np.maximum(self._spread - slope**2 / unlike, 1e-9 * self._spread)
        spread = np.sqrt(spread2)
        mean = (-math.sqrt(high2) * slope / (1 + alike) / spread)[:, np.newaxis]
        related = ((-self._bend - alike * slope**2 / unlike) / spread2).clip(-1, 1)
        first = np.maximum(mean - 6, 0)
        width = np.maximum(mean, 0) + 6 - first
        up = first + width * self._node
        other = -mean + related[:, np.newaxis] * (up - mean)
        rest = np.sqrt(np.maximum(1 - related**2, 1e-12))[:, np.newaxis]
        density = np.exp(-((up - mean) ** 2) / 2) / math.sqrt(2 * math.pi)
        bell = np.exp(-((other / rest) ** 2) / 2) / math.sqrt(2 * math.pi)
        both_up = up * density * (rest * bell + other * ndtr(other / rest))
        slopes = spread2 * (width[:, 0] * (both_up @ self._share))
        twice = slopes * np.exp(-high2 / (1 + alike)) / (2 * math.pi * np.sqrt(unlike))
        once = math.sqrt(self._spread) / (2 * math.pi) * math.exp(-high2 / 2)
        return 1 + float(twice @ self._step_s) / once


@functools.lru_cache(maxsize=32)
def _crossings(shape: EchoShape) -> _Crossings:
    """Return the one of a shape, whose rates are asked for with more and with fewer cells."""
    return _Crossings(shape)


def _powers(
    weights: NDArray[np.float64], turns_rad_s: NDArray[np.float64]
) -> NDArray[np.complex128]:
    """Return what sums a spectrum to its function, its slope and its bend, shape (band, 3)."""
    slope = 1j * turns_rad_s
    return np.stack([weights + 0j, weights * slope, weights * slope**2], axis=1)


@functools.lru_cache(maxsize=64)
def ordered_statistic_factor(false_alarm_rate: float, cells: int, rank: int) -> float:
    """Return the threshold over the `rank`-th smallest power of `cells` cells.

    Solves Pfa = ∏ (N − i)/(N − i + α), i from 0 to rank − 1, for α.

    References
    ----------
    Rohling 1983, eq. 37.
    """
    _check_rate(false_alarm_rate)
    if not 1 <= rank <= cells:
        raise ValueError(f"rank: found {rank}; give 1 to {cells}")
    left = cells - np.arange(rank)
    goal = math.log(false_alarm_rate)
    low, high = 0.0, 1.0
    while -float(np.log1p(high / left).sum()) > goal:
        high *= 2
    for _ in range(60):
        middle = (low + high) / 2
        if -float(np.log1p(middle / left).sum()) > goal:
            low = middle
        else:
            high = middle
    return high


def _check_rate(false_alarm_rate: float) -> None:
    if not 0 < false_alarm_rate < 1:
        raise ValueError(f"false_alarm_rate: found {false_alarm_rate:g}; give 0 to 1, both out")
