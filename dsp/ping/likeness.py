"""How far a sound is from a copy of the pulse, and what that may have moved it by."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.ping.compression import EchoShape
from dsp.ping.more_than_one import MOST_COMPARED, SURELY
from dsp.ping.noise import independent_s
from dsp.ping.peaks import Peak, interpolated
from dsp.ping.search import sounds_ahead

LEAST_SEEN = 5e-4
"""Of a sound's amplitude: what is less is the rounding of a converter, or the 1e-7 of the
pulse's energy that compression leaves out, √1e-7 = 3e-4 of its amplitude; no filter."""

LOOKS_A_LOBE = 16
"""So often is a lobe looked at, where it has so many bins."""

_FALSE_ALARM_RATE = 1e-9
"""For each independent bin, of what is taken away as another sound."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Unlike:
    """What share of a sound's amplitude is not explained.

    Attributes
    ----------
    copy : float
        By a copy of the pulse: 0 for a copy, as far as its noise lets one see; 1 for what has
        nothing of it.
    others : float
        By that or by any of the strongest other sounds of the profile, the least: what it has
        in common with one is the sender's or the receiver's, and moves both alike.
    """

    copy: float
    others: float


def unlike_pulse(
    envelope: NDArray[np.complexfloating],
    shape: EchoShape,
    peak: Peak,
) -> Unlike:
    """Say how far a sound is from a copy of the pulse.

    Looked at over a lobe to each side. What other sounds, a lobe away and more, have there
    is taken away first.

    Parameters
    ----------
    envelope, shape
        As for :func:`dsp.ping.arrivals.first_arrival`.
    peak : Peak
        The sound, as found in that envelope.
    """
    sounds = sounds_ahead(envelope, shape, false_alarm_rate=_FALSE_ALARM_RATE).peaks
    reach = math.ceil(shape.width_s / shape.bin_s)
    # A narrow band's bins may stand by hundreds in a lobe: some of them tell as much.
    step = max(1, reach // LOOKS_A_LOBE)
    offset_s = np.arange(-reach, reach + 1, step).astype(np.float64) * shape.bin_s
    own = without_others(envelope, shape, peak, sounds, shape.width_s, offset_s)
    from_copy, noise = _apart(own, shape.at(offset_s)), _noise_share(peak, own, shape)
    cells = max(1.0, (2 * reach + 1) * shape.bin_s / independent_s(shape))
    unlike = from_copy - noise * (1 + SURELY / math.sqrt(cells))
    if unlike <= LEAST_SEEN**2:
        return Unlike(copy=0.0, others=0.0)
    least = unlike
    others = sorted(
        (o for o in sounds if abs(o.delay_s - peak.delay_s) > shape.width_s),
        key=lambda o: -o.amplitude,
    )
    # Their noise is not taken off: it may hide a difference.
    for other in others[:MOST_COMPARED]:
        its = without_others(envelope, shape, other, sounds, shape.width_s, offset_s)
        least = min(least, _apart(own, its))
    return Unlike(copy=math.sqrt(unlike), others=math.sqrt(least))


def u_by_shape_s(unlike: float, shape: EchoShape) -> float:
    """Return the standard uncertainty of a sound's delay by what makes it no copy.

    Parameters
    ----------
    unlike : float
        Share of its amplitude, as of :class:`Unlike`.
    shape : EchoShape

    Notes
    -----
    A filter whose corner lies x bandwidths outside the band delays by about 1/x of the
    pulse's own sharpness 1/β, but colours it by 1/x² only: what it has moved a sound by goes
    with the root of what it has changed. With √ϱ/β as the standard uncertainty, two of it
    hold the shift by every Butterworth low-pass and high-pass of order 1 to 4 from 2 to
    12 kHz that leaves a pulse of 4 to 12 kHz to be heard, but for one at 1.06 of it, by
    resonances of a Q of 1 and 3, and by a second path of up to 0.6 of the first within a
    lobe of it (computed).
    """
    return math.sqrt(unlike) / shape.rms_bandwidth_rad_s


def without_others(
    envelope: NDArray[np.complexfloating],
    shape: EchoShape,
    peak: Peak,
    sounds: tuple[Peak, ...],
    reach_s: float,
    offset_s: NDArray[np.float64],
) -> NDArray[np.complex128]:
    """Return a sound about its own place, less all that stand farther off than `reach_s`."""
    centre_turns = (shape.centre_hz - shape.carrier_hz) * shape.bin_s
    place = (peak.delay_s + offset_s) / shape.bin_s
    around = interpolated(envelope, place, centre_turns=centre_turns)
    for other in sounds:
        if abs(other.delay_s - peak.delay_s) > reach_s:
            turn_rad = other.phase_rad - 2 * math.pi * shape.carrier_hz * other.delay_s
            lag_s = peak.delay_s + offset_s - other.delay_s
            around -= other.amplitude * np.exp(1j * turn_rad) * shape.at(lag_s)
    return around


def _apart(one: NDArray[np.complex128], other: NDArray[np.complex128]) -> float:
    """Return the share of one's energy that the other, at any strength, does not explain."""
    both = float(np.sum(np.abs(one) ** 2) * np.sum(np.abs(other) ** 2))
    return max(0.0, 1 - float(abs(np.vdot(other, one))) ** 2 / both) if both else 1.0


def _noise_share(peak: Peak, own: NDArray[np.complex128], shape: EchoShape) -> float:
    """Return the noise's share of a sound's energy, over the places it was read at."""
    noise = own.size * 2 * peak.amplitude**2 / (peak.snr * shape.efficiency)
    return noise / float(np.sum(np.abs(own) ** 2))
