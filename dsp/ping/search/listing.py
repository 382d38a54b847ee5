"""The echoes of a finished search as they are listed: delay, strength, and how sure.

How far a delay may be off is what the noise moves a peak by, and what others farther off may have
left at a first sound, the more where echoes overlap, what is no copy in those may pull it by, what
more than one farther off have left beside them, and, where it is no copy of the pulse, how far the
others may stand that are within it.
"""

from __future__ import annotations

import itertools

import numpy as np
from numpy.typing import NDArray

from dsp.ping.noise.delay_spread import delay_excess
from dsp.ping.pulse.peaks import Peak
from dsp.ping.search.brought import Brought
from dsp.ping.search.heard_tops import heard_tops
from dsp.ping.search.joint_fit import RIDGE
from dsp.ping.search.more_than_one import more_than_one
from dsp.ping.search.noise_left import NoiseLeft
from dsp.ping.search.rows import alike, pairs, starts_of
from dsp.ping.search.rung import rung
from dsp.ping.search.side_lobes_left import (
    KNOWN_SHARE,
    among_lobes_of,
    misfits,
    stands_out,
)
from dsp.ping.search.taken import MISFIT_OVER_RMS, Taken

OVERLAP_LOBES = 1.5
OVERLAP_PULL = 0.25
"""What is nearer than :data:`OVERLAP_LOBES` to an echo, and is no copy of the pulse, pulls it by up
to :data:`OVERLAP_PULL` of a lobe times the ratio of their strengths (measured: 0.24 of a lobe for
two equal ones at any phase, where one copy is fitted to both)."""

CLEAR_LOBES = 6.0
"""Nearer to a sound stands what it brings with it, which is no other."""

SECOND_LOBES = 0.5
"""Two within a lobe of each other stand at most a lobe from where one copy was fitted to both:
twice as much as this."""


def listed(
    taken: Taken, noise: NoiseLeft, brought: Brought | None, *, lead: int
) -> tuple[list[tuple[tuple[Peak, ...], NDArray[np.intp], NDArray[np.float64]]], NDArray[np.bool_]]:
    """Each profile's echoes, nearest first, with the stretches that they are in, and powers.

    And which of all that were taken are more than one.
    """
    planned = taken.planned
    shape = planned.shape
    strength, stretch = taken.strength, planned.grid.stretch_of[taken.places()]
    stands = stands_out(taken, noise, brought)
    around = near = noise.power[taken.profile, stretch]
    if planned.before_only:
        every = np.ones_like(stands)
        # The quiet ahead of a first sound does not tell what others left about it.
        around = around + _left_at_each(taken, every, from_lobes=CLEAR_LOBES)
        near = near + _left_at_each(taken, every, from_lobes=OVERLAP_LOBES)
        near += _hidden_at_each(taken, noise)
    snr_out = 2 * strength**2 / np.maximum(around, 1e-30)
    # The peak's power holds some of the noise's own. The noise is known from so
    # many cells only: its mean inverse, which the errors go by, is larger than
    # the inverse of its mean (JCGM 101:2008, 6.4.9, to first order).
    snr_own = np.maximum(2 * strength**2 / np.maximum(near, 1e-30) - 2, 1.0)
    u_s = planned.u_at_one_s * np.sqrt((1 + planned.noise_doubt) / snr_own)
    u_s *= delay_excess(shape, snr_own)
    tops = heard_tops(taken, snr_own)
    # No echo leaves its lobe, however blunt.
    u_s = np.minimum(u_s * tops.blunter, np.maximum(u_s, shape.width_s / 2))
    u_s = np.hypot(u_s, tops.off_bins * shape.bin_s)
    wider, pull_s = _overlapping(taken, noise, stands)
    u_s = np.hypot(u_s * wider, pull_s)
    more = more_than_one(taken, stands, snr_out)
    rings = rung(taken, stands, more, snr_out)
    stands &= ~rings.no_echo
    more = (more & ~rings.one & ~rings.no_echo) | (rings.within_lobes > 0)
    stands &= ~among_lobes_of(taken, more)
    if more.any():
        # A copy taken away of what is more than one leaves lobes of all of these.
        beside_s = np.sqrt(_left_at_each(taken, more, from_lobes=OVERLAP_LOBES))
        beside_s /= np.maximum(strength, 1e-30) * shape.rms_bandwidth_rad_s
        u_s, pull_s = np.hypot(u_s, beside_s), np.hypot(pull_s, beside_s)
    second_s = np.maximum(SECOND_LOBES * more, rings.within_lobes / 2) * shape.width_s
    delay_bins = taken.position - lead
    turns = planned.table.turns * taken.position + shape.carrier_hz * shape.bin_s * delay_bins
    phase = np.angle(taken.gain * np.exp(2j * np.pi * turns))
    order = np.lexsort((taken.position, taken.profile))
    kept = order[stands[order]]
    peaks = tuple(
        Peak(
            delay_s=delay_s,
            u_delay_s=u_delay_s,
            amplitude=amplitude,
            phase_rad=rad,
            snr=snr,
            u_phase_rad=rad_of_noise,
            u_second_s=u_second_s,
            u_pull_s=u_pull_s,
        )
        for delay_s, u_delay_s, amplitude, rad, snr, rad_of_noise, u_second_s, u_pull_s in zip(
            (delay_bins * shape.bin_s)[kept].tolist(),
            u_s[kept].tolist(),
            strength[kept].tolist(),
            phase[kept].tolist(),
            (snr_out / shape.efficiency)[kept].tolist(),
            tops.u_phase_rad[kept].tolist(),
            second_s[kept].tolist(),
            pull_s[kept].tolist(),
            strict=True,
        )
    )
    start = starts_of(taken.profile[kept], taken.profiles).tolist()
    stretch, power = stretch[kept], strength[kept] ** 2
    return [(peaks[a:b], stretch[a:b], power[a:b]) for a, b in itertools.pairwise(start)], more


