"""Heard tracks turned into ways that can be gone again, or kept as heard."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from dsp.ping.ranging import path_from_range_m
from rig.measure.passes.passing import Passing
from rig.measure.what_if.bench import Bench
from rig.measure.what_if.noise import threshold
from rig.measure.what_if.ways import Kept, Way
from rig.run.receiver import Receiver
from rig.run.results import PingResult

_LOUDLY_MISSED = 3  # pings in which a target that was there would have been heard well
_MODEL_DB = 1.0  # standard uncertainty of the beam's formula, and of a target's evenness


def ways_of(
    receiver: Receiver,
    results: Sequence[PingResult],
    passings: Sequence[Passing],
    bench: Bench,
    noise_rms: float,
    sent_s: NDArray[np.float64],
) -> tuple[list[Way], list[Kept]]:
    """Turn tracks into ways that can be gone again, and such as are kept as heard."""
    ways, rest = [], []
    for passing in passings:
        way = _way(passing, bench, noise_rms, sent_s)
        if way is None:
            rest.append(passing)
        else:
            ways.append(way)
    resolution_m = receiver.shape.width_s * receiver.sound_speed_m_s / 2
    stays = [passing for passing in rest if passing.passage.kind == "stay"]
    kept = [_kept(receiver, results, stay, np.ones(stay.ping.size, dtype=bool)) for stay in stays]
    for passing in rest:
        if passing.passage.kind == "stay":
            continue
        # A side lobe's stretch of an arch is a track of its own, of a target that has one.
        on_a_way = [
            np.abs(way.range_at(passing.time_s) - passing.range_m) < resolution_m for way in ways
        ]
        if any(np.count_nonzero(on) > on.size / 2 for on in on_a_way):
            continue
        # What is heard of it where something stays, in a ping that lacks that one, is that one.
        own = np.ones(passing.ping.size, dtype=bool)
        for stay in stays:
            beside_m = np.abs(passing.range_m - np.median(stay.range_m))
            own &= (beside_m > resolution_m) | np.isin(passing.ping, stay.ping)
        if own.any():
            kept.append(_kept(receiver, results, passing, own))
    return ways, kept


def _strengths(passing: Passing) -> NDArray[np.float64]:
    """How strong a track's echo is in each ping that heard it, freed of those beside it."""
    return np.asarray(10 ** (np.asarray(passing.strength_db) / 20))


def _kept(
    receiver: Receiver,
    results: Sequence[PingResult],
    passing: Passing,
    own: NDArray[np.bool_],
) -> Kept:
    """Keep a track by its own hits, in those pings too in which it ran into another.

    Its echo is not listed there, or is taken for the other's. It was there all the same where
    the ping is about as strong at its range; where it is not, it was not. What stays may have
    been run into as the pings began, and as they ended.
    """
    stays = passing.passage.kind == "stay"
    heard, range_m, amplitude = passing.ping[own], passing.range_m[own], _strengths(passing)[own]
    if stays:
        range_m = np.full_like(range_m, np.median(range_m))
        amplitude = np.full_like(amplitude, np.median(amplitude))
    good = [(r.index, r.alone) for r in results if r.alone is not None]
    ping = np.array([index for index, _ in good])
    range_m = np.interp(ping, heard, range_m)
    amplitude = np.interp(ping, heard, amplitude)
    path_m = path_from_range_m(range_m, receiver.plan.geometry.baseline_m)
    there = np.isin(ping, heard)
    for i, (_, profile) in enumerate(good):
        bin_ = round(float(path_m[i]) / receiver.sound_speed_m_s / profile.bin_s)
        around = np.abs(profile.envelope[max(0, bin_ - 1) : bin_ + 2])
        there[i] |= around.max(initial=0.0) > amplitude[i] / 2
    first, last = heard[[0, -1]]
    if stays:
        missed = ping[~there]
        first = missed[missed < first].max(initial=ping[0] - 1) + 1
        last = missed[missed > last].min(initial=ping[-1] + 1) - 1
    there &= (ping >= first) & (ping <= last)
    return Kept(ping=ping[there], range_m=range_m[there], amplitude=amplitude[there])


def _way(
    passing: Passing,
    bench: Bench,
    noise_rms: float,
    sent_s: NDArray[np.float64],
) -> Way | None:
    """Fit the level of a target that passed; None for one of which that is not told."""
    told = passing.passage
    if (
        told.kind not in ("pass", "half")
        or told.closest_range_m is None
        or told.crossing_speed_m_s is None
        or told.u_crossing_speed_m_s is None
        or told.closest_time_s is None
    ):
        return None
    way = Way(
        passage=told,
        range_m=told.closest_range_m,
        time_s=told.closest_time_s,
        speed_m_s=told.crossing_speed_m_s,
        u_speed_m_s=told.u_crossing_speed_m_s,
        tilt_rad=told.tilt_rad or 0.0,
        level=1.0,
        u_level_db=0.0,
        from_m=-math.inf,
        to_m=math.inf,
        baseline_m=bench.plan.geometry.baseline_m,
    )
    unit = bench.amplitude(way.response(bench, passing.time_s))
    amplitude = _strengths(passing)
    if not np.any(unit > 0):
        return None
    # Each ping's noise is the same: least squares of amplitudes is the likeliest level.
    level = float(amplitude @ unit / (unit @ unit))
    strong = unit > unit.max() / math.sqrt(2)
    misfit_db = 20 * np.log10(np.maximum(amplitude[strong], 1e-12) / (level * unit[strong]))
    u_db = math.hypot(float(np.std(misfit_db)) / math.sqrt(misfit_db.size), _MODEL_DB)
    way = dataclasses.replace(way, level=level, u_level_db=u_db)
    # Where the target would have been heard well and was not, it was not there.
    met_s = bench.met_s(sent_s, way.range_m)
    loud = bench.amplitude(way.response(bench, met_s)) > 2 * threshold(bench, noise_rms)
    missed_before = np.count_nonzero(loud & (met_s < told.first_s - 1e-9)) >= _LOUDLY_MISSED
    missed_after = np.count_nonzero(loud & (met_s > told.last_s + 1e-9)) >= _LOUDLY_MISSED
    first_m, last_m = way.along_m(np.array([told.first_s, told.last_s])).tolist()
    half_m = way.speed_m_s * bench.plan.timing.ping_interval_s / 2
    return dataclasses.replace(
        way,
        from_m=first_m - half_m if missed_before else -math.inf,
        to_m=last_m + half_m if missed_after else math.inf,
    )
