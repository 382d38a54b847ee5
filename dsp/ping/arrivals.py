"""Which sound arrives first, which need not be the strongest, and which is it again."""

from __future__ import annotations

import cmath
import dataclasses
import functools
import itertools
import math
import operator
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.ping.bent import Bent
from dsp.ping.echo_shape import ROUNDING, EchoShape
from dsp.ping.likeness import is_copy, is_sound
from dsp.ping.lobe_table import POWERS, LobeTable, lobe_table
from dsp.ping.noise import (
    TRAINING_CELLS,
    cell_averaging_factor,
    cell_rate,
    mean_of_weakest,
    training_steps,
    weak_of,
)
from dsp.ping.peaks import KERNEL_HALF, LOOKS, Peak, bin_reader, delay_uncertainty_s
from dsp.ping.search import SoundsAhead, sounds_ahead
from dsp.ping.trains import comes_again

FALSE_ALARM_RATE = 1e-9
"""For each independent bin. Chosen: of a million profiles of a thousand bins one begins with
noise."""

MOST_PULL = 0.3
"""A look is enough where other sounds pull a crest by less than this of its uncertainty,
which adds √(1 + 0.3²) − 1 = 4 % to it."""

LEAST_CELLS = 16
"""With fewer cells of noise ahead of a sound a look says nothing."""

RINGS_S = 0.002
RINGS_CLOSE_DB = -15.0
RINGS_DB = -40.0
"""What is so much weaker than a later sound, less than :data:`RINGS_S` ahead of it or at any
time, may belong to it: a converter's filter rings ahead, and what a loudspeaker adds at twice
the frequency is compressed to before its sound. It is asked for then whether it does; what is
stronger is a sound of its own. In measured rooms the ringing ahead of the direct sound was at
most −16 dB and 0.9 ms."""

LOBES_DRAWN_OUT = 2.0
"""Ahead of a sound that a room or a loudspeaker draws out stand its pulse's side lobes, and
up to 6 dB more than what its found parts' lobes add up to: parts closer than a lobe are found
as one. It explains 118 of 134 forerunners that five chirps had at six places of a measured room;
13 of the others stood 4 to 9 ms ahead at −46 dB and less, three within 1.1 ms."""

SURELY = 2
"""So many other sounds must have it ahead of them, too, if it is stronger than that; one leaves
it open."""

COPY_SNR = 1000.0
"""2E/N0 of a sound of which it is seen whether it is a copy of the pulse: what is none by a tenth
of its amplitude is told from that. What a loudspeaker adds at twice the frequency of a chirp runs
twice as fast: the first that is seen of it is no copy by 0.8 of its amplitude (computed for three
chirps). A converter's filter rings ahead by less than :data:`RINGS_S`, and what comes through a
wire or the bench is ahead of the sound through air by no more than that one's whole way."""

PLAINLY = 2.0
"""Ringing that should stand so far above the threshold ahead of another sound would be seen
there: at 6 dB above a threshold of 1e-9 all but one in 1e6 is."""

AS_STRONG = 2.0
"""What rings ahead of all sounds alike is taken for it within a factor of this: what reflects
colours both a little."""


def first_arrival(
    envelope: NDArray[np.complexfloating],
    shape: EchoShape,
    *,
    start_s: float = 0.0,
    stop_s: float = math.inf,
    like_amplitude: float | None = None,
    due_s: float | None = None,
    way_s: float = math.inf,
) -> Peak | None:
    """Find the first sound to arrive, which need not be the strongest.

    Parameters
    ----------
    envelope, shape
        As for :func:`find_echoes`.
    start_s, stop_s : float
        Only a sound between the two is returned.
    like_amplitude : float, optional
        Of the sound that is looked for: 8 dB weaker or stronger is another.
    due_s : float, optional
        When it is due. What stands there, to half a lobe, is it, however strong it is
        now and whatever follows: a gain that was turned moves nothing.
    way_s : float
        How long the first sound is under way, or longer: what is a copy of the pulse and stands
        farther ahead of a sound came no other way, however weak it is.

    Returns
    -------
    Peak or None
        None where nothing stands above the noise.
    """
    found = sounds_ahead(envelope, shape, false_alarm_rate=FALSE_ALARM_RATE)
    if due_s is not None or like_amplitude is not None:
        sounds = [p for p in found.peaks if start_s <= p.delay_s <= stop_s]
        if due_s is not None:
            punctual = [p for p in sounds if abs(p.delay_s - due_s) < shape.width_s / 2]
            if punctual:
                return min(punctual, key=lambda p: abs(p.delay_s - due_s))
        if like_amplitude is not None:
            alike = (p for p in sounds if 0.4 < p.amplitude / like_amplitude < 2.5)
            return next(alike, None)
    own = (h.peak for h in _weighed(found, envelope, shape, way_s) if h.is_own)
    return next((p for p in own if start_s <= p.delay_s <= stop_s), None)


