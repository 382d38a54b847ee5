"""The topic about the bottom: hard, soft, or not to be told."""

from __future__ import annotations

from typing import Any

import numpy as np

from rig.bench.plan import Plan, plan_from_table
from rig.run.run import Run
from rig.teach.exercises.bench import Act, sum_of
from rig.teach.exercises.question import Difficulty, Draft, Topic

_HARD, _SOFT, _UNTOLD = "hard", "soft", "it cannot be told"

_SOUND_SPEED_M_S = 1482.35
"""In fresh water at 20 °C (computed with CoolProp, IAPWS-95)."""

_STOP_M = 1.5
_PINGS = 40
_REFLECTION = {_HARD: 0.7, _SOFT: 0.08}
_NEAR_M = 0.03


def _hard_or_soft(rng: np.random.Generator, difficulty: Difficulty, kind: int) -> Draft:
    behind_m = round(float(rng.uniform(0.06, 0.14)), 2)
    # Twice the depth and what is above the pair: on the picture, or well beyond its end.
    depth_m = float(rng.uniform(0.40, 0.60) if kind < 2 else rng.uniform(0.85, 1.2))
    snr_db = 30.0 + 6.0 * difficulty.contrast
    ground = (_HARD, _SOFT, _HARD if rng.random() < 0.5 else _SOFT)[kind]
    first_db = -34.0

    def act(ground: str) -> tuple[Act, ...]:
        reflection = _REFLECTION[ground]
        # Nobody has said how loud the pulse was: the first echo is alike loud for both.
        source_db = first_db - 20 * np.log10(reflection / (2 * depth_m))
        scene: dict[str, Any] = {
            "medium": {"kind": "fresh-water", "sound_speed_m_s": _SOUND_SPEED_M_S},
            "noise": {"level_db": first_db + 10 * np.log10(0.43 * 0.0006 * 300e3) - snr_db},
            "source": {"level_db": float(source_db)},
            # As loud for both, too: else the direct sound would tell how loud the pulse was.
            "direct": {"level_db": first_db + 10.0 - 26.0 - float(source_db)},
            "transducer": {"shape": "piston", "radius_m": 0.008},
            "bottom": {"range_m": depth_m, "reflection": reflection, "tail_m": 0.0},
            "surface": {"behind_m": behind_m, "reflection": -0.95},
        }
        return (Act(scene=scene, pings=_PINGS),)

    second_m = 2 * depth_m + behind_m
    reason = {
        0: (
            "A second bottom echo stands at twice the depth: the sound went down and up twice. "
            "Hard ground sends so much back that the second way round can still be heard."
        ),
        1: (
            "At twice the depth there is nothing, though an echo a tenth as strong as the first "
            "would be seen there. Soft ground swallows most of the sound, twice on the second way "
            "round."
        ),
        2: (
            "The second bottom echo, at twice the depth, would lie beyond the end of the picture. "
            "From the first alone it cannot be told: a quiet pulse on hard ground and a loud one "
            "on soft ground give the same mark."
        ),
    }[kind]
    return Draft(
        text=(
            f"The transducers hang {100 * behind_m:.0f} cm under the water's surface and look "
            "straight down: range is depth below them. Is the bottom hard or soft? How loud the "
            "pulse was is not known."
        ),
        choices=(_HARD, _SOFT, _UNTOLD),
        answer=(_HARD, _SOFT, _UNTOLD)[kind],
        reason=reason,
        truth=(
            f"The bottom is {ground} and {depth_m:.2f} m below the transducers; a second echo is "
            f"due at {second_m:.2f} m.",
        ),
        plan=_plan(),
        acts=act(ground),
        decide=lambda heard: _ground(heard, behind_m),
        other=act(_SOFT if ground == _HARD else _HARD) if kind == 2 else (),
    )


def _plan() -> Plan:
    return plan_from_table(
        {
            "pulse": {
                "kind": "chirp",
                "start_hz": 80e3,
                "stop_hz": 120e3,
                "duration_s": 0.0006,
                "taper_fraction": 0.2,
            },
            "timing": {"sample_rate_hz": 300e3, "ping_interval_s": 0.02},
            "receiver": {"weighting": "hann", "range_start_m": 0.25, "range_stop_m": _STOP_M},
            "medium": {"kind": "fresh-water", "temperature_c": 20.0},
            "geometry": {"baseline_m": 0.05, "time_zero": "direct", "looks": "down"},
            "transducer": {"shape": "piston", "radius_m": 0.008},
        }
    )


def _ground(heard: Run, behind_m: float) -> str | None:
    """Say what the bottom is, by whether a second echo stands where it is due."""
    echoes = sum_of(heard)
    if not echoes:
        return None
    first = max(echoes, key=lambda e: e.strength_db)
    second_m = 2 * first.range_m + behind_m
    if second_m > _STOP_M + 0.1:
        return _UNTOLD
    if second_m > _STOP_M - 0.1:
        return None
    hits = [
        any(abs(e.range_m - second_m) < _NEAR_M and e.snr_db > 18 for e in result.echoes)
        for result in heard.results
    ]
    if all(hits):
        return _HARD
    # Soft only where a hard ground's second echo could not have been missed: it would be
    # 10 dB below the first, 3 for what is lost at the ground and 7 for twice the way.
    if any(hits) or first.snr_db - 10 * np.log10(len(heard.results)) < 28:
        return None
    return _SOFT


TOPICS = (Topic(name="hard-or-soft", title="Hard or soft bottom", answers=3, draft=_hard_or_soft),)
