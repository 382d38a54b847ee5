"""What is found in one ping's own profile, in one search: its echoes, and hits to follow.

An echo that is too weak to be listed alone counts once it falls into line with those of
other pings, and a false alarm hardly ever does: so the search goes on at a higher
false-alarm rate than the plan asks, and is sifted for the plan's own echoes.
"""

from __future__ import annotations

import cmath
import itertools
import math
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from dsp.history.range_filters import Scan
from dsp.ping.pulse.peaks import Peak
from dsp.ping.pulse.profiles import EchoProfile
from dsp.ping.ranging import range_from_path_m
from dsp.ping.search.search import Found
from rig.run.echo_search import threshold_in_db
from rig.run.receiver import Receiver
from rig.run.results import Heard, Hits, PingResult, Side, TimeZero

SURE_DB = 6.0
"""An echo so far above the threshold that it does not come and go by noise: where it is in one
ping and not in the other, something has moved, or turned up."""

FOLLOW_RATE = 1e-3
"""Hits of noise alone, for each independent bin of each ping."""

_PEAK_SHARE = 1e-3  # of the resolution: how well a peak is placed where there is no noise


Searched = Sequence[tuple[PingResult, EchoProfile, TimeZero]]
"""Pings that are not lost, each with its own profile and time zero."""


def heard_in(receiver: Receiver, pings: Searched) -> list[Heard]:
    """Search each ping's own profile, once for all that is asked of it."""
    placed = [(profile, zero) for _, profile, zero in pings]
    return heard_of(receiver, pings, found_in(receiver, placed))


RATES = 2
"""At so many false-alarm rates a ping is searched: the plan's, and to follow."""


def found_in(receiver: Receiver, placed: Sequence[tuple[EchoProfile, TimeZero]]) -> list[Found]:
    """Search pings' own profiles at the rates that :func:`heard_of` asks for."""
    rates = receiver.plan.receiver.false_alarm_rate, FOLLOW_RATE
    return receiver.search.found_each(placed, rates=rates)


def heard_of(receiver: Receiver, pings: Searched, each: Sequence[Found]) -> list[Heard]:
    """Return what was heard in each ping's own profile, by what :func:`found_in` found there."""
    listed = [found.at(0) for found in each]
    sides = receiver.search.sides_each(
        [
            (profile, zero, found, peaks)
            for (_, profile, zero), found, peaks in zip(pings, each, listed, strict=True)
        ]
    )
    hits = hits_of_each(
        receiver,
        [
            (ping, zero, found.at(1), found.before)
            for (ping, _, zero), found in zip(pings, each, strict=True)
        ],
        sides=None
        if receiver.pair is None
        else [
            dict(zip(peaks, its_sides, strict=True))
            for peaks, its_sides in zip(listed, sides, strict=True)
        ],
    )
    return [
        Heard(
            echoes=tuple(
                receiver.search.echo(p, zero, shape=profile.shape, side=side)
                for p, side in zip(peaks, its_sides, strict=True)
            ),
            threshold=threshold_in_db(found, profile),
            hits=its_hits,
        )
        for (_, profile, zero), found, peaks, its_sides, its_hits in zip(
            pings, each, listed, sides, hits, strict=True
        )
    ]


def resolution_m(receiver: Receiver) -> float:
    """Return how far apart in range two echoes must stand to be two."""
    return receiver.shape.width_s * receiver.sound_speed_m_s / 2


