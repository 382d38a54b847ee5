"""Which echoes are no more than the ringing of another's, and what that leaves to tell of it.

A sender and a receiver that ring draw one body's echo out so long that a search takes it for
several. Where one body before such faces, or two, explain what was found about an echo
(:mod:`dsp.ping.search.ringing`), the copies found in it are no echoes of their own. Whether that is
the faces' doing is asked of the strongest others of the profile, the direct sound among them: where
one is a copy of the pulse, nothing rings; where one body each before the same faces explains both,
all do. Where none tells, a body that rings is not told from two: the echo is more than one.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.ping.search.more_than_one import COPY, MOST_COMPARED, NO_COPY, RISK, left_by_noise, loudest
from dsp.ping.search.ringing import (
    AHEAD_LOBES,
    RING_LOBES,
    RUNG_LOBES,
    Fit,
    evened_over_ringing,
    left_by_body,
    left_by_each,
    one_body,
    two_bodies,
)
from dsp.ping.search.rows import pairs, within
from dsp.ping.search.search_plan import SearchPlan
from dsp.ping.search.taken import Taken

STARTS_LEAVE = 0.15
"""Of an echo's energy: where the nearest start of a fit leaves more, no body does that explains it.
Starts leave up to 0.09 of one that rings (measured)."""

ONE_LEAVES = 0.02
"""Of an echo's amplitude a room's tail, hum or another's side lobes leave so much unexplained."""

DOUBTED = 0.05
"""Of one body that rings as others do: so often it may be told as more, for its noise alone."""

ONE, TWO, SAME = 5, 8, 4
"""What a fit has to choose: of a body its strength, in two numbers, and its delay, and of faces Q
and frequency; of two bodies as much for each; and half of the faces' for each of two echoes."""

GAP_LOBES = 2.5
"""Copies found in what rings follow each other by 0.6 to 1.3 lobes (a chirp, measured), and farther
where one between them hides among a code's side lobes."""

