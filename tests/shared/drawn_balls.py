"""Two balls before two receivers, drawn: is each small, or at the edge, and which is larger?

Each bench is off from its plan by as much as the plan and the command say of themselves. What
is true is worked out from what was drawn, with no code of the receiver's or of the beam's fit.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np
from scipy.special import j1

from rig.bench.plan import Plan, plan_from_table
from rig.measure.laid_strength import U_FACE
from rig.measure.strength import TargetStrength, surely_stronger_pairs, target_strengths
from rig.run.opening import open_bench
from rig.tank.scene import Scene, scene_from_table

SPEED_M_S = 343.987
"""The formula's at 20 °C and 50 %, which the plans believe in."""

BASELINE_M, FACE_M, LOW_HZ, HIGH_HZ = 0.05, 0.008, 30e3, 50e3
SOURCE_LEVEL_DB = -10.0  # of the tank, on the axis at 1 m, as its scenes say


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class Ball:
    """What is true of one: its range, strength, and what the beam takes off, both in dB."""

    range_m: float
    strength_db: float
    loss_db: float


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class DrawnBalls:
    """One bench, what is believed of it, and its two balls, the nearer first."""

    plan: Plan
    scene: Scene
    source_level_db: float
    height_rad: float | None
    balls: tuple[Ball, Ball]


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """How one bench was answered: of its balls and of which is the stronger."""

    right: int
    open_ones: int
    wrong: int
    strongest: str
    outside: int


def _one_way(face_m: float, frequency_hz: np.ndarray, angle_rad: float) -> np.ndarray:
    """Return the pattern of a round face: Kinsler and others, 4th ed., eq. 7.4.17 (memory)."""
    x = 2 * np.pi * frequency_hz / SPEED_M_S * face_m * math.sin(angle_rad) + 1e-9
    return 2 * j1(x) / x


def _loss_db(face_m: float, place_m: tuple[float, float, float]) -> float:
    """Return what both faces take off together, over an even band."""
    ahead_m, across_m, up_m = place_m
    frequency_hz = np.linspace(LOW_HZ, HIGH_HZ, 41)
    heard = np.ones(frequency_hz.size)
    for side_m in (-BASELINE_M / 2, BASELINE_M / 2):
        heard = heard * _one_way(
            face_m, frequency_hz, math.atan2(math.hypot(across_m - side_m, up_m), ahead_m)
        )
    return 20 * math.log10(abs(float(heard.mean())))


def drawn_balls(random: np.random.Generator) -> DrawnBalls:
    """Draw a bench with two balls: the one near the axis, the other towards the edge.

    Either may be the larger. Every third bench is told nothing of heights; of the others all
    is within 3° of the axis, as the command is told.
    """
    height_rad = None if random.random() < 1 / 3 else math.radians(3.0)
    near = random.uniform(-4.0, 4.0)
    far = random.uniform(6.0, 15.0) * random.choice((-1, 1))
    angles = [near, far] if random.random() < 0.5 else [far, near]
    ranges = random.uniform(0.7, 1.0), random.uniform(1.2, 1.6)
    face_m = FACE_M * (1 + U_FACE * float(np.clip(random.normal(), -2.5, 2.5)))
    balls, targets = [], []
    for range_m, angle_deg in zip(ranges, angles, strict=True):
        aside, up = math.radians(angle_deg), random.uniform(-1, 1) * math.radians(3.0)
        # Aside as the pair counts it: from the plane square to its line.
        from_line_m = range_m * math.cos(aside)
        place_m = (
            from_line_m * math.cos(up),
            range_m * math.sin(aside),
            from_line_m * math.sin(up),
        )
        radius_m = random.uniform(0.02, 0.05)
        targets.append({"body": "sphere", "radius_m": radius_m, "position_m": list(place_m)})
        balls.append(
            Ball(
                range_m=range_m,
                # a²/4, many waves around: Urick, 3rd ed., table 9.1 (memory).
                strength_db=20 * math.log10(radius_m / 2),
                loss_db=_loss_db(face_m, place_m),
            )
        )
    plan = plan_from_table(
        {
            "pulse": {"kind": "chirp", "start_hz": LOW_HZ, "stop_hz": HIGH_HZ, "duration_s": 0.002},
            "timing": {"sample_rate_hz": 192_000.0, "ping_interval_s": 0.02},
            "receiver": {"range_stop_m": 1.8},
            "medium": {"u_temperature_c": 0.5},
            "transducer": {"radius_m": FACE_M},
            "geometry": {
                "baseline_m": BASELINE_M,
                "second_channel": 2,
                "second_spacing_m": -2 * BASELINE_M,
            },
        }
    )
    scene = scene_from_table(
        {
            # Half a degree, of 0.6 m/s each (Cramer's formula, memory).
            "medium": {"sound_speed_m_s": SPEED_M_S + random.normal(0, 0.3)},
            "noise": {"level_db": -75.0},
            "transducer": {"radius_m": face_m},
            "second_receiver": {
                "spacing_m": -2 * BASELINE_M + random.normal(0, 0.001),
                "ahead_m": random.normal(0, 0.001),
                "delay_s": random.normal(0, 1e-6),
            },
            "target": targets,
        }
    )
    return DrawnBalls(
        plan=plan,
        scene=scene,
        source_level_db=SOURCE_LEVEL_DB + random.normal(0, 1.0),
        height_rad=height_rad,
        balls=(balls[0], balls[1]),
    )


def judged(drawn: DrawnBalls, *, seed: int) -> Verdict:
    """Ping once, ask, and hold the answer to what is true."""
    with open_bench(drawn.plan, scene=drawn.scene, seed=seed) as bench:
        run = bench.ping(1)
    told = target_strengths(
        run.receiver,
        run.echoes,
        source_level_db=drawn.source_level_db,
        u_source_level_db=1.0,
        height_rad=drawn.height_rad,
    )
    mine = [min(told, key=lambda t: abs(t.echo.range_m - ball.range_m)) for ball in drawn.balls]
    right = open_ones = wrong = outside = 0
    for target, ball in zip(mine, drawn.balls, strict=True):
        assert target.laid is not None
        border_db = (target.open_range.axis_db - target.open_range.edge_db) / 2
        is_edge = ball.loss_db < border_db
        open_ones += target.laid.place == "open"
        right += target.laid.place == ("edge" if is_edge else "axis")
        wrong += target.laid.place == ("axis" if is_edge else "edge")
        strength = target.laid.strength
        if strength is not None:
            outside += not strength.low_db <= ball.strength_db <= strength.high_db
    return Verdict(
        right=right,
        open_ones=open_ones,
        wrong=wrong,
        strongest=_strongest(mine, drawn),
        outside=outside,
    )


def _strongest(mine: list[TargetStrength], drawn: DrawnBalls) -> str:
    first, second = drawn.balls
    for one, other in surely_stronger_pairs(mine):
        said_first = one is mine[0] and other is mine[1]
        return "right" if said_first == (first.strength_db > second.strength_db) else "wrong"
    return "open"
