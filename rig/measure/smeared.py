"""What a sum of all pings shows wrongly, for it moved, came or went."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from dsp.history.range_filters import FEWEST_HITS
from rig.measure.passes.passing import Passing
from rig.run.hits import resolution_m
from rig.run.run import Run

SURE_DB = 20.0
"""2E/N0 of an echo that all but one in a thousand pings show: 4 dB above a tone's threshold at a
false-alarm rate of 1e-6, where half of them do (README)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Smear:
    """A stretch of range where the sum of all pings is not to be trusted.

    Attributes
    ----------
    from_m, to_m : float
    hits : int
        In how many pings it was heard there.
    pings : int
        In how many it should have been, if it were what the sum shows; 0 where it was followed,
        and moved.
    """

    from_m: float
    to_m: float
    hits: int
    pings: int = 0


def smeared(run: Run, passings: Iterable[Passing]) -> tuple[Smear, ...]:
    """Return what moved by more than the range resolution, and what the sum alone shows.

    Parameters
    ----------
    run : Run
    passings : iterable of Passing
        What was followed through its pings.
    """
    passings, cell_m = tuple(passings), resolution_m(run.receiver)
    moved = [
        Smear(from_m=float(p.range_m.min()), to_m=float(p.range_m.max()), hits=p.passage.hits)
        for p in passings
        if p.wandered_m > cell_m
    ]
    return (*moved, *_of_the_sum_alone(run, passings, cell_m))


def _of_the_sum_alone(run: Run, passings: Sequence[Passing], cell_m: float) -> list[Smear]:
    """Return the sum's echoes that less than half of the pings show, where each should."""
    pings = len(run.results) - run.lost_pings
    if pings < 2 * FEWEST_HITS or not passings:
        return []
    range_m, ping = (np.concatenate([getattr(p, k) for p in passings]) for k in ("range_m", "ping"))
    answer = []
    for echo in run.echoes:
        if echo.snr_db - 10 * math.log10(pings) < SURE_DB:
            continue
        hits = np.unique(ping[np.abs(range_m - echo.range_m) <= cell_m]).size
        if 2 * hits < pings:
            ends_m = echo.range_m - cell_m, echo.range_m + cell_m
            answer.append(Smear(from_m=ends_m[0], to_m=ends_m[1], hits=hits, pings=pings))
    return answer


def smear_lines(run: Run, passings: Iterable[Passing]) -> tuple[str, ...]:
    """Say what a sum of all pings smears."""
    cell_mm = 1e3 * resolution_m(run.receiver)
    return tuple(
        f"what was heard from {smear.from_m:.3f} to {smear.to_m:.3f} m moved by more than "
        f"the resolution, {cell_mm:.1f} mm: the sum smears it, and shows it too weak, not at all, "
        "or where nothing is"
        if smear.pings == 0
        else f"what the sum shows about {(smear.from_m + smear.to_m) / 2:.3f} m, {smear.hits} of "
        f"{smear.pings} pings show, and each should: it moved, came or went, and the sum shows it "
        "too weak, or where nothing is"
        for smear in smeared(run, passings)
    )
