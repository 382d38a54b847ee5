"""The virtual tank's bench that several lessons share: two small loudspeakers in air.

Their faces are so large against the wave that the cone is 20° wide from edge to edge,
out and back, in the middle of the pulse's band.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

FACE_RADIUS_M = 0.026

PLAN: Mapping[str, Any] = {
    "pulse": {"kind": "chirp", "start_hz": 12e3, "stop_hz": 16e3, "duration_s": 0.002},
    "timing": {"sample_rate_hz": 48000, "ping_interval_s": 0.036},
    "receiver": {"range_start_m": 0.3, "range_stop_m": 3.0},
    "medium": {"kind": "air", "temperature_c": 20.0, "humidity_percent": 50.0},
    "geometry": {"baseline_m": 0.06, "time_zero": "direct"},
    "transducer": {"shape": "piston", "radius_m": FACE_RADIUS_M},
}

ONE_BY_ONE: Mapping[str, Any] = {"receiver": {"stack": 1}}
"""What a step changes in anyone's plan where the target moves: stacking would smear it."""


def scene(*targets: Mapping[str, Any], **tables: Mapping[str, Any]) -> dict[str, Any]:
    """Return the tables of a scene on this bench; a target that names no body is a hard ball."""
    ball = {"body": "sphere", "radius_m": 0.02}
    bench: dict[str, Any] = {
        # Air at 20 °C and 50 % relative humidity (computed with CoolProp 8.0.0, HumidAir).
        "medium": {"sound_speed_m_s": 343.963},
        "noise": {"level_db": -75.0},
        "transducer": {"radius_m": FACE_RADIUS_M},
        "target": [target if "body" in target else {**ball, **target} for target in targets],
    }
    return {**bench, **tables}


def passing_ball(
    closest_m: float, speed_m_s: float, *, middle_s: float, **more: Any
) -> dict[str, Any]:
    """Return a target that crosses the axis at a time, drawn to the left along the pair."""
    return {
        "position_m": [closest_m, -speed_m_s * middle_s, 0.0],
        "velocity_m_s": [0.0, speed_m_s, 0.0],
        **more,
    }
