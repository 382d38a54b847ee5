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

import functools
import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dsp.ping.compression import (
    POWERS,
    ROUNDING,
    EchoShape,
    LobeTable,
    lobe_table,
    powers_of,
)
from dsp.ping.noise import (
    NoiseGrid,
    cell_rate,
    level_rank_of,
    mean_over_ranked,
    noise_doubt,
    noise_grid,
    ordered_statistic_factor,
    rank_of,
    training_steps,
)
from dsp.ping.peaks import (
    KERNEL_HALF,
    LOOKS,
    Peak,
    bin_reader,
    delay_uncertainty_s,
    side_lobe_ceiling,
)

MOST_ECHOES = 100
"""No more echoes than this are looked for in one profile."""

MOST_ROUNDS = 10
"""No more often than this is a profile searched for what stands out of what is left."""

FLANK_LOBES = 12
"""How far from an echo its side lobes are looked at, to see how well a copy fits."""

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

PUT_BACK = 2.0
"""An echo of less than so many times the threshold may be noise, and counts as noise where
that is learnt: taken for an echo, it would lower the threshold of the next. Noise itself
passes twice a threshold of L times its mean with a chance of exp(-L) of what passes it."""

_SIDE_LOBE_MARGIN = 1.12  # 1 dB: what noise and interpolation may add to a side lobe
_DAMPING = 1e-3  # of an echo's own curvature: keeps two that stand in one place apart
_RIDGE = 1e-6  # and their strengths finite
_MATMUL_ALONE = 1 << 18
"""Products of matrices with fewer multiplications than this are not shared out among
threads, which takes longer than they do."""

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
    lead = 0 if ahead is None else ahead.size
    heard = envelope if ahead is None else np.concatenate([ahead, envelope])
    search = _searched(heard, shape, max(rates), before_only, least_noise, lead=lead)
    if search is None:
        return Found(
            peaks=(),
            passes=np.empty((len(rates), 0), dtype=bool),
            threshold=np.full(np.size(envelope), np.inf),
        )
    peaks, place, power = search.peaks_and_places()
    thresholds = [search.noise_threshold(rate) for rate in rates]
    passes = np.array([power > threshold[place] for threshold in thresholds])
    kept = [i for i, p in enumerate(peaks) if start_s <= p.delay_s <= stop_s]
    return Found(
        peaks=tuple(peaks[i] for i in kept),
        passes=passes.reshape(len(rates), -1)[:, kept],
        threshold=search.threshold(thresholds[0])[lead:],
        before=tuple(p for p in peaks if p.delay_s < start_s),
    )


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
    search = _searched(envelope, shape, false_alarm_rate, True, least_noise)
    if search is None:
        nothing = np.full(np.size(envelope), np.inf)
        return SoundsAhead(peaks=(), lobes=np.empty(0), threshold=nothing)
    peaks, place, power = search.peaks_and_places()
    return SoundsAhead(
        peaks=peaks,
        lobes=search.lobes_ahead(place, np.sqrt(power)),
        threshold=search.threshold(search.noise_threshold(false_alarm_rate)),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Planned:
    """What every search of profiles of one length and shape needs, made once.

    Attributes
    ----------
    reader : ndarray of float32, shape (taps, POWERS)
        Times the envelope around a bin, the polynomial that it is in that bin.
    looks : ndarray of complex64, shape (taps, looks)
        Times the same, the envelope at some places in the bin.
    at_once : int
        Of how many echoes copies are made at a time.
    ceiling : ndarray of float64, shape (bins,)
        What a copy of the pulse still reaches from each lag on.
    ceiling_reach : int
        The last lag at which an echo may have left more than rounding.
    far_lobes : ndarray of float64, shape (bins,), or None
        What an equalised echo of 1 may leave far off.
    near, flank : ndarray of int
        Lags, in bins, at which it is seen how well a copy fits.
    """

    shape: EchoShape
    bins: int
    table: LobeTable
    grid: NoiseGrid
    turn: NDArray[np.complex64]
    reader: NDArray[np.float32]
    looks: NDArray[np.float32]
    taps: NDArray[np.intp]
    at_once: int
    ceiling: NDArray[np.float64]
    ceiling_reach: int
    far_lobes: NDArray[np.float64] | None
    near: NDArray[np.intp]
    flank: NDArray[np.intp]
    lobe_bins: float
    half_bin: float
    amplifies: float
    u_at_one_s: float
    noise_doubt: float
    log_rate: float
    threshold_over_ranked: float
    mean_over_middle: float


@functools.lru_cache(maxsize=32)
def _planned(shape: EchoShape, bins: int, false_alarm_rate: float, before_only: bool) -> _Planned:
    grid = noise_grid(bins, *training_steps(shape), before_only=before_only)
    rate = cell_rate(false_alarm_rate, shape, cells=grid.cells)
    table = lobe_table(shape)
    lobe_bins = max(1.0, shape.width_s / shape.bin_s)
    amplifies = 1 / math.sqrt(shape.efficiency)
    taps, reader, looks = bin_reader()
    lag = np.arange(math.floor(lobe_bins) + 1, math.ceil(FLANK_LOBES * lobe_bins))
    lag = lag[lag < min(bins, table.reach_bins + 1)]
    flank = np.concatenate([-lag[::-1], lag])
    ceiling = side_lobe_ceiling(shape, bins) * _SIDE_LOBE_MARGIN
    far = _amplified_lobes(shape, bins, lobe_bins) if amplifies > 2 else None
    return _Planned(
        shape=shape,
        bins=bins,
        table=table,
        grid=grid,
        turn=np.exp(-2j * np.pi * table.turns * np.arange(bins)).astype(np.complex64),
        reader=reader,
        looks=looks,
        taps=taps,
        ceiling=ceiling,
        ceiling_reach=int(np.flatnonzero(ceiling >= ROUNDING)[-1]) if far is None else bins - 1,
        at_once=max(1, _MATMUL_ALONE // (POWERS * (2 * table.reach_bins + 1))),
        far_lobes=far,
        near=np.flatnonzero(np.abs(flank) < 4 * lobe_bins),
        flank=flank,
        lobe_bins=lobe_bins,
        half_bin=0.9 * float(abs(shape.at(shape.bin_s / 2))),
        amplifies=amplifies,
        u_at_one_s=delay_uncertainty_s(shape, 1.0),
        noise_doubt=noise_doubt(grid.cells, level_rank_of(grid.cells)),
        log_rate=math.log(rate),
        threshold_over_ranked=ordered_statistic_factor(rate, grid.cells, rank_of(grid.cells)),
        mean_over_middle=mean_over_ranked(grid.cells, level_rank_of(grid.cells)),
    )


def _amplified_lobes(shape: EchoShape, bins: int, lobe_bins: float) -> NDArray[np.float64]:
    """Return what an echo of 1 may leave far off, at a pulse's length say.

    How well a copy fits is seen on its flanks. Beyond them a filter that evens out a
    spectrum makes much of what is weak in it, where two sounds differ most.
    """
    from scipy.ndimage import maximum_filter1d

    reach = 2 * math.ceil(FLANK_LOBES * lobe_bins) + 1
    lobes = np.abs(shape.at_bins(0.0, bins)).astype(np.float64)
    lobes = maximum_filter1d(lobes, reach) / math.sqrt(shape.efficiency)
    lobes[:reach] = 0.0
    return np.asarray(lobes)


def _searched(
    envelope: NDArray[np.complexfloating],
    shape: EchoShape,
    false_alarm_rate: float,
    before_only: bool,
    least_noise: float,
    *,
    lead: int = 0,
) -> _Search | None:
    """Return the search of a profile once done; None where it is too short for one."""
    envelope = np.asarray(envelope)
    if envelope.size < 2 * KERNEL_HALF:
        return None
    planned = _planned(shape, envelope.size, false_alarm_rate, before_only)
    search = _Search(envelope, planned, least_noise, lead)
    for _ in range(MOST_ROUNDS):
        if not search.add_round():
            break
    # For the first sound in a room, which is drawn out, several that cancel each other
    # would be settled on, none of which is seen.
    search.settle(1 if before_only else MOST_STEPS)
    return search


class _Search:
    """Echoes taken away so far, and what is left of an envelope."""

    def __init__(
        self,
        envelope: NDArray[np.complexfloating],
        planned: _Planned,
        least_noise: float,
        lead: int,
    ) -> None:
        self._planned = planned
        self._lead = lead
        self._padded = np.zeros(planned.bins + 2 * KERNEL_HALF, dtype=np.complex64)
        self._envelope = self._padded[KERNEL_HALF:-KERNEL_HALF]
        np.multiply(envelope, planned.turn, out=self._envelope, casting="same_kind")
        self._left_padded = self._padded
        self._position = np.empty(0)
        self._found = np.empty(0)
        self._dropped = np.empty(0)
        self._gain: NDArray[np.complex128] = np.empty(0, dtype=np.complex128)
        self._curvature = planned.table.curvature
        self._centre_rad = planned.table.centre_rad
        self._strength = np.empty(0)
        self._misfit = np.empty(0)
        self._noise = self._threshold = np.empty(0)
        power = self._power_of_left()
        self._least_power = least_noise**2
        # Without any noise, as on a loopback wire, what is left of an echo is the rounding
        # of single precision and of the interpolation.
        self._rounding_power = ROUNDING**2 * float(power.max())
        self._least_threshold = max(self._rounding_power, -planned.log_rate * self._least_power)
        self._learn(power)

    def add_round(self) -> bool:
        """Take away the peaks that now stand out; say whether there were any."""
        new, height = self._standing()
        if new.size == 0:
            return False
        if self._position.size:
            # What was found at first in another's side lobe may stand beside its true place.
            near = np.abs(self._position[:, np.newaxis] - new) < (
                NEAREST_LOBES * self._planned.lobe_bins
            )
            outdone = near & (self._strength[:, np.newaxis] < height)
            self._keep(np.asarray(~outdone.any(axis=1)))
        self._position = np.concatenate([self._position, new])
        self._found = np.concatenate([self._found, new])
        self._gain = np.concatenate([self._gain, np.zeros(new.size)])
        self._fit(1)
        self._learn(self._power_of_left())
        self._drop_weak()
        return True

    def _drop_weak(self) -> None:
        """Drop echoes that shrank below the noise once their neighbours were known.

        Of two that share a weak peak, the one found first has it all.
        """
        weak = self._strength**2 <= self._threshold[np.rint(self._position).astype(np.intp)]
        if not weak.any():
            return
        apart = np.abs(self._position[:, np.newaxis] - self._position)
        later = np.tri(weak.size, k=-1, dtype=bool)
        near = later & (apart < self._planned.lobe_bins)
        shared = weak & near[weak].any(axis=0) & ~near.any(axis=1)
        self._keep(~weak | shared)
        self._take_away()
        if shared.any():
            self._fit(1)
        # They were below the noise: what was learnt of it and of how copies fit, still holds.
        self._power = self._power_of_left()

    def settle(self, most_steps: int) -> None:
        """Fit all echoes until they stand still."""
        if self._position.size == 0:
            return
        self._fit(max(1, min(most_steps, MOST_SETTLED // self._position.size)))
        self._learn(self._power_of_left())

    def peaks(self) -> tuple[Peak, ...]:
        """All echoes found, nearest first."""
        return self.peaks_and_places()[0]

    def peaks_and_places(
        self,
    ) -> tuple[tuple[Peak, ...], NDArray[np.intp], NDArray[np.float64]]:
        """All echoes found, nearest first, with their bins and their powers."""
        if self._position.size == 0:
            return (), np.empty(0, dtype=np.intp), np.empty(0)
        planned = self._planned
        shape = planned.shape
        strength = self._strength
        order = np.argsort(self._position)
        stands = self._stands()
        place = np.rint(self._position).astype(np.intp)
        snr_out = 2 * strength**2 / np.maximum(self._noise[place], 1e-30)
        # The peak's power holds some of the noise's own. The noise is known from so
        # many cells only: its mean inverse, which the errors go by, is larger than
        # the inverse of its mean (JCGM 101:2008, 6.4.9, to first order).
        u_s = planned.u_at_one_s * np.sqrt((1 + planned.noise_doubt) / np.maximum(snr_out - 2, 1.0))
        u_s = np.hypot(u_s, self._pull_s())
        delay_bins = self._position - self._lead
        turns = planned.table.turns * self._position + shape.carrier_hz * shape.bin_s * delay_bins
        phase = np.angle(self._gain * np.exp(2j * np.pi * turns))
        kept = order[stands[order]]
        peaks = tuple(
            Peak(delay_s=delay_s, u_delay_s=u_delay_s, amplitude=amplitude, phase_rad=rad, snr=snr)
            for delay_s, u_delay_s, amplitude, rad, snr in zip(
                (delay_bins * shape.bin_s)[kept].tolist(),
                u_s[kept].tolist(),
                strength[kept].tolist(),
                phase[kept].tolist(),
                (snr_out / shape.efficiency)[kept].tolist(),
                strict=True,
            )
        )
        return peaks, place[kept], strength[kept] ** 2

    def noise_threshold(self, false_alarm_rate: float) -> NDArray[np.float64]:
        """On power, at any rate: what noise alone passes so often."""
        planned = self._planned
        cells = planned.grid.cells
        rate = cell_rate(false_alarm_rate, planned.shape, cells=cells)
        factor = ordered_statistic_factor(rate, cells, rank_of(cells))
        least = max(self._rounding_power, -math.log(rate) * self._least_power)
        return np.asarray(np.maximum(self._ranked * factor, least)[planned.grid.stretch_of])

    def _stands(self) -> NDArray[np.bool_]:
        """Say which echoes stand out of the noise, and of what stronger ones may have left."""
        strength, place = self._strength, np.rint(self._position).astype(np.intp)
        left_by = self._left_by(place)
        hidden = np.where(strength[:, np.newaxis] > strength, left_by, 0).max(axis=0)
        return np.asarray((strength > hidden) & (strength**2 > self._threshold[place]))

    def lobes_ahead(
        self, place: NDArray[np.intp], strength: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Return what later, stronger sounds' side lobes may add up to at some sounds' bins.

        All of them together: whatever answers a pulse with many sounds, a room or a
        loudspeaker, does not answer before it, so that what stands ahead of its first sound
        is no more than the compressed pulse's own lobes at these lags, summed; as much of
        them as was there still where each was looked at.
        """
        planned = self._planned
        lag = self._position - place[:, np.newaxis]
        whole = np.clip(lag.astype(np.intp), 0, planned.ceiling.size - 1)
        later = (lag > planned.lobe_bins / 2) & (self._strength > strength[:, np.newaxis])
        return np.asarray((planned.ceiling[whole] * later) @ (self._strength * self._misfit))

    def _keep(self, kept: NDArray[np.bool_]) -> None:
        """Drop all other echoes."""
        if not kept.all():
            self._dropped = np.concatenate([self._dropped, self._found[~kept]])
            self._position, self._found = self._position[kept], self._found[kept]
            self._gain, self._strength = self._gain[kept], self._strength[kept]
            if self._misfit.size == kept.size:
                self._misfit = self._misfit[kept]

    def threshold(self, noise_threshold: NDArray[np.float64]) -> NDArray[np.float64]:
        """On amplitude: the noise's threshold or what side lobes are left, the higher."""
        threshold = np.sqrt(noise_threshold)
        if self._position.size:
            reach, bins = self._planned.ceiling_reach, self._planned.bins
            place = np.rint(self._position).astype(np.intp)
            left_by = self._left_by(place[:, np.newaxis] + np.arange(-reach, reach + 1))
            for at, ceiling in zip(place.tolist(), left_by, strict=True):
                start, stop = max(at - reach, 0), min(at + reach + 1, bins)
                part = threshold[start:stop]
                np.maximum(part, ceiling[start - at + reach : stop - at + reach], out=part)
        return threshold

    def _power_of_left(self) -> NDArray[np.float32]:
        left = self._left_padded[KERNEL_HALF:-KERNEL_HALF]
        return left.real**2 + left.imag**2

    def _standing(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return places and heights of the peaks that stand out of what is left."""
        planned, power = self._planned, self._power
        room = MOST_ECHOES - self._position.size
        inner = power[1:-1]
        # A peak between two bins is higher than either, by as much as a copy of the pulse
        # falls in half a bin, or a little more where noise adds to it.
        high = planned.half_bin**2
        stands = inner > high * self._threshold[1:-1]
        stands &= inner >= power[:-2]
        stands &= inner > power[2:]
        place = np.flatnonzero(stands) + 1
        if place.size == 0 or room <= 0:
            return np.empty(0), np.empty(0)
        least = np.sqrt(self._threshold[place])
        if self._position.size:
            np.maximum(least, self._left_by(place).max(axis=0), out=least)
            kept = power[place] > high * least**2
            place, least = place[kept], least[kept]
        window = self._left_padded[place[:, np.newaxis] + (planned.taps + KERNEL_HALF)]
        looks = window @ planned.looks
        looks_power = looks.real**2 + looks.imag**2
        best = _within(looks_power.argmax(axis=1), 1, LOOKS.size - 2)
        rows = np.arange(place.size)
        before, at, after = (looks_power[rows, best + k].astype(np.float64) for k in (-1, 0, 1))
        bend = before - 2 * at + after
        slope = (before - after) / 2
        shift = np.where(bend < 0, slope / np.where(bend < 0, bend, 1), 0).clip(-1, 1)
        height = np.sqrt(np.maximum(at - slope * shift / 2, 0))
        where = place + LOOKS[best] + shift * (LOOKS[1] - LOOKS[0])
        stands = height > least
        if self._dropped.size:
            # What was found to be part of others would be found so again.
            apart = np.abs(where[:, np.newaxis] - self._dropped).min(axis=1)
            stands &= apart > NEAREST_LOBES * planned.lobe_bins
        order = np.argsort(-height, kind="stable")
        order = order[stands[order]][: 2 * MOST_ECHOES]
        where, height = where[order], height[order]
        lag = np.abs(where[:, np.newaxis] - where).astype(np.intp)
        covers = height[:, np.newaxis] * planned.ceiling[lag] >= height
        free = np.ones(where.size, dtype=bool)
        taken = []
        for i in range(where.size):
            if free[i]:
                taken.append(i)
                if len(taken) == room:
                    break
                free &= ~covers[i]
        return where[taken], height[taken]

    def _fit(self, most_steps: int) -> None:
        """Fit delays and strengths of all echoes together, and take them away."""
        lobe = self._planned.lobe_bins
        # Each step may go half as far as the one before: where sounds are no copies of the
        # pulse, echoes that explain them would else chase each other.
        farthest = lobe / 4
        for _ in range(most_steps):
            moved = self._step(farthest)
            self._merge()
            self._take_away()
            if moved < STILL * lobe:
                break
            farthest /= 2

    def _step(self, farthest: float) -> float:
        """Take one step of Gauss and Newton; return how far an echo moved at the most.

        The strengths are solved for, then the delays, by what is left at each echo and how
        it slopes. In blocks of echoes in a row: what is between blocks is left to the next
        step.
        """
        planned = self._planned
        lobe = planned.lobe_bins
        value, slope, bow = self._read(self._position)
        echoes = self._position.size
        blocks = -(-echoes // MOST_TOGETHER)
        size = -(-echoes // blocks)
        # Those that fill up the last block stand alone, far away, with nothing left of them.
        spare = blocks * size - echoes
        order = np.argsort(self._position)
        position = self._position[order]
        value, slope, bow, gain = (each[order] for each in (value, slope, bow, self._gain))
        if spare:
            position = np.concatenate([position, -1e9 * np.arange(1, spare + 1)])
            value, slope, bow, gain = (
                np.concatenate([each, np.zeros(spare)]) for each in (value, slope, bow, gain)
            )
        position = position.reshape(blocks, size)
        value, slope, bow, gain = (
            each.reshape(blocks, size, 1) for each in (value, slope, bow, gain)
        )
        copies = planned.table.lags(position[:, :, np.newaxis] - position[:, np.newaxis])
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
        step = _within(step, -farthest, farthest)
        gain = gain + solved[..., 1:] @ (gain * step)
        step, gain = step.reshape(-1)[:echoes], gain.reshape(-1)[:echoes]
        before = self._position
        found = self._found
        after = np.empty_like(before)
        after[order] = before[order] + step
        # An echo that would leave its own lobe stays in it.
        after = _within(_within(after, found - lobe / 2, found + lobe / 2), 0, planned.bins - 1)
        self._gain = np.empty(echoes, dtype=np.complex128)
        self._gain[order] = gain
        self._strength = np.abs(self._gain)
        self._position = after
        return float(np.abs(after - before).max())

    def _read(
        self, position: NDArray[np.float64]
    ) -> tuple[NDArray[np.complex128], NDArray[np.complex128], NDArray[np.complex128]]:
        """Return what is left at some places between bins, its slope and its bend, a bin."""
        planned = self._planned
        place = np.rint(position)
        window = self._left_padded[
            place.astype(np.intp)[:, np.newaxis] + (planned.taps + KERNEL_HALF)
        ]
        powers = powers_of(position - place)
        terms = window @ planned.reader
        slopes = terms[:, 1:] * _RISING
        bends = slopes[:, 1:] * _RISING[:-1]
        return (
            (terms * powers).sum(axis=1),
            (slopes * powers[:, :-1]).sum(axis=1),
            (bends * powers[:, :-2]).sum(axis=1),
        )

    def _merge(self) -> None:
        """Drop an echo that has come so near to one found before it that they are one."""
        near = NEAREST_LOBES * self._planned.lobe_bins
        order = np.argsort(self._position)
        position = self._position[order]
        close = np.flatnonzero(position[1:] - position[:-1] < near)
        if close.size:
            kept = np.ones(order.size, dtype=bool)
            kept[np.maximum(order[close], order[close + 1])] = False
            self._keep(kept)

    def _take_away(self) -> None:
        """Subtract the copies of all echoes from the envelope."""
        table, bins = self._planned.table, self._planned.bins
        place = np.rint(self._position)
        terms = self._gain[:, np.newaxis] * powers_of(place - self._position)
        terms = terms.astype(np.complex64)
        self._left_padded = self._padded.copy()
        left, reach = self._left_padded[KERNEL_HALF:-KERNEL_HALF], table.reach_bins
        places = place.astype(int).tolist()
        for first in range(0, len(places), self._planned.at_once):
            some = slice(first, first + self._planned.at_once)
            for at, copy in zip(places[some], terms[some] @ table.copies, strict=True):
                start, stop = max(at - reach, 0), min(at + reach + 1, bins)
                left[start:stop] -= copy[start - at + reach : stop - at + reach]

    def _learn(self, power: NDArray[np.float32]) -> None:
        """Learn from what is left how strong the noise is and how well the copies fit."""
        planned = self._planned
        self._power = power
        cells = planned.grid.ranked(self._with_doubtful(power))
        ranked, middle = (each.astype(np.float64) for each in cells)
        self._ranked = ranked
        noise = np.maximum(middle * planned.mean_over_middle, self._least_power)
        threshold = np.maximum(ranked * planned.threshold_over_ranked, self._least_threshold)
        self._noise = noise[planned.grid.stretch_of]
        self._threshold = threshold[planned.grid.stretch_of]
        if self._position.size:
            self._misfit = self._misfits()
            excess = np.maximum(power - math.log(10) * self._noise, 0)
            reach = max(1, round(planned.lobe_bins / 2))
            self._excess = np.sqrt(_highest_within(excess, reach))

    def _with_doubtful(self, power: NDArray[np.float32]) -> NDArray[np.float32]:
        """Return the power of what is left, with the tops of echoes that may be noise."""
        if self._position.size == 0:
            return power
        place = np.rint(self._position).astype(np.intp)
        doubtful = self._strength**2 < PUT_BACK * self._threshold[place]
        if not doubtful.any():
            return power
        planned, place = self._planned, place[doubtful]
        half, reach = math.ceil(planned.lobe_bins / 2), planned.table.reach_bins
        half = min(half, reach)
        parts = powers_of(place - self._position[doubtful])
        terms = (self._gain[doubtful, np.newaxis] * parts).astype(np.complex64)
        tops = terms @ planned.table.copies[:, reach - half : reach + half + 1]
        bins = place[:, np.newaxis] + np.arange(-half, half + 1)
        bins = _within(bins, 0, planned.bins - 1)
        tops += self._left_padded[bins + KERNEL_HALF]
        power = power.copy()
        power[bins] = tops.real**2 + tops.imag**2
        return power

    def _pull_s(self) -> NDArray[np.float64]:
        """How far each echo may be off for those that it overlaps with."""
        planned, strength = self._planned, self._strength
        apart = np.abs(self._position[:, np.newaxis] - self._position)
        near = apart < OVERLAP_LOBES * planned.lobe_bins
        np.einsum("ii->i", near)[:] = False
        ratio = np.minimum(strength / np.maximum(strength[:, np.newaxis], 1e-30), 1.0) * near
        return np.asarray(OVERLAP_PULL * planned.shape.width_s * np.sqrt((ratio**2).sum(axis=1)))

    def _misfits(self) -> NDArray[np.float64]:
        """How much of each echo's side lobes is still there once it was taken away.

        Near by the median counts, for an echo that is coloured or two in one; further out
        nine tenths of the flank. Another echo, still to be found, is the rest.
        """
        planned = self._planned
        lag = planned.flank
        if lag.size == 0:
            return np.ones(self._position.size)
        bins = np.rint(self._position).astype(np.intp)[:, np.newaxis] + lag
        outside = (bins < 0) | (bins >= planned.bins)
        bins = _within(bins, 0, planned.bins - 1)
        power, noise = self._power[bins], self._noise[bins]
        lobes = np.maximum(self._strength, 1e-30)[:, np.newaxis] * planned.ceiling[np.abs(lag)]
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
        return np.asarray(misfit.clip(LEAST_MISFIT, planned.amplifies))

    def _left_by(self, bins: NDArray[np.intp]) -> NDArray[np.float64]:
        """Ceiling of what each echo may have left behind.

        Parameters
        ----------
        bins : ndarray of int, shape (bins,) or (echoes, bins)

        Returns
        -------
        ndarray of float64, shape (echoes, bins)
        """
        planned, lobe = self._planned, self._planned.lobe_bins
        strength = self._strength[:, np.newaxis]
        lag = np.abs(bins - self._position[:, np.newaxis])
        whole = np.minimum(lag.astype(np.intp), planned.ceiling.size - 1)
        ceiling = planned.ceiling[whole] * strength
        ceiling *= np.where(lag < lobe, 1.0, self._misfit[:, np.newaxis])
        if planned.far_lobes is not None:
            np.maximum(ceiling, strength * planned.far_lobes[whole], out=ceiling)
        echo, column = np.nonzero(lag < NEAR_LOBES * lobe)
        if echo.size:
            lag, strength = lag[echo, column], self._strength[echo]
            at = bins[column] if bins.ndim == 1 else bins[echo, column]
            twin = np.rint(2 * self._position[echo] - at).astype(np.intp)
            other_side = self._excess[_within(twin, 0, planned.bins - 1)]
            lobes = strength * planned.ceiling[whole[echo, column]]
            near = np.minimum(MIRROR * other_side, lobes)
            wide = np.minimum(SKIRT_MIRROR * other_side, SKIRT_SHARE * strength)
            skirt = (lag > lobe / 2) & (lag < SKIRT_LOBES * lobe)
            near = np.where(skirt, np.maximum(near, wide), near)
            ceiling[echo, column] = np.maximum(ceiling[echo, column], near)
        return ceiling


def _within(values: NDArray[Any], low: Any, high: Any) -> NDArray[Any]:
    """Return values held between two ends; of a few, in half of numpy.clip's time."""
    return np.asarray(np.minimum(np.maximum(values, low), high))


def _highest_within(values: NDArray[np.floating], reach: int) -> NDArray[np.floating]:
    """Return the highest of the values up to `reach` away from each."""
    wanted = 2 * reach + 1
    highest = np.zeros(values.size + 2 * reach)
    highest[reach:-reach] = values
    width = 1
    while width < wanted:
        step = min(width, wanted - width)
        highest = np.maximum(highest[:-step], highest[step:])
        width += step
    return highest


def _quantile(values: NDArray[np.floating], share: float) -> NDArray[np.float64]:
    """Return the quantile of each row's finite values; 0 where there is none."""
    ranked = np.sort(values, axis=1)
    finite = np.isfinite(ranked).sum(axis=1)
    rank = np.maximum((share * (finite - 1)).astype(np.intp), 0)
    return np.where(finite > 0, ranked[np.arange(rank.size), rank], 0.0)
