"""The sound speed that a plan believes in."""

from __future__ import annotations

import math
from dataclasses import dataclass

from dsp.physics.medium import sound_speed_m_s, sound_speed_terms_m_s
from rig.bench.plan import Medium
from rig.bench.stored_calibration import StoredSpeed


@dataclass(frozen=True, slots=True, kw_only=True)
class BelievedSpeed:
    """A sound speed at the sensor, and how sure it is.

    Attributes
    ----------
    speed_m_s : float
    terms_m_s : dict of str to float
        What it is unsure by, each source by its name.
    u_drift_m_s : float
        How far it may stand from its mean in any ping, as the plan knows its temperature and
        what else it hangs on.
    """

    speed_m_s: float
    terms_m_s: dict[str, float]
    u_drift_m_s: float

    @property
    def u_speed_m_s(self) -> float:
        """Standard uncertainty, of all terms together."""
        return math.hypot(*self.terms_m_s.values())


def believed_speed(medium: Medium, stored: StoredSpeed | None) -> BelievedSpeed:
    """Return the sound speed of a plan's medium, by a measured one where that is surer.

    A sound speed that was measured stands in for the formula's, which only carries it on to the
    plan's temperature.
    """
    speed_m_s = believed_speed_m_s(medium)
    terms_m_s = sound_speed_terms_m_s(
        medium.kind,
        **medium.state,
        u_temperature_c=medium.u_temperature_c,
        u_humidity_percent=medium.u_humidity_percent,
        u_salinity_g_kg=medium.u_salinity_g_kg,
    )
    # The formula's own error is the same in all pings.
    u_drift_m_s = math.hypot(*(u for name, u in terms_m_s.items() if name != "formula"))
    if stored is not None and stored.better_than(math.hypot(*terms_m_s.values())):
        speed_m_s *= stored.sound_speed_m_s / stored.by_formula_m_s
        # The sensor's own error was in both temperatures, and drops out.
        terms_m_s = {"calibration": stored.u_sound_speed_m_s}
    return BelievedSpeed(speed_m_s=speed_m_s, terms_m_s=terms_m_s, u_drift_m_s=u_drift_m_s)


def believed_speed_m_s(medium: Medium, temperature_c: float | None = None) -> float:
    """Return the sound speed in a plan's medium, or in the same at another temperature."""
    state = medium.state
    if temperature_c is not None:
        state["temperature_c"] = temperature_c
    return sound_speed_m_s(medium.kind, **state)
