"""A page's passes: what went by, how, and what fits."""

from __future__ import annotations

import math

from dsp.uncertainty import stated
from rig.measure.passes.passing import Passing, crossed_beam
from rig.show.markup import Markup, element, figure, joined, table
from rig.show.report.contents import Contents
from rig.show.report.echoes import DASH
from rig.show.report.parts import SVG, section
from rig.show.report.pictures import shown_passings
from rig.show.wording import counted, signed

_KIND = {"pass": "pass", "half": "half a pass", "stay": "stay", "cannot-tell": "cannot tell"}
_ARCH = "R(t) = √(R₀² + v²(t − t₀)²)".replace(" ", "\u00a0")


def passes_section(contents: Contents, picture: bytes | None) -> Markup:
    """Return the section on what was followed from ping to ping; empty where nothing was."""
    if picture is None:
        return joined([])
    first, passings = shown_passings(contents.run)
    left_out = ""
    if first > 1:
        left_out = f" Shown are the latest {len(passings)} of {first - 1 + len(passings)}."
    words = "; ".join(
        f"{n} {_kind(p)}, {p.range_m.min():.2f} to {p.range_m.max():.2f} m"
        for n, p in enumerate(passings, first)
    )
    heads = (
        "no.",
        "what",
        "seen / s",
        "hits",
        "closest range / m",
        "crossing speed / m/s",
        "closing speed / m/s",
        "besides",
    )
    rows = [_pass_row(number, passing) for number, passing in enumerate(passings, first)]
    return section(
        "What went by",
        element(
            "p",
            "Echoes followed from ping to ping. A target on a straight way at an even speed draws "
            f"{_ARCH}, an arch; one that stays draws a streak. Where neither can be told from the "
            f"other, that is said.{left_out}",
        ),
        figure(
            picture,
            kind=SVG,
            alt=f"Range over time of {counted(len(passings), 'track')}, with fitted curves "
            f"and what is left over: {words}.",
            caption="Above, each hit and the fitted curves; tracks without a line could not be "
            "told. Below, each hit’s range less its curve.",
        ),
        table(
            heads,
            rows,
            caption="Tracks in the order of their first hits; each ± is k = 2.",
            words=(1, 7),
        ),
    )


def _kind(passing: Passing) -> str:
    """Name what a track did; half an arch of what crossed the beam is no half pass."""
    told = passing.passage
    if told.kind == "half" and told.tilt_rad is not None and crossed_beam(passing):
        return "half an arch, whole pass"
    return _KIND[told.kind]


def _pass_row(number: int, passing: Passing) -> tuple[str, ...]:
    told = passing.passage
    closing = DASH
    if passing.unfolded is not None and told.kind != "stay":
        closing = _with_u(passing.unfolded.speed_m_s, passing.unfolded.u_speed_m_s, 4)
    return (
        str(number),
        _kind(passing),
        f"{told.first_s:.2f}–{told.last_s:.2f}",
        str(told.hits),
        _with_u(told.closest_range_m, told.u_closest_range_m, 4),
        _with_u(told.crossing_speed_m_s, told.u_crossing_speed_m_s, 4),
        closing,
        _besides(passing),
    )


def _with_u(value: float | None, u: float | None, digits: int) -> str:
    if value is None or u is None:
        return DASH
    return stated(value, u, most=digits)


def _besides(passing: Passing) -> str:
    told = passing.passage
    words = [told.reason] if told.reason else []
    if told.kind in ("pass", "half") and told.closest_time_s is not None:
        words.append(f"closest at {told.closest_time_s:.2f} s")
    if told.tilt_rad is not None:
        words.append(f"strongest {signed(math.degrees(told.tilt_rad))}° from there")
    if told.strong_hits is not None and passing.forecast_hits is not None:
        foretold = f"{passing.forecast_hits:.0f}"
        if told.kind == "half":
            foretold += " for a whole pass"
        words.append(f"{told.strong_hits} hits within half power, foretold {foretold}")
    found = passing.closing if told.kind == "cannot-tell" else None
    if found is not None and not found.even:
        words.append("nearer and farther at a speed that changed")
    elif found is not None and passing.unfolded is None:
        words.append(
            f"closing at {_with_u(found.speed_m_s, found.u_speed_m_s, 4)} m/s, or that and any "
            f"multiple of {2 * found.fastest_m_s:.4f} m/s"
        )
    return "; ".join(words)