def hits_of_each(
    receiver: Receiver,
    pings: Sequence[tuple[PingResult, TimeZero | None, Sequence[Peak], Sequence[Peak]]],
    *,
    sides: Sequence[Mapping[Peak, Side | None]] | None = None,
) -> list[Hits]:
    """Take from some pings what following asks of them.

    Parameters
    ----------
    receiver : Receiver
    pings : sequence of PingResult, TimeZero, peaks, before
        The peaks found in each one's own profile, whose amplitude and SNR are NaN where a
        device hands on none, and what the same search found before the echoes.
    sides : sequence of mapping of Peak to Side, optional
        Of each, where some of its peaks stand across the axis.
    """
    rows = np.array(
        [
            (
                p.delay_s,
                p.u_delay_s,
                math.hypot(p.u_pull_s, p.u_second_s),
                p.amplitude,
                p.snr,
                p.phase_rad,
                p.u_phase_rad,
            )
            for _, _, peaks, _ in pings
            for p in peaks
        ]
    ).reshape(-1, 7)
    angles = np.full((2, len(rows)), np.nan)
    if receiver.pair is not None and sides is not None:
        told = [its.get(p) for (*_, peaks, _), its in zip(pings, sides, strict=True) for p in peaks]
        for column, side in zip(angles.T, told, strict=True):
            if side is not None:
                column[:] = side.angle_rad, side.u_angle_rad
    whose = np.arange(len(pings)).repeat([len(peaks) for _, _, peaks, _ in pings])
    range_m = range_from_path_m(
        receiver.sound_speed_m_s * rows[:, 0], receiver.plan.geometry.baseline_m
    )
    # At a range of 0 no first order holds.
    far = range_m > 0
    if np.count_nonzero(far) < far.size:
        rows, angles, whose, range_m = rows[far], angles[:, far], whose[far], range_m[far]
    delay_s, u_delay_s, u_beside_s, amplitude, snr, phase_rad, u_phase_rad = rows.T
    angle_rad, u_angle_rad = angles
    u_mark_s = np.array([0.0 if zero is None else zero.u_delay_s for _, zero, _, _ in pings])
    slope = slope_m_s(receiver, delay_s, range_m)
    noise_m, beside_m = slope * np.hypot(u_delay_s, u_mark_s[whose]), slope * u_beside_s
    noise_m = np.maximum(noise_m, _PEAK_SHARE * resolution_m(receiver))
    strength_db, snr_db = 20 * np.log10(amplitude), 10 * np.log10(snr)
    if _without_phase(receiver):
        phasor = np.full(delay_s.size, np.nan, dtype=np.complex128)
    else:
        turned_rad = phase_rad - 2 * math.pi * receiver.centre_hz * delay_s
        phasor = amplitude * np.exp(1j * turned_rad)
        if receiver.plan.geometry.time_zero == "direct":
            marks = [_mark_phasor(receiver, zero, before) for _, zero, _, before in pings]
            # Not in place, where few are rounded otherwise than many.
            phasor = phasor * np.array(marks, dtype=np.complex128)[whose]
    ranges, phases = (range_m, noise_m, beside_m), (phasor, u_phase_rad)
    for column in (delay_s, *ranges, strength_db, snr_db, *phases, *angles):
        column.setflags(write=False)
    ends = [0, *itertools.accumulate(np.bincount(whose, minlength=len(pings)).tolist())]
    return [
        Hits(
            ping=ping.index,
            sent_s=ping.sent_s,
            u_mark_s=float(u_s),
            u_shape_s=0.0 if zero is None else zero.u_shape_s,
            delay_s=delay_s[first:last],
            range_m=range_m[first:last],
            noise_m=noise_m[first:last],
            beside_m=beside_m[first:last],
            strength_db=strength_db[first:last],
            snr_db=snr_db[first:last],
            phasor=phasor[first:last],
            u_phase_rad=u_phase_rad[first:last],
            angle_rad=angle_rad[first:last],
            u_angle_rad=u_angle_rad[first:last],
        )
        for (ping, zero, _, _), u_s, (first, last) in zip(
            pings, u_mark_s, itertools.pairwise(ends), strict=True
        )
    ]


def scan_of(hits: Hits) -> Scan:
    """Return what following asks of a ping's hits."""
    return Scan(time_s=hits.sent_s, range_m=hits.range_m, noise_m=hits.noise_m)


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


def _without_phase(receiver: Receiver) -> bool:
    """Say whether phases mean nothing: those of a band folded down may run backwards."""
    return receiver.plan.timing.band_sampling or receiver.info.edge_step_s is not None


def _mark_phasor(receiver: Receiver, mark: TimeZero | None, before: Sequence[Peak]) -> complex:
    """Return what counts the phases of a ping's echoes from the direct sound.

    The search fitted all sounds together, so that none has another's side lobes in its
    phase. Where the direct sound is time zero, the phase counts from its own: what its
    arrival was misread by, a good part of a wave for a tone burst, drops out.
    """
    if mark is None or mark.method != "direct":
        return 1.0
    direct_s = mark.mark_s - mark.delay_s
    near = [p for p in before if abs(p.delay_s - direct_s) < receiver.shape.width_s / 2]
    if not near:
        # Its profile was turned by the phase that the mark was read with.
        return cmath.exp(2j * math.pi * receiver.centre_hz * direct_s)
    strongest = max(near, key=lambda p: p.amplitude)
    return cmath.exp(
        1j * (2 * math.pi * receiver.centre_hz * strongest.delay_s - strongest.phase_rad)
    )