APART_LOBES = 1.5
"""Two bodies so far apart are each listed where they were found."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rung:
    """What ringing explains of the echoes of a search.

    Attributes
    ----------
    no_echo : ndarray of bool, shape (echoes,)
        Copies that are a part of another's ringing.
    one : ndarray of bool, shape (echoes,)
        Echoes that are one body, which rings as others of their profile do.
    within_lobes : ndarray of float64, shape (echoes,)
        How far from an echo bodies may stand that are not told from one that rings, else 0.
    """

    no_echo: NDArray[np.bool_]
    one: NDArray[np.bool_]
    within_lobes: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Heard:
    """An echo with all that was found about it, in numbers whose noise is 1.

    Attributes
    ----------
    own : ndarray of complex128, shape (told,)
    energy, left : float
        Of that, and what the copies that were found leave of it.
    """

    planned: SearchPlan
    own: NDArray[np.complex128]
    energy: float
    left: float


def rung(
    taken: Taken, stands: NDArray[np.bool_], more: NDArray[np.bool_], snr_out: NDArray[np.float64]
) -> Rung:
    """Say which echoes are ringing, of which echo, and what is told of that one.

    Parameters
    ----------
    stands, more : ndarray of bool, shape (echoes,)
        Which stand out, and which of them are no copy of the pulse.
    snr_out : ndarray of float64, shape (echoes,)
    """
    no_echo, one = np.zeros(stands.size, dtype=bool), np.zeros(stands.size, dtype=bool)
    within_lobes = np.zeros(stands.size)
    told = Rung(no_echo=no_echo, one=one, within_lobes=within_lobes)
    planned = taken.planned
    if planned.before_only:
        return told
    loud = loudest(taken, stands, snr_out)
    asked = loud[_may_ring(taken, loud, stands, more)]
    if asked.size == 0:
        return told
    strongest = dict(zip(taken.profile[loud[::-1]].tolist(), loud[::-1], strict=True))

    @functools.cache
    def heard_of(echo: np.intp) -> _Heard:
        return _heard(taken, echo, snr_out)

    @functools.cache
    def is_copy(echo: np.intp) -> bool:
        heard = heard_of(echo)
        return left_by_body(planned, heard.own)[0] < _most(heard, COPY, share=NO_COPY)

    def is_as_sure(other: np.intp, echo: np.intp) -> bool:
        """Say whether one shows as well as another whether faces ring, or as well as any may."""
        if taken.strength[other] >= taken.strength[echo]:
            return True
        average, at_most = _of_noise(planned, COPY)
        return NO_COPY**2 * heard_of(other).energy + average > at_most

    for echo in asked:
        if no_echo[echo] or within_lobes[echo] > 0:
            continue
        first = strongest[int(taken.profile[echo])]
        if echo != first and is_copy(first):
            continue  # that tells at once that nothing rings
        about, lag = _found_about(taken, echo)
        beside = stands[about] & ~no_echo[about] & (about != echo)
        if (taken.strength[about[beside]] > taken.strength[echo]).any():
            continue  # what stands about that one has been asked of it
        if not (np.count_nonzero(beside) or more[echo]):
            continue
        others = _others(taken, echo, loud)
        if any(is_as_sure(other, echo) and is_copy(other) for other in others):
            continue
        heard = heard_of(echo)
        fit, bodies = _explained(heard, copies=1 + int(np.count_nonzero(beside)))
        if fit is None or (bodies == 2 and not np.count_nonzero(beside)):
            continue
        rings = _rings(heard, fit, [heard_of(other) for other in others], bodies)
        if rings is False:
            continue
        beside, lag = about[beside], lag[beside]
        own = np.ones(beside.size, dtype=bool)
        if bodies == 2:
            apart = fit.at_lobes[1] - fit.at_lobes[0]
            second = np.abs(lag - apart).argmin()
            if abs(apart) > APART_LOBES and abs(lag[second] - apart) < APART_LOBES / 2:
                own = np.abs(lag) < np.abs(lag - lag[second])
                rest = np.abs(lag - lag[second])[~own]
                within_lobes[beside[second]] = max(1.0, float(rest.max(initial=0.0)))
                no_echo[beside] = True
                no_echo[beside[second]] = False
        no_echo[beside[own]] = True
        if rings and bodies == 1:
            one[echo] = True
        else:
            reach = float(np.abs(lag[own]).max(initial=0.0))
            late = abs(fit.at_lobes[0])
            within_lobes[echo] = max(1.0, reach, late)
    return told


def _may_ring(
    taken: Taken, loud: NDArray[np.intp], stands: NDArray[np.bool_], more: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Say which of some echoes are no copy, or have others beside them: most stand alone."""
    one, other, _ = pairs(taken.profile[loud], taken.start)
    lag = (taken.position[other] - taken.position[loud[one]]) / taken.planned.lobe_bins
    near = (lag > -AHEAD_LOBES) & (lag < RING_LOBES) & stands[other] & (other != loud[one])
    may_ring = more[loud]
    may_ring[one[near]] = True
    return may_ring


def _explained(heard: _Heard, *, copies: int) -> tuple[Fit | None, int]:
    """Return what fit of one body before faces that ring holds, or else of two, and of how many.

    It leaves no more than the copies did that were found, but for two nats for each number they
    had more to choose. Two bodies are asked for where two copies do not explain the echo.
    """
    planned, own = heard.planned, heard.own
    for chosen, fitted, bodies in ((ONE, one_body, 1), (TWO, two_bodies, 2)):
        most = _most(heard, chosen, share=NO_COPY)
        fit = fitted(planned, own, most=STARTS_LEAVE * heard.energy + most)
        as_likely = heard.left + 2 * max(COPY * copies - chosen, 0)
        if fit is not None and fit.left < min(most, as_likely):
            return fit, bodies
        if copies < 3 and heard.left < _of_noise(planned, 2 * COPY)[1]:
            break
    return None, 0


