"""Which echoes are no copy of the pulse: more than one body within a lobe.

An echo's surroundings, less all others, are held against all that a single body may send back
(:mod:`dsp.ping.single_bodies`), and then against the strongest others of its profile: what they
have in common is the sender's or the receiver's. What neither explains is another body.
"""

from __future__ import annotations

import functools
import math

import numpy as np
from numpy.typing import NDArray

from dsp.ping.noise import independent_s
from dsp.ping.products import product
from dsp.ping.rows import pairs, within
from dsp.ping.search_plan import SearchPlan
from dsp.ping.single_bodies import (
    COMPARED_LOBES,
    HEARD_LOBES,
    explained_by,
    sent_back,
    single_bodies,
)
from dsp.ping.taken import Taken

NO_COPY = 0.07
"""An echo of whose amplitude no single body explains so much is more than one. Two bodies from
half a lobe apart on, up to 12 dB unlike, leave more at any phase; a room's tail, hum or another's
side lobes 0.02 (measured)."""

SURELY = 5.0
"""So many standard deviations of its mean the noise's share of what no copy explains is taken
to be at the most. Over two lobes there are two complex cells of a chirp's noise, of which the
copy's own strength takes one: a clean copy passes for none in 1e-4 of cases, by the tail of
the chi-squared distribution (0 of 1500 measured)."""

MOST_COMPARED = 3
"""With so many of the strongest others of its profile an echo is compared: what it has in common
with one is the sender's or the receiver's."""

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
    offset = COMPARED_LOBES * lobe
    of_copy, surely = _of_copy(planned)
    # Most are seen at a glance to leave nothing.
    looked_at = looked_at[_may_be_more(taken, looked_at, stands, snr_out, of_copy)]
    if looked_at.size == 0:
        return more
    own = _around(taken, looked_at, stands, offset)
    energy = np.sum(own.real**2 + own.imag**2, axis=1)
    noise = offset.size * 2 * taken.strength[looked_at] ** 2 / snr_out[looked_at] / energy
    least = NO_COPY**2 + noise * surely
    bodies = single_bodies(planned)
    explained = (np.abs(product(own, bodies.conj().T)) ** 2).max(axis=1)
    unexplained = (1 - explained / energy > least).nonzero()[0]
    if unexplained.size == 0:
        return more
    loud = (stands & (snr_out > COMPARED_SNR)).nonzero()[0]
    loud = loud[np.argsort(-taken.strength[loud], kind="stable")]
    compared = [_compared_with(taken, echo, loud) for echo in looked_at[unexplained]]
    # Many are compared with the same few.
    others = np.unique(np.concatenate(compared))
    # As it is heard the pulse may have been taken for several sounds within a lobe.
    sounds = _around(taken, others, np.zeros_like(stands), HEARD_LOBES * lobe)
    bodies, energies = sent_back(sounds, planned)
    for one, with_these in zip(unexplained, compared, strict=True):
        its = np.searchsorted(others, with_these)
        alike = explained_by(bodies[its], energies[its], own[one], planned) / energy[one]
        more[looked_at[one]] = bool(1 - alike > least[one])
    return more


def _compared_with(taken: Taken, echo: np.intp, loud: NDArray[np.intp]) -> NDArray[np.intp]:
    """Return the first few of some echoes that are beside one in its profile, and no part of it."""
    others = loud[taken.profile[loud] == taken.profile[echo]]
    apart = np.abs(taken.position[others] - taken.position[echo])
    return np.asarray(others[apart > taken.planned.lobe_bins][:MOST_COMPARED])


@functools.lru_cache(maxsize=32)
def _of_copy(planned: SearchPlan) -> tuple[float, float]:
    """Return a copy's energy where it is compared, and how many times the noise's may be there."""
    copy = planned.table.lags(COMPARED_LOBES * planned.lobe_bins)[0]
    cells = max(1.0, 2 * planned.lobe_bins * planned.shape.bin_s / independent_s(planned.shape))
    return float(np.sum(copy.real**2 + copy.imag**2)), 1 + SURELY / math.sqrt(cells)


def _may_be_more(
    taken: Taken,
    echoes: NDArray[np.intp],
    stands: NDArray[np.bool_],
    snr_out: NDArray[np.float64],
    of_copy: float,
) -> NDArray[np.bool_]:
    """Say which echoes left more than half of what counts, or have others found in them."""
    planned = taken.planned
    offset = np.rint(COMPARED_LOBES * planned.lobe_bins).astype(np.intp)
    bins = np.rint(taken.position[echoes]).astype(np.intp)[:, np.newaxis] + offset
    bins = within(bins, 0, planned.bins - 1)
    left = taken.power[taken.profile[echoes, np.newaxis], bins].sum(axis=1, dtype=np.float64)
    noise = offset.size * 2 / snr_out[echoes] / of_copy
    may_be = left / (taken.strength[echoes] ** 2 * of_copy) > NO_COPY**2 / 2 + noise
    hidden = (~stands).nonzero()[0]
    for echo in (~may_be).nonzero()[0] if hidden.size else ():
        beside = hidden[taken.profile[hidden] == taken.profile[echoes[echo]]]
        apart = np.abs(taken.position[beside] - taken.position[echoes[echo]])
        may_be[echo] = bool((apart < planned.lobe_bins).any())
    return np.asarray(may_be)


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
