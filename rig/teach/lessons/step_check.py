"""Whether a step stands as it was asked for: an echo is heard where the step put a thing."""

from __future__ import annotations

import math
from typing import Any

from rig.teach.lessons.lesson import Step, StepHeard

_SHARE = 0.2
"""So far from the place, as a share of it, hands and tapes may put a thing."""

_FEWEST_SHARE = 0.1
"""In so many of the pings it must be heard: what passes is in the beam for a part of them only."""


def place_m(step: Step) -> float | None:
    """Return how near the step's thing comes, by the scene that shows the same; None for nothing.

    Examples
    --------
    >>> ball = {"body": "sphere", "position_m": [1.0, -0.5, 0.0], "velocity_m_s": [0.0, 0.5, 0.0]}
    >>> place_m(Step(name="pass", set_up="Draw it.", scene={"target": [ball]}))
    1.0
    >>> place_m(Step(name="empty", set_up="Clear it.", scene={})) is None
    True
    """
    places = [_nearest_m(target) for target in step.scene.get("target", ())]
    if "bottom" in step.scene:
        places.append(float(step.scene["bottom"]["range_m"]))
    return min(places, default=None)


def _nearest_m(target: dict[str, Any]) -> float:
    at = target["position_m"]
    goes = target.get("velocity_m_s", (0.0, 0.0, 0.0))
    square = sum(v * v for v in goes)
    # The nearest point of a straight way; what rests is where it is.
    time_s = max(0.0, -sum(a * v for a, v in zip(at, goes, strict=True)) / square) if square else 0
    return math.hypot(*(a + v * time_s for a, v in zip(at, goes, strict=True)))


def missing_echo(heard: StepHeard) -> str:
    """Say what is missing where a step's thing should be heard; empty where all is well.

    Parameters
    ----------
    heard : StepHeard
    """
    step, results = heard.step, heard.run.results
    good = [r for r in results if not r.lost]
    if not good:
        reason = next((r.reason for r in results if r.reason), "")
        return f"No ping came through{f' ({reason})' if reason else ''}: look at the direct sound."
    at_m = place_m(step) if step.expects_echo else None
    if at_m is None or at_m > heard.plan.receiver.range_stop_m:
        return ""

    def there(ranges_m: list[float]) -> bool:
        return any(abs(each - at_m) <= _SHARE * at_m for each in ranges_m)

    stacked = there([e.range_m for e in heard.run.echoes])
    hits = sum(there([e.range_m for e in r.echoes]) for r in good)
    if stacked or hits >= max(2, _FEWEST_SHARE * len(good)):
        return ""
    return (
        f"No echo from about {at_m:.2f} m, where this step puts something: hang it there, square "
        "to the pair, and clear what stands nearer; or send louder."
    )
