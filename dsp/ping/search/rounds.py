"""The rounds of a search: take what stands out, fit all together, look at what is left.

In rounds: the peaks that stand out of what is left are taken as echoes
(:mod:`dsp.ping.search.standing`), all the echoes' delays and strengths are fitted together
(:mod:`dsp.ping.search.joint_fit`), and their copies are taken away, so that side lobes are not
taken for echoes. Then the noise is learnt anew, and how well the copies fit.

References
----------
J. Li and P. Stoica, "Efficient mixed-spectrum estimation with applications to
target feature extraction", *IEEE Trans. Signal Process.* 44, 1996, pp. 281–295.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dsp.ping.search.joint_fit import MOST_STEPS, NEARLY_STILL, STILL, fit, in_u
from dsp.ping.search.noise_left import NoiseLeft
from dsp.ping.search.rows import pairs, within
from dsp.ping.search.search_plan import SearchPlan
from dsp.ping.search.side_lobes_left import misfits
from dsp.ping.search.taken import Taken
from dsp.ping.search.taking import take_standing
from dsp.ping.search.trial import hide_several, try_hidden

MOST_ROUNDS = 10
"""No more often than this is a profile searched for what stands out of what is left."""

MOST_TRIALS = 3
"""No more often is what is hidden then taken away on trial."""

MOST_SETTLED = 256
"""Of many echoes, as in a room that rings, the last fit does not go on for as many steps, for
time's sake: so many steps of one echo in all."""


def searched(
    envelopes: NDArray[np.complexfloating], planned: SearchPlan, *, least_noise: float
) -> tuple[Taken, NoiseLeft]:
    """Take all echoes from some profiles; return them and the noise that is left.

    Parameters
    ----------
    envelopes : ndarray of complex64, shape (profiles, bins)
    planned : SearchPlan
    least_noise : float
        As for :func:`dsp.ping.search.search.find_echoes`.
    """
    taken = Taken(envelopes, planned)
    noise = NoiseLeft(taken, least_noise)
    _go_round(taken, noise, np.arange(taken.profiles))
    # By now what is left is all but noise: in some colours less passes it than in white noise.
    _go_round(taken, noise, noise.learn_colour(taken))
    # For the first sound in a room, which is drawn out, several that cancel each other
    # would be settled on, none of which is seen.
    _settle(taken, noise, 1 if planned.before_only else MOST_STEPS)
    return taken, noise


def _go_round(taken: Taken, noise: NoiseLeft, going: NDArray[np.intp]) -> None:
    """Take away peaks until none stands out of what is left, nor would if all hidden were known."""
    going, several = _add_rounds(taken, noise, going)
    for _ in range(MOST_TRIALS):
        if going.size == 0:
            break
        going, more = try_hidden(taken, noise, going, several)
        if more.size:
            _learn(taken, noise, more)
            _drop_weak(taken, noise, more)
        going, several = _add_rounds(taken, noise, going)


def _add_rounds(
    taken: Taken, noise: NoiseLeft, going: NDArray[np.intp]
) -> tuple[NDArray[np.intp], NDArray[np.bool_]]:
    """Take away peaks until none stands out.

    Returns
    -------
    tried : ndarray of int
        The profiles that a trial may tell more of.
    several : ndarray of bool, shape (tried,)
        In which of them copies that fit badly may hide several.
    """
    hiding, several = np.zeros((2, taken.profiles), dtype=bool)
    for _ in range(MOST_ROUNDS):
        if going.size == 0:
            break
        looked_at = going
        going, tops = take_standing(taken, noise, going)
        if going.size < looked_at.size:
            several[looked_at] = hide_several(taken, tops)[looked_at]
            hiding[looked_at] = (several | noise.lifted())[looked_at]
            hiding[going] = False
        if going.size:
            _learn(taken, noise, going)
            _drop_weak(taken, noise, going)
    tried = hiding.nonzero()[0]
    return tried, several[tried]


def _drop_weak(taken: Taken, noise: NoiseLeft, going: NDArray[np.intp]) -> None:
    """Drop echoes that shrank below the noise once their neighbours were known.

    Of two that share a weak peak, the one found first has it all.
    """
    threshold = noise.threshold_at(taken.profile, taken.places())
    weak = taken.strength**2 <= threshold
    weak = weak & taken.of(going)
    if not np.count_nonzero(weak):
        return
    going = np.bincount(taken.profile[weak]).nonzero()[0]
    echo, other, _ = pairs(taken.profile, taken.start)
    apart = np.abs(taken.position[echo] - taken.position[other])
    near = (other < echo) & (apart < taken.planned.lobe_bins)
    leans, has_one_behind = (np.zeros(weak.size, dtype=bool) for _ in range(2))
    leans[echo[near]] = True
    has_one_behind[other[near & weak[echo]]] = True
    shared = weak & has_one_behind & ~leans
    again = np.bincount(taken.profile[shared]).nonzero()[0]
    taken.keep(~weak | shared, below=threshold)
    taken.take_away(going)
    if again.size:
        fit(taken, noise, again, np.ones_like(again))
    # They were below the noise: what was learnt of it and of how copies fit, still holds.
    taken.measure(going)


def _settle(taken: Taken, noise: NoiseLeft, most_steps: int) -> None:
    """Fit all echoes until they stand still."""
    echoes = taken.start[1:] - taken.start[:-1]
    moving = (taken.moved > STILL) & (echoes > 0)
    going = moving.nonzero()[0]
    if most_steps > 1:
        # Nothing that is still to be found pulls an echo away any more.
        taken.found = taken.position.copy()
    if going.size:
        fit(taken, noise, going, within(MOST_SETTLED // echoes[going], 1, most_steps))
        taken.measure(going)
        # What moved by less than noise moves it left no more behind than noise.
        far = in_u(taken, noise, taken.position - taken.found, taken.gain) > NEARLY_STILL
        merged = taken.start[1:] - taken.start[:-1] < echoes
        moving &= merged | (np.bincount(taken.profile[far], minlength=taken.profiles) > 0)
    going = (moving | noise.seems_to_fall).nonzero()[0]
    if going.size:
        _learn(taken, noise, going)


def _learn(taken: Taken, noise: NoiseLeft, going: NDArray[np.intp]) -> None:
    """Learn from what is left how strong the noise is and how well the copies fit."""
    noise.learn(taken, going)
    echoes = taken.of(going).nonzero()[0]
    if echoes.size:
        misfit = misfits(taken, noise, echoes)
        taken.misfit[echoes] = np.minimum(misfit, taken.most_misfit[echoes])
