"""The echoes of a profile, all of them worked on together.

A search takes echoes away in rounds (:mod:`dsp.ping.search.rounds`) until nothing stands out of
what is left, and then lists those that stand out of the noise and of what stronger ones may have
left behind. Here is what may be asked of it: one profile or many at once, at one false-alarm rate
or at several; and, for the first sound in a room, what stands out against the quiet before it.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from dsp.ping.noise.noise import fewest_bins
from dsp.ping.pulse.echo_shape import EchoShape
from dsp.ping.pulse.peaks import KERNEL_HALF, Peak
from dsp.ping.pulse.profiles import Threshold
from dsp.ping.search.brought import Brought, learn_brought
from dsp.ping.search.listing import listed
from dsp.ping.search.noise_left import NoiseLeft
from dsp.ping.search.rounds import searched
from dsp.ping.search.search_plan import search_plan
from dsp.ping.search.side_lobes_left import lobes_ahead, threshold_over_bins
from dsp.ping.search.taken import Taken

SHORTEST = 2 * KERNEL_HALF
"""A profile of fewer bins is not searched: it is read off so many about each."""


def find_echoes(
    envelope: NDArray[np.complexfloating],
    shape: EchoShape,
    *,
    false_alarm_rate: float,
    start_s: float = 0.0,
    stop_s: float = math.inf,
    least_noise: float = 0.0,
) -> tuple[tuple[Peak, ...], NDArray[np.float64]]:
    """Find the echoes of a profile, however strong the sound before them.

    Parameters
    ----------
    envelope : ndarray of complex64, shape (bins,)
        As :meth:`dsp.ping.pulse.compression.PulseCompressor.from_time_zero` gives.
    shape : EchoShape
        Of one echo in that envelope.
    false_alarm_rate : float
        Peaks of noise alone that are listed, for each independent bin.
    start_s, stop_s : float
        Echoes outside are found, so that their side lobes are known, but not
        returned.
    least_noise : float
        RMS magnitude of noise that is known to be there, seen or not.

    Returns
    -------
    echoes : tuple of Peak
        Nearest first.
    threshold : ndarray of float64, shape (bins,)
        On amplitude: what a bin had to exceed, side lobes included.

    Notes
    -----
    An echo hides what is weaker than its own side lobes until it has been taken
    away; after that, what is weaker than the part of them that could not be
    taken away, because the echo is not an exact copy of the pulse.
    """
    found = found_at(
        envelope,
        shape,
        rates=(false_alarm_rate,),
        start_s=start_s,
        stop_s=stop_s,
        least_noise=least_noise,
    )
    return found.peaks, found.threshold()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Found:
    """What one search of a profile found, at several false-alarm rates.

    Attributes
    ----------
    peaks : tuple of Peak
        At the highest of the rates, nearest first.
    passes : ndarray of bool, shape (rates, peaks)
        Which of them stand above the threshold of each rate.
    threshold : callable
        Gives, on amplitude, at the first of the rates: what a bin had to exceed, side lobes
        included, shape (bins,). Few ask.
    before : tuple of Peak
        Those before what is listed, the direct sound among them, at the highest of the rates.
    """

    peaks: tuple[Peak, ...]
    passes: NDArray[np.bool_]
    threshold: Threshold
    before: tuple[Peak, ...] = ()

    def at(self, rate: int) -> tuple[Peak, ...]:
        """Return the peaks of one of the rates, by its place."""
        return tuple(itertools.compress(self.peaks, self.passes[rate].tolist()))


def lead_bins(shape: EchoShape) -> int:
    """Return how many bins ahead of its first a profile is to be known.

    So many that a sound at its very start is seen whole: its lobe, and what that is read off.
    """
    return KERNEL_HALF + math.ceil(shape.width_s / shape.bin_s)


def found_at(
    envelope: NDArray[np.complexfloating],
    shape: EchoShape,
    *,
    rates: tuple[float, ...],
    ahead: NDArray[np.complexfloating] | None = None,
    start_s: float = 0.0,
    stop_s: float = math.inf,
    least_noise: float = 0.0,
) -> Found:
    """Search a profile once, and sift what was found at several false-alarm rates.

    Parameters
    ----------
    rates : tuple of float
        Peaks of noise alone that pass, for each independent bin.
    ahead : ndarray of complex64, shape (lead bins,), optional
        The bins ahead of the first, :func:`lead_bins` if they were heard. Without them a
        sound at the profile's start is not seen as a peak, and its side lobes stay.

    Others as for :func:`find_echoes`.
    """
    (found,) = found_each(
        np.asarray(envelope)[np.newaxis],
        shape,
        rates=rates,
        ahead=None if ahead is None else ahead[np.newaxis],
        start_s=(start_s,),
        stop_s=stop_s,
        least_noise=least_noise,
    )
    return found


def found_each(
    envelopes: NDArray[np.complexfloating],
    shape: EchoShape,
    *,
    rates: tuple[float, ...],
    ahead: NDArray[np.complexfloating] | None = None,
    start_s: Sequence[float],
    stop_s: float = math.inf,
    least_noise: float = 0.0,
) -> tuple[Found, ...]:
    """Search several profiles, each as it would be searched alone, to the last bit.

    Many at a time cost a third of what they cost one by one.

    Parameters
    ----------
    envelopes : ndarray of complex64, shape (profiles, bins)
    ahead : ndarray of complex64, shape (profiles, lead bins), optional
    start_s : sequence of float, shape (profiles,)

    Others as for :func:`found_at`.
    """
    lead = 0 if ahead is None else ahead.shape[1]
    heard = envelopes if ahead is None else np.concatenate([ahead, envelopes], axis=1)
    bins = heard.shape[1]
    if bins < SHORTEST:
        nothing = Found(
            peaks=(),
            passes=np.empty((len(rates), 0), dtype=bool),
            threshold=partial(np.full, envelopes.shape[1], np.inf),
        )
        return tuple(nothing for _ in envelopes)
    planned = search_plan(shape, bins, max(rates), False)
    taken, noise = searched(heard, planned, least_noise=least_noise)
    brought = learn_brought(taken, noise, lead + np.asarray(start_s) / shape.bin_s)
    thresholds = noise.thresholds_at(*rates)
    listings, more = listed(taken, noise, brought, lead=lead)
    taken.let_go(of_heard=np.count_nonzero(more) == 0)
    hides = _Hides(taken=taken, noise=noise, brought=brought, more=more, lead=lead)
    each = []
    for profile, (listing, from_s) in enumerate(zip(listings, start_s, strict=True)):
        peaks, stretch, power = listing
        kept = [i for i, p in enumerate(peaks) if from_s <= p.delay_s <= stop_s]
        each.append(
            Found(
                peaks=tuple(peaks[i] for i in kept),
                passes=(power > thresholds[:, profile, stretch])[:, kept],
                threshold=partial(hides.threshold, thresholds[0, profile], profile),
                before=tuple(p for p in peaks if p.delay_s < from_s),
            )
        )
    return tuple(each)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Hides:
    """What a finished search still knows of what its echoes hide."""

    taken: Taken
    noise: NoiseLeft
    brought: Brought | None
    more: NDArray[np.bool_]
    lead: int

    def threshold(self, of_noise: NDArray[np.float64], profile: int) -> NDArray[np.float64]:
        """Return what the bins of a profile had to exceed, given what those of noise had to."""
        whole = threshold_over_bins(
            self.taken, self.noise, of_noise, self.brought, self.more, profile=profile
        )
        return whole[self.lead :]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SoundsAhead:
    """The sounds that stand out against the quiet before them, and what may pass for one.

    Attributes
    ----------
    peaks : tuple of Peak
        Earliest first.
    lobes : ndarray of float64, shape (peaks,)
        On amplitude: what the side lobes of all stronger sounds after each may add up to at
        its place, once their copies were taken away.
    threshold : ndarray of float64, shape (bins,)
        On amplitude: what a bin had to exceed, side lobes included.
    """

    peaks: tuple[Peak, ...]
    lobes: NDArray[np.float64]
    threshold: NDArray[np.float64]


def sounds_ahead(
    envelope: NDArray[np.complexfloating],
    shape: EchoShape,
    *,
    false_alarm_rate: float,
    least_noise: float = 0.0,
) -> SoundsAhead:
    """Find the sounds that stand out against the quiet before them; none where none is told.

    Parameters as for :func:`find_echoes`.
    """
    heard = np.asarray(envelope)[np.newaxis]
    # What is left of a file at its end may be too short to learn any noise from.
    if heard.shape[1] < max(SHORTEST, fewest_bins(shape)):
        nothing = np.full(heard.shape[1], np.inf)
        return SoundsAhead(peaks=(), lobes=np.empty(0), threshold=nothing)
    planned = search_plan(shape, heard.shape[1], false_alarm_rate, True)
    taken, noise = searched(heard, planned, least_noise=least_noise)
    ((peaks, _, power),), _ = listed(taken, noise, None, lead=0)
    place = np.rint([p.delay_s / shape.bin_s for p in peaks])
    ((threshold,),) = noise.thresholds_at(false_alarm_rate)
    return SoundsAhead(
        peaks=peaks,
        lobes=lobes_ahead(taken, place, np.sqrt(power)),
        threshold=threshold_over_bins(taken, noise, threshold, None),
    )
