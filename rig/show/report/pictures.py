"""A report's pictures, side by side, and in a process that was begun before the pings."""

from __future__ import annotations

import functools
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from rig.measure.passes.following import passings_of
from rig.measure.passes.passing import Passing
from rig.run.results import Measurement, PingResult
from rig.run.run import HISTORY_PINGS, Run
from rig.show.pictures.bench_picture import draw_picture
from rig.show.pictures.report_pictures import passes_picture, sum_picture
from rig.show.pictures.saving import drawn_bytes
from rig.show.pictures.scales import range_scale
from rig.show.pictures.side_by_side import LoadedAhead, drawn
from rig.show.report.contents import Contents

MOST_SHOWN = 60
"""So many tracks, the latest, has a page; a day's thousands would be a picture of ten metres."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pictures:
    """Each an SVG file; None of what there is nothing to draw."""

    bench: bytes
    sum: bytes | None
    passes: bytes | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Shown:
    """What a run came to: all that its pictures show and the process beside cannot know."""

    results: list[PingResult]
    counts: tuple[int, int]
    note: str
    looks: str
    sum: Measurement
    passings: tuple[int, Sequence[Passing]]


def begun_for(run: Run) -> LoadedAhead:
    """Begin to load what draws a run's pictures, while its pings are gone over."""
    return LoadedAhead(functools.partial(_draws, run))


def shown_passings(run: Run) -> tuple[int, Sequence[Passing]]:
    """Return the first track's number of those that are shown, and these."""
    every = passings_of(run)
    passings = every[-MOST_SHOWN:]
    return len(every) - len(passings) + 1, passings


def pictures_of(contents: Contents, begun: LoadedAhead | None = None) -> Pictures:
    """Draw a report's pictures, by what :func:`begun_for` has begun, where there is such."""
    run = contents.run
    shown = _Shown(
        results=list(run.results[-HISTORY_PINGS:]),
        counts=(len(run.results), run.lost_pings),
        note=f"from {contents.name}",
        looks=contents.looks or run.plan.geometry.looks,
        sum=run.measurement,
        passings=shown_passings(run),
    )
    each = iter(drawn(_draws(run, shown)) if begun is None else begun.drawn(shown))
    return Pictures(
        bench=next(each),
        sum=None if shown.sum.last is None else next(each),
        passes=next(each) if shown.passings[1] else None,
    )


def sum_drawn(run: Run) -> bytes | None:
    """Draw the sum of a run's pings; None where all are lost."""
    return next((draw() for draw in _sum_draws(run, run.measurement)), None)


def passes_drawn(run: Run) -> bytes | None:
    """Draw what went by; None where nothing did."""
    return next((draw() for draw in _passes_draws(run, *shown_passings(run))), None)


def _draws(run: Run, shown: _Shown) -> list[Callable[[], bytes]]:
    """Return what draws the bench, the sum of its pings and what went by: what there is of them."""
    return [
        functools.partial(_bench_picture, run, shown),
        *_sum_draws(run, shown.sum),
        *_passes_draws(run, *shown.passings),
    ]


def _sum_draws(run: Run, found: Measurement) -> list[Callable[[], bytes]]:
    if found.last is None:
        return []
    return [functools.partial(sum_picture, found, range_scale(run.receiver))]


def _passes_draws(
    run: Run, first_number: int, passings: Sequence[Passing]
) -> list[Callable[[], bytes]]:
    if not passings:
        return []
    baseline_m = run.plan.geometry.baseline_m
    draw = functools.partial(passes_picture, passings, baseline_m=baseline_m)
    return [functools.partial(draw, first_number=first_number)]


def _bench_picture(run: Run, shown: _Shown) -> bytes:
    return drawn_bytes(
        "svg",
        lambda page: draw_picture(
            page, run, shown.results, counts=shown.counts, note=shown.note, looks=shown.looks
        ),
    )
