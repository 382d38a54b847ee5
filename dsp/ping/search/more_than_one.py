"""Which echoes are no copy of the pulse: more than one body within a lobe.

An echo's surroundings, less all others, are held against all that a single body may send back
(:mod:`dsp.ping.search.single_bodies`), and then against the strongest others of its profile: what
they have in common is the sender's or the receiver's. What neither explains is another body.
"""

from __future__ import annotations

import functools

import numpy as np
import scipy
from numpy.typing import NDArray

from dsp.ping.products import product
from dsp.ping.search.rows import pairs, within
from dsp.ping.search.search_plan import SearchPlan
from dsp.ping.search.single_bodies import (
    COMPARED_LOBES,
    HEARD_LOBES,
    evened,
    explained_by,
    sent_back,
    single_bodies,
)
from dsp.ping.search.taken import Taken

NO_COPY = 0.07
"""An echo of whose amplitude no single body explains so much is more than one. Two bodies from
half a lobe apart on, up to 12 dB unlike, leave more at any phase; a room's tail, hum or another's
side lobes 0.02 (measured)."""

RISK = 1e-4
"""Of taking a clean copy for none, for its noise alone. What no one body explains of two
is seen in half of cases where its own 2E/N0 is 13.8 dB, and in 95 of 100 at 16.3 dB, by the
non-central F distribution for a chirp's five numbers."""

COPY = 3
"""Numbers that a copy has to choose: its strength, in two, and its delay."""

MOST_COMPARED = 3
"""With so many of the strongest others of its profile an echo is compared: what it has in common
with one is the sender's or the receiver's."""

ALONE_LOBES = 2.0
"""With no other found so near, a lobe of it and one of its own, an echo has its top where a copy
was fitted to it: what rings may be taken for several, and has it anywhere among them."""

COMPARED_SNR = 100.0
"""Weaker echoes, by their power out over the noise's, hide in it what is no copy."""


