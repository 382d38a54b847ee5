"""Which peaks of a profile are echoes, and exactly where they stand.

Three steps. A threshold that follows the noise around each bin at a set
false-alarm rate; a search that takes the strongest echo away before it looks for
the next, so that side lobes are not taken for echoes; and the place of each peak
to a small part of a bin, by band-limited interpolation around it alone.

References
----------
H. Rohling, "Radar CFAR thresholding in clutter and multiple target situations",
*IEEE Trans. Aerosp. Electron. Syst.* 19, 1983, pp. 608–621.
J. Li and P. Stoica, "Efficient mixed-spectrum estimation with applications to
target feature extraction", *IEEE Trans. Signal Process.* 44, 1996, pp. 281–295:
take all other echoes away, re-estimate one, in turn.
"""

from __future__ import annotations

import dataclasses
import functools
import itertools
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.ping.compression import EchoShape

TRAINING_CELLS = 64
"""Independent cells from which the noise at a bin is learnt, where there are so many."""

RANK_SHARE = 0.75
"""The ordered-statistic threshold reads the cell at this share of the sorted ones:
a quarter of them may hold other echoes without lifting it."""

STRETCH = 4096
"""Of so many bins at a time the noise around them is sorted."""

MOST_ECHOES = 100
"""No more echoes than this are looked for in one profile."""

FLANK_LOBES = 12
"""How far from an echo its side lobes are looked at, to see how well a copy fits."""

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

SETTLE_LOBES = 2.5
MOST_SWEEPS = 12
STILL = 1e-3
MOST_SETTLED = 120
"""Echoes nearer than :data:`SETTLE_LOBES` to each other are re-estimated in turn until none
moves by more than :data:`STILL` of a lobe, but at most so often; many of them, as in a
room that rings, less often still, for time's sake: :data:`MOST_SETTLED` in all."""

ROUNDING = 1e-5
"""An envelope's own rounding, relative to its strongest bin: nothing weaker is an echo."""

FORERUN_S = 0.002
CLOSE_FORERUNNER_DB = -15.0
FORERUNNER_DB = -40.0
"""What comes less than :data:`FORERUN_S` ahead of another sound and is so much weaker
is taken to belong to it; further ahead it has to be weaker still. In measured rooms the
ringing ahead of the direct sound was at most −16 dB and 0.9 ms."""

_SIDE_LOBE_MARGIN = 1.12  # 1 dB: what noise and interpolation may add to a side lobe
_KERNEL_HALF = 16
_KERNEL_BETA = 12.0  # errors 100 dB down, but for 12 % of the band at each edge


@dataclass(frozen=True, slots=True, kw_only=True)
class Peak:
    """One echo as found in a profile.

    Attributes
    ----------
    delay_s : float
        From the profile's first bin.
    u_delay_s : float
        Standard uncertainty of the delay, from the SNR and the pulse's spectrum.
    amplitude : float
        Relative to full scale.
    phase_rad : float
        By which the echo's carrier is off from a copy of the pulse at `delay_s`.
    snr : float
        2E/N0, as a ratio: for a matched filter, twice the peak's power over
        the mean power of the noise around it.
    """

    delay_s: float
    u_delay_s: float
    amplitude: float
    phase_rad: float
    snr: float


def cell_averaging_factor(false_alarm_rate: float, cells: int) -> float:
    """Return the threshold over the mean power of `cells` independent cells.

    ``N (Pfa^(−1/N) − 1)`` for complex Gaussian noise.

    References
    ----------
    H. M. Finn and R. S. Johnson, *RCA Review* 29, 1968, pp. 414–464 (from memory).

    Examples
    --------
    >>> round(cell_averaging_factor(1e-6, 32), 3)
    17.278
    """
    _check_rate(false_alarm_rate)
    return cells * math.expm1(-math.log(false_alarm_rate) / cells)


