"""A plate that echoes, and what is said of it and of the sound speed."""

from __future__ import annotations

from typing import Any

from rig.teach.lessons.bench_in_use import BenchInUse, two_digits


def plate_at(bench: BenchInUse, range_m: float, *, size_m: float = 0.3) -> dict[str, Any]:
    """Return a scene with a square plate and nothing else, before faces that send all round."""
    plate = {"body": "plate", "width_m": size_m, "height_m": size_m}
    return {
        "medium": bench.medium,
        "noise": {"level_db": -70.0},
        "target": [{**plate, "position_m": [range_m, 0.0, 0.0]}],
    }


def speed_words(bench: BenchInUse) -> str:
    """Say how fast sound is here."""
    where = "" if bench.in_air else " of water"
    return f"Sound travels about {two_digits(bench.speed_m_s)} m in a second{where}."
