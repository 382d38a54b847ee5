"""The echoes that a lesson asks about, picked out of what was heard."""

from __future__ import annotations

import math

from rig.errors import NotHeardError
from rig.run.budget import NOISE_TERMS
from rig.run.results import Echo
from rig.teach.lessons.lesson import StepHeard


def echo_near(heard: StepHeard, range_m: float, *, within_m: float) -> Echo:
    """Return the strongest echo of all a step's pings added up, near where one is due.

    Raises
    ------
    NotHeardError
        Where there is none.
    """
    near = [e for e in heard.run.echoes if abs(e.range_m - range_m) <= within_m]
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
    run = heard.run
    if run.last is None:
        reason = next((r.reason for r in run.results if r.reason), "")
        return f"no good ping ({reason})" if reason else "no good ping"
    if not run.echoes:
        return "no echo"
    return "echoes at " + ", ".join(f"{e.range_m:.2f} m" for e in run.echoes[:6])
