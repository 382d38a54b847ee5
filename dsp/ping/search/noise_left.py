"""How strong the noise is, learnt from what is left once echoes were taken away.

Each stretch of bins has its own noise, of sorted cells about it (:mod:`dsp.ping.noise.noise`): it
is learnt anew whenever echoes were taken, since what they and their side lobes added is gone.
"""

from __future__ import annotations

import math
from copy import copy

import numpy as np
from numpy.typing import NDArray

from dsp.ping.noise.falling import falls, ranked_falling
from dsp.ping.noise.false_alarms import cell_averaging_factor, cell_rate
from dsp.ping.noise.noise_colour import NoiseColour, colour_of_noise
from dsp.ping.pulse.echo_shape import ROUNDING
from dsp.ping.pulse.lobe_table import powers_of
from dsp.ping.search.rows import alike, starts_of, within
from dsp.ping.search.taken import MISFIT_OVER_RMS, Taken

PUT_BACK = 2.0
"""An echo of less than so many times the threshold may be noise, and counts as noise where
that is learnt: taken for an echo, it would lower the threshold of the next. Noise itself
passes twice a threshold of L times its mean with a chance of exp(-L) of what passes it."""

LIFTED = 2.0
"""Of noise alone the weaker half of the looks tells the same mean as nearly all of them do, but for
a tenth. Where nearly all tell twice as much or more, echoes among them lift the threshold; and
where it is learnt anew to be half as much or less, some of these were found."""