def _rings(heard: _Heard, fit: Fit, others: list[_Heard], bodies: int) -> bool | None:
    """Say whether others show that it is the faces that ring; None where they do not tell."""
    planned, copy = heard.planned, False
    for other in others:
        as_copy, _ = left_by_body(planned, other.own)
        before, at_lobes = left_by_body(planned, other.own, fit)
        is_copy = as_copy < _most(other, COPY, share=NO_COPY)
        copy |= is_copy and as_copy <= before
        if bodies == 1 and not is_copy:
            both = (heard, other)
            left = left_by_each(planned, [its.own for its in both], fit, at_lobes)
            most = [_most(its, SAME, share=ONE_LEAVES, risk=DOUBTED) for its in both]
            if all(its < at_most for its, at_most in zip(left, most, strict=True)):
                return True
    return False if copy else None


def _most(heard: _Heard, chosen: int, *, share: float, risk: float = RISK) -> float:
    """Return how much energy a fit with so much to choose may leave, besides noise by a share."""
    average, at_most = _of_noise(heard.planned, chosen, risk)
    return max(share**2 * heard.energy + average, at_most)


def _of_noise(planned: SearchPlan, chosen: int, risk: float = RISK) -> tuple[float, float]:
    """Return what noise of power 1 leaves by what has so much to choose."""
    free = max(2 * len(evened_over_ringing(planned)) - chosen, 1)
    return left_by_noise(planned, free, risk)


def _others(taken: Taken, echo: np.intp, loud: NDArray[np.intp]) -> list[np.intp]:
    """Return the strongest others of its profile, clear of its ringing and of each other's."""
    clear, chosen = RING_LOBES * taken.planned.lobe_bins, [echo]
    for other in loud[taken.profile[loud] == taken.profile[echo]]:
        if np.abs(taken.position[chosen] - taken.position[other]).min() > clear:
            chosen.append(other)
    return chosen[1 : 1 + MOST_COMPARED]


def _found_about(taken: Taken, echo: np.intp) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
    """Return what was found where an echo rings, and how far from its top, in lobes."""
    first, last = taken.start[taken.profile[echo] : taken.profile[echo] + 2]
    lag = (taken.position[first:last] - taken.position[echo]) / taken.planned.lobe_bins
    about = ((lag > -AHEAD_LOBES) & (lag < RING_LOBES)).nonzero()[0]
    about = about[np.argsort(lag[about], kind="stable")]
    # What stands behind a gap is no ringing: that dies away evenly.
    row = np.cumsum(np.diff(lag[about], prepend=lag[about[0]]) > GAP_LOBES)
    about = about[row == row[lag[about].searchsorted(0.0)]]
    return first + about, lag[about]


def _heard(taken: Taken, echo: np.intp, snr_out: NDArray[np.float64]) -> _Heard:
    """Return an echo with all that was found where it rings, less all others."""
    planned, even = taken.planned, evened_over_ringing(taken.planned)
    about, lag = _found_about(taken, echo)
    offset = RUNG_LOBES * planned.lobe_bins
    place = taken.position[echo] + offset
    inside = within(place, 0, planned.bins - 1)
    left = taken.values(np.full(place.size, taken.profile[echo]), inside)
    left[inside != place] = 0  # beyond its ends a profile is as what was found in it says
    copies = planned.table.lags(offset - lag[:, np.newaxis] * planned.lobe_bins)[0]
    noise = taken.strength[echo] * np.sqrt(2 / snr_out[echo])
    own, left = even @ (left + taken.gain[about] @ copies) / noise, even @ left / noise
    energy, energy_left = float(np.vdot(own, own).real), float(np.vdot(left, left).real)
    return _Heard(planned=planned, own=own, energy=energy, left=energy_left)
