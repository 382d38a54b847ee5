"""What an echo may leave behind once its copy was taken away, and so hides.

An echo is no exact copy of the pulse: a share of its side lobes stays, its misfit, and more than
that close by, where its foot is wider than a copy's or where it is two that have run into one.
What stands beside it stands out only above that; what the pulse itself brings with it
(:mod:`dsp.ping.search.brought`) never does.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from dsp.ping.search.brought import Brought
from dsp.ping.search.noise_left import NoiseLeft
from dsp.ping.search.rows import highest_each, pairs, within
from dsp.ping.search.taken import MISFIT_OVER_RMS, Taken

LEAST_MISFIT = 0.05
"""So much of an echo's side lobes may be there still once it was taken away, however well its
copy fits: what is weaker is hidden by it."""

NEAR_LOBES = 2.5
MIRROR = 2.0
"""So near to a stronger echo another must stand out by 6 dB from what was left on that
one's other side: two echoes that have run into one are no copy of the pulse, and leave
as much on both sides."""

SKIRT_LOBES = 1.15
SKIRT_MIRROR = 4.0
SKIRT_SHARE = 0.35
"""Nearer still, where the foot of a coloured echo is wider than that of a copy, it must
stand out by 12 dB, unless it has 0.35 of the stronger one's amplitude. A resonance rings
to one side only: with a Q of 1 or 2, what it left behind was up to 7 dB higher there, and
at most 0.3 of the echo (measured)."""

PAIR_LOBES = 2.3
"""What an echo of more than one sends to the side, over the lobes of a copy as loud: two that all
but cancel are heard as the slope of one, whose lobes are π/1.37 times a copy's, 1.37 being how
steep sin πx/πx is at the most. Any other two, farther apart or less alike, have lower ones."""

AHEAD_LOBES = 4.0
"""Where the first sound is looked for, what may be a side lobe of several is held for one so near
to them alone: farther ahead it may be the first itself, and is weighed elsewhere."""

OTHERS_SHARE, KNOWN_SHARE = 6 / 22, 0.1
"""So much of an echo's flank others may take that are still to be found: three, two lobes each, of
what is looked at to both sides; and once all were found that stand out. Where one echo may take a
tenth from the first, three of 45 dB hide for good behind a direct sound 25 to 34 dB louder, if it
is a code, whose side lobes are as high all over: every one, in 26 drawn with a code of 13 chips."""

MOST_UNTOLD = 2 / 3
"""Where a trial took copies from more of an echo's flank, or of what is near, too little is left
that tells of its misfit: seven lobes."""

_ROOM = 1 << 18
"""Of what is worked out for several echoes at once, so many numbers at a time."""


def misfits(
    taken: Taken,
    noise: NoiseLeft,
    echoes: NDArray[np.intp],
    *,
    others: float = OTHERS_SHARE,
    new: NDArray[np.bool_] | None = None,
) -> NDArray[np.float64]:
    """How much of some echoes' side lobes is still there once they were taken away.

    Near by the median counts, for an echo that is coloured or two in one; further out
    as much of the flank as `others` leave, still to be found.

    Parameters
    ----------
    echoes : ndarray of int, shape (echoes,)
        Of which it is asked.
    others : float
        The share of a flank that counts as others'.
    new : ndarray of bool, optional
        Which of all that was taken was taken on trial. A copy's place was chosen and its strength
        fitted there, so that a lobe to each side of it tells nothing; and since the highest places
        were chosen, those that do tell are the lowest of all.
    """
    planned = taken.planned
    lag = planned.flank
    if lag.size == 0:
        return np.ones(echoes.size)
    profile = taken.profile[echoes][:, np.newaxis]
    lagging = np.rint(taken.position[echoes]).astype(np.intp)[:, np.newaxis] + lag
    bins = within(lagging, 0, planned.bins - 1)
    outside = bins != lagging
    near = planned.near
    untold = untold_near = np.zeros(echoes.size)
    if new is not None:
        inside, covered = ~outside, _covered(taken, echoes, bins, new)
        outside |= covered
        untold, untold_near = _share(covered, inside), _share(covered[:, near], inside[:, near])
    power = taken.power[profile, bins]
    level = noise.power[profile, planned.grid.stretch_of[bins]]
    strength = np.maximum(taken.strength[echoes], 1e-30)
    lobes_power = (strength[:, np.newaxis] * planned.flank_ceiling) ** 2
    # What noise adds is taken off as high as it stands in the quantile, or higher: near by its
    # mean, which it passes in less than half of the bins.
    typical = np.maximum(power[:, near] - level[:, near], 0) / lobes_power[:, near]
    typical = _quantile(typical, outside[:, near], 0.5) / -np.log(0.5 + 0.5 * untold_near)
    most = np.maximum(power + math.log(others) * level, 0) / lobes_power
    most = _quantile(most, outside, 1 - others) / -np.log(others + (1 - others) * untold)
    misfit = MISFIT_OVER_RMS * np.sqrt(np.maximum(typical, most))
    misfit[np.maximum(untold, untold_near) > MOST_UNTOLD] = np.inf
    return within(misfit, LEAST_MISFIT, planned.amplifies)


def _covered(
    taken: Taken, echoes: NDArray[np.intp], bins: NDArray[np.intp], new: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Say which of some echoes' bins are within a lobe of a new one, of the shape of `bins`."""
    covered = np.zeros(bins.shape, dtype=bool)
    one, other, _ = pairs(taken.profile[echoes], taken.start)
    one, other = one[new[other]], other[new[other]]
    for row, position in zip(one.tolist(), taken.position[other].tolist(), strict=True):
        covered[row] |= np.abs(bins[row] - position) < taken.planned.lobe_bins
    return covered


