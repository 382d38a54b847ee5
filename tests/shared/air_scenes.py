"""Scenes on the air bench of the lessons, written down apart from what makes the lessons' own."""

from collections.abc import Mapping
from typing import Any

from rig.teach.lessons.air_bench import FACE_RADIUS_M


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
