"""Benches with two receivers, drawn: each off from its plan by as much as the plan says of itself.

The angle that is true of each is worked out from the places that were drawn, with no code of
the receiver's.
"""

from __future__ import annotations

import dataclasses
import math
from datetime import UTC, datetime

import numpy as np

from rig.bench.plan import Plan, plan_from_table
from rig.front_ends.virtual_tank import open_virtual_tank
from rig.measure.calibrate.calibration import calibrate
from rig.measure.calibrate.steps import KnownTarget, steps
from rig.run.opening import open_bench
from rig.run.receiver import Receiver
from rig.run.results import Side
from rig.run.run import run_of
from rig.tank.scene import Scene, scene_from_table

SPEED_M_S = 343.987
"""The formula's at 20 °C and 50 %, which the plans believe in."""


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class DrawnPair:
    """One bench: what is believed of it, what is true, and where its one body stands."""

    plan: Plan
    scene: Scene
    angle_rad: float
    offset_m: float


def drawn_pair(
    random: np.random.Generator, *, exact: bool = False, snr_db: float = 30.0
) -> DrawnPair:
    """Draw a bench.

    Parameters
    ----------
    random : Generator
    exact : bool
        Places, speed and channels are as the plan has them, so that noise alone is left.
    snr_db : float
        About what the echo has at the first receiver, as 2E/N0.
    """
    baseline_m = random.uniform(0.05, 0.3)
    spacing_m = random.uniform(0.03, 0.3) * random.choice((-1, 1))
    if abs(baseline_m + spacing_m) < 0.02:  # not within the source
        spacing_m -= 0.04
    u_spacing_m, u_delay_s, u_c = (0.0, 0.0, 0.0) if exact else (0.001, 1e-6, 0.5)
    off_across_m, off_ahead_m = random.normal(0, u_spacing_m, 2)
    angle_rad = random.uniform(-1.0, 1.0)
    range_m = random.uniform(0.6, 2.2)
    place = (range_m * math.cos(angle_rad), range_m * math.sin(angle_rad), 0.0)
    pulse = {"kind": "chirp", "start_hz": 4e3, "stop_hz": 12e3, "duration_s": 0.005}
    plan = plan_from_table(
        {
            "pulse": pulse,
            "timing": {"sample_rate_hz": 48_000.0, "ping_interval_s": 0.05},
            "receiver": {"range_stop_m": 2.6, "weighting": "none"},
            "medium": {"u_temperature_c": 0.0 if exact else 0.5},
            "geometry": {
                "baseline_m": baseline_m,
                "u_baseline_m": 0.0 if exact else 0.001,
                "second_channel": 2,
                "second_spacing_m": spacing_m,
                "u_second_spacing_m": u_spacing_m,
                "u_second_delay_s": u_delay_s,
            },
        }
    )
    # A ball of a radius a sends back a/2 of what meets it: an amplitude of a/2/(r r) of that
    # 1 m ahead of the source. The pulse's energy is half its samples, tapered ends aside.
    amplitude = 10 ** (-10 / 20) * 0.05 / 2 / range_m**2
    rms = amplitude * math.sqrt(240 * 0.95 / 10 ** (snr_db / 10))
    # Half a degree and what a sensor has of it: 0.6 m/s a degree (Cramer's formula, memory).
    speed_m_s = SPEED_M_S + random.normal(0, 0.6 * u_c)
    scene = scene_from_table(
        {
            "medium": {"sound_speed_m_s": speed_m_s},
            "noise": {"level_db": 20 * math.log10(rms)},
            "second_receiver": {
                "spacing_m": spacing_m + off_across_m,
                "ahead_m": off_ahead_m,
                "delay_s": random.normal(0, u_delay_s) if u_delay_s else 0.0,
            },
            "target": [{"body": "sphere", "radius_m": 0.05, "position_m": list(place)}],
        }
    )
    return DrawnPair(plan=plan, scene=scene, angle_rad=angle_rad, offset_m=place[1])


def side_of(drawn: DrawnPair, *, seed: int) -> Side | None:
    """Send one ping, and return where its body's echo is said to stand; None where unheard."""
    with open_bench(drawn.plan, scene=drawn.scene, seed=seed) as bench:
        run = bench.ping(1)
    if run.last is None or not run.last.echoes:
        return None
    return max(run.last.echoes, key=lambda echo: echo.strength_db).side


def calibrated_side_of(drawn: DrawnPair, random: np.random.Generator, *, seed: int) -> Side | None:
    """Return what :func:`side_of` does of a pair whose channels differ, once it is calibrated.

    They are some 20 µs and 2 dB apart, and half of them of opposite sign; the ball that they
    are calibrated by stands a millimetre or so from where it is said to.
    """
    assert drawn.scene.second_receiver is not None
    second = dataclasses.replace(
        drawn.scene.second_receiver,
        delay_s=random.normal(0, 2e-5),
        gain_db=random.normal(0, 2),
        opposite=bool(random.integers(2)),
    )
    place = (1.0 + random.normal(0, 1e-3), random.normal(0, 1e-3), 0.0)
    ball = dataclasses.replace(drawn.scene.target[0], position_m=place)
    scene = dataclasses.replace(drawn.scene, second_receiver=second)
    made = calibrate(
        drawn.plan,
        lambda plan: open_virtual_tank(
            plan, scene=dataclasses.replace(scene, target=(ball,)), seed=seed
        ),
        steps([KnownTarget(range_m=1.0, radius_m=0.05)], one_by_one=False),
        made=datetime(2031, 5, 6, tzinfo=UTC),
        pings=10,
    )
    with open_virtual_tank(drawn.plan, scene=scene, seed=seed + 1) as tank:
        run = run_of(Receiver(drawn.plan, tank.info, calibration=made), tank.blocks(1))
    if run.last is None or not run.last.echoes:
        return None
    return max(run.last.echoes, key=lambda echo: echo.strength_db).side
