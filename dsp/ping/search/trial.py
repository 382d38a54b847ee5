"""What a trial tells of echoes not found yet: whether they left what hides them.

A strong echo's misfit is learnt from what is left on its flanks (:func:`misfits`). The side lobes
of weaker echoes that are still to be found are left there too, and a code's are as high all over:
several such echoes pass for a misfit that hides them. So where a misfit hides several, all that
it hides is taken away on trial. What is left then where nothing was taken is what the misfit
goes by. Had it been one indeed, as of a coloured echo, it would still be there.

The noise is learnt from what is left as well. Where so many echoes as strong as each other are
still to be found that more than a few looks are theirs, they pass for noise, above which none of
them stands. What stands above the weaker looks' noise is then taken away on trial, and stays away
where the noise turns out to be less. Noise would still be there: what may be noise counts as noise.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dsp.ping.search.noise_left import LIFTED, NoiseLeft
from dsp.ping.search.rows import pairs
from dsp.ping.search.search_plan import FLANK_LOBES
from dsp.ping.search.side_lobes_left import KNOWN_SHARE, LEAST_MISFIT, NEAR_LOBES, misfits
from dsp.ping.search.standing import Tops
from dsp.ping.search.taken import Taken
from dsp.ping.search.taking import take, take_standing

FALLS = 0.9
"""What a round of a trial takes away lowers the noise that they were in by more than a tenth, as
25 alike do by 20 dB; of clutter, which is never all taken, a round takes 2 %."""

SEVERAL = 2
"""One alone does not hide itself: what it leaves is less than :data:`OTHERS_SHARE` of a flank."""

MOST_ROUNDS = 4
"""In so many rounds of a trial those come up that others' side lobes hid."""

SURELY_LOWER = 0.25
"""A trial counts where a misfit comes out at a quarter or less. Seven lobes or more that tell of
it (:data:`MOST_UNTOLD`) hold a sixteenth of its power by chance in one of a million, were their
powers exponential; a code's that are coloured are less even: at a half, 12 of 100 resonances of
Q 2 brought a false echo beside a Golay code with a Hann weighting, at a quarter the 7 that they
bring without any trial (measured)."""


def hide_several(taken: Taken, tops: Tops) -> NDArray[np.bool_]:
    """Say in which profiles an echo's misfit hides several tops on its flanks.

    Returns
    -------
    ndarray of bool, shape (profiles,)
    """
    profile, place = tops
    hiding = np.zeros(taken.profiles, dtype=bool)
    if taken.planned.before_only or place.size < SEVERAL:
        return hiding
    planned, lobe = taken.planned, taken.planned.lobe_bins
    top, echo, _ = pairs(profile, taken.start)
    lag = np.abs(place[top] - taken.position[echo])
    lobes = taken.strength[echo] * planned.ceiling[lag.astype(np.intp)]
    height = np.sqrt(taken.power[profile, place])[top]
    hides = (height > LEAST_MISFIT * lobes) & (height < taken.misfit[echo] * lobes)
    hides &= (lag > NEAR_LOBES * lobe) & (lag < FLANK_LOBES * lobe)
    several = np.bincount(echo[hides], minlength=taken.profile.size) >= SEVERAL
    hiding[taken.profile[several]] = True
    return hiding


def try_hidden(
    taken: Taken, noise: NoiseLeft, going: NDArray[np.intp], several: NDArray[np.bool_]
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Take away all that is hidden on trial; set misfits, and take away echoes, by what it tells.

    Parameters
    ----------
    going : ndarray of int, shape (profiles,)
        In which it is tried.
    several : ndarray of bool, shape (going,)
        Where copies that fit badly may hide several; elsewhere but noise that is lifted may, and it
        is gone on for as long as that falls.

    Returns
    -------
    again : ndarray of int
        The profiles in which less is hidden than it seemed.
    more : ndarray of int
        Those of them in which echoes were taken.
    """
    trial, its_noise = taken.trial(going), noise.trial(going)
    on = np.arange(going.size)
    for _ in range(MOST_ROUNDS):
        trial.misfit[:] = LEAST_MISFIT
        if on.size == 0:
            break
        on, _ = take_standing(trial, its_noise, on)
        before = its_noise.mean_power()[on]
        if on.size:
            its_noise.learn(trial, on)
        on = on[several[on] | (its_noise.mean_power()[on] < FALLS * before)]
    echoes, tried, new = _known_and_new(taken, trial, going)
    # A side lobe that was taken together with its echo has shrunk to nothing.
    new &= trial.strength**2 > its_noise.threshold_at(trial.profile, trial.places())
    better = _fit_better(taken, echoes, trial, its_noise, tried, new)
    less = noise.lifted()[going]
    less &= LIFTED * its_noise.mean_power() <= noise.mean_power()[going]
    stays = new & less[trial.profile]
    if not np.count_nonzero(stays):
        return better, better[:0]
    noise.threshold[going[less]] = its_noise.threshold[less]
    more = take(taken, noise, going[trial.profile[stays]], trial.position[stays])
    return np.union1d(better, more), more


def _fit_better(
    taken: Taken,
    echoes: NDArray[np.intp],
    trial: Taken,
    its_noise: NoiseLeft,
    tried: NDArray[np.intp],
    new: NDArray[np.bool_],
) -> NDArray[np.intp]:
    """Set misfits of some echoes to what a trial tells; return profiles in which copies fit better.

    Parameters
    ----------
    echoes, tried : ndarray of int, shape (echoes,)
        The same echoes before the trial and in it.
    new : ndarray of bool
        Which of the trial's are its own.
    """
    doubted = taken.misfit[echoes] > LEAST_MISFIT
    doubted &= _on_flank(trial, tried, new) >= SEVERAL
    echoes, tried = echoes[doubted], tried[doubted]
    misfit = misfits(trial, its_noise, tried, others=KNOWN_SHARE, new=new)
    lower = misfit <= SURELY_LOWER * taken.misfit[echoes]
    taken.misfit[echoes[lower]] = taken.most_misfit[echoes[lower]] = misfit[lower]
    return np.unique(taken.profile[echoes[lower]])


def _known_and_new(
    taken: Taken, trial: Taken, going: NDArray[np.intp]
) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.bool_]]:
    """Return which echoes a trial still has, where, and which of its own are new.

    An echo is known again by where it was found, which no fit changes.
    """
    bins = taken.planned.bins
    before = taken.profile * bins + taken.found
    after = going[trial.profile] * bins + trial.found
    _, echoes, tried = np.intersect1d(before, after, return_indices=True)
    new = np.ones(after.size, dtype=bool)
    new[tried] = False
    return echoes, tried, new


def _on_flank(trial: Taken, echoes: NDArray[np.intp], new: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Return how many new ones stand on the flanks of some echoes."""
    one, other, _ = pairs(trial.profile[echoes], trial.start)
    lag = np.abs(trial.position[echoes][one] - trial.position[other])
    beside = new[other] & (lag < FLANK_LOBES * trial.planned.lobe_bins)
    return np.bincount(one[beside], minlength=echoes.size)
