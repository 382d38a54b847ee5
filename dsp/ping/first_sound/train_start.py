"""Where a train of pings begins: the first sound that comes again ping after ping."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.ping.first_sound.arrivals import FALSE_ALARM_RATE, Heard, open_ahead, weighed
from dsp.ping.first_sound.trains import comes_again
from dsp.ping.pulse.echo_shape import EchoShape
from dsp.ping.pulse.peaks import Peak
from dsp.ping.search.search import SoundsAhead, sounds_ahead


@dataclass(frozen=True, slots=True, kw_only=True)
class Train:
    """Where the first ping of a train begins.

    Attributes
    ----------
    first : Peak
        Its first sound.
    ahead : Peak or None
        As :func:`dsp.ping.first_sound.arrivals.unexplained_ahead` gives.
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
        As for :func:`dsp.ping.first_sound.arrivals.first_arrival`.
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
    heard = list(weighed(found, envelope, shape, way_s))
    train = _begun(heard, shape, stop_s)
    if train is None or train.ahead is None:
        return train
    # What is too faint in one ping to tell whether it rings stands out of the sum of several.
    # Where sounds stand, the first ping says: in the sum one that moves moves all others.
    halves = _halves(envelope, following, drift_bins)
    both = (halves[0] + halves[1]) / 2
    summed = sounds_ahead(both, shape, false_alarm_rate=FALSE_ALARM_RATE, least_noise=least_noise)
    summed = _coming_again(summed, halves[0], halves[1:], shape, 0.0)
    verdicts = list(weighed(summed, both, shape, way_s))
    heard = [_told_by(verdicts, h, shape) if h.is_open else h for h in heard]
    return _begun(heard, shape, stop_s)


def begun_alone(
    envelope: NDArray[np.complexfloating], shape: EchoShape, *, way_s: float = math.inf
) -> Train | None:
    """Find the first sound of one ping alone, where no other is there to compare with.

    Parameters as for :func:`dsp.ping.first_sound.arrivals.first_arrival`.

    Returns
    -------
    Train or None
        None where nothing stands above the noise.
    """
    found = sounds_ahead(envelope, shape, false_alarm_rate=FALSE_ALARM_RATE)
    heard = []
    for sound in weighed(found, envelope, shape, way_s):
        heard.append(sound)
        if sound.is_own:
            break
    return _begun(heard, shape, math.inf)


def _told_by(verdicts: Iterable[Heard], sound: Heard, shape: EchoShape) -> Heard:
    """Return a sound with what is said of it elsewhere; as it is where it is not heard there."""
    for verdict in verdicts:
        if abs(verdict.peak.delay_s - sound.peak.delay_s) < shape.width_s / 2:
            return dataclasses.replace(verdict, peak=sound.peak)
    return sound


def _begun(heard: Sequence[Heard], shape: EchoShape, stop_s: float) -> Train | None:
    """Return where a train of sounds begins, each weighed; None where none is one of its own."""
    first = next((h.peak for h in heard if h.is_own and h.peak.delay_s < stop_s), None)
    if first is None:
        return None
    return Train(first=first, ahead=open_ahead(heard, first.delay_s - shape.width_s / 2))


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