def unexplained_ahead(
    envelope: NDArray[np.complexfloating],
    shape: EchoShape,
    before_s: float,
    *,
    way_s: float = math.inf,
) -> Peak | None:
    """Return what stands ahead of a first arrival and may be the first itself.

    Of what stands ahead, side lobes are explained, and so is what stands as far ahead of
    other sounds of the same profile, and as much weaker. A weak sound of which nothing says
    whether it rings ahead of a later one or is one of its own is not.

    Parameters
    ----------
    envelope, shape, way_s
        As for :func:`first_arrival`; the whole profile, so that there are other sounds.
    before_s : float
        The first arrival's delay.

    Returns
    -------
    Peak or None
        The earliest; None where all is explained.
    """
    found = sounds_ahead(envelope, shape, false_alarm_rate=FALSE_ALARM_RATE)
    return _open_ahead(_weighed(found, envelope, shape, way_s), before_s - shape.width_s / 2)


@dataclass(frozen=True, slots=True, kw_only=True)
class Train:
    """Where the first ping of a train begins.

    Attributes
    ----------
    first : Peak
        Its first sound.
    ahead : Peak or None
        As :func:`unexplained_ahead` gives.
    """

    first: Peak
    ahead: Peak | None


def train_begun(
    envelope: NDArray[np.complexfloating],
    following: Iterable[NDArray[np.complexfloating]],
    shape: EchoShape,
    *,
    drift_bins: float,
    stop_s: float = math.inf,
    least_noise: float = 0.0,
    way_s: float = math.inf,
) -> Train | None:
    """Find the first sound that comes again in most of the pings that follow.

    A knock, a word or a click comes once. What else stands ahead of the train or among its
    sounds is left out of all that is asked of these.

    Parameters
    ----------
    envelope, shape, way_s
        As for :func:`first_arrival`.
    following : iterable of ndarray of complex64, shape (bins,)
        The envelopes one, two, ... ping intervals later, of the same pulse; asked for only
        where there are sounds.
    drift_bins : float
        How far a sound may move from one ping to the next: two clocks drift apart.
    stop_s : float
        Only a train that begins before is returned.
    least_noise : float
        RMS magnitude of noise that is known to be there, seen or not: rounding is the same in
        each ping where nothing else is.

    Returns
    -------
    Train or None
        None where no sound comes again.
    """
    found = sounds_ahead(
        envelope, shape, false_alarm_rate=FALSE_ALARM_RATE, least_noise=least_noise
    )
    if not found.peaks:
        return None
    following = tuple(following)
    found = _coming_again(found, envelope, following, shape, drift_bins)
    heard = list(_weighed(found, envelope, shape, way_s))
    train = _begun(heard, shape, stop_s)
    if train is None or train.ahead is None:
        return train
    # What is too faint in one ping to tell whether it rings stands out of the sum of several.
    # Where sounds stand, the first ping says: in the sum one that moves moves all others.
    halves = _halves(envelope, following, drift_bins)
    both = (halves[0] + halves[1]) / 2
    summed = sounds_ahead(both, shape, false_alarm_rate=FALSE_ALARM_RATE, least_noise=least_noise)
    summed = _coming_again(summed, halves[0], halves[1:], shape, 0.0)
    verdicts = list(_weighed(summed, both, shape, way_s))
    heard = [_told_by(verdicts, h, shape) if h.is_open else h for h in heard]
    return _begun(heard, shape, stop_s)


def _told_by(verdicts: Iterable[_Heard], sound: _Heard, shape: EchoShape) -> _Heard:
    """Return a sound with what is said of it elsewhere; as it is where it is not heard there."""
    for verdict in verdicts:
        if abs(verdict.peak.delay_s - sound.peak.delay_s) < shape.width_s / 2:
            return dataclasses.replace(verdict, peak=sound.peak)
    return sound


def _begun(heard: Sequence[_Heard], shape: EchoShape, stop_s: float) -> Train | None:
    """Return where a train of sounds begins, each weighed; None where none is one of its own."""
    first = next((h.peak for h in heard if h.is_own and h.peak.delay_s < stop_s), None)
    if first is None:
        return None
    return Train(first=first, ahead=_open_ahead(heard, first.delay_s - shape.width_s / 2))


def _coming_again(
    found: SoundsAhead,
    envelope: NDArray[np.complexfloating],
    following: Sequence[NDArray[np.complexfloating]],
    shape: EchoShape,
    drift_bins: float,
) -> SoundsAhead:
    """Leave out what stands in one ping and not in most that follow."""
    again = comes_again(
        envelope,
        following,
        np.array([p.delay_s for p in found.peaks]) / shape.bin_s,
        lobe_bins=max(1.0, shape.width_s / shape.bin_s),
        drift_bins=drift_bins,
    )
    kept = np.flatnonzero(again)
    return SoundsAhead(
        peaks=tuple(found.peaks[i] for i in kept),
        lobes=found.lobes[kept],
        threshold=found.threshold,
    )


