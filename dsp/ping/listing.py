"""The echoes of a finished search as they are listed: delay, strength, and how sure.

How far a delay may be off is what the noise moves a peak by, what the echoes that it overlaps
with may pull it by, and, where it is no copy of the pulse, how far the others may stand that are
within it.
"""

from __future__ import annotations

import itertools

import numpy as np
from numpy.typing import NDArray

from dsp.ping.brought import Brought
from dsp.ping.delay_spread import delay_excess
from dsp.ping.more_than_one import more_than_one
from dsp.ping.noise_left import NoiseLeft
from dsp.ping.peaks import Peak
from dsp.ping.rows import alike, starts_of
from dsp.ping.side_lobes_left import among_lobes_of, stands_out
from dsp.ping.taken import Taken

OVERLAP_LOBES = 1.5
OVERLAP_PULL = 0.25
"""Two echoes nearer than :data:`OVERLAP_LOBES` to each other pull each other by up to
:data:`OVERLAP_PULL` of a lobe times the ratio of their strengths (measured: 0.24 of a lobe
for two equal ones at any phase)."""

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
    snr_out = 2 * strength**2 / np.maximum(noise.power[taken.profile, stretch], 1e-30)
    # The peak's power holds some of the noise's own. The noise is known from so
    # many cells only: its mean inverse, which the errors go by, is larger than
    # the inverse of its mean (JCGM 101:2008, 6.4.9, to first order).
    snr_own = np.maximum(snr_out - 2, 1.0)
    u_s = planned.u_at_one_s * np.sqrt((1 + planned.noise_doubt) / snr_own)
    u_s *= delay_excess(shape, snr_own)
    pull_s = _pull_s(taken)
    u_s = np.hypot(u_s, pull_s)
    more = more_than_one(taken, stands, snr_out)
    stands &= ~among_lobes_of(taken, more)
    second_s = SECOND_LOBES * shape.width_s * more
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
            u_second_s=u_second_s,
            u_pull_s=u_pull_s,
        )
        for delay_s, u_delay_s, amplitude, rad, snr, u_second_s, u_pull_s in zip(
            (delay_bins * shape.bin_s)[kept].tolist(),
            u_s[kept].tolist(),
            strength[kept].tolist(),
            phase[kept].tolist(),
            (snr_out / shape.efficiency)[kept].tolist(),
            second_s[kept].tolist(),
            pull_s[kept].tolist(),
            strict=True,
        )
    )
    start = starts_of(taken.profile[kept], taken.profiles).tolist()
    stretch, power = stretch[kept], strength[kept] ** 2
    return [(peaks[a:b], stretch[a:b], power[a:b]) for a, b in itertools.pairwise(start)], more


def _pull_s(taken: Taken) -> NDArray[np.float64]:
    """How far each echo may be off for those that it overlaps with."""
    planned = taken.planned
    pull_s = np.empty(taken.position.size)
    for index in alike(taken.start, np.arange(taken.profiles)):
        position, strength = taken.position[index], taken.strength[index]
        apart = np.abs(position[:, :, np.newaxis] - position[:, np.newaxis])
        near = apart < OVERLAP_LOBES * planned.lobe_bins
        np.einsum("kii->ki", near)[:] = False
        if not near.any():
            pull_s[index] = 0.0
            continue
        own = np.maximum(strength[:, :, np.newaxis], 1e-30)
        ratio = np.minimum(strength[:, np.newaxis] / own, 1.0) * near
        pull_s[index] = OVERLAP_PULL * planned.shape.width_s * np.sqrt((ratio**2).sum(axis=2))
    return pull_s