@functools.lru_cache(maxsize=32)
def cell_rate(false_alarm_rate: float, shape: EchoShape, *, cells: int = TRAINING_CELLS) -> float:
    """Return how rarely one cell may pass a threshold that noise's peaks pass at a rate.

    A peak of noise stands anywhere between two cells, so that more peaks pass than
    cells do: for Gaussian noise of the power spectrum's RMS width β about its centre,
    β √(L/π) crossings a second for each cell, L being the threshold over the noise's
    mean power.

    Parameters
    ----------
    false_alarm_rate : float
        Peaks of noise to be listed for each independent bin, the inverse of the noise's
        bandwidth (Σw)²/Σw² long.
    shape : EchoShape
        Of one echo; its noise is meant.
    cells : int
        From which the ordered statistic learns the noise.

    References
    ----------
    S. O. Rice, "Mathematical analysis of random noise", *Bell Syst. Tech. J.* 24, 1945,
    sect. 3.8: how often an envelope crosses a level (from memory).
    """
    weights, offset_hz = shape.noise_weights, shape.offset_hz
    spread_hz2 = float(weights @ (offset_hz - weights @ offset_hz) ** 2)
    turns_rad = 2 * math.pi * math.sqrt(spread_hz2) * _independent_s(shape)
    left = cells - np.arange(_rank_of(cells))
    rate = false_alarm_rate
    # The crossings depend on the threshold by a root of a logarithm only: this converges
    # by a factor of ten a turn.
    for _ in range(8):
        factor = ordered_statistic_factor(rate, cells, left.size)
        # A noise that is taken for lower than it is lets more alarms pass: this is the mean
        # of L over those, the derivative of Rohling's log Pfa.
        level = float(np.sum(factor / (left + factor)))
        rate = false_alarm_rate / max(turns_rad * math.sqrt(level / math.pi), 1.0)
    return rate


@functools.lru_cache(maxsize=64)
def ordered_statistic_factor(false_alarm_rate: float, cells: int, rank: int) -> float:
    """Return the threshold over the `rank`-th smallest power of `cells` cells.

    Solves Pfa = ∏ (N − i)/(N − i + α), i from 0 to rank − 1, for α.

    References
    ----------
    Rohling 1983, eq. 37.
    """
    _check_rate(false_alarm_rate)
    if not 1 <= rank <= cells:
        raise ValueError(f"rank: found {rank}; give 1 to {cells}")
    left = cells - np.arange(rank)
    goal = math.log(false_alarm_rate)
    low, high = 0.0, 1.0
    while -float(np.log1p(high / left).sum()) > goal:
        high *= 2
    for _ in range(60):
        middle = (low + high) / 2
        if -float(np.log1p(middle / left).sum()) > goal:
            low = middle
        else:
            high = middle
    return high


def cell_averaging_threshold(
    power: NDArray[np.floating],
    *,
    false_alarm_rate: float,
    guard_bins: int,
    spacing_bins: int = 1,
    cells: int = TRAINING_CELLS,
) -> NDArray[np.float64]:
    """Threshold on power from the mean of the cells around each bin.

    Right in even noise; a strong echo among the cells lifts it and may hide its
    neighbours, and an edge in the noise fools it.

    Parameters
    ----------
    power : ndarray, shape (bins,)
    false_alarm_rate : float
        Chance that a bin of noise alone exceeds its threshold.
    guard_bins : int
        Bins left out on each side, that an echo in the middle may fill.
    spacing_bins : int
        From one cell to the next; so many that their noise is independent.
    cells : int
        Half of them on each side; at the profile's ends all on one.

    Returns
    -------
    ndarray of float64, shape (bins,)
    """
    cells = _cells_with_room(power.size, guard_bins, spacing_bins, cells)
    mean = np.empty(power.size)
    for bins, rows in _cell_rows(np.asarray(power), guard_bins, spacing_bins, cells):
        mean[bins] = rows.mean(axis=1, dtype=np.float64)
    return mean * cell_averaging_factor(false_alarm_rate, cells)


