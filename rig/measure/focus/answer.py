"""A focus as the answer of `focus --json`."""

from __future__ import annotations

import math
from typing import Any

from dsp.history.focus_limits import copies_aside_m
from rig.measure.focus.measurement import FocusMeasurement
from rig.measure.focus.placing import PlacedPoint


def focus_answer(focus: FocusMeasurement) -> dict[str, Any]:
    """Answer `focus --json`; uncertainties are standard ones.

    Of a point that is too near for its face, what is not claimed is null; so is the change of a
    speed that was even, as far as can be told.
    """
    speed, way = focus.speed, focus.way
    change = speed.change
    return {
        "moved": focus.moved,
        "speed_m_s": speed.speed_m_s,
        "u_speed_m_s": speed.u_speed_m_s,
        "speed_found": speed.found,
        "change_m_s2": None if change is None else change.change_m_s2,
        "u_change_m_s2": None if change is None else change.u_change_m_s2,
        "by_ranges_m_s": speed.by_ranges_m_s,
        "u_by_ranges_m_s": speed.u_by_ranges_m_s,
        "finest_along_m": focus.finest_along_m,
        "finest_range_m": focus.finest_range_m,
        "spacing_m": way.spacing_m,
        "half_angle_deg": math.degrees(way.half_angle_rad),
        "beam_limit_deg": math.degrees(focus.beam_limit_rad),
        "ping_limit_deg": math.degrees(focus.sampling_limit_rad),
        "pings": focus.pings,
        "left_out": focus.left_out,
        "points": [_point(focus, placed) for placed in focus.points],
        "sharpness": [
            {"speed_m_s": speed_m_s, "share_in_step": share}
            for speed_m_s, share in zip(speed.tried_m_s.tolist(), speed.sharp.tolist(), strict=True)
        ],
        "cautions": list(focus.cautions),
    }


def _point(focus: FocusMeasurement, placed: PlacedPoint) -> dict[str, Any]:
    point, way = placed.point, focus.way
    claimed = not placed.near
    return {
        "along_m": point.along_m,
        "u_along_m": placed.u_along_m if claimed else None,
        "range_m": point.range_m,
        "u_range_m": placed.u_range_m if claimed else None,
        "time_s": point.time_s,
        "strength_db": placed.strength_db,
        "width_along_m": placed.width_along_m if claimed else None,
        "due_along_m": placed.due_along_m if claimed else None,
        "width_range_m": placed.width_range_m,
        "share_in_step": point.share,
        "pings": point.pings,
        "sharp": placed.sharp if claimed else None,
        "arch_cut": placed.cut,
        "copies_aside_m": copies_aside_m(way.spacing_m, way.wavelength_m, point.range_m),
        "copies_db": placed.copies_db,
    }
