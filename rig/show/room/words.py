"""The newest ping in words: for who cannot see the picture, or cannot read it from afar."""

from __future__ import annotations

import math

from rig.run.results import Echo, PingResult
from rig.show.wording import late_text, metres_text, signed

MOST_ECHOES = 8
"""Of which the words tell; the rest are counted."""


def ping_words(result: PingResult | None) -> tuple[str, tuple[str, ...]]:
    """Return a heading and the lines below it.

    Parameters
    ----------
    result : PingResult or None
        None before the first ping.
    """
    if result is None:
        return "No ping yet", ()
    if result.lost:
        return f"Ping {result.index}: lost", (result.reason or "no reason given",)
    echoes = sorted(result.echoes, key=lambda e: e.range_m)
    found = {0: "no echo above the threshold", 1: "1 echo"}.get(
        len(echoes), f"{len(echoes)} echoes"
    )
    lines = [_echo_line(echo) for echo in echoes[:MOST_ECHOES]]
    if len(echoes) > MOST_ECHOES:
        lines.append(f"and {len(echoes) - MOST_ECHOES} more, farther away")
    lines += [f"late: {late_text(late)}" for late in result.late]
    return f"Ping {result.index}: {found}", tuple(lines)


def _echo_line(echo: Echo) -> str:
    """Return one echo: range with an interval that holds it 19 times in 20, and strength."""
    words = f"{metres_text(echo.range_m, echo.u_range_m)} m"
    if math.isfinite(echo.u_range_m) and echo.u_range_m > 0:
        words += f" ± {_interval_text(2 * echo.u_range_m)}"
    if math.isfinite(echo.strength_db):
        words += f", {signed(echo.strength_db, 0)} dB"
    if echo.side is not None and math.isfinite(echo.side.angle_rad):
        words += f", {_side_text(math.degrees(echo.side.angle_rad))}"
    return words


def _side_text(angle_deg: float) -> str:
    """Say to which side an echo comes from, to a degree; an angle is positive to the left."""
    aside = round(angle_deg)
    if aside == 0:
        return "straight ahead"
    return f"{abs(aside)}° to the {'left' if aside > 0 else 'right'}"


def _interval_text(half_m: float) -> str:
    """Return half an interval in the unit that leaves digits before the point."""
    if half_m >= 0.1:
        return f"{half_m:.2g} m"
    return f"{100 * half_m:.2g} cm" if half_m >= 0.01 else f"{1000 * half_m:.2g} mm"
