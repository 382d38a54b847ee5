"""The pulse as it really comes back, and a filter that makes the most of its band.

Transducers pass the middle of a pulse's band and weaken its ends; a taper weakens
them further. The plain matched filter weakens the weak ends a second time, and two
echoes run into one. An equalising filter lifts them instead, down to a floor: its
weights are ``S* / (|S|² + floor)``, Wiener's filter for an echo anywhere in white
noise. The compressed echo becomes narrower than the matched filter's, and the noise
higher against it; how much of the one for how much of the other is a choice.

What can be lifted must be known: the spectrum is that of the pulse as it was heard
(:func:`measured_replica`), not of the pulse as it was sent.

References
----------
N. Wiener, *Extrapolation, Interpolation, and Smoothing of Stationary Time Series*,
1949, ch. III (cited from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from dsp.arguments import require_positive, require_within
from dsp.ping.pulse.compression import PulseCompressor, energy_band_hz
from dsp.ping.pulse.echo_shape import EchoShape
from dsp.ping.pulse.pulses import Pulse

BAND_LEFT_OUT = 1e-4
"""Share of the equalised echo's power, at either end of the band, that is not kept."""

DEEPEST_FLOOR = 1e-9
"""Samples of single precision know a spectrum no better than this, in power."""

HIGHEST_FLOOR = 100.0
"""Above the strongest by so much, a floor leaves the matched filter."""