def _halves(
    envelope: NDArray[np.complexfloating],
    following: Sequence[NDArray[np.complexfloating]],
    drift_bins: float,
) -> tuple[NDArray[np.complex64], NDArray[np.complex64]]:
    """Return the mean of every other ping, and of those between, each set upon the first.

    Each is moved and turned to where it is most like the first, and counts by how like it is
    there: one that slipped, or in which nothing sounded, adds next to nothing.
    """
    size = envelope.size
    first = np.fft.fft(envelope)
    turns = np.fft.fftfreq(size)
    spectra, likeness = [first], [float(np.vdot(first, first).real)]
    for k, later in enumerate(following, start=1):
        spectrum = np.fft.fft(later)
        across = spectrum * first.conj()
        # An eighth of a bin: half of it turns an edge of the band by a fifth of a radian.
        reach = math.ceil(8 * drift_bins * k)
        shifts = np.arange(-reach, reach + 1) / 8
        alike = np.array([np.exp(2j * np.pi * turns * s) @ across for s in shifts])
        best = int(np.abs(alike).argmax())
        likeness.append(float(np.abs(alike[best])))
        turn = alike[best].conj() / max(likeness[-1], 1e-30)
        spectra.append(spectrum * np.exp(2j * np.pi * turns * shifts[best]) * turn)
    halves = []
    for part in (slice(0, None, 2), slice(1, None, 2)):
        worth = np.array(likeness[part])
        mean = np.tensordot(worth / max(worth.sum(), 1e-30), np.array(spectra[part]), axes=1)
        halves.append(np.fft.ifft(mean).astype(np.complex64))
    return halves[0], halves[1]


def in_doubt(first: Peak, ahead: Peak) -> str:
    """Put into words that a sound ahead of a first arrival may be the first itself."""
    weaker_db = 20 * math.log10(first.amplitude / ahead.amplitude)
    ahead_ms = 1e3 * (first.delay_s - ahead.delay_s)
    return (
        f"a sound {weaker_db:.0f} dB weaker stands {ahead_ms:.2f} ms ahead of the first strong "
        "one, and nothing tells whether it came first or rings ahead of that one"
    )


def _open_ahead(heard: Iterable[_Heard], before_s: float) -> Peak | None:
    """Return the earliest sound before an instant of which nothing tells what it is."""
    ahead = itertools.takewhile(lambda h: h.peak.delay_s < before_s, heard)
    return next((h.peak for h in ahead if h.is_open), None)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Heard:
    """A sound, and whether it is one of its own, or nothing tells."""

    peak: Peak
    is_own: bool
    is_open: bool = False


def _weighed(
    found: SoundsAhead,
    envelope: NDArray[np.complexfloating],
    shape: EchoShape,
    way_s: float,
) -> Iterator[_Heard]:
    """Yield what stands in an envelope, earliest first, each weighed against what follows."""
    delay_s = np.array([p.delay_s for p in found.peaks])
    amplitude = np.array([p.amplitude for p in found.peaks])
    bent_by = functools.cache(lambda of: Bent.ahead_of(found.peaks[of], envelope, shape))
    for i, peak in enumerate(found.peaks):
        if peak.amplitude < LOBES_DRAWN_OUT * found.lobes[i]:
            yield _Heard(peak=peak, is_own=False)
            continue
        later = np.flatnonzero((delay_s > peak.delay_s) & (amplitude > AS_STRONG * peak.amplitude))
        bends = (delay_s[later] - peak.delay_s < shape.reach_s) & (
            peak.amplitude < amplitude[later] * 10 ** (RINGS_CLOSE_DB / 20)
        )
        if bends.any():
            by = int(later[bends][amplitude[later[bends]].argmax()])
            bent = bent_by(by)
            if bent is not None and bent.explains(float(delay_s[by]) - peak.delay_s, shape):
                yield _Heard(peak=peak, is_own=False)
                continue
        votes = np.array(
            [_rings(i, int(of), delay_s, amplitude, found.threshold, shape) for of in later]
        )
        close = delay_s[later] - peak.delay_s < RINGS_S
        weakest = np.where(close, 10 ** (RINGS_CLOSE_DB / 20), 10 ** (RINGS_DB / 20))
        may_ring = peak.amplitude < amplitude[later] * weakest
        rings = bool((votes >= np.where(may_ring, 1, SURELY)).any())
        unsure = np.where(may_ring, votes == 0, votes > 0)
        nothing_tells = not rings and bool(unsure.any())
        if nothing_tells and peak.snr > COPY_SNR:
            ahead_s = delay_s[later[unsure]].min() - peak.delay_s
            if ahead_s > max(RINGS_S, way_s) and is_copy(envelope, shape, peak):
                nothing_tells = False
        elif not rings and not nothing_tells:
            # What a microphone bends is by the square of a sound: not ahead of all in one share. As
            # strong as the sound itself, twice a chirp's frequency would be compressed to 1/√(BT)
            # of it: to 19 dB less for 4 to 12 kHz in 10 ms.
            nothing_tells = bool(bends.any()) and not is_sound(envelope, shape, peak)
        yield _Heard(peak=peak, is_own=not rings and not nothing_tells, is_open=nothing_tells)


