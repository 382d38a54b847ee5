"""A ball that is drawn past, or hangs still: how near it comes, and what it drew."""

from __future__ import annotations

from rig.errors import NotHeardError
from rig.measure.passes.following import passings_of
from rig.measure.passes.passing import Passing
from rig.teach.lessons.bench_in_use import BenchInUse
from rig.teach.lessons.lesson import Given, StepHeard

DRAWN = {"pass": "an arch", "half": "half an arch", "stay": "a streak"}


def closest_m_of(bench: BenchInUse) -> float:
    """Return where the ball passes: at a metre, or as far as is heard to the arch's feet."""
    return bench.places_m(1.0, needs=1.2)[0]


def passing_near(heard: StepHeard, closest: Given) -> Passing:
    """Return what passed, or stayed, at about the distance of the thread."""
    found = passings_of(heard.run)
    near = [p for p in found if abs(p.range_m.min() - closest.value) < 0.15 * closest.value]
    if not near:
        raise NotHeardError(
            f"step {heard.step.name}: found {len(found)} tracks of echoes, none of them about "
            f"{closest.value:.3g} m away; take a larger ball, send louder, or ping faster"
        )
    longest = max(near, key=lambda p: p.passage.hits)
    if longest.passage.kind == "cannot-tell":
        raise NotHeardError(
            f"step {heard.step.name}: cannot be told ({longest.passage.reason}); send louder, and "
            "start and stop further outside the cone"
        )
    return longest
