"""How often a target that passed is heard, on the bench as it is and as changed."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.measure.what_if.bench import Bench
from rig.measure.what_if.noise import threshold
from rig.measure.what_if.ways import Way


@dataclass(frozen=True, slots=True, kw_only=True)
class PassForecast:
    """One target that passed, as heard and as forecast.

    Attributes
    ----------
    closest_range_m, closest_time_s : float
        The arch's top, the same in both.
    speed_m_s, heard_speed_m_s : float
    heard_hits, hits : int
        Pings in which it was heard, and would be.
    cut : bool
        Whether the arch runs on before the first ping or after the last, so that it has more
        hits than there are pings for.
    u_hits : float
        Standard uncertainty of the forecast: of speed and strength, and of counting.
    heard_strong_hits, strong_hits : int or None
        Those within half power of the strongest.
    heard_peak_db, peak_db : float
        Its strongest echo, dB re full scale, by the fit and by the forecast.
    u_peak_db : float
    """

    closest_range_m: float
    closest_time_s: float
    speed_m_s: float
    heard_speed_m_s: float
    heard_hits: int
    hits: int
    cut: bool
    u_hits: float
    heard_strong_hits: int | None
    strong_hits: int
    heard_peak_db: float
    peak_db: float
    u_peak_db: float


def pass_forecast(
    before: Way,
    after: Way,
    present: Bench,
    other: Bench,
    noise_rms: float,
    at_present: float,
    finer: float,
    sent_s: NDArray[np.float64],
) -> PassForecast:
    """Compare one target's way through both benches.

    The noise is that of the recording's samples; `at_present` and `finer` are what each
    bench's finer sampling raises it by.
    """
    _, _, heard_peak, _ = _hits(before, present, noise_rms * at_present, sent_s)
    hits, strong, peak, cut = _hits(after, other, noise_rms * finer, sent_s)

    louder = dataclasses.replace(after, level=after.level * 10 ** (after.u_level_db / 20))
    faster = dataclasses.replace(after, speed_m_s=after.speed_m_s + after.u_speed_m_s)
    by_level, by_speed = (
        _hits(way, other, noise_rms * finer, sent_s)[0] - hits for way in (louder, faster)
    )
    # Either end falls anywhere between two pings: 1/12 of a ping's square each.
    u_hits = math.sqrt(by_level**2 + by_speed**2 + 2 / 12)
    told = before.passage
    return PassForecast(
        closest_range_m=after.range_m,
        closest_time_s=after.time_s,
        speed_m_s=after.speed_m_s,
        heard_speed_m_s=before.speed_m_s,
        heard_hits=told.hits,
        hits=hits,
        cut=cut,
        u_hits=u_hits,
        heard_strong_hits=told.strong_hits,
        strong_hits=strong,
        heard_peak_db=20 * math.log10(max(heard_peak, 1e-10)),
        peak_db=20 * math.log10(max(peak, 1e-10)),
        u_peak_db=after.u_level_db,
    )


def _hits(
    way: Way, bench: Bench, noise_rms: float, sent_s: NDArray[np.float64]
) -> tuple[int, int, float, bool]:
    """Count the pings that hear a target and those within half power.

    And return its strongest echo, and whether the first or last ping still hears it.
    """
    met_s = bench.met_s(sent_s, way.range_m)
    amplitude = bench.amplitude(way.response(bench, met_s))
    strongest = int(amplitude.argmax())
    heard = amplitude > threshold(bench, noise_rms)
    if not heard[strongest]:
        return 0, 0, float(amplitude[strongest]), False
    # The main lobe: from the strongest on, while it is heard.
    silent = np.flatnonzero(~heard)
    after = silent[silent > strongest]
    before = silent[silent < strongest]
    last = int(after[0]) if after.size else heard.size
    first = int(before[-1]) + 1 if before.size else 0
    level = amplitude[first:last] * way.range_at(met_s[first:last]) ** 2
    strong = int(np.count_nonzero(level >= level.max() / math.sqrt(2)))
    cut = first == 0 or last == heard.size
    return last - first, strong, float(amplitude[strongest]), cut