def ordered_statistic_threshold(
    power: NDArray[np.floating],
    *,
    false_alarm_rate: float,
    guard_bins: int,
    spacing_bins: int = 1,
    cells: int = TRAINING_CELLS,
    before_only: bool = False,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Threshold on power from one of the sorted cells around each bin.

    Up to a quarter of the cells may hold other echoes. Parameters as for
    :func:`cell_averaging_threshold`, and:

    Parameters
    ----------
    before_only : bool
        Take the cells before a bin, as far as there are any: what arrives first
        stands out against the quiet before it, not against the room's answer.

    Returns
    -------
    threshold : ndarray of float64, shape (bins,)
    noise_power : ndarray of float64, shape (bins,)
        Mean power of the noise that the same cells tell of.
    """
    cells = _cells_with_room(power.size, guard_bins, spacing_bins, cells)
    rank = _rank_of(cells)
    ranked = np.empty(power.size)
    for bins, rows in _cell_rows(
        np.asarray(power), guard_bins, spacing_bins, cells, before_only=before_only
    ):
        rows.partition(rank - 1, axis=1)
        ranked[bins] = rows[:, rank - 1]
    # The rank-th smallest of N exponential variables has the mean Σ 1/(N − i).
    mean_over_ranked = float(np.sum(1 / (cells - np.arange(rank))))
    threshold = ranked * ordered_statistic_factor(false_alarm_rate, cells, rank)
    return threshold, ranked / mean_over_ranked


def noise_doubt(cells: int) -> float:
    """Relative variance of the noise power that one of the sorted cells tells of.

    Examples
    --------
    >>> round(noise_doubt(64), 3)
    0.024

    References
    ----------
    The rank-th smallest of N exponential variables has the mean Σ 1/(N − i) and the
    variance Σ 1/(N − i)²: A. Rényi, "On the theory of order statistics", *Acta Math.
    Acad. Sci. Hung.* 4, 1953 (from memory).
    """
    steps = 1 / (cells - np.arange(_rank_of(cells)))
    return float((steps @ steps) / steps.sum() ** 2)


def interpolated(
    envelope: NDArray[np.complexfloating],
    position: NDArray[np.float64],
    *,
    centre_turns: float = 0.0,
) -> NDArray[np.complex128]:
    """Values of a band-limited envelope between its bins.

    A sinc over 32 bins, about the spectrum's centre, under a window that is the
    exponential of a half circle: as good as Kaiser's and cheaper.

    Parameters
    ----------
    envelope : ndarray of complex, shape (bins,)
    position : ndarray of float64, any shape
        In bins.
    centre_turns : float
        Centre of the envelope's spectrum, in turns a bin.

    Returns
    -------
    ndarray of complex128, the shape of `position`

    References
    ----------
    A. H. Barnett, J. Magland and L. af Klinteberg, "A parallel nonuniform fast
    Fourier transform library based on an exponential of semicircle kernel",
    *SIAM J. Sci. Comput.* 41, 2019, C479–C504 (the window; from memory).
    """
    near = np.floor(position).astype(int)
    steps = np.arange(1 - _KERNEL_HALF, _KERNEL_HALF + 1)
    index = near[..., np.newaxis] + steps
    if near.size and near.min() >= _KERNEL_HALF - 1 and near.max() < envelope.size - _KERNEL_HALF:
        taken = envelope[index]
    else:
        inside = (index >= 0) & (index < envelope.size)
        taken = np.where(inside, envelope[np.clip(index, 0, envelope.size - 1)], 0)
    away = position[..., np.newaxis] - index
    half_circle = np.sqrt(np.maximum(0, 1 - (away / _KERNEL_HALF) ** 2))
    kernel = np.sinc(away) * np.exp(_KERNEL_BETA * (half_circle - 1))
    turned = kernel * np.exp(2j * np.pi * centre_turns * away)
    return np.asarray((taken * turned).sum(axis=-1), dtype=np.complex128)


def refined(
    envelope: NDArray[np.complexfloating],
    index: NDArray[np.integer] | NDArray[np.floating],
    *,
    lobe_bins: float,
    centre_turns: float = 0.0,
    nearly: bool = False,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Place and height of the maxima of ``abs(envelope)`` near some bins.

    Parameters
    ----------
    envelope : ndarray of complex, shape (bins,)
    index : ndarray, shape (peaks,)
        Bins within one bin of a maximum, or places nearly there.
    lobe_bins : float
        Width of an echo's main lobe at half amplitude.
    centre_turns : float
        As for :func:`interpolated`.
    nearly : bool
        The places are within a thirty-second of a lobe already: no coarse look first.

    Returns
    -------
    position : ndarray of float64, shape (peaks,)
        In bins; never outside the envelope.
    magnitude : ndarray of float64, shape (peaks,)
    """
    position = np.asarray(index, dtype=np.float64)
    magnitude = np.zeros(position.size)
    # A coarse look about the bin, then parabolas through three points each: once they are
    # centred, the lobe is even about them. The points have to be close, for the pulse with
    # hard edges has a lobe whose very tip alone is round; rounding in single precision
    # still is a thousandth of what lies between them.
    lobe = max(lobe_bins, 4.0)
    looks = ((8, lobe / 32), (1, lobe / 32), (1, lobe / 64))
    for half_steps, step in looks[1:] if nearly else looks:
        offsets = np.arange(-half_steps, half_steps + 1) * step
        grid = np.abs(
            interpolated(envelope, position[:, np.newaxis] + offsets, centre_turns=centre_turns)
        )
        best = np.clip(grid.argmax(axis=1), 1, offsets.size - 2)
        rows = np.arange(position.size)
        before, at, after = (grid[rows, best + k] ** 2 for k in (-1, 0, 1))
        bend = before - 2 * at + after
        curved = bend < 0
        slope = (before - after) / 2
        shift = np.where(curved, slope / np.where(curved, bend, 1), 0).clip(-1, 1)
        position = np.clip(position + offsets[best] + shift * step, 0, max(envelope.size - 1, 0))
        magnitude = np.sqrt(np.maximum(at - slope * shift / 2, 0))
    return position, magnitude


@functools.lru_cache(maxsize=32)
def side_lobe_ceiling(shape: EchoShape, bins: int) -> NDArray[np.float64]:
    """Highest that a compressed echo of amplitude 1 still reaches from each lag on.

    Returns
    -------
    ndarray of float64, shape (bins,)
        Falls from 1; entry ``i`` is for lags of ``i * bin_s`` and more.
    """
    finer = 4
    lags = np.arange(min(bins, shape.cycle_bins // 2) * finer) * shape.bin_s / finer
    spectrum = np.zeros(finer * shape.cycle_bins, dtype=np.complex128)
    spectrum[shape.band_index] = shape.weights
    magnitude = np.abs(np.fft.ifft(spectrum) * spectrum.size)[: lags.size]
    ceiling = np.maximum.accumulate(magnitude[::-1])[::-1][::finer]
    ceiling = np.concatenate([ceiling, np.full(bins - ceiling.size, ceiling[-1])])
    ceiling.setflags(write=False)
    return ceiling


@functools.lru_cache(maxsize=32)
def _short(shape: EchoShape, bins: int) -> EchoShape:
    return shape.for_bins(bins)


@functools.lru_cache(maxsize=32)
def _known_of(shape: EchoShape) -> tuple[float, float, float]:
    """Return what each search asks: delay uncertainty at 1, centre, height half a bin off."""
    half_bin = float(abs(shape.at(shape.bin_s / 2)))
    return delay_uncertainty_s(shape, 1.0), shape.centre_hz, half_bin


def delay_uncertainty_s(shape: EchoShape, snr_out: float) -> float:
    """Return a peak's standard uncertainty in delay, given ``2 |peak|²/noise``.

    For the plain matched filter it is the envelope Cramér–Rao bound; a weighting
    costs a little more. First-order noise on the peak's slope over its curvature.
    """
    mean_hz = float(shape.weights @ shape.offset_hz)
    spread = float(shape.noise_weights @ (shape.offset_hz - mean_hz) ** 2)
    noise_rad_s = 2 * math.pi * math.sqrt(spread)
    return noise_rad_s / (math.sqrt(snr_out) * shape.rms_bandwidth_rad_s**2)


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
        As for :func:`ordered_statistic_threshold`.
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
    envelope = np.asarray(envelope)
    if envelope.size < 2 * _KERNEL_HALF:
        return (), np.full(envelope.size, np.inf)
    search = _Search(
        envelope, shape, false_alarm_rate, before_only=before_only, least_noise=least_noise
    )
    for _ in range(10):
        if not search.add_round():
            break
    search.settle()
    if not before_only:
        # For the first sound in a room, which is drawn out, several that cancel each other
        # would be settled on, none of which is seen.
        search.settle_overlaps()
    peaks = search.peaks()
    kept = tuple(p for p in peaks if start_s <= p.delay_s <= stop_s)
    return kept, search.threshold()


def first_arrival(
    envelope: NDArray[np.complexfloating],
    shape: EchoShape,
    *,
    false_alarm_rate: float = 1e-9,
    start_s: float = 0.0,
    stop_s: float = math.inf,
    like_amplitude: float | None = None,
    due_s: float | None = None,
) -> Peak | None:
    """Find the first sound to arrive, which need not be the strongest.

    Parameters
    ----------
    envelope, shape
        As for :func:`find_echoes`.
    false_alarm_rate : float
        For each independent bin.
    start_s, stop_s : float
        Only a sound between the two is returned.
    like_amplitude : float, optional
        Of the sound that is looked for: 8 dB weaker or stronger is another.
    due_s : float, optional
        When it is due. What stands there, to half a lobe, is it, however strong it is
        now and whatever follows: a gain that was turned moves nothing.

    Returns
    -------
    Peak or None
        None where nothing stands above the noise.
    """
    peaks, _ = find_echoes(
        envelope,
        shape,
        false_alarm_rate=false_alarm_rate,
        start_s=start_s,
        stop_s=stop_s,
        before_only=True,
    )
    sounds = [s for p in peaks if (s := _as_seen(p, envelope, shape)) is not None]
    if due_s is not None:
        punctual = [p for p in sounds if abs(p.delay_s - due_s) < shape.width_s / 2]
        if punctual:
            return min(punctual, key=lambda p: abs(p.delay_s - due_s))
    if like_amplitude is not None:
        sounds = [p for p in sounds if 0.4 < p.amplitude / like_amplitude < 2.5]
    return next((p for p in sounds if not _is_forerunner(p, sounds)), None)


def sounds_like(
    envelope: NDArray[np.complexfloating],
    shape: EchoShape,
    amplitude: float,
    *,
    within_db: float,
    false_alarm_rate: float = 1e-9,
) -> tuple[Peak, ...]:
    """Return what may be a sound again that has moved: all that is as strong as it was.

    Returns
    -------
    tuple of Peak
        Earliest first.
    """
    peaks, _ = find_echoes(envelope, shape, false_alarm_rate=false_alarm_rate, before_only=True)
    alike = (p for p in peaks if abs(20 * math.log10(p.amplitude / amplitude)) < within_db)
    return tuple(p for p in alike if _is_seen(p, envelope, shape))


def _is_seen(peak: Peak, envelope: NDArray[np.complexfloating], shape: EchoShape) -> bool:
    """Say whether a peak stands in the envelope itself.

    Where sounds come so close that they cannot be told apart, the search explains
    them by several that cancel each other ahead of the first.
    """
    place = round(peak.delay_s / shape.bin_s)
    around = np.abs(envelope[max(place - 1, 0) : place + 2])
    return float(around.max()) > peak.amplitude / 2


def _as_seen(peak: Peak, envelope: NDArray[np.complexfloating], shape: EchoShape) -> Peak | None:
    """Return a peak if it is seen, or the crest of the envelope that it helps to explain.

    None where the envelope has no crest within a lobe of it.
    """
    if _is_seen(peak, envelope, shape):
        return peak
    lobe_bins = max(1.0, shape.width_s / shape.bin_s)
    place = peak.delay_s / shape.bin_s
    first = max(math.ceil(place - lobe_bins), 1)
    around = np.abs(envelope[first - 1 : math.floor(place + lobe_bins) + 2])
    crests = np.flatnonzero((around[1:-1] >= around[:-2]) & (around[1:-1] > around[2:]))
    if crests.size == 0:
        return None
    highest = crests[around[1:-1][crests].argmax()]
    (at,), (height,) = refined(
        envelope,
        np.array([first + highest]),
        lobe_bins=lobe_bins,
        centre_turns=(shape.centre_hz - shape.carrier_hz) * shape.bin_s,
    )
    return dataclasses.replace(
        peak, delay_s=float(at) * shape.bin_s, amplitude=float(height), phase_rad=0.0
    )


def _is_forerunner(peak: Peak, peaks: Sequence[Peak]) -> bool:
    """Say whether a peak is too weak to be a sound of its own ahead of a stronger one.

    Loudspeakers, converters and the replica itself ring a little ahead of a sound.
    """
    for other in peaks:
        ahead_s = other.delay_s - peak.delay_s
        weakest_db = CLOSE_FORERUNNER_DB if 0 < ahead_s < FORERUN_S else FORERUNNER_DB
        if peak.amplitude < other.amplitude * 10 ** (weakest_db / 20):
            return True
    return False


class _Search:
    """Echoes taken away so far, and what is left of an envelope."""

    def __init__(
        self,
        envelope: NDArray[np.complexfloating],
        shape: EchoShape,
        false_alarm_rate: float,
        *,
        before_only: bool,
        least_noise: float,
    ) -> None:
        self._envelope = envelope.astype(np.complex64)
        self._left = self._envelope.copy()
        # Copies are made on a short cycle; what is known of the spectrum is not read off
        # there, since a pulse near 0 Hz or half the rate does not end so soon.
        self._whole = shape
        self._shape = shape = _short(shape, envelope.size)
        self._guard_bins, self._spacing_bins = _training_steps(self._whole)
        self._cells = _cells_with_room(
            envelope.size, self._guard_bins, self._spacing_bins, TRAINING_CELLS
        )
        self._noise_doubt = noise_doubt(self._cells)
        self._rate = cell_rate(false_alarm_rate, self._whole, cells=self._cells)
        self._before_only = before_only
        self._least_power = least_noise**2
        self._bins = envelope.size
        self._ceiling = side_lobe_ceiling(shape, envelope.size) * _SIDE_LOBE_MARGIN
        self._u_at_one_s, centre_hz, half_bin = _known_of(self._whole)
        self._centre_turns = (centre_hz - shape.carrier_hz) * shape.bin_s
        self._lobe_bins = max(1.0, shape.width_s / shape.bin_s)
        self._amplifies = 1 / math.sqrt(shape.efficiency)
        self._far_lobes = self._amplified_lobes() if self._amplifies > 2 else None
        self._half_bin = 0.9 * half_bin
        self._position = np.empty(0)
        self._gain: NDArray[np.complex128] = np.empty(0, dtype=np.complex128)
        self._copies = np.empty((0, envelope.size), dtype=np.complex64)
        self._misfit = np.empty(0)
        self._rounding_power = (ROUNDING * float(np.abs(envelope).max())) ** 2
        self._noise_power, self._noise_threshold = self._noise()

    def add_round(self) -> bool:
        """Take away the peaks that now stand out; say whether there were any."""
        magnitude = np.abs(self._left)
        ceiling = self._side_lobes()
        least = np.maximum(np.sqrt(self._noise_threshold), ceiling)
        peak = np.zeros(self._bins, dtype=bool)
        peak[1:-1] = (magnitude[1:-1] >= magnitude[:-2]) & (magnitude[1:-1] > magnitude[2:])
        # A peak between two bins is higher than either, by as much as a copy of the pulse
        # falls in half a bin, or a little more where noise adds to it.
        places = np.flatnonzero(peak & (magnitude > self._half_bin * least))
        at, height = refined(
            self._left, places, lobe_bins=self._lobe_bins, centre_turns=self._centre_turns
        )
        new: list[float] = []
        for i in np.argsort(-height):
            if self._position.size + len(new) >= MOST_ECHOES:
                break
            if height[i] > max(least[places[i]], ceiling[places[i]]):
                new.append(float(at[i]))
                ceiling = np.maximum(ceiling, height[i] * self._ceiling_about(at[i]))
        if not new:
            return False
        # They start with no gain: settling gives each, the strongest first, what is
        # left for it.
        self._position = np.concatenate([self._position, np.array(new)])
        self._gain = np.concatenate([self._gain, np.zeros(len(new))])
        self._copies = np.concatenate([self._copies, [self._copy(p) for p in new]])
        self.settle()
        self._noise_power, self._noise_threshold = self._noise()
        self._misfit = np.array([self._misfit_of(i) for i in range(self._position.size)])
        return True

    def peaks(self) -> tuple[Peak, ...]:
        """All echoes found, nearest first."""
        found = []
        strength = np.abs(self._gain)
        places = np.round(self._position).astype(int)
        left_by = np.array([self._left_by(i)[places] for i in range(places.size)])
        for i, (position, gain, place) in enumerate(
            zip(self._position, self._gain, places, strict=True)
        ):
            # An echo may shrink once its neighbours are known; what then no longer
            # stands out was part of them.
            if strength[i] <= left_by[strength > strength[i], i].max(initial=0):
                continue
            if abs(gain) ** 2 <= self._noise_threshold[place]:
                continue
            snr_out = float(2 * abs(gain) ** 2 / max(self._noise_power[place], 1e-30))
            # The peak's power holds some of the noise's own. The noise is known from so
            # many cells only: its mean inverse, which the errors go by, is larger than
            # the inverse of its mean (JCGM 101:2008, 6.4.9, to first order).
            u_delay_s = self._u_at_one_s * math.sqrt(
                (1 + self._noise_doubt) / max(snr_out - 2, 1.0)
            )
            u_delay_s = math.hypot(u_delay_s, self._pull_s(i))
            found.append(
                Peak(
                    delay_s=float(position) * self._shape.bin_s,
                    u_delay_s=u_delay_s,
                    amplitude=float(abs(gain)),
                    phase_rad=float(np.angle(gain)),
                    snr=snr_out / self._shape.efficiency,
                )
            )
        return tuple(sorted(found, key=lambda p: p.delay_s))

    def _pull_s(self, i: int) -> float:
        """How far echo `i` may be off for the echoes that it overlaps with."""
        near = np.abs(self._position - self._position[i]) < OVERLAP_LOBES * self._lobe_bins
        near[i] = False
        ratio = np.minimum(np.abs(self._gain[near]) / max(abs(self._gain[i]), 1e-30), 1.0)
        return OVERLAP_PULL * self._shape.width_s * float(np.sqrt(ratio @ ratio))

    def threshold(self) -> NDArray[np.float64]:
        """On amplitude: the noise's threshold or what side lobes are left, the higher."""
        return np.maximum(np.sqrt(self._noise_threshold), self._side_lobes())

    def _noise(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        threshold, power = ordered_statistic_threshold(
            np.abs(self._left) ** 2,
            false_alarm_rate=self._rate,
            guard_bins=self._guard_bins,
            spacing_bins=self._spacing_bins,
            before_only=self._before_only,
        )
        # Without any noise, as on a loopback wire, what is left of an echo is the rounding
        # of single precision and of the interpolation.
        least = max(self._rounding_power, -math.log(self._rate) * self._least_power)
        return np.maximum(power, self._least_power), np.maximum(threshold, least)

    def _copy(self, position: float) -> NDArray[np.complex64]:
        return self._shape.at_bins(position * self._shape.bin_s, self._bins)

    def settle_overlaps(self) -> None:
        """Go on for those that pull each other, until they stand still."""
        near = (
            np.abs(self._position[:, np.newaxis] - self._position) < SETTLE_LOBES * self._lobe_bins
        )
        crowded = np.flatnonzero(near.sum(axis=1) > 1)
        for _ in range(min(MOST_SWEEPS, MOST_SETTLED // max(crowded.size, 1))):
            before = self._position[crowded]
            self.settle(crowded, nearly=True)
            moved = np.abs(self._position[crowded] - before)
            if moved.max(initial=0) < STILL * self._lobe_bins:
                break

    def settle(self, which: Iterable[int] | None = None, *, nearly: bool = False) -> None:
        """Re-estimate each echo, in the order in which they were found, without the others."""
        for i in range(self._gain.size) if which is None else which:
            alone = self._left + np.complex64(self._gain[i]) * self._copies[i]
            nearest = self._position[i : i + 1] if nearly else np.round(self._position[i : i + 1])
            position, _ = refined(
                alone,
                nearest,
                lobe_bins=self._lobe_bins,
                centre_turns=self._centre_turns,
                nearly=nearly,
            )
            # Two echoes closer than a lobe can pull each other along; an echo
            # that would leave its own lobe stays where it was found.
            if abs(position[0] - self._position[i]) > self._lobe_bins / 2:
                position[0] = self._position[i]
            self._position[i] = position[0]
            self._copies[i] = self._copy(position[0])
            value = interpolated(alone, position, centre_turns=self._centre_turns)[0]
            carrier = self._shape.carrier_hz * self._shape.bin_s
            self._gain[i] = value * np.exp(2j * np.pi * carrier * position[0])
            self._left = alone - np.complex64(self._gain[i]) * self._copies[i]

    def _ceiling_about(self, position: float) -> NDArray[np.float64]:
        lag = np.abs(np.arange(self._bins) - position)
        return np.asarray(self._ceiling[np.floor(lag).astype(int)])

    def _misfit_of(self, i: int) -> float:
        """How much of an echo's side lobes is still there once it was taken away.

        Near by the median counts, for an echo that is coloured or two in one; further out
        nine tenths of the flank. Another echo, still to be found, is the rest.
        """
        lag = np.abs(np.arange(self._bins) - self._position[i])
        lobes = max(abs(self._gain[i]), 1e-30) * self._ceiling[np.floor(lag).astype(int)]
        power = np.abs(self._left) ** 2
        near = (lag > self._lobe_bins) & (lag < 4 * self._lobe_bins)
        beyond = (lag > self._lobe_bins) & (lag < FLANK_LOBES * self._lobe_bins)
        if not near.any():
            return 1.0
        # Noise alone passes its mean power in less than half of the bins, and ln 10 times
        # that in a tenth.
        typical = np.median(np.maximum(power - self._noise_power, 0)[near] / lobes[near] ** 2)
        most = np.maximum(power - math.log(10) * self._noise_power, 0)[beyond] / lobes[beyond] ** 2
        # Three times the RMS of what is Rayleigh distributed, whose median square is ln 2 of
        # the mean square.
        misfit = max(3 * math.sqrt(typical / math.log(2)), 2.2 * math.sqrt(np.quantile(most, 0.9)))
        return float(np.clip(misfit, 0.05, self._amplifies))

    def _amplified_lobes(self) -> NDArray[np.float64]:
        """Return what an echo of 1 may leave far off, at a pulse's length say.

        How well a copy fits is seen on its flanks. Beyond them a filter that evens out a
        spectrum makes much of what is weak in it, where two sounds differ most.
        """
        from scipy.ndimage import maximum_filter1d

        reach = 2 * math.ceil(FLANK_LOBES * self._lobe_bins) + 1
        lobes = np.abs(self._shape.at_bins(0.0, self._bins)).astype(np.float64)
        lobes = maximum_filter1d(lobes, reach) * self._amplifies
        lobes[:reach] = 0.0
        return np.asarray(lobes)

    def _left_by(self, i: int) -> NDArray[np.float64]:
        """Ceiling of what echo `i` may have left behind when it was taken away."""
        position, gain = self._position[i], abs(self._gain[i])
        lag = np.abs(np.arange(self._bins) - position)
        lobes = gain * self._ceiling[np.floor(lag).astype(int)]
        ceiling = np.where(lag < self._lobe_bins, lobes, self._misfit[i] * lobes)
        if self._far_lobes is not None:
            ceiling = np.maximum(ceiling, gain * self._far_lobes[np.floor(lag).astype(int)])
        near = np.flatnonzero(lag < NEAR_LOBES * self._lobe_bins)
        reach = max(1, round(self._lobe_bins / 2))
        twins = np.round(2 * position - near).astype(int)[:, np.newaxis]
        twins = (twins + np.arange(-reach, reach + 1)).clip(0, self._bins - 1)
        noise_power = math.log(10) * self._noise_power[twins]
        excess = np.maximum(np.abs(self._left[twins]) ** 2 - noise_power, 0)
        other_side = np.sqrt(excess.max(axis=1))
        ceiling[near] = np.maximum(ceiling[near], np.minimum(MIRROR * other_side, lobes[near]))
        skirt = (lag[near] > self._lobe_bins / 2) & (lag[near] < SKIRT_LOBES * self._lobe_bins)
        wide = np.minimum(SKIRT_MIRROR * other_side, SKIRT_SHARE * gain)
        ceiling[near] = np.maximum(ceiling[near], np.where(skirt, wide, 0))
        return np.asarray(ceiling)

    def _side_lobes(self) -> NDArray[np.float64]:
        """Ceiling of what the echoes taken away may have left behind."""
        ceiling = np.zeros(self._bins)
        for i in range(self._position.size):
            ceiling = np.maximum(ceiling, self._left_by(i))
        return ceiling


def fewest_bins(shape: EchoShape, *, cells: int = 4) -> int:
    """Return how many bins hold so many independent cells to learn the noise from.

    With fewer than four :func:`find_echoes` refuses. A narrow-band pulse, whose noise
    is alike over a long time, needs many.
    """
    guard_bins, spacing_bins = _training_steps(shape)
    return 2 * guard_bins + 1 + (cells + 1) * spacing_bins


def _independent_s(shape: EchoShape) -> float:
    """Return how long an independent bin of noise is: the inverse of its bandwidth."""
    return float(np.sum(shape.noise_weights**2)) / float(shape.offset_hz[1])


def _training_steps(shape: EchoShape) -> tuple[int, int]:
    """Bins that an echo fills to each side, and from one independent cell to the next."""
    guard_bins = math.ceil(max(1.0, shape.width_s / shape.bin_s)) + 1
    return guard_bins, max(1, math.ceil(_independent_s(shape) / shape.bin_s))


def _rank_of(cells: int) -> int:
    return max(1, round(RANK_SHARE * cells))


def _cells_with_room(bins: int, guard_bins: int, spacing_bins: int, cells: int) -> int:
    """Return how many of the cells that are wanted there are around each bin."""
    cells = min(cells, (bins - 2 * guard_bins - 1) // spacing_bins - 1)
    if cells < 4:
        raise ValueError(
            f"power: found {bins} bins; "
            f"give at least {2 * guard_bins + 1 + 5 * spacing_bins} to learn the noise from"
        )
    return cells


def _cell_rows(
    power: NDArray[np.floating],
    guard_bins: int,
    spacing_bins: int,
    cells: int,
    *,
    before_only: bool = False,
) -> Iterator[tuple[slice, NDArray[np.floating]]]:
    """Yield the powers in the cells of each bin, for one stretch of bins after another.

    Half of the cells stand on each side of a bin; near an end, what has no room on one
    side is taken from the other. All bins at once would take as much room as 64 profiles.

    Yields
    ------
    bins : slice
    rows : ndarray, shape (bins, cells)
        The caller's own.
    """
    wanted = cells if before_only else cells // 2
    # Where there is room for all of them the cells are windows on the profile, slid along.
    first = guard_bins + 1 + max(wanted - 1, 0) * spacing_bins
    last = power.size - 1 - guard_bins - (cells - wanted) * spacing_bins
    for start, stop in _stretches(0, first, last, power.size):
        bins = np.arange(start, stop)
        if first <= start and stop <= last:
            before = _windows(power, bins - first, wanted, spacing_bins)
            after = _windows(power, bins + guard_bins + 1, cells - wanted, spacing_bins)
            rows = np.concatenate([before, after], axis=1)
        else:
            room_before = np.maximum(0, (bins - guard_bins - 1) // spacing_bins + 1)
            room_after = np.maximum(0, (power.size - 2 - bins - guard_bins) // spacing_bins + 1)
            on_left = np.clip(wanted, cells - room_after, room_before)[:, np.newaxis]
            j = np.arange(cells)
            step = guard_bins + 1 + np.where(j < on_left, j, j - on_left) * spacing_bins
            rows = power[bins[:, np.newaxis] + np.where(j < on_left, -step, step)]
        yield slice(start, stop), rows


def _stretches(*ends: int) -> Iterator[tuple[int, int]]:
    """Cut what lies between neighbouring ends into stretches."""
    for begin, end in itertools.pairwise(ends):
        for start in range(begin, end, STRETCH):
            yield start, min(start + STRETCH, end)


def _windows(
    power: NDArray[np.floating], start: NDArray[np.int64], cells: int, spacing_bins: int
) -> NDArray[np.floating]:
    """Return views of `cells` cells from each of some bins in a row on."""
    if cells == 0:
        return np.empty((start.size, 0), dtype=power.dtype)
    span = (cells - 1) * spacing_bins + 1
    windows = np.lib.stride_tricks.sliding_window_view(power, span)
    return windows[start[0] : start[-1] + 1, ::spacing_bins]


def _check_rate(false_alarm_rate: float) -> None:
    if not 0 < false_alarm_rate < 1:
        raise ValueError(f"false_alarm_rate: found {false_alarm_rate:g}; give 0 to 1, both out")