def _share(some: NDArray[np.bool_], of: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Return what share of some of each row's places others have, but not quite all."""
    return np.asarray((some & of).sum(axis=1) / (of.sum(axis=1) + 1))


def left_by(
    taken: Taken,
    noise: NoiseLeft,
    echo: NDArray[np.intp],
    bins: NDArray[np.intp],
    brought: Brought | None = None,
) -> NDArray[np.float64]:
    """Ceiling of what echoes may have left behind.

    Parameters
    ----------
    echo : ndarray of int, shape (pairs,) or (echoes, 1)
        Which.
    bins : ndarray of int, shape (pairs,) or (echoes, bins)
    brought : Brought, optional
        What the pulse brings with it, once that is learnt.

    Returns
    -------
    ndarray of float64, the shape of `bins`
    """
    planned, lobe = taken.planned, taken.planned.lobe_bins
    strength, position = taken.strength[echo], taken.position[echo]
    lag = np.abs(bins - position)
    whole = lag.astype(np.intp)
    lobes = planned.ceiling.take(whole, mode="clip") * strength
    ceiling = np.where(lag < lobe, lobes, lobes * taken.misfit[echo])
    if planned.far_lobes is not None:
        far = planned.far_lobes.take(whole, mode="clip")
        np.maximum(ceiling, strength * far, out=ceiling)
    if brought is not None:
        profile, most = taken.profile[echo], brought.share.shape[1] // 2
        place = np.rint(bins - position).astype(np.intp) + most
        others = (place >= 0) & (place <= 2 * most) & (brought.loudest[profile] != echo)
        share = brought.share[profile, within(place, 0, 2 * most)]
        np.maximum(ceiling, np.where(others, strength * share, 0.0), out=ceiling)
    close = (lag < NEAR_LOBES * lobe).nonzero()
    if close[0].size:
        echo, lag, at = echo.reshape(-1)[close[0]], lag[close], bins[close]
        strength = taken.strength[echo]
        twin = np.rint(2 * taken.position[echo] - at).astype(np.intp)
        other_side = noise.excess(taken.profile[echo], within(twin, 0, planned.bins - 1))
        near = np.minimum(MIRROR * other_side, lobes[close])
        wide = np.minimum(SKIRT_MIRROR * other_side, SKIRT_SHARE * strength)
        skirt = (lag > lobe / 2) & (lag < SKIRT_LOBES * lobe)
        ceiling[close] = np.maximum(np.maximum(ceiling[close], near), wide * skirt)
    return ceiling


def stands_out(taken: Taken, noise: NoiseLeft, brought: Brought | None) -> NDArray[np.bool_]:
    """Say which echoes stand out of the noise, and of what stronger ones may have left."""
    strength, place = taken.strength, taken.places()
    echo, other, others = pairs(taken.profile, taken.start)
    ceiling = left_by(taken, noise, other, place[echo], brought)
    hidden = highest_each(np.where(strength[other] > strength[echo], ceiling, 0), others)
    threshold = noise.threshold_at(taken.profile, place)
    return np.asarray((strength > hidden) & (strength**2 > threshold))


def left_by_several(
    taken: Taken, echo: NDArray[np.intp], bins: NDArray[np.intp]
) -> NDArray[np.float64]:
    """Ceiling of the side lobes of echoes that are each more than one body.

    Copies were taken away that stand for several bodies and are none of them: what these send to
    the side goes by how loud they are heard together, and any of it may be left.

    Parameters
    ----------
    echo : ndarray of int, shape (pairs,) or (echoes, 1)
        Which.
    bins : ndarray of int, shape (pairs,) or (echoes, bins)

    Returns
    -------
    ndarray of float64, the shape of `bins`
    """
    lag = np.abs(bins - taken.position[echo]).astype(np.intp)
    ceiling = taken.planned.ceiling[np.minimum(lag, taken.planned.ceiling.size - 1)]
    return np.asarray(PAIR_LOBES * taken.heard(echo) * ceiling)


def among_lobes_of(taken: Taken, more: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Say which echoes may be side lobes of a stronger one that is more than one.

    Parameters
    ----------
    more : ndarray of bool, shape (echoes,)
        Which are more than one.
    """
    among = np.zeros(more.size, dtype=bool)
    if not np.count_nonzero(more):
        return among
    echo, other, _ = pairs(taken.profile, taken.start)
    over = more[other] & (taken.strength[other] > taken.strength[echo])
    if taken.planned.before_only:
        lag = np.abs(taken.position[echo] - taken.position[other])
        over &= lag <= AHEAD_LOBES * taken.planned.lobe_bins
    echo, other = echo[over], other[over]
    lobes = left_by_several(taken, other, taken.places()[echo])
    among[echo[taken.strength[echo] < lobes]] = True
    return among


def lobes_ahead(
    taken: Taken, place: NDArray[np.float64], strength: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return what later, stronger sounds' side lobes may add up to at some sounds' bins.

    Of a search of one profile. All of them together: whatever answers a pulse with many
    sounds, a room or a loudspeaker, does not answer before it, so that what stands ahead of
    its first sound is no more than the compressed pulse's own lobes at these lags, summed;
    as much of them as was there still where each was looked at.
    """
    planned = taken.planned
    lag = taken.position - place[:, np.newaxis]
    whole = within(lag.astype(np.intp), 0, planned.ceiling.size - 1)
    later = (lag > planned.lobe_bins / 2) & (taken.strength > strength[:, np.newaxis])
    return np.asarray((planned.ceiling[whole] * later) @ (taken.strength * taken.misfit))


def threshold_over_bins(
    taken: Taken,
    noise: NoiseLeft,
    noise_threshold: NDArray[np.float64],
    brought: Brought | None,
    more: NDArray[np.bool_] | None = None,
    *,
    profile: int = 0,
) -> NDArray[np.float64]:
    """On amplitude: the noise's threshold in a profile or what side lobes are left, the higher.

    Parameters
    ----------
    noise_threshold : ndarray of float64, shape (stretches,)
    more : ndarray of bool, shape (echoes,), optional
        Which echoes are more than one.

    Returns
    -------
    ndarray of float64, shape (bins,)
    """
    planned = taken.planned
    threshold = np.sqrt(noise_threshold).take(planned.grid.stretch_of)
    reach, bins = planned.ceiling_reach, planned.bins
    lag, place = np.arange(-reach, reach + 1), taken.places()
    begin, end = taken.start[profile : profile + 2].tolist()
    at_once = max(1, _ROOM // lag.size)
    for first in range(begin, end, at_once):
        some = np.arange(first, min(first + at_once, end))[:, np.newaxis]
        ceilings = left_by(taken, noise, some, place[some] + lag, brought)
        if more is not None and np.count_nonzero(several := more[some[:, 0]]):
            lobes = left_by_several(taken, some[several], place[some[several]] + lag)
            # On itself it is listed.
            lobes *= np.abs(lag) >= planned.lobe_bins
            ceilings[several] = np.maximum(ceilings[several], lobes)
        for echo, ceiling in enumerate(ceilings, first):
            at = int(place[echo])
            start, stop = max(at - reach, 0), min(at + reach + 1, bins)
            part = threshold[start:stop]
            np.maximum(part, ceiling[start - at + reach : stop - at + reach], out=part)
    return threshold


def _quantile(
    values: NDArray[np.float64], outside: NDArray[np.bool_], share: float
) -> NDArray[np.float64]:
    """Return the quantile of each row's values but those outside; 0 where all are.

    The values are sorted where they are.
    """
    some_outside = np.count_nonzero(outside)
    if some_outside:
        values[outside] = np.inf
    values.sort(axis=1)
    if not some_outside:
        return np.asarray(values[:, int(share * (values.shape[1] - 1))])
    inside = values.shape[1] - outside.sum(axis=1)
    rank = np.maximum((share * (inside - 1)).astype(np.intp), 0)
    return np.where(inside > 0, values[np.arange(rank.size), rank], 0.0)
