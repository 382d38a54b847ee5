"""How often places, ranges and the speed of drawn benches lie within a focus's intervals, k = 2.

    python tests/benchmarks/drawn_focus.py [BENCHES] [FIRST SEED]

Each bench draws what the plan cannot know as the plan says it is unsure: the sound speed (by
temperature) and the spacing of the pair. The plan knows its temperature to 0.02 °C: with more, a
drift that the medium might have had, and has not here, would widen all intervals past telling.
One small ball passes at a drawn place, range, speed and loudness; the speed is found by
sharpness. Benches on which the bench says that it cannot find one are counted apart. A cut-down
case stands in `tests/rig/measure/test_focus.py`.
"""

from __future__ import annotations

import math
import sys

import numpy as np

from dsp.physics.medium import sound_speed_m_s
from rig.bench.plan import Plan, plan_from_table
from rig.errors import RecordingError
from rig.measure.focus.measurement import focus_of
from rig.run.opening import open_bench
from rig.tank.scene import scene_from_table

PLAN = {
    "pulse": {"kind": "chirp", "start_hz": 80e3, "stop_hz": 160e3, "duration_s": 0.0006,
              "taper": "tukey", "taper_fraction": 0.2},
    "timing": {"sample_rate_hz": 400000, "ping_interval_s": 0.02},
    "receiver": {"weighting": "hann", "range_start_m": 0.2, "range_stop_m": 1.0},
    "medium": {"kind": "fresh-water", "temperature_c": 20.0, "u_temperature_c": 0.02},
    "geometry": {"baseline_m": 0.05, "u_baseline_m": 0.001},
    "transducer": {"radius_m": 0.015},
}  # fmt: skip
LEAST_ROOM_M, SIGHT = 0.06, math.tan(math.radians(30.0))


def main() -> int:
    benches = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    pulls = [pull for seed in range(first, first + benches) if (pull := pulls_of(seed)) is not None]
    table = np.array(pulls)
    print(f"{benches} benches, {len(pulls)} told, {benches - len(pulls)} that cannot be told")
    for name, column in zip(("along", "range", "speed"), table.T, strict=True):
        within = np.mean(np.abs(column) <= 2)
        print(f"{name:<6} within k = 2: {100 * within:5.1f} %   RMS of error over u: "
              f"{math.sqrt(np.mean(column**2)):.2f}")  # fmt: skip
    return 0


def pulls_of(seed: int) -> tuple[float, float, float] | None:
    """Errors over standard uncertainties of place along, range and speed; None untold."""
    rng = np.random.default_rng(seed)
    plan = plan_from_table(PLAN)
    its = plan.geometry
    range_m, speed_m_s = rng.uniform(0.3, 0.7), rng.uniform(0.15, 0.28)
    half_m = range_m * SIGHT + LEAST_ROOM_M
    along_m = half_m + rng.uniform(0, 0.05)
    scene = scene_from_table(
        {
            "medium": {"kind": "fresh-water", "sound_speed_m_s": _true_speed_m_s(plan, rng)},
            "noise": {"level_db": float(rng.uniform(-75, -55))},
            "geometry": {"baseline_m": float(rng.normal(its.baseline_m, its.u_baseline_m))},
            "transducer": {"radius_m": 0.015},
            "target": [
                {
                    "body": "sphere",
                    "radius_m": 0.004,
                    "position_m": [range_m, -along_m, 0.0],
                    "velocity_m_s": [0.0, speed_m_s, 0.0],
                }
            ],
        }
    )
    pings = math.ceil((along_m + half_m) / speed_m_s / plan.timing.ping_interval_s)
    with open_bench(plan, scene=scene, seed=seed) as bench:
        run = bench.ping(pings)
    try:
        found = focus_of(run)
    except RecordingError:
        return None
    if not found.points:
        return None
    told = max(found.points, key=lambda p: p.strength_db)
    return (
        (told.point.along_m - along_m) / told.u_along_m,
        (told.point.range_m - range_m) / told.u_range_m,
        (found.speed.speed_m_s - speed_m_s) / found.speed.u_speed_m_s,
    )


def _true_speed_m_s(plan: Plan, rng: np.random.Generator) -> float:
    believed = plan.medium
    warmer_c = rng.normal(0, believed.u_temperature_c)
    by_formula = [
        sound_speed_m_s(
            believed.kind,
            temperature_c=believed.temperature_c + by_c,
            humidity_percent=believed.humidity_percent,
            salinity_g_kg=believed.salinity_g_kg,
        )
        for by_c in (0.0, warmer_c)
    ]
    # From memory of IAPWS-95 at 20 °C, so that the scene's own speed is not the formula's.
    return float(1482.35 + by_formula[1] - by_formula[0])


if __name__ == "__main__":
    sys.exit(main())