def _rings(
    weak: int,
    strong: int,
    delay_s: NDArray[np.float64],
    amplitude: NDArray[np.float64],
    threshold: NDArray[np.float64],
    shape: EchoShape,
) -> int:
    """Say whether a weak sound is what rings ahead of a strong one, by the other sounds.

    What the sender, the receiver or the replica make of each sound stands ahead of all of
    them alike.

    Returns
    -------
    int
        How many other sounds have it ahead of them, less those that would and have not; 0
        where they say nothing.
    """
    ratio = amplitude[weak] / amplitude[strong]
    ahead_s = delay_s[strong] - delay_s[weak]
    expected = amplitude * ratio
    place = np.rint((delay_s - ahead_s) / shape.bin_s).astype(np.intp)
    may_vote = place >= 0
    may_vote[[weak, strong]] = False
    apart_s = delay_s - delay_s[:, np.newaxis]
    near_s = shape.width_s / 2
    there = np.abs(apart_s + ahead_s) < near_s
    strength = np.where(there, amplitude, 0.0).max(axis=1)
    absent = strength < expected / AS_STRONG
    absent &= expected > PLAINLY * threshold[np.maximum(place, 0)]
    present = (strength >= expected / AS_STRONG) & (strength < expected * AS_STRONG)
    # What rings ahead of a sound is no sound: nothing rings ahead of it.
    absent &= ~(there & present[:, np.newaxis]).any(axis=0)
    return int(np.count_nonzero(may_vote & present)) - int(np.count_nonzero(may_vote & absent))


def standing_peak(
    envelope: NDArray[np.complexfloating],
    shape: EchoShape,
    near_s: float,
    *,
    like_amplitude: float,
    within_db: float,
) -> Peak | None:
    """Return the sound that stands where it is due, where a look there is enough.

    Cheap: no search. The crest has to stand there to half a lobe, above the noise ahead
    of it, as strong as it was, and no other sound around it may pull it by more than
    :data:`MOST_PULL` of its own uncertainty: a search, which takes the others away,
    would then place it alike.

    Parameters
    ----------
    envelope, shape
        As for :func:`dsp.ping.search.find_echoes`.
    near_s : float
        When it is due.
    like_amplitude : float
        How strong it was.
    within_db : float
        How far its strength may be off, besides four times its noise.

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
    if cells < LEAST_CELLS or place + half + KERNEL_HALF + 1 >= envelope.size:
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
    ahead = np.abs(envelope[first - cells * looked.spacing_bins : first : looked.spacing_bins])
    worth = weak_of(cells)
    mean = float(mean_of_weakest(np.sort(ahead**2), worth))
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
    if pull_bins * shape.bin_s > MOST_PULL * u_delay_s:
        return None
    position = crest + at
    phase = cmath.phase(gain) + 2 * math.pi * (
        looked.turns * at + shape.carrier_hz * shape.bin_s * position
    )
    return Peak(
        delay_s=position * shape.bin_s,
        u_delay_s=u_delay_s,
        amplitude=amplitude,
        phase_rad=math.remainder(phase, 2 * math.pi),
        snr=snr_out / shape.efficiency,
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
    """Return what :func:`dsp.ping.lobe_table.powers_of` makes of one part, in a third of time."""
    powers = itertools.accumulate(itertools.repeat(part, POWERS - 1), operator.mul, initial=1.0)
    return np.array([*powers], dtype=np.complex128)


def sounds_like(
    envelope: NDArray[np.complexfloating],
    shape: EchoShape,
    amplitude: float,
    *,
    within_db: float,
) -> tuple[Peak, ...]:
    """Return what may be a sound again that has moved: all that is as strong as it was.

    Returns
    -------
    tuple of Peak
        Earliest first.
    """
    peaks = sounds_ahead(envelope, shape, false_alarm_rate=FALSE_ALARM_RATE).peaks
    return tuple(p for p in peaks if abs(20 * math.log10(p.amplitude / amplitude)) < within_db)
