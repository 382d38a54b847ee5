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