def _left_at_each(taken: Taken, of: NDArray[np.bool_], *, from_lobes: float) -> NDArray[np.float64]:
    """Return the mean power of what side lobes of some, so far off, may have left at each echo.

    What is no copy has its lobes drawn out by one.
    """
    planned = taken.planned
    echo, other, _ = pairs(taken.profile, taken.start)
    lag = np.abs(taken.position[other] - taken.position[echo])
    left = taken.strength[other] * taken.misfit[other] / MISFIT_OVER_RMS
    left *= planned.ceiling[np.maximum(lag - planned.lobe_bins, 0).astype(np.intp)]
    left[(lag < from_lobes * planned.lobe_bins) | ~of[other]] = 0
    return np.asarray(np.bincount(echo, left**2, taken.position.size), dtype=np.float64)


def _hidden_at_each(taken: Taken, noise: NoiseLeft) -> NDArray[np.float64]:
    """Return the power of side lobes at each echo of what others may hide.

    What stands out of the noise and was held for what they left may be a sound.
    """
    planned, power = taken.planned, np.zeros(taken.position.size)
    for echo, profile in enumerate(taken.profile.tolist()):
        left = taken.power[profile]
        hidden = np.flatnonzero(left > noise.threshold[profile].take(planned.grid.stretch_of))
        lag = np.abs(hidden - taken.position[echo])
        reached = left[hidden] * planned.ceiling[lag.astype(np.intp)] ** 2
        power[echo] = reached[lag > OVERLAP_LOBES * planned.lobe_bins].max(initial=0.0)
    return power


def _overlapping(
    taken: Taken, noise: NoiseLeft, stands: NDArray[np.bool_]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Say how many times as unsure noise makes an echo that overlaps, and what else pulls it, s.

    By noise the Cramér–Rao bound of all their delays together, their strengths being free as well,
    over that of one alone. What is no copy in them pulls as well: so much as was left of an echo,
    and all of what does not stand out, for it is no echo.
    """
    planned = taken.planned
    wider, pull_s = np.ones(taken.position.size), np.zeros(taken.position.size)
    for index in alike(taken.start, np.arange(taken.profiles)):
        position = taken.position[index]
        apart = np.abs(position[:, :, np.newaxis] - position[:, np.newaxis])
        near = (apart > 0) & (apart < OVERLAP_LOBES * planned.lobe_bins)
        for row in np.asarray(near.reshape(len(index), -1).any(axis=1)).nonzero()[0]:
            beside = near[row].any(axis=1)
            some, ridge = index[row][beside], RIDGE * np.eye(int(beside.sum()))
            position, gain = taken.position[some], taken.gain[some]
            strength = np.maximum(taken.strength[some], 1e-30)
            # As in the fit: what of a slope the others' strengths do not make up for.
            copy, slope, bend = planned.table.lags(position[:, np.newaxis] - position)
            own = slope @ np.linalg.solve(copy + ridge, slope) - bend
            known = (gain.conj()[:, np.newaxis] * own * gain).real / np.outer(strength, strength)
            spread = np.diag(np.linalg.inv(known / planned.table.curvature + ridge))
            wider[some] = np.sqrt(np.maximum(spread, 1.0))
            no_copy = np.minimum(misfits(taken, noise, some, others=KNOWN_SHARE), 1.0)
            no_copy = np.where(stands[some], no_copy, 1.0)
            ratio = np.minimum(strength / strength[:, np.newaxis], 1.0)
            ratio *= near[row][np.ix_(beside, beside)]
            off = OVERLAP_PULL * planned.shape.width_s * ratio * no_copy
            pull_s[some] = np.sqrt((off**2).sum(axis=1))
    return wider, pull_s