_OF_PROFILES = (
    "power",
    "threshold",
    "seems_to_fall",
    "_ranked",
    "_learnt_from",
    "_rounding_power",
    "_least_threshold",
    "_lower",
    "_doubt",
    "_by_weaker",
)


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
    seems_to_fall : ndarray of bool, shape (profiles,)
        In which either noise falls with range, or the side lobes that echoes left do: how well
        copies fit tells, once it is known.
    """

    def __init__(self, taken: Taken, least_noise: float) -> None:
        self._planned = planned = taken.planned
        stretches = planned.grid.index.shape[0]
        # Of each stretch of bins: the mean by which the threshold is set, the noise, both of power.
        self._ranked = np.empty((taken.profiles, stretches))
        self.power, self.threshold = np.empty_like(self._ranked), np.empty_like(self._ranked)
        self._learnt_from = np.empty_like(taken.power)
        self._least_power = least_noise**2
        # Without any noise, as on a loopback wire, what is left of an echo is the rounding
        # of single precision and of the interpolation.
        self._rounding_power = ROUNDING**2 * taken.power.max(axis=1).astype(np.float64)
        least = -planned.log_rate * self._least_power
        self._least_threshold = np.maximum(self._rounding_power, least)
        self._colour: NoiseColour | None = None
        self._lower, self._doubt = np.ones((2, taken.profiles))
        self._by_weaker = np.zeros(taken.profiles, dtype=bool)
        self.seems_to_fall = np.zeros(taken.profiles, dtype=bool)
        self.learn(taken, np.arange(taken.profiles))

    def trial(self, going: NDArray[np.intp]) -> NoiseLeft:
        """Return the noise of some profiles, to be learnt on apart.

        Where it is :meth:`lifted` the trial's thresholds are set by the weaker half of the looks.
        """
        trial = copy(self)
        for name in _OF_PROFILES:
            setattr(trial, name, getattr(self, name)[going])
        trial._by_weaker = self.lifted()[going]
        trial._set_threshold(np.arange(going.size))
        return trial

    def learn(self, taken: Taken, going: NDArray[np.intp]) -> None:
        """Learn from what is left of some profiles how strong their noise is, and how it falls."""
        planned, some = self._planned, taken.some(going)
        self._learnt_from[some] = taken.power[some]
        power, doubt = self._with_doubtful(taken, going), self._doubt[some]
        falling = self._falling(taken, going, power)
        if falling is None:
            ranked, middle = planned.grid.ranked(power, doubt)
        else:
            ranked, middle = ranked_falling(planned.grid, power, doubt, *falling)
        self._ranked[some] = ranked
        self.power[some] = np.maximum(middle, self._least_power)
        self._set_threshold(some)

    def _set_threshold(self, some: NDArray[np.intp] | slice) -> None:
        told = self._ranked[some]
        by_weaker = self._by_weaker[some, np.newaxis]
        if np.count_nonzero(by_weaker):
            its = self.power[some]
            told = np.where(by_weaker & (told > LIFTED * its), its, told)
        factor = self._planned.threshold_over_ranked * self._lower[some, np.newaxis]
        least_threshold = self._least_threshold[some, np.newaxis]
        self.threshold[some] = np.maximum(told * factor, least_threshold)

    def lifted(self) -> NDArray[np.bool_]:
        """Say in which profiles thresholds are set by more than noise."""
        if self._planned.before_only:
            return np.zeros(self.power.shape[0], dtype=bool)
        return np.asarray(self.mean_power() > LIFTED * self.power.mean(axis=1))

    def mean_power(self) -> NDArray[np.float64]:
        """Return the mean power by which each profile's thresholds are set."""
        return np.asarray(self._ranked.mean(axis=1))

    def _falling(
        self, taken: Taken, going: NDArray[np.intp], power: NDArray[np.float32]
    ) -> tuple[NDArray[np.intp], NDArray[np.float32]] | None:
        """Say where noise falls with range, and how; as :func:`~dsp.ping.noise.falling.falls`."""
        self.seems_to_fall[going] = False
        # Before any echo was taken their own side lobes would be held for a fall.
        if self._planned.before_only or taken.profile.size == 0:
            return None

        def left(rows: NDArray[np.intp], bins: NDArray[np.intp]) -> NDArray[np.float64]:
            self.seems_to_fall[going[rows]] = True
            return _lobes_left(taken, going[rows], bins)

        return falls(power, self._planned.cell_bins, left, self._doubt[going])

    def learn_colour(self, taken: Taken) -> NDArray[np.intp]:
        """Learn from what is left what colour the noise has.

        Of the quiet ahead of a first sound there is too little to tell.

        Returns
        -------
        ndarray of int, shape (profiles,)
            Those whose threshold is surely lower now.
        """
        planned = self._planned
        if planned.before_only:
            return np.empty(0, dtype=np.intp)
        self._colour = colour_of_noise(
            taken.left_padded[:, planned.margin : -planned.margin],
            taken.power,
            np.maximum(self.power, 1e-36).astype(np.float32).take(planned.grid.stretch_of, axis=1),
            planned.shape,
            grid=planned.grid,
        )
        coloured = self._colour.profile
        if coloured.size:
            self._doubt[coloured] = self._colour.doubt
            # Where it is higher nothing is taken for less: in the end it is asked what stands out.
            higher = self._colour.higher(math.exp(planned.log_rate))
            self._lower[coloured] = np.minimum(higher, 1.0)
            coloured = coloured[(self._colour.doubt > 1) | (higher < 1)]
            if coloured.size:
                self.learn(taken, coloured)
        return coloured[self._lower[coloured] < 1]

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

    def at(self, taken: Taken, echoes: NDArray[np.intp] | slice) -> NDArray[np.float64]:
        """Return the RMS of the noise's part in phase at some echoes.

        No less than what is left of the strongest echo where there is no noise.
        """
        profile = taken.profile[echoes]
        power = self.power[profile, self._planned.grid.stretch_of[taken.places()[echoes]]]
        power = np.maximum(power, self._rounding_power[profile])
        return np.asarray(np.sqrt(np.maximum(power, 1e-30) / 2))

    def threshold_at(
        self, profile: NDArray[np.intp], bins: NDArray[np.intp]
    ) -> NDArray[np.float64]:
        """Return, on power, what the noise passes as rarely as is asked for, at some bins."""
        return np.asarray(self.threshold[profile, self._planned.grid.stretch_of[bins]])

    def thresholds_at(self, *false_alarm_rates: float) -> NDArray[np.float64]:
        """On power, at any rates, for each stretch: what noise alone passes so often.

        Shape (rates, profiles, stretches).
        """
        shape, cells = self._planned.shape, self._planned.grid.cells
        rates = [cell_rate(rate, shape, cells=cells) for rate in false_alarm_rates]
        least = np.array([[-math.log(rate) * self._least_power] for rate in rates])
        factor = np.array([cell_averaging_factor(rate, cells) for rate in rates])
        threshold = factor[:, np.newaxis, np.newaxis] * self._ranked
        if self._colour is not None:
            threshold *= self._colour.higher_each(rates)[..., np.newaxis]
        least = np.maximum(self._rounding_power, least)[..., np.newaxis]
        return np.asarray(np.maximum(threshold, least))

    def excess(self, profile: NDArray[np.intp], bins: NDArray[np.intp]) -> NDArray[np.float64]:
        """Return the highest of what is left within half a lobe of some bins, above the noise."""
        planned = self._planned
        half = max(1, round(planned.lobe_bins / 2))
        about = within(bins[:, np.newaxis] + np.arange(-half, half + 1), 0, planned.bins - 1)
        profile = profile[:, np.newaxis]
        # By as much as the noise itself hardly ever does.
        noise = math.log(10) * self.power[profile, planned.grid.stretch_of[about]]
        over = self._learnt_from[profile, about] - noise
        return np.asarray(np.sqrt(over.max(axis=1, initial=0.0)))


def _lobes_left(
    taken: Taken, going: NDArray[np.intp], bins: NDArray[np.intp]
) -> NDArray[np.float64]:
    """Return the mean power of side lobes that echoes may have left, shape (profiles, bins).

    By its misfit; of an echo that is new it is not known, and all may be left.
    """
    left = np.empty((going.size, bins.size))
    for row, profile in enumerate(going.tolist()):
        its = slice(*taken.start[profile : profile + 2].tolist())
        lag = np.abs(bins - taken.position[its, np.newaxis]).astype(np.intp)
        share = np.where(taken.misfit[its] > 0, taken.misfit[its] / MISFIT_OVER_RMS, 1.0)
        share *= taken.strength[its]
        left[row] = share**2 @ taken.planned.ceiling[lag] ** 2
    return left
