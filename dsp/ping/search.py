"""The echoes of a profile, all of them worked on together.

In rounds: the peaks that stand out of what is left are taken as echoes, all the echoes'
delays and strengths are fitted together, and their copies are taken away, so that side
lobes are not taken for echoes. What the echoes make of each other is read off the
compressed shape at the differences of their delays, so that a fit never runs over the
profile: it needs the envelope at the echoes alone.

References
----------
G. H. Golub and V. Pereyra, "The differentiation of pseudo-inverses and nonlinear least
squares problems whose variables separate", *SIAM J. Numer. Anal.* 10, 1973,
pp. 413–432 (the strengths are solved for, the delays alone are searched; from memory).
J. Li and P. Stoica, "Efficient mixed-spectrum estimation with applications to
target feature extraction", *IEEE Trans. Signal Process.* 44, 1996, pp. 281–295.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dsp.ping.compression import (
    POWERS,
    ROUNDING,
    EchoShape,
    powers_of,
)
from dsp.ping.delay_spread import delay_excess
from dsp.ping.noise import (
    cell_rate,
    independent_s,
    ordered_statistic_factor,
    rank_of,
)
from dsp.ping.peaks import (
    KERNEL_HALF,
    LOOKS,
    Peak,
)
from dsp.ping.rows import alike, highest_each, pairs, starts_of
from dsp.ping.search_plan import FLANK_LOBES, SearchPlan, search_plan
from dsp.ping.single_bodies import COMPARED_LOBES, single_bodies

MOST_ECHOES = 100
"""No more echoes than this are looked for in one profile."""

MOST_ROUNDS = 10
"""No more often than this is a profile searched for what stands out of what is left."""

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

OVERLAP_LOBES = 1.5
OVERLAP_PULL = 0.25
"""Two echoes nearer than :data:`OVERLAP_LOBES` to each other pull each other by up to
:data:`OVERLAP_PULL` of a lobe times the ratio of their strengths (measured: 0.24 of a lobe
for two equal ones at any phase)."""

NEAREST_LOBES = 0.5
"""Two that come nearer to each other than this are taken for one."""

MOST_TOGETHER = 32
"""So many echoes in a row are solved for together: for more, the time would grow with the
cube of their number."""

MOST_STEPS = 8
STILL = 1e-3
MOST_SETTLED = 256
"""The fit goes on until no echo moves by more than :data:`STILL` of a lobe, but no longer
than :data:`MOST_STEPS`, which brings the last step that is allowed down to
1/4 · 2⁻⁷ = 0.002 of a lobe; of many echoes, as in a room that rings, not so long, for time's
sake: :data:`MOST_SETTLED` steps of one echo in all."""

NO_COPY = 0.07
"""An echo of whose amplitude no single body explains so much is more than one. Two bodies from
half a lobe apart on, up to 12 dB unlike, leave more at any phase; a room's tail, hum or another's
side lobes 0.02 (measured)."""

SECOND_LOBES = 0.5
"""Two within a lobe of each other stand at most a lobe from where one copy was fitted to both:
twice as much as this."""

NO_COPY_SURELY = 5.0
"""As :data:`dsp.ping.likeness.SURELY`: the noise's share is its mean and so many of its standard
deviations at the most."""

MOST_COMPARED = 3
"""With so many of the strongest others of its profile an echo is compared: what it has in common
with one is the sender's or the receiver's."""


COMPARED_SNR = 100.0
"""Weaker echoes, by their power out over the noise's, hide in it what is no copy."""

PUT_BACK = 2.0
"""An echo of less than so many times the threshold may be noise, and counts as noise where
that is learnt: taken for an echo, it would lower the threshold of the next. Noise itself
passes twice a threshold of L times its mean with a chance of exp(-L) of what passes it."""

BROUGHT_MARGIN = 1.5
"""What stands beside an echo is the pulse's own up to so many times what the pulse brought with
it elsewhere: two of its parts that the search took for one may add up otherwise there."""

_DAMPING = 1e-3  # of an echo's own curvature: keeps two that stand in one place apart
_RIDGE = 1e-6  # and their strengths finite
_LOOKED_UP = 8
"""Looking up so many times as many numbers as a profile has takes as long as going over it."""
_ROOM = 1 << 18
"""Of what is worked out for several profiles at once, so many numbers at a time."""

_RISING = np.arange(1, POWERS)


