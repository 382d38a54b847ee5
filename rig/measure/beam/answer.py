"""A measured beam as the answer of `beam --json`."""

from __future__ import annotations

import math
from typing import Any

from rig.measure.beam.measurement import BeamMeasurement

_CLAIMED = (
    "half_power_deg",
    "u_half_power_deg",
    "tilt_deg",
    "u_tilt_deg",
    "size_m",
    "u_size_m",
    "closest_range_m",
    "u_closest_range_m",
    "closest_time_s",
    "near_field_m",
)


def beam_answer(beam: BeamMeasurement) -> dict[str, Any]:
    """Answer `beam --json`; uncertainties are standard ones.

    What does not fit claims nothing: its numbers are null.
    """
    fit = beam.fit
    answer = {
        "holds": fit.holds,
        "moved": beam.moved,
        "shape": fit.shape,
        "frequency_hz": beam.setting.sound_speed_m_s / beam.setting.wavelength_m,
        "half_power_deg": math.degrees(fit.half_power_rad),
        "u_half_power_deg": math.degrees(beam.u_half_power_rad),
        "tilt_deg": math.degrees(fit.tilt_rad),
        "u_tilt_deg": math.degrees(beam.u_tilt_rad),
        "size_m": fit.size_m,
        "u_size_m": beam.u_size_m,
        "planned_size_m": beam.planned_size_m,
        "closest_range_m": fit.closest_m,
        "u_closest_range_m": beam.u_closest_m,
        "closest_time_s": beam.closest_time_s,
        "near_field_m": beam.near_field_m,
        "chi_square": fit.chi_square,
        "degrees_of_freedom": fit.degrees_of_freedom,
        "scatter_db": fit.scatter_db,
        "pings": beam.pings,
        "echoes_found": beam.echoes,
        "echoes_missing": beam.missing,
        "left_out": beam.left_out,
        "budget": [{"term": words, "u_deg": math.degrees(u)} for words, u in beam.terms],
        "cautions": list(beam.cautions),
        "levels": [
            {
                "angle_deg": math.degrees(angle_rad),
                "level_db": None if math.isnan(level_db) else level_db,
                "u_level_db": None if math.isnan(level_db) else u_db,
                "limit_db": limit_db,
            }
            for angle_rad, level_db, u_db, limit_db in zip(
                fit.angle_rad.tolist(),
                fit.level_db.tolist(),
                fit.u_level_db.tolist(),
                fit.limit_db.tolist(),
                strict=True,
            )
        ],
    }
    return answer if fit.holds else {**answer, **dict.fromkeys(_CLAIMED), "budget": []}
