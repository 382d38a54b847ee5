"""The sound speed that a plan believes in."""

from __future__ import annotations

from dsp.physics.medium import sound_speed_m_s
from rig.bench.plan import Medium


def believed_speed_m_s(medium: Medium, temperature_c: float | None = None) -> float:
    """Return the sound speed in a plan's medium, or in the same at another temperature."""
    state = medium.state
    if temperature_c is not None:
        state["temperature_c"] = temperature_c
    return sound_speed_m_s(medium.kind, **state)
