"""Things in a picture that are not asked about."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rig.teach.exercises.bench import FARTHEST_M, NEAREST_M, Tables, ball, radius_for_m
from rig.teach.exercises.question import Difficulty

_CLEAR_M = 0.25  # from what is asked about; eight times what the pulse can part


@dataclass(frozen=True, slots=True, kw_only=True)
class Bystanders:
    """Things that hang still and are not asked about."""

    targets: tuple[Tables, ...]
    truth: tuple[str, ...]


def bystanders(
    rng: np.random.Generator,
    difficulty: Difficulty,
    *,
    level_db: float,
    away_from_m: Sequence[float],
) -> Bystanders:
    """Draw things that hang still, clear of all ranges between those that are asked about."""
    low_m, high_m = min(away_from_m) - _CLEAR_M, max(away_from_m) + _CLEAR_M
    places: list[float] = []
    for _ in range(difficulty.bystanders):
        range_m = float(rng.uniform(NEAREST_M + 0.15, FARTHEST_M - 0.1))
        apart = all(abs(range_m - other) > _CLEAR_M for other in places)
        if apart and not low_m < range_m < high_m:
            places.append(range_m)
    levels_db = [level_db + float(rng.uniform(-4.0, 2.0)) for _ in places]
    return Bystanders(
        targets=tuple(
            ball(r, radius_for_m(level, r)) for r, level in zip(places, levels_db, strict=True)
        ),
        truth=tuple(f"Beside it, something hung still at {r:.2f} m." for r in places),
    )