def more_than_one(
    taken: Taken, stands: NDArray[np.bool_], snr_out: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Say which echoes are no copy of the pulse, nor of any other sound of their profile.

    Parameters
    ----------
    stands : ndarray of bool, shape (echoes,)
        Which stand out. Others within a lobe of one were found in it, and count as its own.
    snr_out : ndarray of float64, shape (echoes,)
    """
    more = np.zeros(stands.size, dtype=bool)
    looked_at = (stands & (snr_out > COMPARED_SNR)).nonzero()[0]
    if looked_at.size == 0:
        return more
    planned, lobe = taken.planned, taken.planned.lobe_bins
    # Most are seen at a glance to leave nothing.
    looked_at = looked_at[_may_be_more(taken, looked_at, stands, snr_out)]
    if looked_at.size == 0:
        return more
    own = product(_around(taken, looked_at, stands, COMPARED_LOBES * lobe), evened(planned).T)
    energy = np.sum(own.real**2 + own.imag**2, axis=1)
    noise = 2 * taken.strength[looked_at] ** 2 / snr_out[looked_at] / energy
    # Of the numbers that are told, two to each, a copy's strength and delay take three.
    on_average, at_most = left_by_noise(planned, 2 * len(evened(planned)) - COPY)
    least = np.maximum(NO_COPY**2 + noise * on_average, noise * at_most)
    alike = explained_by(single_bodies(planned), own) / energy
    unexplained = (1 - alike > least).nonzero()[0]
    if unexplained.size == 0:
        return more
    more[looked_at[unexplained]] = True
    loud = loudest(taken, stands, snr_out)
    compared = [_compared_with(taken, echo, loud) for echo in looked_at[unexplained]]
    # Many are compared with the same few.
    compared_with = np.concatenate(compared)
    others = np.unique(compared_with)
    if others.size == 0:
        return more
    # As it is heard the pulse may have been taken for several sounds within a lobe.
    sounds = _around(taken, others, np.zeros_like(stands), HEARD_LOBES * lobe)
    bodies, on_top = sent_back(sounds, planned)
    every = np.arange(stands.size)
    beside = np.array([_beside(taken, echo, every) for echo in looked_at[unexplained]])
    alone = beside > ALONE_LOBES * lobe
    one = np.arange(unexplained.size).repeat([each.size for each in compared])
    alike = np.zeros(unexplained.size)
    for other, its_bodies, its_on_top in zip(others, bodies, on_top, strict=True):
        its = one[compared_with == other]
        may_be = its_on_top | ~alone[its, np.newaxis]
        alike[its] = np.maximum(alike[its], explained_by(its_bodies, own[unexplained[its]], may_be))
    more[looked_at[unexplained]] = 1 - alike / energy[unexplained] > least[unexplained]
    return more


def _compared_with(taken: Taken, echo: np.intp, loud: NDArray[np.intp]) -> NDArray[np.intp]:
    """Return the first few of some echoes that are beside one in its profile, and no part of it."""
    others = loud[taken.profile[loud] == taken.profile[echo]]
    apart = np.abs(taken.position[others] - taken.position[echo])
    return np.asarray(others[apart > taken.planned.lobe_bins][:MOST_COMPARED])


@functools.lru_cache(maxsize=64)
def left_by_noise(planned: SearchPlan, free: int, risk: float = RISK) -> tuple[float, float]:
    """Return what noise leaves unexplained on the average, and at most, over its power.

    So many numbers are left by what is fitted. What noise leaves of them, over a power that is
    known from so many cells, is F distributed.
    """
    most = scipy.special.fdtri(free, 2 / planned.noise_doubt, 1 - risk)
    return free / 2, float(free / 2 * most)


def loudest(
    taken: Taken, stands: NDArray[np.bool_], snr_out: NDArray[np.float64]
) -> NDArray[np.intp]:
    """Return the echoes that are loud enough to be compared, the strongest first."""
    loud = (stands & (snr_out > COMPARED_SNR)).nonzero()[0]
    return np.asarray(loud[np.argsort(-taken.strength[loud], kind="stable")])


@functools.lru_cache(maxsize=32)
def _of_copy(planned: SearchPlan) -> float:
    """Return a copy's energy where it is compared."""
    copy = planned.table.lags(COMPARED_LOBES * planned.lobe_bins)[0]
    return float(np.sum(copy.real**2 + copy.imag**2))


def _may_be_more(
    taken: Taken,
    echoes: NDArray[np.intp],
    stands: NDArray[np.bool_],
    snr_out: NDArray[np.float64],
) -> NDArray[np.bool_]:
    """Say which echoes left more than half of what counts, or have others found in them."""
    planned, of_copy = taken.planned, _of_copy(taken.planned)
    offset = np.rint(COMPARED_LOBES * planned.lobe_bins).astype(np.intp)
    bins = np.rint(taken.position[echoes]).astype(np.intp)[:, np.newaxis] + offset
    bins = within(bins, 0, planned.bins - 1)
    left = taken.power[taken.profile[echoes, np.newaxis], bins].sum(axis=1, dtype=np.float64)
    noise = offset.size * 2 / snr_out[echoes] / of_copy
    may_be = left / (taken.strength[echoes] ** 2 * of_copy) > NO_COPY**2 / 2 + noise
    hidden = (~stands).nonzero()[0]
    for echo in (~may_be).nonzero()[0] if hidden.size else ():
        may_be[echo] = _beside(taken, echoes[echo], hidden) < planned.lobe_bins
    return np.asarray(may_be)


def _beside(taken: Taken, echo: np.intp, others: NDArray[np.intp]) -> float:
    """Return how far from an echo the nearest of some others of its profile is, in bins."""
    its = others[(taken.profile[others] == taken.profile[echo]) & (others != echo)]
    return float(np.abs(taken.position[its] - taken.position[echo]).min(initial=np.inf))


def _around(
    taken: Taken, echoes: NDArray[np.intp], stands: NDArray[np.bool_], offset: NDArray[np.float64]
) -> NDArray[np.complex128]:
    """Return some echoes about their tops, with what was found in them, less all others."""
    planned = taken.planned
    here, echo, _ = pairs(taken.profile[echoes], taken.start)
    lag = taken.position[echoes][here] - taken.position[echo]
    part_of_it = (echo == echoes[here]) | ((np.abs(lag) < planned.lobe_bins) & ~stands[echo])
    here, echo, lag = here[part_of_it], echo[part_of_it], lag[part_of_it]
    place = within(taken.position[echoes, np.newaxis] + offset, 0, planned.bins - 1)
    profile = np.broadcast_to(taken.profile[echoes, np.newaxis], place.shape)
    own = taken.values(profile, place)
    copies = planned.table.lags(lag[:, np.newaxis] + offset)[0]
    np.add.at(own, here, taken.gain[echo, np.newaxis] * copies)
    return own
