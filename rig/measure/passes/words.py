"""What went by, in words."""

from __future__ import annotations

import math
from collections.abc import Sequence

from dsp.uncertainty import signed, stated
from rig.measure.passes.passing import Passing, crossed_beam


def passing_lines(passings: Sequence[Passing]) -> tuple[str, ...]:
    """Put what went by into words, one line each; ± is k = 2."""
    return tuple(_line(p) for p in passings)


def _line(passing: Passing) -> str:
    told = passing.passage
    when = f"{told.first_s:.2f} to {told.last_s:.2f} s, {told.hits} hits"
    if told.closest_range_m is None or told.u_closest_range_m is None:
        near, far = passing.range_m.min(), passing.range_m.max()
        speed = ""
        if passing.unfolded is not None:
            certain = passing.unfolded
            speed = f"; closing at {stated(certain.speed_m_s, certain.u_speed_m_s)} m/s"
        elif passing.closing is not None and not passing.closing.even:
            speed = "; nearer and farther at a speed that changed"
        elif passing.closing is not None:
            found = passing.closing
            speed = (
                f"; closing at {stated(found.speed_m_s, found.u_speed_m_s)} m/s, or at "
                f"any multiple of {2 * found.fastest_m_s:.4f} m/s more or less"
            )
        return f"cannot tell: {when}, {near:.3f} to {far:.3f} m: {told.reason}{speed}"
    at = f"{stated(told.closest_range_m, told.u_closest_range_m, most=4)} m"
    if told.kind == "stay":
        return f"stay: {when}, at {at}"
    name = "pass" if told.kind == "pass" else _half_words(passing)
    line = f"{name}: {when}, closest {at} at {told.closest_time_s:.2f} s"
    if told.crossing_speed_m_s is not None and told.u_crossing_speed_m_s is not None:
        speed = stated(told.crossing_speed_m_s, told.u_crossing_speed_m_s)
        line += f", crossing at {speed} m/s"
    if told.tilt_rad is not None:
        line += f", strongest {signed(f'{math.degrees(told.tilt_rad):+.1f}')}° from there"
    if told.strong_hits is not None and passing.forecast_hits is not None:
        line += (
            f", {told.strong_hits} hits within half power where the cone foretells "
            f"{passing.forecast_hits:.0f}"
        )
    return line


def _half_words(passing: Passing) -> str:
    """Say what half an arch is: half a pass, or a whole one before a beam that looks aside.

    A thing that grows stronger and weaker again around where the beam looks went right through
    it; what comes or leaves half-way is strong at the arch's end.
    """
    tilt_rad = passing.passage.tilt_rad
    if tilt_rad is not None and crossed_beam(passing):
        return "a whole pass before a beam that looks aside, half an arch"
    return "half a pass"
