"""Which sound arrives first, which need not be the strongest.

What stands ahead of a stronger sound may be the first, or what a sender, a receiver or the replica
make of the stronger one. The other sounds of the same profile tell, or nothing does.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.ping.first_sound.crest import at_its_crest
from dsp.ping.first_sound.likeness import is_copy, is_sound
from dsp.ping.pulse.echo_shape import EchoShape
from dsp.ping.pulse.peaks import Peak
from dsp.ping.search.search import SoundsAhead, sounds_ahead

FALSE_ALARM_RATE = 1e-9
"""For each independent bin. Chosen: of a million profiles of a thousand bins one begins with
noise."""

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
13 of the others stood 4 to 9 ms ahead at −46 dB and less, three within 1.1 ms. Without it the first
sound is told rightly in 9 of these 30 profiles in place of 15."""

SURELY = 2
"""So many other sounds must have it ahead of them, too, if it is stronger than that; one leaves
it open. A first sound and a bounce behind it are heard again of each body: by one such pair the
first would be taken for ringing, and the bounce for the first, in 24 of 24 drawn."""

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
colours both a little. No louder sound than that rings: if any louder one may, in three of five
chirps a place in a measured room is told wrong."""


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

    What is found to be several within a lobe is placed at their crest
    (:func:`dsp.ping.first_sound.crest.at_its_crest`).

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
    if due_s is None and like_amplitude is None:
        own = (h.peak for h in weighed(found, envelope, shape, way_s) if h.is_own)
        first = next((p for p in own if start_s <= p.delay_s <= stop_s), None)
    else:
        sounds = [p for p in found.peaks if start_s <= p.delay_s <= stop_s]
        first = _like(sounds, like_amplitude, due_s, within_s=shape.width_s / 2)
    return first and at_its_crest(envelope, shape, first, found.peaks)


def _like(
    sounds: Sequence[Peak], like_amplitude: float | None, due_s: float | None, *, within_s: float
) -> Peak | None:
    """Return the sound that stands where one is due, or the first that is as strong."""
    if due_s is not None:
        punctual = [p for p in sounds if abs(p.delay_s - due_s) < within_s]
        if punctual:
            return min(punctual, key=lambda p: abs(p.delay_s - due_s))
    if like_amplitude is None:
        return None
    return next((p for p in sounds if 0.4 < p.amplitude / like_amplitude < 2.5), None)


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
    return open_ahead(weighed(found, envelope, shape, way_s), before_s - shape.width_s / 2)


def in_doubt(first: Peak, ahead: Peak) -> str:
    """Put into words that a sound ahead of a first arrival may be the first itself."""
    weaker_db = 20 * math.log10(first.amplitude / ahead.amplitude)
    ahead_ms = 1e3 * (first.delay_s - ahead.delay_s)
    return (
        f"a sound {weaker_db:.0f} dB weaker stands {ahead_ms:.2f} ms ahead of the first strong "
        "one, and nothing tells whether it came first or rings ahead of that one"
    )


def open_ahead(heard: Iterable[Heard], before_s: float) -> Peak | None:
    """Return the earliest sound before an instant of which nothing tells what it is."""
    ahead = itertools.takewhile(lambda h: h.peak.delay_s < before_s, heard)
    return next((h.peak for h in ahead if h.is_open), None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """A sound, and whether it is one of its own, or nothing tells."""

    peak: Peak
    is_own: bool
    is_open: bool = False


def weighed(
    found: SoundsAhead,
    envelope: NDArray[np.complexfloating],
    shape: EchoShape,
    way_s: float,
) -> Iterator[Heard]:
    """Yield what stands in an envelope, earliest first, each weighed against what follows."""
    delay_s = np.array([p.delay_s for p in found.peaks])
    amplitude = np.array([p.amplitude for p in found.peaks])
    # What is cut off at the end leaves the side lobes that its pulse has before it.
    whole = delay_s < envelope.size * shape.bin_s - shape.reach_s
    for i, peak in enumerate(found.peaks):
        if peak.amplitude < LOBES_DRAWN_OUT * found.lobes[i]:
            yield Heard(peak=peak, is_own=False)
            continue
        later = np.flatnonzero((delay_s > peak.delay_s) & (amplitude > AS_STRONG * peak.amplitude))
        votes = np.array(
            [_rings(i, int(of), delay_s, amplitude, found.threshold, shape, whole) for of in later]
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
            bends = (delay_s[later] - peak.delay_s < shape.reach_s) & (
                peak.amplitude < amplitude[later] * 10 ** (RINGS_CLOSE_DB / 20)
            )
            # What a microphone bends is by a power of a sound: not ahead of all in one share. As
            # strong as the sound itself, twice a chirp's frequency would be compressed to 1/√(BT)
            # of it: to 19 dB less for 4 to 12 kHz in 10 ms.
            nothing_tells = bool(bends.any()) and not is_sound(envelope, shape, peak)
        yield Heard(peak=peak, is_own=not rings and not nothing_tells, is_open=nothing_tells)


def _rings(
    weak: int,
    strong: int,
    delay_s: NDArray[np.float64],
    amplitude: NDArray[np.float64],
    threshold: NDArray[np.float64],
    shape: EchoShape,
    asked: NDArray[np.bool_],
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
    may_vote = (place >= 0) & asked
    may_vote[[weak, strong]] = False
    apart_s = delay_s - delay_s[:, np.newaxis]
    near_s = shape.width_s / 2
    there = np.abs(apart_s + ahead_s) < near_s
    strength = np.where(there, amplitude, 0.0).max(axis=1)
    absent = strength < expected / AS_STRONG
    absent &= expected > PLAINLY * threshold[np.maximum(place, 0)]
    present = (strength >= expected / AS_STRONG) & (strength < expected * AS_STRONG)
    # What rings ahead of a sound is no sound: nothing rings ahead of it. Asked all the same, it
    # leaves two more of 120 drawn open.
    absent &= ~(there & present[:, np.newaxis]).any(axis=0)
    return int(np.count_nonzero(may_vote & present)) - int(np.count_nonzero(may_vote & absent))


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
    placed = (at_its_crest(envelope, shape, peak, peaks) for peak in peaks)
    return tuple(p for p in placed if abs(20 * math.log10(p.amplitude / amplitude)) < within_db)
