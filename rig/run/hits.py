"""What is found in one ping's own profile, in one search: its echoes, and hits to follow.

An echo that is too weak to be listed alone counts once it falls into line with those of
other pings, and a false alarm hardly ever does: so the search goes on at a higher
false-alarm rate than the plan asks, and is sifted for the plan's own echoes.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from dsp.ping.peaks import Peak
from dsp.ping.ranging import range_from_path_m
from rig.run.receiver import Receiver, threshold_db
from rig.run.results import Heard, Hits, PingResult, TimeZero

SURE_DB = 6.0
"""An echo so far above the threshold that it does not come and go by noise: where it is in one
ping and not in the other, something has moved, or turned up."""

FOLLOW_RATE = 1e-3
"""Hits of noise alone, for each independent bin of each ping."""

_PEAK_SHARE = 1e-3  # of the resolution: how well a peak is placed where there is no noise


def heard_in(receiver: Receiver, ping: PingResult) -> PingResult:
    """Search a ping's own profile, once for all that is asked of it.

    Returns
    -------
    PingResult
        The same ping with `heard`; a lost one as it is.
    """
    profile, time_zero = ping.alone, ping.time_zero
    if profile is None or time_zero is None:
        return ping
    rate = receiver.plan.receiver.false_alarm_rate
    found = receiver.found(profile, time_zero, rates=(rate, FOLLOW_RATE))
    heard = Heard(
        echoes=tuple(receiver.echo(p, time_zero, shape=profile.shape) for p in found.at(0)),
        threshold_db=threshold_db(found, profile),
        hits=hits_of(receiver, ping, found.at(1), before=found.before),
    )
    return dataclasses.replace(ping, heard=heard)


def resolution_m(receiver: Receiver) -> float:
    """Return how far apart in range two echoes must stand to be two."""
    return receiver.shape.width_s * receiver.sound_speed_m_s / 2


def hits_of(
    receiver: Receiver, ping: PingResult, peaks: Sequence[Peak], *, before: Sequence[Peak]
) -> Hits:
    """Take from a ping what following asks of it.

    Parameters
    ----------
    receiver : Receiver
    ping : PingResult
    peaks : sequence of Peak
        Found in its own profile. Amplitude and SNR are NaN where a device hands on none.
    before : sequence of Peak
        What the same search found before the echoes.
    """
    rows = np.array([(p.delay_s, p.u_delay_s, p.amplitude, p.snr, p.phase_rad) for p in peaks])
    rows = rows.reshape(-1, 5)
    range_m = range_from_path_m(
        receiver.sound_speed_m_s * rows[:, 0], receiver.plan.geometry.baseline_m
    )
    # At a range of 0 no first order holds.
    delay_s, u_delay_s, amplitude, snr, phase_rad = rows[range_m > 0].T
    range_m = range_m[range_m > 0]
    u_mark_s = 0.0 if ping.time_zero is None else ping.time_zero.u_delay_s
    noise_m = slope_m_s(receiver, delay_s, range_m) * np.hypot(u_delay_s, u_mark_s)
    return Hits(
        ping=ping.index,
        sent_s=ping.sent_s,
        u_mark_s=u_mark_s,
        delay_s=delay_s,
        range_m=range_m,
        noise_m=np.maximum(noise_m, _PEAK_SHARE * resolution_m(receiver)),
        strength_db=20 * np.log10(amplitude),
        snr_db=10 * np.log10(snr),
        phasor=_from_mark(
            receiver, ping.time_zero, _phasor(receiver, delay_s, amplitude, phase_rad), before
        ),
    )


def snr_out(receiver: Receiver, hits: Hits) -> NDArray[np.float64]:
    """Return twice a peak's power over the noise's: the threshold is set on that."""
    return np.asarray(10 ** (hits.snr_db / 10) * receiver.shape.efficiency)


def stands_out(receiver: Receiver, hits: Hits) -> NDArray[np.bool_]:
    """Say which hits stand by :data:`SURE_DB` above the plan's own threshold."""
    least_snr = -2 * math.log(receiver.plan.receiver.false_alarm_rate)
    return np.asarray(snr_out(receiver, hits) > least_snr * 10 ** (SURE_DB / 10))


def slope_m_s(receiver: Receiver, delay_s: ArrayLike, range_m: ArrayLike) -> NDArray[np.float64]:
    """By how much a range grows with its delay: c² t/(4 R), as of R = √((c t/2)² − (b/2)²)."""
    return np.asarray(receiver.sound_speed_m_s**2 * np.asarray(delay_s) / (4 * np.asarray(range_m)))


def _phasor(
    receiver: Receiver, delay_s: ArrayLike, amplitude: ArrayLike, phase_rad: ArrayLike
) -> NDArray[np.complex128]:
    """Turn a carrier's phase at an echo's own delay into what the delay turned it by."""
    turned_rad = np.asarray(phase_rad) - 2 * math.pi * receiver.centre_hz * np.asarray(delay_s)
    return np.asarray(amplitude * np.exp(1j * turned_rad))


def _from_mark(
    receiver: Receiver,
    mark: TimeZero | None,
    phasor: NDArray[np.complex128],
    before: Sequence[Peak],
) -> NDArray[np.complex128]:
    """Count the phases of a ping's echoes from its mark; NaN where they mean nothing.

    The search fitted all sounds together, so that none has another's side lobes in its
    phase. Where the direct sound is time zero, the phase counts from its own: what its
    arrival was misread by, a good part of a wave for a tone burst, drops out.
    """
    # The phases of a band that was folded down may run backwards: they are not gone by.
    if receiver.plan.timing.band_sampling or receiver.info.edge_step_s is not None:
        return np.full(phasor.size, np.nan, dtype=np.complex128)
    if mark is None or mark.method != "direct":
        return phasor
    direct_s = mark.mark_s - mark.delay_s
    near = [p for p in before if abs(p.delay_s - direct_s) < receiver.shape.width_s / 2]
    if not near:
        # Its profile was turned by the phase that the mark was read with.
        return np.asarray(phasor * np.exp(2j * math.pi * receiver.centre_hz * direct_s))
    strongest = max(near, key=lambda p: p.amplitude)
    direct = _phasor(receiver, strongest.delay_s, 1.0, strongest.phase_rad)
    return np.asarray(phasor * np.conj(direct))
