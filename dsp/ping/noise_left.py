"""How strong the noise is, learnt from what is left once echoes were taken away.

Each stretch of bins has its own noise, of sorted cells about it (:mod:`dsp.ping.noise`): it is
learnt anew whenever echoes were taken, since what they and their side lobes added is gone.
"""

from __future__ import annotations

import functools
import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dsp.ping.compression import ROUNDING, powers_of
from dsp.ping.falling import falls, ranked_falling
from dsp.ping.noise import cell_rate, ordered_statistic_factor, rank_of
from dsp.ping.rows import alike, starts_of, within
from dsp.ping.taken import Taken

PUT_BACK = 2.0
"""An echo of less than so many times the threshold may be noise, and counts as noise where
that is learnt: taken for an echo, it would lower the threshold of the next. Noise itself
passes twice a threshold of L times its mean with a chance of exp(-L) of what passes it."""

_LOOKED_UP = 8
"""Looking up so many times as many numbers as a profile has takes as long as going over it."""


class NoiseLeft:
    """The noise in what is left of some profiles, and the threshold that it sets.

    Parameters
    ----------
    taken : Taken
        Of which no echo was taken yet.
    least_noise : float
        RMS magnitude of noise that is known to be there, seen or not.

    Attributes
    ----------
    power, threshold : ndarray of float64, shape (profiles, stretches)
        Mean power of the noise, and what it passes as rarely as is asked for.
    """

    def __init__(self, taken: Taken, least_noise: float) -> None:
        self._planned = planned = taken.planned
        stretches = planned.grid.index.shape[0]
        # Of each stretch of bins: the cell by which the threshold is set, the noise, both of power.
        self._ranked = np.empty((taken.profiles, stretches))
        self.power, self.threshold = np.empty_like(self._ranked), np.empty_like(self._ranked)
        self._learnt_from = np.empty_like(taken.power)
        self._least_power = least_noise**2
        # Without any noise, as on a loopback wire, what is left of an echo is the rounding
        # of single precision and of the interpolation.
        self._rounding_power = ROUNDING**2 * taken.power.max(axis=1).astype(np.float64)
        least = -planned.log_rate * self._least_power
        self._least_threshold = np.maximum(self._rounding_power, least)
        self.learn(taken, np.arange(taken.profiles))

    def learn(self, taken: Taken, going: NDArray[np.intp]) -> None:
        """Learn from what is left of some profiles how strong their noise is."""
        planned, some = self._planned, taken.some(going)
        self._learnt_from[some] = taken.power[some]
        power = self._with_doubtful(taken, going)
        # Before any echo was taken their own side lobes would be held for a fall.
        asked = taken.profile.size > 0 and not planned.before_only
        falling = None
        if asked:
            left = functools.partial(_lobes_left, taken, going)
            falling = falls(power, planned.cell_bins, left)
        if falling is None:
            ranked, middle = planned.grid.ranked(power)
        else:
            ranked, middle = ranked_falling(planned.grid, power, *falling)
        ranked, middle = ranked.astype(np.float64), middle.astype(np.float64)
        least_threshold = self._least_threshold[some, np.newaxis]
        self._ranked[some] = ranked
        self.power[some] = np.maximum(middle * planned.mean_over_middle, self._least_power)
        self.threshold[some] = np.maximum(ranked * planned.threshold_over_ranked, least_threshold)

    def _with_doubtful(self, taken: Taken, going: NDArray[np.intp]) -> NDArray[np.float32]:
        """Return the power of what is left, with the tops of echoes that may be noise."""
        power = taken.power[taken.some(going)]
        if taken.profile.size == 0:
            return power
        threshold = self.threshold_at(taken.profile, taken.places())
        weak = taken.strength**2 < PUT_BACK * threshold
        doubtful = (weak & taken.of(going)).nonzero()[0]
        if not doubtful.size:
            return power
        power = power.copy()
        planned = self._planned
        half, reach = math.ceil(planned.lobe_bins / 2), planned.table.reach_bins
        half = min(half, reach)
        start = starts_of(taken.profile[doubtful], taken.profiles)
        for index in alike(start, going):
            echo = doubtful[index]
            place = np.rint(taken.position[echo])
            parts = powers_of(place - taken.position[echo])
            terms = (taken.gain[echo][..., np.newaxis] * parts).astype(np.complex64)
            tops = terms @ planned.table.copies[:, reach - half : reach + half + 1]
            bins = place.astype(np.intp)[..., np.newaxis] + np.arange(-half, half + 1)
            bins = within(bins, 0, planned.bins - 1)
            profile = taken.profile[echo][..., np.newaxis]
            tops += taken.left_padded[profile, bins + planned.margin]
            power[np.searchsorted(going, profile), bins] = tops.real**2 + tops.imag**2
        return power

    def threshold_at(
        self, profile: NDArray[np.intp], bins: NDArray[np.intp]
    ) -> NDArray[np.float64]:
        """Return, on power, what the noise passes as rarely as is asked for, at some bins."""
        return np.asarray(self.threshold[profile, self._planned.grid.stretch_of[bins]])

    def threshold_at_rate(self, false_alarm_rate: float) -> NDArray[np.float64]:
        """On power, at any rate, for each stretch: what noise alone passes so often.

        Shape (profiles, stretches).
        """
        planned = self._planned
        cells = planned.grid.cells
        rate = cell_rate(false_alarm_rate, planned.shape, cells=cells)
        factor = ordered_statistic_factor(rate, cells, rank_of(cells))
        least = np.maximum(self._rounding_power, -math.log(rate) * self._least_power)
        return np.asarray(np.maximum(self._ranked * factor, least[:, np.newaxis]))

    def excess(self, profile: NDArray[np.intp], bins: NDArray[np.intp]) -> NDArray[np.float64]:
        """Return the highest of what is left within half a lobe of some bins, above the noise."""
        last = self._planned.bins - 1
        reach = max(1, round(self._planned.lobe_bins / 2))
        concerned = np.bincount(profile).nonzero()[0]
        # Of few bins, or a short lobe, it is looked up; else all bins are gone over once.
        if bins.size * (2 * reach + 1) <= _LOOKED_UP * last * concerned.size:
            # What is beyond an end is said to be what is at the end, which is among them.
            around = within(bins[:, np.newaxis] + np.arange(-reach, reach + 1), 0, last)
            return np.asarray(np.sqrt(self._over(profile[:, np.newaxis], around).max(axis=1)))
        highest = np.empty(bins.size)
        for one in concerned:
            its = profile == one
            highest[its] = _highest_within(self._over(one, np.arange(last + 1)), reach)[bins[its]]
        return np.sqrt(highest)

    def _over(self, profile: Any, bins: NDArray[np.intp]) -> NDArray[np.float64]:
        """Return by how much what is left exceeds the noise, on power, hardly ever passed by it."""
        noise = self.power[profile, self._planned.grid.stretch_of[bins]]
        return np.asarray(np.maximum(self._learnt_from[profile, bins] - math.log(10) * noise, 0))


def _lobes_left(
    taken: Taken, going: NDArray[np.intp], rows: NDArray[np.intp], bins: NDArray[np.intp]
) -> NDArray[np.float64]:
    """Return the mean power of side lobes that echoes may have left, shape (rows, bins).

    A misfit is three times their RMS; of an echo that is new it is not known, and all may be left.
    """
    left = np.empty((rows.size, bins.size))
    for row, profile in enumerate(going[rows].tolist()):
        its = slice(*taken.start[profile : profile + 2].tolist())
        lag = np.abs(bins - taken.position[its, np.newaxis]).astype(np.intp)
        share = np.where(taken.misfit[its] > 0, taken.misfit[its] / 3, 1.0) * taken.strength[its]
        left[row] = share**2 @ taken.planned.ceiling[lag] ** 2
    return left


def _highest_within(values: NDArray[np.float64], reach: int) -> NDArray[np.float64]:
    """Return the highest of the values up to `reach` away from each."""
    wanted = 2 * reach + 1
    highest = np.pad(values, reach)
    width = 1
    while width < wanted:
        step = min(width, wanted - width)
        highest = np.maximum(highest[:-step], highest[step:])
        width += step
    return highest
