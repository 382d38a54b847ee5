"""The sound speed that a plan believes in."""

from __future__ import annotations

from dsp.physics.medium import sound_speed_m_s
from rig.bench.plan import Medium


def believed_speed_m_s(medium: Medium, temperature_c: float | None = None) -> float:
    """Return the sound speed in a plan's medium, or in the same at another temperature."""
    return sound_speed_m_s(
        medium.kind,
        temperature_c=medium.temperature_c if temperature_c is None else temperature_c,
        humidity_percent=medium.humidity_percent,
        salinity_g_kg=medium.salinity_g_kg,
    )