NOISE_MARGIN = 16.0
"""A spectrum is divided by so long as it stands so far, in power, above the noise that
the gate lets through. The gate smears what is found beyond the band's edges into the
band: in trials at 1 more noise came in so than through the gate, at 16 a third of it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Replica:
    """A pulse as it was heard.

    Attributes
    ----------
    pulse : Pulse
        Scaled so that the plain filter of the sent pulse reads it as amplitude 1.
    lead_s : float
        So long after the replica's first sample stands the instant at which the
        sent pulse's filter places it. Transducers answer later than at once, and a
        filtered pulse begins before it.
    """

    pulse: Pulse
    lead_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Equalisation:
    """How far to equalise a pulse, and what that does.

    Attributes
    ----------
    floor : float
        For :class:`dsp.ping.pulse.compression.PulseCompressor`: power over the pulse's
        strongest, below which its spectrum is no longer lifted.
    band_hz : tuple of float
        The band to keep.
    width_s, plain_width_s : float
        Full width at half amplitude of an echo, equalised and by the plain matched
        filter. c/2 times as much in range is what two echoes must stand apart.
    noise_cost_db : float
        By how much an echo stands less high above the noise than in the plain
        matched filter; not negative.
    """

    floor: float
    band_hz: tuple[float, float]
    width_s: float
    plain_width_s: float
    noise_cost_db: float

    @property
    def gain(self) -> float:
        """How many times narrower the echo becomes."""
        return self.plain_width_s / self.width_s


def equalisation(pulse: Pulse, *, most_cost_db: float) -> Equalisation:
    """Equalise a pulse as far as a noise cost allows.

    Parameters
    ----------
    pulse : Pulse
        As it comes back.
    most_cost_db : float
        Noise cost not to be exceeded, dB; what the echoes can spare above the
        detection threshold.

    Raises
    ------
    ValueError
        On a cost that is not above zero.

    References
    ----------
    Output power of an echo over that of white noise through a filter H: (Σ SH)² /
    Σ|H|²; at most Σ|S|², with H = S*, which is the matched filter's (Turin 1960).

    Examples
    --------
    A chirp through a transducer that passes a third of its band well.

    >>> from dsp.ping.pulse.pulses import linear_chirp
    >>> sent = linear_chirp(4000.0, 12000.0, 0.010, 48000.0)
    >>> spectrum = np.fft.rfft(sent.samples, 1024)
    >>> detune = (np.arange(513) * 48000 / 1024 - 8000.0) / 1300.0
    >>> heard = np.fft.irfft(spectrum / (1 + 1j * detune), 1024)
    >>> heard = Pulse(samples=heard, sample_rate_hz=48000.0, band_hz=sent.band_hz)
    >>> found = equalisation(heard, most_cost_db=10.0)
    >>> round(found.gain, 1), round(found.noise_cost_db, 1)
    (1.9, 10.0)
    """
    require_positive("most_cost_db", most_cost_db, "dB")
    length = 1 << (8 * pulse.samples.size - 1).bit_length()
    power = np.abs(np.fft.rfft(pulse.samples.astype(np.float64), length)) ** 2
    power /= power.max()
    floor = _floor(power, most_cost_db)
    shape, band_hz = _shape(pulse, power, floor)
    plain = PulseCompressor(pulse, 4 * pulse.samples.size).shape
    return Equalisation(
        floor=floor,
        band_hz=band_hz,
        width_s=shape.width_s,
        plain_width_s=plain.width_s,
        noise_cost_db=max(-10 * math.log10(shape.efficiency), 0.0),
    )


def _floor(power: NDArray[np.float64], most_cost_db: float) -> float:
    """Return the lowest floor whose cost is not above `most_cost_db`."""

    def excess_db(log_floor: float) -> float:
        return noise_cost_db(power, math.exp(log_floor)) - most_cost_db

    # The cost rises as the floor sinks.
    deepest, highest = math.log(DEEPEST_FLOOR), math.log(HIGHEST_FLOOR)
    if excess_db(deepest) <= 0:
        return DEEPEST_FLOOR
    if excess_db(highest) > 0:
        return HIGHEST_FLOOR
    return math.exp(scipy.optimize.brentq(excess_db, deepest, highest))


def noise_cost_db(power: NDArray[np.float64], floor: float) -> float:
    """Return what a floor costs: the loss against the matched filter in white noise, dB.

    Parameters
    ----------
    power : ndarray, shape (bins,)
        The pulse's power spectrum, its largest 1.
    floor : float
        Above zero.

    Examples
    --------
    Half of the band 20 dB down, all lifted alike: 10·log10(1.01 · 101 / 4).

    >>> round(noise_cost_db(np.array([1.0, 0.01]), 1e-9), 1)
    14.1
    """
    weight = 1 / (power + floor)
    echo, noise = float(power @ weight), float((power * weight) @ weight)
    return 10 * math.log10(float(power.sum()) * noise / echo**2)


def _shape(
    pulse: Pulse, power: NDArray[np.float64], floor: float
) -> tuple[EchoShape, tuple[float, float]]:
    """Return an equalised echo's shape, and the band to keep."""
    share = np.cumsum(power / (power + floor))
    share /= share[-1]
    bin_hz = pulse.sample_rate_hz / 2 / (power.size - 1)
    low = int(np.searchsorted(share, BAND_LEFT_OUT))
    high = int(np.searchsorted(share, 1 - BAND_LEFT_OUT)) + 1
    plain = energy_band_hz(pulse)
    band_hz = (
        min(low * bin_hz, plain[0]),
        max(min(high * bin_hz, pulse.sample_rate_hz / 2), plain[1]),
    )
    compress = PulseCompressor(
        pulse, 4 * pulse.samples.size, weighting="equalised", floor=floor, band_hz=band_hz
    )
    return compress.shape, band_hz


def aligned_mean(
    blocks: NDArray[np.floating], start_s: NDArray[np.float64], sample_rate_hz: float
) -> NDArray[np.float64]:
    """Average blocks after each was moved so that its own instant becomes the first sample.

    Parameters
    ----------
    blocks : ndarray, shape (pings, samples)
    start_s : ndarray of float64, shape (pings,)
        From each block's first sample to the instant; any part of a sample.

    Returns
    -------
    ndarray of float64, shape (samples,)
        What stood before the instant is at the end, wrapped round.
    """
    samples = blocks.shape[-1]
    frequency_hz = np.fft.rfftfreq(samples, 1 / sample_rate_hz)
    total = np.zeros(frequency_hz.size, dtype=np.complex128)
    for block, start in zip(blocks, start_s, strict=True):
        spectrum = np.fft.rfft(np.asarray(block, dtype=np.float64))
        total += spectrum * np.exp(2j * np.pi * frequency_hz * start)
    return np.asarray(np.fft.irfft(total / len(blocks), samples))


