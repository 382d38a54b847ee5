"""A small ball drawn past large discs nearby: drawn benches, and what is told of each.

A disc of 30 mm in radius at 210 kHz in water, one face that sends and hears; pulses of two and
a half cycles, 50 a second; the ball goes by at 0.5 m/s. All invented.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.bench.plan import Plan, plan_from_table
from rig.measure.passes.following import passings_of
from rig.run.opening import open_bench
from rig.tank.scene import Scene, scene_from_table

RADIUS_M, CENTRE_HZ, SPEED_M_S = 0.03, 210e3, 0.5
INTERVAL_S, PINGS = 0.02, 36
U_TEMPERATURE_C = 0.1
_M_S_A_DEGREE = 2.9  # of fresh water at 20 °C: reference tables, from memory
_SOUND_SPEED_M_S = 1482.35  # fresh water at 20 °C, as the plan has it


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What was said of one drawn pass: the speed that strays most, over its uncertainty.

    `strays` is None where no speed was told.
    """

    speed_m_s: float | None = None
    u_speed_m_s: float = 0.0

    @property
    def strays(self) -> float | None:
        """Standard uncertainties from the truth."""
        if self.speed_m_s is None:
            return None
        return (self.speed_m_s - SPEED_M_S) / self.u_speed_m_s


def a_plan(*, taper: str = "hann", baseline_m: float = 0.0) -> Plan:
    """Return the plan; its temperature is known as well as a calibrated thermometer says."""
    return plan_from_table(
        {
            "pulse": {
                "kind": "tone",
                "centre_hz": CENTRE_HZ,
                "duration_s": 2.5 / CENTRE_HZ,
                "taper": taper,
            },
            "timing": {"sample_rate_hz": 1_000_000, "ping_interval_s": INTERVAL_S},
            "receiver": {"range_start_m": 0.2, "range_stop_m": 1.2},
            "medium": {
                "kind": "fresh-water",
                "temperature_c": 20.0,
                "u_temperature_c": U_TEMPERATURE_C,
                "u_gradient_c_m": 0.02,
            },
            "geometry": {"baseline_m": baseline_m, "time_zero": "loopback"},
            "transducer": {"radius_m": RADIUS_M},
        }
    )


def a_scene(
    closest_m: float,
    *,
    noise_db: float = -90.0,
    start_m: float = -SPEED_M_S * INTERVAL_S * PINGS / 2,
    above_m: float = 0.0,
    speed_m_s: float = SPEED_M_S,
    radius_m: float = RADIUS_M,
    sound_speed_m_s: float = _SOUND_SPEED_M_S,
) -> Scene:
    """Return a ball of 10 mm that goes by from right to left."""
    return scene_from_table(
        {
            "medium": {"kind": "fresh-water", "sound_speed_m_s": sound_speed_m_s},
            "noise": {"level_db": noise_db},
            "direct": {"level_db": -60.0},
            "transducer": {"radius_m": radius_m},
            "target": [
                {
                    "body": "sphere",
                    "radius_m": 0.01,
                    "position_m": [closest_m, start_m, above_m],
                    "velocity_m_s": [0.0, speed_m_s, 0.0],
                }
            ],
        }
    )


def drawn(closest_m: float, seed: int, *, taper: str = "hann") -> Told:
    """Draw a bench within what its plan leaves open, and let it tell what went by.

    The sound speed by the plan's temperature, the disc's radius by 2 %, the ball's height by as
    much as the cone is wide, and where the first ping meets it.
    """
    random = np.random.default_rng(seed)
    plan = a_plan(taper=taper)
    scene = a_scene(
        closest_m,
        noise_db=random.uniform(-95.0, -85.0),
        start_m=-SPEED_M_S * INTERVAL_S * (PINGS / 2 + random.random()),
        above_m=closest_m * np.tan(np.radians(2.4)) * random.uniform(-1.0, 1.0),
        radius_m=RADIUS_M * (1 + 0.02 * random.standard_normal()),
        sound_speed_m_s=_SOUND_SPEED_M_S
        + _M_S_A_DEGREE * U_TEMPERATURE_C * random.standard_normal(),
    )
    with open_bench(plan, scene=scene, seed=seed) as bench:
        passings = passings_of(bench.ping(PINGS))
    each = [
        Told(speed_m_s=p.passage.crossing_speed_m_s, u_speed_m_s=p.passage.u_crossing_speed_m_s)
        for p in passings
        if p.passage.crossing_speed_m_s is not None and p.passage.u_crossing_speed_m_s is not None
    ]
    return max(each, key=lambda told: abs(told.strays or 0.0), default=Told())