def find_echoes(
    envelope: NDArray[np.complexfloating],
    shape: EchoShape,
    *,
    false_alarm_rate: float,
    start_s: float = 0.0,
    stop_s: float = math.inf,
    before_only: bool = False,
    least_noise: float = 0.0,
) -> tuple[tuple[Peak, ...], NDArray[np.float64]]:
    """Find the echoes of a profile, however strong the sound before them.

    Parameters
    ----------
    envelope : ndarray of complex64, shape (bins,)
        As :meth:`dsp.ping.compression.PulseCompressor.from_time_zero` gives.
    shape : EchoShape
        Of one echo in that envelope.
    false_alarm_rate : float
        Peaks of noise alone that are listed, for each independent bin.
    start_s, stop_s : float
        Echoes outside are found, so that their side lobes are known, but not
        returned.
    before_only : bool
        As for :func:`dsp.ping.noise.ordered_statistic_threshold`.
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
        before_only=before_only,
        least_noise=least_noise,
    )
    return found.peaks, found.threshold


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Found:
    """What one search of a profile found, at several false-alarm rates.

    Attributes
    ----------
    peaks : tuple of Peak
        At the highest of the rates, nearest first.
    passes : ndarray of bool, shape (rates, peaks)
        Which of them stand above the threshold of each rate.
    threshold : ndarray of float64, shape (bins,)
        On amplitude, at the first of the rates: what a bin had to exceed, side lobes
        included.
    before : tuple of Peak
        Those before what is listed, the direct sound among them, at the highest of the rates.
    """

    peaks: tuple[Peak, ...]
    passes: NDArray[np.bool_]
    threshold: NDArray[np.float64]
    before: tuple[Peak, ...] = ()

    def at(self, rate: int) -> tuple[Peak, ...]:
        """Return the peaks of one of the rates, by its place."""
        return tuple(p for p, stands in zip(self.peaks, self.passes[rate], strict=True) if stands)


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
    before_only: bool = False,
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
        before_only=before_only,
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
    before_only: bool = False,
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
    search = _searched(heard, shape, max(rates), before_only, least_noise, lead=lead)
    if search is None:
        nothing = Found(
            peaks=(),
            passes=np.empty((len(rates), 0), dtype=bool),
            threshold=np.full(envelopes.shape[1], np.inf),
        )
        return tuple(nothing for _ in envelopes)
    search.learn_pulse(lead + np.asarray(start_s) / shape.bin_s)
    thresholds = [search.noise_threshold(rate) for rate in rates]
    over = search.threshold(thresholds[0])[:, lead:]
    each = []
    for profile, (listed, from_s) in enumerate(zip(search.listed(), start_s, strict=True)):
        peaks, stretch, power = listed
        passes = np.array([power > threshold[profile, stretch] for threshold in thresholds])
        kept = [i for i, p in enumerate(peaks) if from_s <= p.delay_s <= stop_s]
        each.append(
            Found(
                peaks=tuple(peaks[i] for i in kept),
                passes=passes.reshape(len(rates), -1)[:, kept],
                threshold=over[profile],
                before=tuple(p for p in peaks if p.delay_s < from_s),
            )
        )
    return tuple(each)


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
    """Find the sounds that stand out against the quiet before them.

    Parameters as for :func:`find_echoes`.
    """
    heard = np.asarray(envelope)[np.newaxis]
    search = _searched(heard, shape, false_alarm_rate, True, least_noise)
    if search is None:
        nothing = np.full(np.size(envelope), np.inf)
        return SoundsAhead(peaks=(), lobes=np.empty(0), threshold=nothing)
    ((peaks, _, power),) = search.listed()
    place = np.rint([p.delay_s / shape.bin_s for p in peaks])
    return SoundsAhead(
        peaks=peaks,
        lobes=search.lobes_ahead(place, np.sqrt(power)),
        threshold=search.threshold(search.noise_threshold(false_alarm_rate))[0],
    )


def _searched(
    envelopes: NDArray[np.complexfloating],
    shape: EchoShape,
    false_alarm_rate: float,
    before_only: bool,
    least_noise: float,
    *,
    lead: int = 0,
) -> _Search | None:
    """Return the search of some profiles once done; None where they are too short for one."""
    bins = envelopes.shape[1]
    if bins < 2 * KERNEL_HALF:
        return None
    planned = search_plan(shape, bins, false_alarm_rate, before_only)
    search = _Search(envelopes, planned, least_noise, lead)
    going = np.arange(envelopes.shape[0])
    for _ in range(MOST_ROUNDS):
        going = search.add_round(going)
        if going.size == 0:
            break
    # For the first sound in a room, which is drawn out, several that cancel each other
    # would be settled on, none of which is seen.
    search.settle(1 if before_only else MOST_STEPS)
    return search


class _Search:
    """Echoes taken away so far from some profiles, and what is left of their envelopes.

    The echoes of all profiles stand in one column, in the order of their profiles, and each
    profile's in the order in which they were found. No profile knows of another: what is
    done for those that still have something to do leaves the others as they are.
    """

    def __init__(
        self,
        envelopes: NDArray[np.complexfloating],
        planned: SearchPlan,
        least_noise: float,
        lead: int,
    ) -> None:
        self._planned = planned
        self._lead = lead
        self._profiles, bins = envelopes.shape
        self._padded = np.zeros((self._profiles, bins + 2 * KERNEL_HALF), dtype=np.complex64)
        inside = self._padded[:, KERNEL_HALF:-KERNEL_HALF]
        np.multiply(envelopes, planned.turn, out=inside, casting="same_kind")
        self._left_padded = self._padded.copy()
        self._profile: NDArray[np.intp] = np.empty(0, dtype=np.intp)
        self._start: NDArray[np.intp] = np.zeros(self._profiles + 1, dtype=np.intp)
        self._position: NDArray[np.float64] = np.empty(0)
        self._found: NDArray[np.float64] = np.empty(0)
        self._gain: NDArray[np.complex128] = np.empty(0, dtype=np.complex128)
        self._strength: NDArray[np.float64] = np.empty(0)
        self._misfit: NDArray[np.float64] = np.empty(0)
        self._dropped_profile: NDArray[np.intp] = np.empty(0, dtype=np.intp)
        self._dropped: NDArray[np.float64] = np.empty(0)
        self._curvature = planned.table.curvature
        self._centre_rad = planned.table.centre_rad
        # Of each stretch of bins: the cell by which the threshold is set, the noise, both of power.
        stretches = planned.grid.index.shape[0]
        self._ranked = np.empty((self._profiles, stretches))
        self._noise, self._threshold = np.empty_like(self._ranked), np.empty_like(self._ranked)
        everyone = np.arange(self._profiles)
        self._power = self._power_of_left(everyone)
        self._learnt_from = np.empty_like(self._power)
        # What each profile's loudest sound before the echoes brings with it; none until learnt.
        self._brought: NDArray[np.float64] | None = None
        self._loudest = np.full(self._profiles, -1)
        self._least_power = least_noise**2
        # Without any noise, as on a loopback wire, what is left of an echo is the rounding
        # of single precision and of the interpolation.
        self._rounding_power = ROUNDING**2 * self._power.max(axis=1).astype(np.float64)
        least = -planned.log_rate * self._least_power
        self._least_threshold = np.maximum(self._rounding_power, least)
        self._learn(everyone)

    def add_round(self, going: NDArray[np.intp]) -> NDArray[np.intp]:
        """Take away the peaks that now stand out; return the profiles that had any.

        Parameters
        ----------
        going : ndarray of int, shape (profiles,)
            In which it is looked for them.
        """
        profile, new, height = self._standing(going)
        if new.size == 0:
            return profile
        if self._position.size:
            # What was found at first in another's side lobe may stand beside its true place.
            one, echo, _ = pairs(profile, self._start)
            near = np.abs(self._position[echo] - new[one]) < (
                NEAREST_LOBES * self._planned.lobe_bins
            )
            kept = np.ones(self._position.size, dtype=bool)
            kept[echo[near & (self._strength[echo] < height[one])]] = False
            self._keep(kept)
        self._add(profile, new)
        going = np.bincount(profile).nonzero()[0]
        self._fit(going, np.ones_like(going))
        self._power[self._some(going)] = self._power_of_left(going)
        self._learn(going)
        self._drop_weak(going)
        return going

    def _add(self, profile: NDArray[np.intp], where: NDArray[np.float64]) -> None:
        """Add echoes of some profiles after those that these have already."""
        unknown = np.zeros(where.size)
        self._profile = np.concatenate([self._profile, profile])
        self._position = np.concatenate([self._position, where])
        self._found = np.concatenate([self._found, where])
        self._gain = np.concatenate([self._gain, unknown])
        self._strength = np.concatenate([self._strength, unknown])
        self._misfit = np.concatenate([self._misfit, unknown])
        self._pick(np.argsort(self._profile, kind="stable"))

    def _keep(self, kept: NDArray[np.bool_]) -> None:
        """Drop all other echoes."""
        if kept.all():
            return
        dropped_of = np.concatenate([self._dropped_profile, self._profile[~kept]])
        order = np.argsort(dropped_of, kind="stable")
        self._dropped_profile = dropped_of[order]
        self._dropped = np.concatenate([self._dropped, self._found[~kept]])[order]
        self._pick(np.flatnonzero(kept))

    def _pick(self, echoes: NDArray[np.intp]) -> None:
        """Take these echoes alone, in this order."""
        self._profile, self._misfit = self._profile[echoes], self._misfit[echoes]
        self._position, self._found = self._position[echoes], self._found[echoes]
        self._gain, self._strength = self._gain[echoes], self._strength[echoes]
        self._start = starts_of(self._profile, self._profiles)

    def _drop_weak(self, going: NDArray[np.intp]) -> None:
        """Drop echoes that shrank below the noise once their neighbours were known.

        Of two that share a weak peak, the one found first has it all.
        """
        weak = self._strength**2 <= self._threshold_at(self._profile, self._places())
        if not weak.any() or not (weak := weak & self._of(going)).any():
            return
        going = np.flatnonzero(np.bincount(self._profile[weak]))
        echo, other, _ = pairs(self._profile, self._start)
        apart = np.abs(self._position[echo] - self._position[other])
        near = (other < echo) & (apart < self._planned.lobe_bins)
        leans, has_one_behind = (np.zeros(weak.size, dtype=bool) for _ in range(2))
        leans[echo[near]] = True
        has_one_behind[other[near & weak[echo]]] = True
        shared = weak & has_one_behind & ~leans
        again = np.flatnonzero(np.bincount(self._profile[shared]))
        self._keep(~weak | shared)
        self._take_away(going)
        if again.size:
            self._fit(again, np.ones_like(again))
        # They were below the noise: what was learnt of it and of how copies fit, still holds.
        self._power[going] = self._power_of_left(going)

    def settle(self, most_steps: int) -> None:
        """Fit all echoes until they stand still."""
        echoes = np.diff(self._start)
        going = np.flatnonzero(echoes)
        if most_steps > 1:
            # Nothing that is still to be found pulls an echo away any more.
            self._found = self._position.copy()
        if going.size:
            self._fit(going, _within(MOST_SETTLED // echoes[going], 1, most_steps))
            self._power[self._some(going)] = self._power_of_left(going)
            self._learn(going)

    def learn_pulse(self, start: NDArray[np.float64]) -> None:
        """Learn what the pulse brings with it, from the loudest sound before the first echo.

        A loudspeaker that ripples or is dull sends more than the pulse: a direct sound has the
        same beside it as each echo, at the same distance and in the same share. What was found
        there, and what is left around it out of the noise, is held against all echoes.

        Parameters
        ----------
        start : ndarray of float64, shape (profiles,)
            The bin from which on a sound is an echo.
        """
        before = self._position < start[self._profile]
        for profile in np.flatnonzero(np.bincount(self._profile[before]) > 1).tolist():
            first, last = self._start[profile : profile + 2]
            self._learn_pulse_of(
                profile, first + np.flatnonzero(before[first:last]), start[profile]
            )

    def _learn_pulse_of(self, profile: int, before: NDArray[np.intp], start: float) -> None:
        planned, position = self._planned, self._position
        loudest = before[self._strength[before].argmax()]
        most = math.ceil(FLANK_LOBES * planned.lobe_bins)
        reach = min(most, math.floor(start - planned.lobe_bins - position[loudest]))
        beside = before[np.abs(position[before] - position[loudest]) <= reach]
        beside = beside[beside != loudest]
        if beside.size == 0:
            return
        lag = np.arange(-reach, reach + 1)
        bins = round(position[loudest]) + lag
        known = (bins >= 0) & (bins < planned.bins)
        bins = _within(bins, 0, planned.bins - 1)
        copies = planned.table.lags(bins - position[beside, np.newaxis])[0]
        brought = self._left_padded[profile, bins + KERNEL_HALF] + self._gain[beside] @ copies
        power = brought.real**2 + brought.imag**2
        known &= power > self._threshold_at(np.full(bins.size, profile), bins)
        share = np.where(known, np.sqrt(power), 0.0) * (BROUGHT_MARGIN / self._strength[loudest])
        half = math.ceil(planned.lobe_bins / 2)
        around = np.lib.stride_tricks.sliding_window_view(np.pad(share, half), 2 * half + 1)
        share = np.where(np.abs(lag) <= half, 0.0, around.max(axis=1))
        if self._brought is None:
            self._brought = np.zeros((self._profiles, 2 * most + 1))
        self._brought[profile, most - reach : most + reach + 1] = share
        self._loudest[profile] = loudest

    def listed(
        self,
    ) -> list[tuple[tuple[Peak, ...], NDArray[np.intp], NDArray[np.float64]]]:
        """Each profile's echoes, nearest first, with the stretches that they are in, and powers."""
        planned = self._planned
        shape = planned.shape
        strength, stretch = self._strength, planned.grid.stretch_of[self._places()]
        stands = self._stands()
        snr_out = 2 * strength**2 / np.maximum(self._noise[self._profile, stretch], 1e-30)
        # The peak's power holds some of the noise's own. The noise is known from so
        # many cells only: its mean inverse, which the errors go by, is larger than
        # the inverse of its mean (JCGM 101:2008, 6.4.9, to first order).
        snr_own = np.maximum(snr_out - 2, 1.0)
        u_s = planned.u_at_one_s * np.sqrt((1 + planned.noise_doubt) / snr_own)
        u_s *= delay_excess(shape, snr_own)
        u_s = np.hypot(u_s, self._pull_s())
        second_s = SECOND_LOBES * shape.width_s * self._is_more_than_one(stands, snr_out)
        delay_bins = self._position - self._lead
        turns = planned.table.turns * self._position + shape.carrier_hz * shape.bin_s * delay_bins
        phase = np.angle(self._gain * np.exp(2j * np.pi * turns))
        order = np.lexsort((self._position, self._profile))
        kept = order[stands[order]]
        peaks = tuple(
            Peak(
                delay_s=delay_s,
                u_delay_s=u_delay_s,
                amplitude=amplitude,
                phase_rad=rad,
                snr=snr,
                u_second_s=u_second_s,
            )
            for delay_s, u_delay_s, amplitude, rad, snr, u_second_s in zip(
                (delay_bins * shape.bin_s)[kept].tolist(),
                u_s[kept].tolist(),
                strength[kept].tolist(),
                phase[kept].tolist(),
                (snr_out / shape.efficiency)[kept].tolist(),
                second_s[kept].tolist(),
                strict=True,
            )
        )
        start = starts_of(self._profile[kept], self._profiles).tolist()
        stretch, power = stretch[kept], strength[kept] ** 2
        return [(peaks[a:b], stretch[a:b], power[a:b]) for a, b in itertools.pairwise(start)]

    def _is_more_than_one(
        self, stands: NDArray[np.bool_], snr_out: NDArray[np.float64]
    ) -> NDArray[np.bool_]:
        """Say which echoes are no copy of the pulse, nor of any other sound of their profile.

        Parameters
        ----------
        stands : ndarray of bool, shape (echoes,)
            Which stand out. Others within a lobe of one were found in it, and count as its own.
        snr_out : ndarray of float64, shape (echoes,)
        """
        more = np.zeros(stands.size, dtype=bool)
        looked_at = np.flatnonzero(stands & (snr_out > COMPARED_SNR))
        if looked_at.size == 0:
            return more
        planned, lobe = self._planned, self._planned.lobe_bins
        offset = COMPARED_LOBES * lobe
        copy = planned.table.lags(offset)[0]
        of_copy = float(np.sum(copy.real**2 + copy.imag**2))
        cells = max(1.0, 2 * lobe * planned.shape.bin_s / independent_s(planned.shape))
        surely = 1 + NO_COPY_SURELY / math.sqrt(cells)
        # Most are seen at a glance to leave nothing.
        looked_at = looked_at[self._may_be_more(looked_at, stands, snr_out, of_copy)]
        if looked_at.size == 0:
            return more
        own = self._around(looked_at, stands, offset)
        energy = np.sum(own.real**2 + own.imag**2, axis=1)
        noise = offset.size * 2 * self._strength[looked_at] ** 2 / snr_out[looked_at] / energy
        least = NO_COPY**2 + noise * surely
        bodies = single_bodies(planned)
        explained = (np.abs(own @ bodies.conj().T) ** 2).max(axis=1)
        for one in np.flatnonzero(1 - explained / energy > least):
            echo = looked_at[one]
            others = np.flatnonzero(stands & (snr_out > COMPARED_SNR))
            others = others[self._profile[others] == self._profile[echo]]
            others = others[np.abs(self._position[others] - self._position[echo]) > lobe]
            others = others[np.argsort(-self._strength[others], kind="stable")[:MOST_COMPARED]]
            its = self._around(others, stands, offset)
            both = np.sum(its.real**2 + its.imag**2, axis=1) * energy[one]
            alike_in = np.abs(its.conj() @ own[one]) ** 2 / both
            more[echo] = bool((1 - alike_in > least[one]).all())
        return more

    def _may_be_more(
        self,
        echoes: NDArray[np.intp],
        stands: NDArray[np.bool_],
        snr_out: NDArray[np.float64],
        of_copy: float,
    ) -> NDArray[np.bool_]:
        """Say which echoes left more than half of what counts, or have others found in them."""
        planned = self._planned
        offset = np.rint(COMPARED_LOBES * planned.lobe_bins).astype(np.intp)
        bins = np.rint(self._position[echoes]).astype(np.intp)[:, np.newaxis] + offset
        bins = _within(bins, 0, planned.bins - 1)
        left = self._power[self._profile[echoes, np.newaxis], bins].sum(axis=1, dtype=np.float64)
        noise = offset.size * 2 / snr_out[echoes] / of_copy
        may_be = left / (self._strength[echoes] ** 2 * of_copy) > NO_COPY**2 / 2 + noise
        hidden = np.flatnonzero(~stands)
        for echo in np.flatnonzero(~may_be) if hidden.size else ():
            beside = hidden[self._profile[hidden] == self._profile[echoes[echo]]]
            apart = np.abs(self._position[beside] - self._position[echoes[echo]])
            may_be[echo] = bool((apart < planned.lobe_bins).any())
        return np.asarray(may_be)

    def _around(
        self, echoes: NDArray[np.intp], stands: NDArray[np.bool_], offset: NDArray[np.float64]
    ) -> NDArray[np.complex128]:
        """Return some echoes about their tops, with what was found in them, less all others."""
        planned = self._planned
        here, echo, _ = pairs(self._profile[echoes], self._start)
        lag = self._position[echoes][here] - self._position[echo]
        part_of_it = (echo == echoes[here]) | ((np.abs(lag) < planned.lobe_bins) & ~stands[echo])
        here, echo, lag = here[part_of_it], echo[part_of_it], lag[part_of_it]
        place = _within(self._position[echoes, np.newaxis] + offset, 0, planned.bins - 1)
        profile = np.broadcast_to(self._profile[echoes, np.newaxis], place.shape)
        own = self._read(profile, place)[0]
        copies = planned.table.lags(lag[:, np.newaxis] + offset)[0]
        np.add.at(own, here, self._gain[echo, np.newaxis] * copies)
        return own

    def noise_threshold(self, false_alarm_rate: float) -> NDArray[np.float64]:
        """On power, at any rate, for each stretch: what noise alone passes so often.

        Shape (profiles, stretches).
        """
        planned = self._planned
        cells = planned.grid.cells
        rate = cell_rate(false_alarm_rate, planned.shape, cells=cells)
        factor = ordered_statistic_factor(rate, cells, rank_of(cells))
        least = np.maximum(self._rounding_power, -math.log(rate) * self._least_power)
        return np.asarray(np.maximum(self._ranked * factor, least[:, np.newaxis]))

    def _stands(self) -> NDArray[np.bool_]:
        """Say which echoes stand out of the noise, and of what stronger ones may have left."""
        strength, place = self._strength, self._places()
        echo, other, others = pairs(self._profile, self._start)
        left_by = self._left_by(other, place[echo])
        hidden = highest_each(np.where(strength[other] > strength[echo], left_by, 0), others)
        threshold = self._threshold_at(self._profile, place)
        return np.asarray((strength > hidden) & (strength**2 > threshold))

    def lobes_ahead(
        self, place: NDArray[np.float64], strength: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Return what later, stronger sounds' side lobes may add up to at some sounds' bins.

        Of a search of one profile. All of them together: whatever answers a pulse with many
        sounds, a room or a loudspeaker, does not answer before it, so that what stands ahead of
        its first sound is no more than the compressed pulse's own lobes at these lags, summed;
        as much of them as was there still where each was looked at.
        """
        planned = self._planned
        lag = self._position - place[:, np.newaxis]
        whole = np.clip(lag.astype(np.intp), 0, planned.ceiling.size - 1)
        later = (lag > planned.lobe_bins / 2) & (self._strength > strength[:, np.newaxis])
        return np.asarray((planned.ceiling[whole] * later) @ (self._strength * self._misfit))

    def threshold(self, noise_threshold: NDArray[np.float64]) -> NDArray[np.float64]:
        """On amplitude: the noise's threshold or what side lobes are left, the higher.

        Parameters
        ----------
        noise_threshold : ndarray of float64, shape (profiles, stretches)

        Returns
        -------
        ndarray of float64, shape (profiles, bins)
        """
        planned = self._planned
        threshold = np.sqrt(noise_threshold)[:, planned.grid.stretch_of]
        reach, bins = planned.ceiling_reach, planned.bins
        lag, place, profile = np.arange(-reach, reach + 1), self._places(), self._profile.tolist()
        at_once = max(1, _ROOM // lag.size)
        for first in range(0, place.size, at_once):
            some = np.arange(first, min(first + at_once, place.size))[:, np.newaxis]
            left_by = self._left_by(some, place[some] + lag)
            for echo, ceiling in enumerate(left_by, first):
                at = int(place[echo])
                start, stop = max(at - reach, 0), min(at + reach + 1, bins)
                part = threshold[profile[echo], start:stop]
                np.maximum(part, ceiling[start - at + reach : stop - at + reach], out=part)
        return threshold

    def _places(self) -> NDArray[np.intp]:
        """Return the bin that each echo is in."""
        return np.rint(self._position).astype(np.intp)

    def _threshold_at(
        self, profile: NDArray[np.intp], bins: NDArray[np.intp]
    ) -> NDArray[np.float64]:
        return np.asarray(self._threshold[profile, self._planned.grid.stretch_of[bins]])

    def _some(self, going: NDArray[np.intp]) -> NDArray[np.intp] | slice:
        """Return what takes these profiles out of all, without a copy where it is all of them."""
        return slice(None) if going.size == self._profiles else going

    def _of(self, going: NDArray[np.intp]) -> NDArray[np.bool_]:
        """Say which echoes are of these profiles."""
        if going.size == self._profiles:
            return np.ones(self._profile.size, dtype=bool)
        these = np.zeros(self._profiles, dtype=bool)
        these[going] = True
        return np.asarray(these[self._profile])

    def _power_of_left(self, going: NDArray[np.intp]) -> NDArray[np.float32]:
        left = self._left_padded[self._some(going), KERNEL_HALF:-KERNEL_HALF]
        return np.asarray(left.real**2 + left.imag**2)

    def _standing(
        self, going: NDArray[np.intp]
    ) -> tuple[NDArray[np.intp], NDArray[np.float64], NDArray[np.float64]]:
        """Return profiles, places and heights of the peaks that stand out of what is left."""
        planned, power = self._planned, self._power[self._some(going)]
        room = MOST_ECHOES - np.diff(self._start)[going]
        inner = power[:, 1:-1]
        # A peak between two bins is higher than either, by as much as a copy of the pulse
        # falls in half a bin, or a little more where noise adds to it.
        high = planned.half_bin**2
        least_power = _rounded_down(high * self._threshold[self._some(going)])
        stands = inner > least_power[:, planned.grid.stretch_of[1:-1]]
        stands &= inner >= power[:, :-2]
        stands &= inner > power[:, 2:]
        stands &= (room > 0)[:, np.newaxis]
        row, place = np.nonzero(stands)
        profile, place = going[row], place + 1
        least = np.sqrt(self._threshold_at(profile, place))
        behind = row[:0], place[:0].astype(np.float64), least[:0]
        if self._position.size:
            peak, echo, echoes = pairs(profile, self._start)
            left_by = highest_each(self._left_by(echo, place[peak]), echoes)
            np.maximum(least, left_by, out=least)
            kept = (power[row, place] > high * least**2) | (echoes == 0)
            hidden = np.sqrt(power[row[~kept], place[~kept]])
            behind = row[~kept], place[~kept].astype(np.float64), hidden
            row, profile, place, least = row[kept], profile[kept], place[kept], least[kept]
        if place.size == 0:
            return profile, np.empty(0), np.empty(0)
        looks_power = self._looks_power(profile, place)
        best = _within(looks_power.argmax(axis=1), 1, LOOKS.size - 2)
        rows = np.arange(place.size)
        before, at, after = (looks_power[rows, best + k].astype(np.float64) for k in (-1, 0, 1))
        bend = before - 2 * at + after
        slope = (before - after) / 2
        shift = _within(np.where(bend < 0, slope / np.where(bend < 0, bend, 1), 0), -1, 1)
        height = np.sqrt(np.maximum(at - slope * shift / 2, 0))
        where = place + LOOKS[best] + shift * (LOOKS[1] - LOOKS[0])
        stands = height > least
        if self._dropped.size:
            # What was found to be part of others would be found so again.
            dropped_start = starts_of(self._dropped_profile, self._profiles)
            peak, dropped, _ = pairs(profile, dropped_start)
            apart = np.abs(where[peak] - self._dropped[dropped])
            stands[peak[apart <= NEAREST_LOBES * planned.lobe_bins]] = False
        taken = stands & ~self._covered((row, where, height), behind)
        order = np.lexsort((-height, row))
        order = order[taken[order]]
        rank = np.arange(order.size) - starts_of(row[order], room.size)[row[order]]
        taken = order[rank < room[row[order]]]
        return profile[taken], where[taken], height[taken]

    def _looks_power(
        self, profile: NDArray[np.intp], place: NDArray[np.intp]
    ) -> NDArray[np.float32]:
        """Return the power of what is left at some looks about some bins, shape (bins, looks)."""
        planned = self._planned
        around = self._left_padded[
            profile[:, np.newaxis], place[:, np.newaxis] + (planned.taps + KERNEL_HALF)
        ]
        looks = np.empty((place.size, planned.looks.shape[1]), dtype=np.complex64)
        start = starts_of(profile, self._profiles)
        for index in alike(start, np.arange(self._profiles)):
            looks[index] = around[index] @ planned.looks
        return looks.real**2 + looks.imag**2

    def _covered(
        self,
        peaks: tuple[NDArray[np.intp], NDArray[np.float64], NDArray[np.float64]],
        behind: tuple[NDArray[np.intp], NDArray[np.float64], NDArray[np.float64]],
    ) -> NDArray[np.bool_]:
        """Say which peaks a higher one of their profile covers with its side lobes.

        That one may be covered itself, or stand `behind` what an echo left: it is none, or one
        that cannot be told yet, and then what its side lobes reach up to cannot either.

        Parameters
        ----------
        peaks, behind : tuple of ndarray, shape (peaks,)
            Row, place and height of each.
        """
        row, where, height = peaks
        covered = np.ones(row.size, dtype=bool)
        for profile in np.unique(row).tolist():
            its = np.flatnonzero(row == profile)
            # No more than the highest are looked at: of any number of peaks, in bounded room.
            its = its[np.argsort(-height[its], kind="stable")[: 2 * MOST_ECHOES]]
            here, high = where[its], height[its]
            near = (behind[0] == profile) & (behind[2] > high[-1])
            over = np.concatenate([high, behind[2][near]])[:, np.newaxis]
            lag = np.abs(np.concatenate([here, behind[1][near]])[:, np.newaxis] - here)
            covers = over * self._planned.ceiling[lag.astype(np.intp)] >= high
            covered[its] = (covers & (over > high)).any(axis=0)
        return covered

    def _fit(self, going: NDArray[np.intp], most_steps: NDArray[np.intp]) -> None:
        """Fit delays and strengths of all echoes of a profile together, and take them away.

        Parameters
        ----------
        going, most_steps : ndarray of int, shape (profiles,)
            Which profiles, and how often at the most.
        """
        lobe = self._planned.lobe_bins
        # Each step may go half as far as the one before: where sounds are no copies of the
        # pulse, echoes that explain them would else chase each other.
        farthest = lobe / 4
        steps = 0
        while going.size:
            moved = self._step(going, farthest)
            self._merge()
            self._take_away(going)
            steps += 1
            onward = ~(moved < STILL * lobe) & (steps < most_steps)
            going, most_steps = going[onward], most_steps[onward]
            farthest /= 2

    def _step(self, going: NDArray[np.intp], farthest: float) -> NDArray[np.float64]:
        """Take one step of Gauss and Newton; return how far an echo moved at the most.

        The strengths are solved for, then the delays, by what is left at each echo and how
        it slopes. In blocks of echoes in a row: what is between blocks is left to the next
        step.

        Returns
        -------
        ndarray of float64, shape (profiles,)
        """
        planned = self._planned
        lobe = planned.lobe_bins
        farthest_moved = np.zeros(self._profiles)
        gains, after = self._gain.copy(), self._position.copy()
        for index in alike(self._start, going):
            order = np.argsort(self._position[index], axis=1)
            index = index[:, :1] + order
            position = self._position[index]
            # An echo that would leave its own lobe stays in it.
            found = self._found[index]
            low = np.maximum(found - lobe / 2, 0) - position
            high = np.minimum(found + lobe / 2, planned.bins - 1) - position
            low, high = np.maximum(low, -farthest), np.minimum(high, farthest)
            step, gain = self._stepped(index, position, low, high)
            gains[index], after[index] = gain, position + step
            farthest_moved[self._profile[index[:, 0]]] = np.abs(step).max(axis=1)
        self._gain, self._position = gains, after
        self._strength = np.abs(gains)
        return np.asarray(farthest_moved[going])

    def _stepped(
        self,
        index: NDArray[np.intp],
        position: NDArray[np.float64],
        low: NDArray[np.float64],
        high: NDArray[np.float64],
    ) -> tuple[NDArray[np.float64], NDArray[np.complex128]]:
        """Return how far echoes of profiles with as many move in a step, and their gains then.

        Parameters
        ----------
        index : ndarray of int, shape (profiles, echoes)
            Each profile's nearest first.
        position : ndarray of float64, shape (profiles, echoes)
        low, high : ndarray of float64, shape (profiles, echoes)
            How far each may move.
        """
        profiles, echoes = index.shape
        value, slope, bow = self._read(self._profile[index], position)
        gain = self._gain[index]
        blocks = -(-echoes // MOST_TOGETHER)
        size = -(-echoes // blocks)
        # Those that fill up the last block stand alone, far away, with nothing left of them.
        spare = blocks * size - echoes
        if spare:
            far = np.broadcast_to(-1e9 * np.arange(1, spare + 1), (profiles, spare))
            position = np.concatenate([position, far], axis=1)
            nothing = np.zeros((profiles, spare))
            value, slope, bow, gain = (
                np.concatenate([each, nothing], axis=1) for each in (value, slope, bow, gain)
            )
            low, high = (np.concatenate([each, nothing], axis=1) for each in (low, high))
        position = position.reshape(-1, size)
        value, slope, bow, gain = (each.reshape(-1, size, 1) for each in (value, slope, bow, gain))
        low, high = (each.reshape(-1, size, 1) for each in (low, high))
        copies = self._planned.table.lags(position[:, :, np.newaxis] - position[:, np.newaxis])
        copy, copy_slope, copy_bend = copies
        alone = np.eye(size)
        copy = copy + _RIDGE * alone
        solved = np.linalg.solve(copy, np.concatenate([value, copy_slope], axis=2))
        gain = gain + solved[..., :1]
        slope = slope - copy_slope @ solved[..., :1]
        pull = (gain.conj() * slope).real
        # Where what is left is hollow at an echo, its top is sharper than a copy's.
        bow = bow - copy_bend @ solved[..., :1] - 2j * self._centre_rad * slope
        sharper = np.maximum(-(gain.conj() * bow).real, 0)
        bend = -copy_bend - copy_slope.conj().swapaxes(1, 2) @ solved[..., 1:]
        curvature = (gain.conj() * bend * gain.swapaxes(1, 2)).real
        damping = _DAMPING * self._curvature * (gain.real**2 + gain.imag**2) + 1e-30
        step = np.linalg.solve(curvature + (damping + sharper) * alone, pull)
        step = _within(step, low, high)
        # To first order in the step, but for the carrier's turn, which may be of radians.
        turn_rad = self._centre_rad * step
        gain = gain * (1 - 1j * turn_rad) + solved[..., 1:] @ (gain * step)
        gain = gain * np.exp(1j * turn_rad)
        return (
            step.reshape(profiles, -1)[:, :echoes],
            gain.reshape(profiles, -1)[:, :echoes],
        )

    def _read(
        self, profile: NDArray[np.intp], position: NDArray[np.float64]
    ) -> tuple[NDArray[np.complex128], NDArray[np.complex128], NDArray[np.complex128]]:
        """Return what is left at some places between bins, its slope and its bend, a bin."""
        planned = self._planned
        place = np.rint(position)
        window = self._left_padded[
            profile[..., np.newaxis],
            place.astype(np.intp)[..., np.newaxis] + (planned.taps + KERNEL_HALF),
        ]
        powers = powers_of(position - place)
        terms = window @ planned.reader
        slopes = terms[..., 1:] * _RISING
        bends = slopes[..., 1:] * _RISING[:-1]
        return (
            (terms * powers).sum(axis=-1),
            (slopes * powers[..., :-1]).sum(axis=-1),
            (bends * powers[..., :-2]).sum(axis=-1),
        )

    def _merge(self) -> None:
        """Drop an echo that has come so near to one found before it that they are one."""
        near = NEAREST_LOBES * self._planned.lobe_bins
        order = np.lexsort((self._position, self._profile))
        position = self._position[order]
        of_one = self._profile[1:] == self._profile[:-1]
        close = (of_one & (position[1:] - position[:-1] < near)).nonzero()[0]
        if close.size:
            kept = np.ones(order.size, dtype=bool)
            kept[np.maximum(order[close], order[close + 1])] = False
            self._keep(kept)

    def _take_away(self, going: NDArray[np.intp]) -> None:
        """Subtract the copies of all echoes of some profiles from their envelopes."""
        table, bins, at_once = self._planned.table, self._planned.bins, self._planned.at_once
        reach = table.reach_bins
        self._left_padded[self._some(going)] = self._padded[self._some(going)]
        left = self._left_padded[:, KERNEL_HALF:-KERNEL_HALF]
        for index in alike(self._start, going):
            place = np.rint(self._position[index])
            terms = self._gain[index][..., np.newaxis] * powers_of(place - self._position[index])
            terms = terms.astype(np.complex64)
            profiles, places = self._profile[index[:, 0]].tolist(), place.astype(int)
            for first in range(0, index.shape[1], at_once):
                some = slice(first, first + at_once)
                for row, there, copies in zip(
                    profiles, places[:, some].tolist(), terms[:, some] @ table.copies, strict=True
                ):
                    of_row = left[row]
                    for at, copy in zip(there, copies, strict=True):
                        start, stop = max(at - reach, 0), min(at + reach + 1, bins)
                        part = of_row[start:stop]
                        part -= copy[start - at + reach : stop - at + reach]

    def _learn(self, going: NDArray[np.intp]) -> None:
        """Learn from what is left how strong the noise is and how well the copies fit."""
        planned, some = self._planned, self._some(going)
        self._learnt_from[some] = self._power[some]
        ranked, middle = (
            each.astype(np.float64) for each in planned.grid.ranked(self._with_doubtful(going))
        )
        least_threshold = self._least_threshold[some, np.newaxis]
        self._ranked[some] = ranked
        self._noise[some] = np.maximum(middle * planned.mean_over_middle, self._least_power)
        self._threshold[some] = np.maximum(ranked * planned.threshold_over_ranked, least_threshold)
        echoes = self._of(going).nonzero()[0]
        if echoes.size:
            self._misfit[echoes] = self._misfits(echoes)

    def _with_doubtful(self, going: NDArray[np.intp]) -> NDArray[np.float32]:
        """Return the power of what is left, with the tops of echoes that may be noise."""
        power = self._power[self._some(going)]
        threshold = self._threshold_at(self._profile, self._places())
        weak = self._strength**2 < PUT_BACK * threshold
        doubtful = (weak & self._of(going)).nonzero()[0]
        if not doubtful.size:
            return power
        power = power.copy()
        planned = self._planned
        half, reach = math.ceil(planned.lobe_bins / 2), planned.table.reach_bins
        half = min(half, reach)
        start = starts_of(self._profile[doubtful], self._profiles)
        for index in alike(start, going):
            echo = doubtful[index]
            place = np.rint(self._position[echo])
            parts = powers_of(place - self._position[echo])
            terms = (self._gain[echo][..., np.newaxis] * parts).astype(np.complex64)
            tops = terms @ planned.table.copies[:, reach - half : reach + half + 1]
            bins = place.astype(np.intp)[..., np.newaxis] + np.arange(-half, half + 1)
            bins = _within(bins, 0, planned.bins - 1)
            profile = self._profile[echo][..., np.newaxis]
            tops += self._left_padded[profile, bins + KERNEL_HALF]
            power[np.searchsorted(going, profile), bins] = tops.real**2 + tops.imag**2
        return power

    def _pull_s(self) -> NDArray[np.float64]:
        """How far each echo may be off for those that it overlaps with."""
        planned = self._planned
        pull_s = np.empty(self._position.size)
        for index in alike(self._start, np.arange(self._profiles)):
            position, strength = self._position[index], self._strength[index]
            apart = np.abs(position[:, :, np.newaxis] - position[:, np.newaxis])
            near = apart < OVERLAP_LOBES * planned.lobe_bins
            np.einsum("kii->ki", near)[:] = False
            own = np.maximum(strength[:, :, np.newaxis], 1e-30)
            ratio = np.minimum(strength[:, np.newaxis] / own, 1.0) * near
            pull_s[index] = OVERLAP_PULL * planned.shape.width_s * np.sqrt((ratio**2).sum(axis=2))
        return pull_s

    def _misfits(self, echoes: NDArray[np.intp]) -> NDArray[np.float64]:
        """How much of some echoes' side lobes is still there once they were taken away.

        Near by the median counts, for an echo that is coloured or two in one; further out
        nine tenths of the flank. Another echo, still to be found, is the rest.
        """
        planned = self._planned
        lag = planned.flank
        if lag.size == 0:
            return np.ones(echoes.size)
        profile = self._profile[echoes, np.newaxis]
        bins = np.rint(self._position[echoes]).astype(np.intp)[:, np.newaxis] + lag
        outside = (bins < 0) | (bins >= planned.bins)
        bins = _within(bins, 0, planned.bins - 1)
        power = self._power[profile, bins]
        noise = self._noise[profile, planned.grid.stretch_of[bins]]
        strength = np.maximum(self._strength[echoes], 1e-30)
        lobes = strength[:, np.newaxis] * planned.ceiling[np.abs(lag)]
        # Noise alone passes its mean power in less than half of the bins, and ln 10 times
        # that in a tenth.
        near = planned.near
        typical = np.maximum(power[:, near] - noise[:, near], 0) / lobes[:, near] ** 2
        typical = _quantile(np.where(outside[:, near], np.inf, typical), 0.5)
        most = np.maximum(power - math.log(10) * noise, 0) / lobes**2
        most = _quantile(np.where(outside, np.inf, most), 0.9)
        # Three times the RMS of what is Rayleigh distributed, whose median square is ln 2 of
        # the mean square.
        misfit = np.maximum(3 / math.sqrt(math.log(2)) * np.sqrt(typical), 2.2 * np.sqrt(most))
        return _within(misfit, LEAST_MISFIT, planned.amplifies)

    def _left_by(self, echo: NDArray[np.intp], bins: NDArray[np.intp]) -> NDArray[np.float64]:
        """Ceiling of what echoes may have left behind.

        Parameters
        ----------
        echo : ndarray of int, shape (pairs,) or (echoes, 1)
            Which.
        bins : ndarray of int, shape (pairs,) or (echoes, bins)

        Returns
        -------
        ndarray of float64, the shape of `bins`
        """
        planned, lobe = self._planned, self._planned.lobe_bins
        strength = self._strength[echo]
        lag = np.abs(bins - self._position[echo])
        whole = np.minimum(lag.astype(np.intp), planned.ceiling.size - 1)
        ceiling = planned.ceiling[whole] * strength
        ceiling *= np.where(lag < lobe, 1.0, self._misfit[echo])
        if planned.far_lobes is not None:
            np.maximum(ceiling, strength * planned.far_lobes[whole], out=ceiling)
        if self._brought is not None:
            profile, most = self._profile[echo], self._brought.shape[1] // 2
            place = np.rint(bins - self._position[echo]).astype(np.intp) + most
            others = (place >= 0) & (place <= 2 * most) & (self._loudest[profile] != echo)
            share = self._brought[profile, _within(place, 0, 2 * most)]
            np.maximum(ceiling, np.where(others, strength * share, 0.0), out=ceiling)
        close = np.nonzero(lag < NEAR_LOBES * lobe)
        if close[0].size:
            echo, lag, at = echo.reshape(-1)[close[0]], lag[close], bins[close]
            strength = self._strength[echo]
            twin = np.rint(2 * self._position[echo] - at).astype(np.intp)
            other_side = self._excess(self._profile[echo], _within(twin, 0, planned.bins - 1))
            lobes = strength * planned.ceiling[whole[close]]
            near = np.minimum(MIRROR * other_side, lobes)
            wide = np.minimum(SKIRT_MIRROR * other_side, SKIRT_SHARE * strength)
            skirt = (lag > lobe / 2) & (lag < SKIRT_LOBES * lobe)
            near = np.where(skirt, np.maximum(near, wide), near)
            ceiling[close] = np.maximum(ceiling[close], near)
        return ceiling

    def _excess(self, profile: NDArray[np.intp], bins: NDArray[np.intp]) -> NDArray[np.float64]:
        """Return the highest of what is left within half a lobe of some bins, above the noise."""
        last = self._planned.bins - 1
        reach = max(1, round(self._planned.lobe_bins / 2))
        concerned = np.unique(profile)
        # Of few bins, or a short lobe, it is looked up; else all bins are gone over once.
        if bins.size * (2 * reach + 1) <= _LOOKED_UP * last * concerned.size:
            # What is beyond an end is said to be what is at the end, which is among them.
            around = _within(bins[:, np.newaxis] + np.arange(-reach, reach + 1), 0, last)
            return np.asarray(np.sqrt(self._over(profile[:, np.newaxis], around).max(axis=1)))
        highest = np.empty(bins.size)
        for one in concerned:
            its = profile == one
            highest[its] = _highest_within(self._over(one, np.arange(last + 1)), reach)[bins[its]]
        return np.sqrt(highest)

    def _over(self, profile: Any, bins: NDArray[np.intp]) -> NDArray[np.float64]:
        """Return by how much what is left exceeds the noise, on power, hardly ever passed by it."""
        noise = self._noise[profile, self._planned.grid.stretch_of[bins]]
        return np.asarray(np.maximum(self._learnt_from[profile, bins] - math.log(10) * noise, 0))


def _within(values: NDArray[Any], low: Any, high: Any) -> NDArray[Any]:
    """Return values held between two ends; of a few, in half of numpy.clip's time."""
    return np.asarray(np.minimum(np.maximum(values, low), high))


def _highest_within(values: NDArray[np.float64], reach: int) -> NDArray[np.float64]:
    """Return the highest of the values up to `reach` away from each."""
    wanted = 2 * reach + 1
    highest = np.pad(values, reach)
    width = 1
    while width < wanted:
        step = min(width, wanted - width)
        highest = np.maximum(highest[:-step], highest[step:])
        width += step
    return highest


def _rounded_down(values: NDArray[np.float64]) -> NDArray[np.float32]:
    """Return values in single precision: what is in that above one is above the other, too."""
    rounded = values.astype(np.float32)
    above = rounded > values
    rounded[above] = np.nextafter(rounded[above], np.float32(-np.inf))
    return rounded


def _quantile(values: NDArray[np.floating], share: float) -> NDArray[np.float64]:
    """Return the quantile of each row's finite values; 0 where there is none."""
    ranked = np.sort(values, axis=1)
    finite = np.isfinite(ranked).sum(axis=1)
    rank = np.maximum((share * (finite - 1)).astype(np.intp), 0)
    return np.where(finite > 0, ranked[np.arange(rank.size), rank], 0.0)