def measured_replica(
    heard: NDArray[np.floating],
    pulse: Pulse,
    *,
    delay_s: float,
    before_s: float,
    after_s: float,
    noise_rms: float,
) -> Replica:
    """Take the pulse as it was heard out of a block, free of noise and of other echoes.

    What lies between the pulse as sent and as heard is a short answer of the
    transducers and of the target. It is found by dividing the one's spectrum out of
    the other's, with a floor where noise is all there is; cut out around the arrival;
    and the sent pulse is passed through it. Echoes of a long pulse overlap in a block,
    their answers do not.

    Parameters
    ----------
    heard : ndarray, shape (samples,)
        From one ping, or the average of many.
    pulse : Pulse
        As sent.
    delay_s : float
        Arrival of the echo or direct sound, from the block's first sample, as the
        plain filter of the sent pulse places it.
    before_s, after_s : float
        How much of the answer to keep, before and after that; other echoes must stand
        further off.
    noise_rms : float
        Of a sample of `heard`.

    Raises
    ------
    ValueError
        Where the arrival lies outside the block, or nothing was heard there.
    """
    rate = pulse.sample_rate_hz
    require_positive("before_s", before_s, "s")
    require_positive("after_s", after_s, "s")
    require_within("noise_rms", noise_rms, 0, math.inf)
    require_within("delay_s", delay_s, 0, heard.size / rate, "s")
    before, after = math.ceil(before_s * rate), math.ceil(after_s * rate)
    length = 1 << (heard.size + 2 * pulse.samples.size + before + after - 1).bit_length()
    frequency_hz = np.fft.rfftfreq(length, 1 / rate)
    sent = np.fft.rfft(pulse.samples.astype(np.float64), length)
    power = np.abs(sent) ** 2
    found = np.fft.rfft(np.asarray(heard, dtype=np.float64), length)
    found = found * np.exp(2j * np.pi * frequency_hz * delay_s)
    # How loud it is, before anything is cut: the plain filter's own reading.
    amplitude = abs(_plain_reading(found, sent))
    if amplitude == 0:
        raise ValueError("heard: nothing arrives at delay_s; give a block with an echo there")
    # The gate lets through so many samples' worth of noise.
    floor = NOISE_MARGIN * (before + after) * (noise_rms / amplitude) ** 2
    floor = max(floor, DEEPEST_FLOOR * float(power.max()))
    answer = np.roll(np.fft.irfft(found * np.conj(sent) / (power + floor), length), before)
    kept = answer[: before + after + 1] * _gate(before, after)
    passed = np.fft.irfft(np.fft.rfft(kept, length) * sent, length)
    passed = passed[: pulse.samples.size + before + after]
    turned = np.fft.rfft(passed, length) * np.exp(2j * np.pi * frequency_hz * before / rate)
    return Replica(
        pulse=Pulse(
            samples=(passed / abs(_plain_reading(turned, sent))).astype(np.float32),
            sample_rate_hz=rate,
            band_hz=pulse.band_hz,
        ),
        lead_s=before / rate,
    )


def _plain_reading(found: NDArray[np.complex128], sent: NDArray[np.complex128]) -> complex:
    """Read the sent pulse's matched filter at a delay of 0."""
    return complex((found * np.conj(sent)).sum() / (np.abs(sent) ** 2).sum())


def _gate(before: int, after: int) -> NDArray[np.float64]:
    """1 in the middle; the outer quarter on each side falls as half a cosine."""
    place = np.arange(-before, after + 1)
    away = np.where(place < 0, -place / (before + 1), place / (after + 1))
    fall: NDArray[np.float64] = np.cos(np.pi / 2 * np.clip((away - 0.75) / 0.25, 0, 1)) ** 2
    return fall
