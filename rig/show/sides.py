"""Where across the axis an echo stands, in the keys of answers and tables."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from rig.run.results import Echo, Side

SIDE_COLUMNS = (
    "angle_deg",
    "u_angle_deg",
    "angle_bound_deg",
    "offset_m",
    "u_offset_m",
    "angle_doubt",
)
"""Of a table, where any of its echoes has a side."""


def side_columns(echoes: Iterable[Echo]) -> tuple[str, ...]:
    """Return the columns that a table of some echoes has: none with one receiver."""
    return SIDE_COLUMNS if any(echo.side is not None for echo in echoes) else ()


def side_values(side: Side | None) -> dict[str, float | str | None]:
    """Return what each of the columns holds; None where nothing can be told."""
    side = side or Side()
    values = {
        "angle_deg": math.degrees(side.angle_rad),
        "u_angle_deg": math.degrees(side.u_angle_rad),
        "angle_bound_deg": math.degrees(side.bound_rad),
        "offset_m": side.offset_m,
        "u_offset_m": side.u_offset_m,
    }
    told = {key: value if math.isfinite(value) else None for key, value in values.items()}
    return {**told, "angle_doubt": side.doubt or None}


def doubt_lines(echoes: Sequence[Echo]) -> list[str]:
    """Say of which echoes the angle is not told, or not by the carrier's phase, and why."""
    lines = []
    for echo in echoes:
        if echo.side is None or not echo.side.doubt:
            continue
        found = "no angle" if math.isnan(echo.side.angle_rad) else "angle by the envelope alone"
        possible = ", ".join(f"{math.degrees(angle):+.1f}" for angle in echo.side.possible_rad)
        may_be = f"; it may be {possible}°" if possible else ""
        lines.append(f"{echo.range_m:.3f} m: {found}: {echo.side.doubt}{may_be}")
    return lines
