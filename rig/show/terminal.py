"""The pings as text: a strip a ping, for a terminal where no window can be opened.

A strip runs from left to right as the bench does, from range 0 to the end of the
plan's ranges. The darker a place, the further it stands above the ping's own noise.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from dsp.uncertainty import stated, unsure
from rig.bench.plan import Plan
from rig.run.results import Echo, PingResult, Side
from rig.show.pictures.scales import RangeColumns, RangeScale, decibels, round_ticks
from rig.show.wording import metres_text, tick_texts

BLOCKS, ASCII = " ·░▒▓█", " .:+#@"
"""Ink from nothing to strongest; the second where the terminal lacks the first."""

_NOISE_DB = 12.0
"""So far above the median of the noise nothing is drawn yet: of ten thousand bins
of noise alone, fewer than one stands higher (Rayleigh: exp(−ln 2 · 10^1.2))."""

_STEP_DB = 6.0
_NUMBER, _FOUND = 6, 22  # characters before and after the strip


def ruler_lines(plan: Plan, width: int) -> tuple[str, str]:
    """Return the two lines above the strips: ranges in metres, and their ticks.

    Parameters
    ----------
    width : int
        Of the terminal, in characters.
    """
    columns = _columns(width)
    stop_m = plan.receiver.range_stop_m
    ticks = round_ticks(0.0, stop_m, most=max(columns // 10, 2))
    names = [" "] * (_NUMBER + columns + _FOUND)
    rule = ["-"] * columns
    for tick, text in zip(ticks, tick_texts(ticks), strict=True):
        column = min(int(tick / stop_m * columns), columns - 1)
        rule[column] = "+"
        start = _NUMBER + column - (len(text) - 1) // 2
        names[start : start + len(text)] = text
    end = _NUMBER + columns + 2
    names[end : end + len("range / m")] = "range / m"
    return "".join(names).rstrip(), " ping ".ljust(_NUMBER) + "".join(rule) + "  echoes / m"


def strip_line(
    result: PingResult,
    plan: Plan,
    width: int,
    *,
    sound_speed_m_s: float,
    encoding: str = "utf-8",
) -> str:
    """Return one ping as a line of text, no longer than `width`.

    Parameters
    ----------
    result : PingResult
    width : int
        Of the terminal, in characters.
    sound_speed_m_s : float
    encoding : str
        Of the terminal; one that lacks the blocks gets plain characters.
    """
    columns = _columns(width)
    number = f"{result.index:>{_NUMBER - 1}} "
    if result.profile is None:
        words = f"lost: {result.reason or 'no reason given'}"
        return number + _printable(words, encoding)[: columns + _FOUND]
    scale = RangeScale(
        sound_speed_m_s=sound_speed_m_s,
        baseline_m=plan.geometry.baseline_m,
        start_m=plan.receiver.range_start_m,
        stop_m=plan.receiver.range_stop_m,
    )
    range_m = scale.range_m(result.profile.delay_s)
    strength_db = result.profile.strength_db
    heard = strength_db[(range_m >= scale.start_m) & (range_m <= scale.stop_m)]
    noise_db = float(np.median(heard)) if heard.size else 0.0
    gather = RangeColumns(range_m, stop_m=scale.stop_m, columns=columns)
    above_db = decibels(gather(np.abs(result.profile.envelope))) - noise_db - _NOISE_DB
    # −1, and so nothing, for a place that the profile does not reach.
    steps = np.floor(np.nan_to_num(above_db, nan=-_STEP_DB) / _STEP_DB).astype(int) + 1
    ramp = _ramp(encoding)
    strip = "".join(ramp[step] for step in np.clip(steps, 0, len(ramp) - 1))
    return f"{number}{strip}  {_found(result)}"


def echo_table(echoes: Sequence[Echo]) -> list[str]:
    """Return the echoes as the lines of a table, the nearest first, under a head."""
    heads: tuple[str, ...] = (
        "range / m",
        "± (k = 2) / m",
        "time of flight / ms",
        "dB re full scale",
        "2E/N0 / dB",
        "bound / mm",
    )
    sided = any(echo.side is not None for echo in echoes)
    if sided:
        heads += ("angle / °", "± (k = 2) / °")
    lines = ["  ".join(heads)]
    for echo in echoes:
        range_m, _, u_m = stated(echo.range_m, echo.u_range_m, most=6).partition(" ± ")
        # A board that tells an edge's time alone gives no strength: a dash.
        levels = [
            f"{db:.1f}" if math.isfinite(db) else "-" for db in (echo.strength_db, echo.snr_db)
        ]
        bound = unsure(1e3 * echo.bound_m) if math.isfinite(echo.bound_m) else "-"
        cells = [range_m, u_m or "-", f"{1e3 * echo.delay_s:.4f}", *levels, bound]
        if sided:
            side = echo.side or Side()
            of_angle = math.degrees(side.angle_rad), 2 * math.degrees(side.u_angle_rad)
            cells += [
                f"{value:{form}}" if math.isfinite(value) else "-"
                for value, form in zip(of_angle, ("+.2f", ".2f"), strict=True)
            ]
        line = "  ".join(cell.rjust(len(head)) for cell, head in zip(cells, heads, strict=True))
        more_m = echo.more_within_m
        if more_m is not None:
            line += f"  more than one, within {1e3 * more_m:.0f} mm"
        lines.append(line)
    return lines


def _columns(width: int) -> int:
    return max(width - _NUMBER - _FOUND, 10)


def _ramp(encoding: str) -> str:
    try:
        BLOCKS.encode(encoding)
    except (UnicodeEncodeError, LookupError):
        return ASCII
    return BLOCKS


def _printable(words: str, encoding: str) -> str:
    """Return words on one line, a ? for what the terminal cannot show."""
    line = " ".join(words.split())
    try:
        return line.encode(encoding, errors="replace").decode(encoding)
    except LookupError:
        return line.encode("ascii", errors="replace").decode("ascii")


def _found(result: PingResult) -> str:
    """Return the ranges of the nearest few echoes, and how many more there are.

    Of pings with signs, also how many are late, and of how many that is not told.
    """
    texts = [metres_text(e.range_m, e.u_range_m) for e in result.echoes]
    late = f"; {len(result.late)} late" if result.late else ""
    late += f"; {len(result.untold)} ?" if result.untold else ""
    for named in range(len(texts), 0, -1):
        more = f" +{len(texts) - named}" if named < len(texts) else ""
        words = " ".join(texts[:named]) + more + late
        if len(words) <= _FOUND - 2:
            return words
    if not texts:
        return f"none{late}"
    return f"{len(texts)}{late}" if late else f"{len(texts)} echoes"
