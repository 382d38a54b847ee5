"""The direct sound at both receivers, for what it tells of the pair itself."""

from __future__ import annotations

import math

from dsp.ping.pulse.peaks import Peak
from dsp.ping.pulse.profiles import EchoProfile
from rig.bench.plan import Geometry
from rig.run.echo_search import PARTNER_RATE
from rig.run.receiver import Receiver
from rig.run.results import TimeZero

AT_SOURCE_M = 0.01
"""Nearer to the source a sound does not fall with distance as from a point: the faces are larger
(common practice, no source)."""


def direct_of_both(
    receiver: Receiver, profile: EchoProfile, time_zero: TimeZero
) -> tuple[Peak | None, Peak | None]:
    """Return the direct sound at the first and at the second receiver; None where unheard.

    At the second it is the strongest sound about there: a spacing that is measured wrong by
    half is still to be told.
    """
    if profile.beside is None or receiver.pair is None:
        return None, None
    due_s = receiver.plan.geometry.baseline_m / receiver.sound_speed_m_s
    near_s = receiver.shape.width_s / 2
    first = _strongest(receiver, profile, time_zero, due_s, near_s)
    if first is None:
        return None, None
    reach_s = 1.5 * receiver.pair.longest_s + near_s
    return first, _strongest(receiver, profile.beside, time_zero, first.delay_s, reach_s)


def direct_later_m(geometry: Geometry) -> tuple[float, float]:
    """Return how much longer the direct sound's way is to the second receiver, and its u."""
    to_second_m = geometry.baseline_m + geometry.second_spacing_m
    # On the source's other side a longer baseline makes the one way longer, the other shorter.
    by_baseline = math.copysign(1, to_second_m) - 1
    u_m = math.hypot(geometry.u_second_spacing_m, by_baseline * geometry.u_baseline_m)
    return abs(to_second_m) - geometry.baseline_m, u_m


def direct_weaker_by(geometry: Geometry) -> float | None:
    """Return how many times weaker the direct sound is at the second receiver, by spreading.

    None where one of the two stands at the source itself, where their strengths tell nothing.
    """
    to_first_m = geometry.baseline_m
    to_second_m = abs(to_first_m + geometry.second_spacing_m)
    if min(to_first_m, to_second_m) < AT_SOURCE_M:
        return None
    return to_second_m / to_first_m


def _strongest(
    receiver: Receiver, profile: EchoProfile, time_zero: TimeZero, due_s: float, reach_s: float
) -> Peak | None:
    found = receiver.search.found(profile, time_zero, rates=(PARTNER_RATE,))
    near = [p for p in (*found.before, *found.peaks) if abs(p.delay_s - due_s) <= reach_s]
    return max(near, key=lambda peak: peak.amplitude, default=None)
