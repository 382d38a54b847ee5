"""A forecast in words."""

from __future__ import annotations

import math

from dsp.uncertainty import signed, stated
from rig.measure.what_if.history import WhatIf

CANNOT_KNOW = (
    "A forecast from what was heard. It cannot know what the beam never met; it keeps each "
    "target's and the source's strength; what stayed, or cannot be told, is kept as heard."
)


def what_if_lines(found: WhatIf) -> tuple[str, ...]:
    """Put a forecast into words, ± is k = 2."""
    lines = [f"What if: {found.change}. Half-power half angle {_cone(found)}"]
    for one in found.passes:
        lines.append(
            f"at {one.closest_range_m:.3f} m, {one.closest_time_s:.2f} s: {one.heard_hits} hits "
            f"heard, {stated(one.hits, one.u_hits)} forecast"
            f"{', cut off by the first or last ping' if one.cut else ''}; strongest "
            f"{signed(f'{one.heard_peak_db:.1f}')} dB heard, "
            f"{stated(one.peak_db, one.u_peak_db)} dB forecast"
        )
    if found.kept:
        tracks = f"{found.kept} track{'s' if found.kept > 1 else ''}"
        lines.append(f"{tracks} stayed, or cannot be told: kept as heard")
    lines.append(CANNOT_KNOW)
    return tuple(lines)


def _cone(found: WhatIf) -> str:
    angles = [found.heard_half_angle_rad, found.half_angle_rad]
    first, second = ("none" if a >= math.pi / 2 else f"{math.degrees(a):.1f}°" for a in angles)
    return f"{first} as heard, {second} then"
