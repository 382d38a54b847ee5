"""What the check-up finds, and what is heard where it should be quiet."""

from __future__ import annotations

from collections.abc import Sequence

from rig.bench.capture import CaptureFlag
from rig.bench.plan import Plan
from rig.bench.stored_calibration import StoredFinding
from rig.measure.calibrate.quiet import crosstalk, ring_down
from rig.measure.calibrate.runs import Start
from rig.measure.calibrate.steps import KnownTarget
from rig.measure.checkup import judged


def findings_of(
    plan: Plan, start: Start, known: Sequence[KnownTarget], notes: list[str]
) -> tuple[StoredFinding, ...]:
    """Check the bench up, each finding with how far two halves of the pings differ."""
    half = len(start.blocks) // 2
    whole = judged(start.receiver, start.blocks, start.run.results)
    halves = [
        {f.name: f.value for f in judged(start.receiver, blocks, results)}
        for blocks, results in (
            (start.blocks[:half], start.run.results[:half]),
            (start.blocks[half:], start.run.results[half:]),
        )
    ]
    found = []
    for f in whole:
        values = [h[f.name] for h in halves if f.name in h]
        # Of a mean of two halves, half their difference; a count is what it is.
        counted = isinstance(f.value, int)
        u = abs(values[0] - values[1]) / 2 if len(values) == 2 and not counted else None
        found.append(
            StoredFinding(
                name=f.name, value=f.value, u_value=u, unit=f.unit, fit=f.fit, advice=f.advice
            )
        )
    clipped = sum(CaptureFlag.CLIPPED in b.flags for b in start.blocks)
    advice = "" if clipped == 0 else "turn the level or the gain down: strengths are too low"
    found.append(
        StoredFinding(
            name="clipped pings",
            value=clipped,
            u_value=None,
            unit=f"of {len(start.blocks)}",
            fit=clipped == 0,
            advice=advice,
        )
    )
    if start.info.edge_step_s is None:
        found += crosstalk(start, notes)
        found += ring_down(start, known, plan, notes)
    return tuple(found)
