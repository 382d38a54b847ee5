"""Whether a sound stands where it is due, told by one look there and no search."""

from __future__ import annotations

import cmath
import functools
import itertools
import math
import operator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.ping.first_sound.arrivals import FALSE_ALARM_RATE
from dsp.ping.noise.false_alarms import cell_averaging_factor, cell_rate
from dsp.ping.noise.noise import TRAINING_CELLS, training_steps
from dsp.ping.noise.noise_grid import mean_of_weakest, weak_of
from dsp.ping.pulse.echo_shape import ROUNDING, EchoShape
from dsp.ping.pulse.lobe_table import POWERS, LobeTable, lobe_table
from dsp.ping.pulse.peaks import KERNEL_HALF, LOOKS, Peak, bin_reader, delay_uncertainty_s

MOST_PULL = 0.3
"""A look is enough where other sounds pull a crest by less than this of its uncertainty,
which adds √(1 + 0.3²) − 1 = 4 % to it."""

LEAST_CELLS = 16
"""With fewer cells of noise a look says nothing. A block that has them not ahead of its sound has
them at its end, which is as quiet: there the next sound is due."""


def standing_peak(
    envelope: NDArray[np.complexfloating],
    shape: EchoShape,
    near_s: float,
    *,
    like_amplitude: float,
    within_db: float,
    pulled_s: float = 0.0,
) -> Peak | None:
    """Return the sound that stands where it is due, where a look there is enough.

    Cheap: no search. The crest has to stand there to half a lobe, above the noise ahead
    of it, as strong as it was, and no other sound around it may pull it by more than
    :data:`MOST_PULL` of its own uncertainty: a search, which takes the others away,
    would then place it alike. Nor would it do better where it is known to leave as much pull
    as that, as of clutter: it is then part of the uncertainty.

    Parameters
    ----------
    envelope, shape
        As for :func:`dsp.ping.search.search.find_echoes`.
    near_s : float
        When it is due.
    like_amplitude : float
        How strong it was.
    within_db : float
        How far its strength may be off, besides four times its noise.
    pulled_s : float
        By how much others may pull such a sound once a search took away what it can.

    Returns
    -------
    Peak or None
        None where it takes a search to say.

    Notes
    -----
    What is left once the crest's copy is taken away, and stands above the noise, may be the
    peak or a side lobe of another sound. One of amplitude a at a lag where a compressed
    pulse slopes by R' adds at most a |R'| to the slope at a crest of amplitude g, which
    moves it by a |R'| / (g β²), β² being the pulse's own curvature. It is summed over what
    is left, a lobe's bins counting as one sound.
    """
    looked = _look_of(shape)
    place = round(near_s / shape.bin_s)
    half = max(1, math.ceil(looked.lobe_bins / 2))
    first = place - looked.guard_bins - half
    cells = min(TRAINING_CELLS, first // looked.spacing_bins)
    after = place + half + KERNEL_HALF + 1
    if cells < LEAST_CELLS:
        cells, first = LEAST_CELLS, envelope.size
        after += looked.guard_bins + cells * looked.spacing_bins
    if place < half or after >= envelope.size:
        return None
    around = np.abs(envelope[place - half : place + half + 1])
    crest = int(around.argmax())
    if crest in (0, 2 * half):
        return None
    crest += place - half
    if crest < KERNEL_HALF:
        return None
    at, gain = _crest_at(envelope[crest - KERNEL_HALF : crest + KERNEL_HALF + 1], looked)
    amplitude = abs(gain)
    quiet = np.abs(envelope[first - cells * looked.spacing_bins : first : looked.spacing_bins])
    worth = weak_of(cells)
    mean = float(mean_of_weakest(np.sort(quiet**2), worth))
    threshold = mean * cell_averaging_factor(cell_rate(FALSE_ALARM_RATE, shape, cells=worth), worth)
    noise = max(mean, (ROUNDING * amplitude) ** 2)
    snr_out = 2 * amplitude**2 / noise
    doubt_db = 4 * 20 / math.log(10) / math.sqrt(snr_out)
    off_db = abs(20 * math.log10(max(amplitude, 1e-30) / like_amplitude))
    if amplitude**2 <= threshold or off_db > within_db + doubt_db:
        return None
    u_delay_s = looked.u_at_one_s * math.sqrt((1 + 1 / worth) / max(snr_out - 2, 1.0))
    reach = looked.table.reach_bins
    start, stop = max(crest - reach, 0), min(crest + reach + 1, envelope.size)
    lags = slice(start - crest + reach, stop - crest + reach)
    copy = (gain * _powers(-at)).astype(np.complex64) @ looked.table.copies
    left = np.abs(envelope[start:stop] * looked.turn[lags] - copy[lags])
    others = np.where(left**2 > max(threshold, noise), left, 0.0)
    pull_bins = float(others @ looked.pull[lags]) / (amplitude * looked.lobe_bins)
    u_pull_s = pull_bins * shape.bin_s
    if u_pull_s > max(MOST_PULL * u_delay_s, pulled_s):
        return None
    if u_pull_s <= MOST_PULL * u_delay_s:
        u_pull_s = 0.0
    position = crest + at
    phase = cmath.phase(gain) + 2 * math.pi * (
        looked.turns * at + shape.carrier_hz * shape.bin_s * position
    )
    return Peak(
        delay_s=position * shape.bin_s,
        u_delay_s=math.hypot(u_delay_s, u_pull_s),
        amplitude=amplitude,
        phase_rad=math.remainder(phase, 2 * math.pi),
        snr=snr_out / shape.efficiency,
        u_pull_s=u_pull_s,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Look:
    """What each look at a shape's crest needs, made once; arrays are over the table's lags."""

    table: LobeTable
    turns: float
    turn: NDArray[np.complex64]
    pull: NDArray[np.float64]
    guard_bins: int
    spacing_bins: int
    lobe_bins: float
    u_at_one_s: float
    taps_turn: NDArray[np.complex128]
    to_powers: NDArray[np.complex128]
    to_looks: NDArray[np.complex128]


@functools.lru_cache(maxsize=32)
def _look_of(shape: EchoShape) -> _Look:
    table = lobe_table(shape)
    lag = np.arange(-table.reach_bins, table.reach_bins + 1)
    value, turned = table.at_lag[1:-1, 0, 0], table.at_lag[1:-1, 1, 0]
    slope = np.abs(turned - 1j * table.centre_rad * value)
    # Between two bins a slope is at most what it is at one of them, and another half bin's
    # bend on: the higher of the neighbours stands for it.
    slope = np.maximum(slope, np.maximum(np.roll(slope, 1), np.roll(slope, -1)))
    guard_bins, spacing_bins = training_steps(shape)
    taps, to_powers, to_looks = bin_reader()
    return _Look(
        table=table,
        turns=table.turns,
        turn=np.exp(-2j * np.pi * table.turns * lag).astype(np.complex64),
        pull=np.asarray(slope / table.curvature, dtype=np.float64),
        guard_bins=guard_bins,
        spacing_bins=spacing_bins,
        lobe_bins=max(1.0, shape.width_s / shape.bin_s),
        u_at_one_s=delay_uncertainty_s(shape, 1.0),
        taps_turn=np.exp(-2j * np.pi * table.turns * taps),
        to_powers=to_powers.astype(np.complex128),
        to_looks=to_looks.astype(np.complex128),
    )


def _crest_at(window: NDArray[np.complexfloating], looked: _Look) -> tuple[float, complex]:
    """Return where in its middle bin an envelope is highest, and its value there, turned."""
    turned = window * looked.taps_turn
    at = float(LOOKS[np.abs(turned @ looked.to_looks).argmax()])
    terms = (turned @ looked.to_powers)[::-1].tolist()
    for _ in range(3):
        value, slope, bend = _horner(terms, at)
        curvature = abs(slope) ** 2 + (value.conjugate() * bend).real
        if curvature < 0:
            at -= min(max((value.conjugate() * slope).real / curvature, -0.2), 0.2)
    value = 0j
    for term in terms:
        value = value * at + term
    return at, value


def _horner(terms: list[complex], at: float) -> tuple[complex, complex, complex]:
    """Return a polynomial's value, slope and bend; the highest power's term comes first."""
    value = slope = half_bend = 0j
    for term in terms:
        half_bend = half_bend * at + slope
        slope = slope * at + value
        value = value * at + term
    return value, slope, 2 * half_bend


def _powers(part: float) -> NDArray[np.complex128]:
    """Return what :func:`~dsp.ping.pulse.lobe_table.powers_of` makes of one part, far sooner."""
    powers = itertools.accumulate(itertools.repeat(part, POWERS - 1), operator.mul, initial=1.0)
    return np.array([*powers], dtype=np.complex128)
