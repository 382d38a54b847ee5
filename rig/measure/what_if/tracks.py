"""Heard tracks turned into ways that can be gone again, or kept as heard."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from dsp.ping.peaks import crest_near
from dsp.ping.ranging import path_from_range_m
from rig.measure.passes import Passing
from rig.measure.what_if.bench import Bench
from rig.measure.what_if.noise import threshold
from rig.measure.what_if.ways import Kept, Way
from rig.run.receiver import Receiver
from rig.run.results import PingResult

_LOUDLY_MISSED = 3  # pings in which a target that was there would have been heard well
_FLANKS = 3.0  # resolutions to each side, to where a compressed echo's flanks reach well
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
        amplitude = _amplitudes(receiver, results, passing)
        way = _way(passing, amplitude, bench, noise_rms, sent_s)
        if way is None:
            rest.append((passing, amplitude))
        else:
            ways.append(way)
    resolution_m = receiver.shape.width_s * receiver.sound_speed_m_s / 2
    kept = []
    stayed_m = [float(np.median(p.range_m)) for p, _ in rest if p.passage.kind == "stay"]
    for passing, amplitude in rest:
        if passing.passage.kind == "stay":
            kept.append(_stay(receiver, results, passing, float(np.median(amplitude))))
            continue
        # A side lobe's stretch of an arch is a track of its own, of a target that has one.
        on_a_way = [
            np.abs(way.range_at(passing.time_s) - passing.range_m) < resolution_m for way in ways
        ]
        if any(np.count_nonzero(on) > on.size / 2 for on in on_a_way):
            continue
        # Where it crosses what stays, its echo stands on the other's flanks.
        alone = np.ones(amplitude.size, dtype=bool)
        for range_m in stayed_m:
            alone &= np.abs(passing.range_m - range_m) > _FLANKS * resolution_m
        if alone.any():
            amplitude = np.interp(passing.ping, passing.ping[alone], amplitude[alone])
        kept.append(Kept(ping=passing.ping, range_m=passing.range_m, amplitude=amplitude))
    return ways, kept


def _amplitudes(
    receiver: Receiver, results: Sequence[PingResult], passing: Passing
) -> NDArray[np.float64]:
    """How strong a track's echo is in each ping that heard it."""
    by_index = {r.index: r for r in results}
    shape, coupling_s = receiver.shape, receiver.plan.pulse.coupling_s
    rate_m_s = np.gradient(passing.range_m, passing.time_s) if passing.ping.size > 1 else 0.0
    shown_m = passing.range_m + coupling_s * np.asarray(rate_m_s)
    path_m = path_from_range_m(shown_m, receiver.plan.geometry.baseline_m)
    delay_s = path_m / receiver.sound_speed_m_s
    found = np.zeros(passing.ping.size)
    for i, ping in enumerate(passing.ping.tolist()):
        result = by_index.get(ping)
        profile = None if result is None else result.alone
        if profile is None:
            continue
        reach = max(1, round(shape.width_s / profile.bin_s))
        centre = round(delay_s[i] / profile.bin_s)
        _, found[i] = crest_near(profile.envelope, shape, centre, reach)
    return found


def _stay(
    receiver: Receiver, results: Sequence[PingResult], passing: Passing, level: float
) -> Kept:
    """Keep a track that stayed, in those pings too in which something else crossed it.

    Its echo is not listed there, or is taken for the other's. It was there all the same where
    the ping is about as strong at its range; where it is not, it was not.
    """
    range_m = float(np.median(passing.range_m))
    path_m = float(path_from_range_m(range_m, receiver.plan.geometry.baseline_m))
    delay_s = path_m / receiver.sound_speed_m_s
    first, last, heard = int(passing.ping[0]), int(passing.ping[-1]), set(passing.ping.tolist())
    crossed = []
    for result in results:
        if result.alone is None or not first < result.index < last or result.index in heard:
            continue
        bin_ = round(delay_s / result.alone.bin_s)
        around = np.abs(result.alone.envelope[max(0, bin_ - 1) : bin_ + 2])
        if around.size and float(around.max()) > level / 2:
            crossed.append(result.index)
    ping = np.concatenate([passing.ping, np.array(crossed, dtype=np.int64)])
    return Kept(
        ping=ping,
        range_m=np.concatenate([passing.range_m, np.full(len(crossed), range_m)]),
        amplitude=np.full(ping.size, level),
    )


def _way(
    passing: Passing,
    amplitude: NDArray[np.float64],
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
