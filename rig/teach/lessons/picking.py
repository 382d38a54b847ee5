"""The echoes that a lesson asks about, picked out of what was heard."""

from __future__ import annotations

import math

from rig.errors import NotHeardError
from rig.run.receiver import Echo
from rig.teach.lessons.lesson import StepHeard

NOISE_TERMS = ("delay", "time zero: mark")
"""The terms of a range's budget that are new each time; the others stay as they are."""


def echo_near(heard: StepHeard, range_m: float, *, within_m: float) -> Echo:
    """Return the strongest echo of all a step's pings added up, near where one is due.

    Raises
    ------
    NotHeardError
        Where there is none.
    """
    near = [e for e in heard.measurement.echoes if abs(e.range_m - range_m) <= within_m]
    if not near:
        raise NotHeardError(
            f"step {heard.step.name}: found {_ranges_text(heard)}; an echo is needed within "
            f"{within_m:g} m of {range_m:.3g} m: turn the target square to the pair, and let "
            "nothing else stand there"
        )
    return max(near, key=lambda e: e.strength_db)


def u_noise_m(echo: Echo) -> float:
    """Return what noise alone leaves of a range's standard uncertainty.

    That is all that counts between two ranges that were measured one after the other:
    the sound speed, the baseline and the clock were wrong by as much in both.
    """
    if echo.budget is None:
        return math.inf
    return math.hypot(*(t.u for t in echo.budget.terms if t.name in NOISE_TERMS))


def _ranges_text(heard: StepHeard) -> str:
    measurement = heard.measurement
    if measurement.lost_pings == measurement.pings:
        reason = next((r.reason for r in measurement.results if r.reason), "")
        return f"no good ping ({reason})" if reason else "no good ping"
    if not measurement.echoes:
        return "no echo"
    return "echoes at " + ", ".join(f"{e.range_m:.2f} m" for e in measurement.echoes[:6])
