"""A focus in words."""

from __future__ import annotations

import math

from dsp.history.focus_limits import copies_aside_m
from dsp.uncertainty import signed, stated
from rig.measure.focus.measurement import FocusMeasurement
from rig.measure.focus.placing import PlacedPoint


def focus_lines(focus: FocusMeasurement) -> tuple[str, ...]:
    """Put a focus into words, each number with its expanded uncertainty, k = 2."""
    what = "the pair" if focus.moved == "pair" else "the target"
    lines = [
        f"{focus.pings} pings, {focus.left_out} of them left out; {what} moved on "
        f"{1e3 * focus.way.spacing_m:.2f} mm from ping to ping",
        speed_text(focus),
        *limit_lines(focus),
    ]
    if focus.points:
        lines.append("Points in focus, along the way (from where it began; ± is k = 2):")
        lines += [f"  {point_text(point)}" for point in focus.points]
    copies = copies_text(focus)
    if copies:
        lines.append(copies)
    lines += [f"caution: {words}" for words in focus.cautions]
    return tuple(lines)


def speed_text(focus: FocusMeasurement) -> str:
    """Say at what speed, and how it is known."""
    speed = focus.speed
    words = stated(speed.speed_m_s, speed.u_speed_m_s)
    if not speed.found:
        return f"speed along the way {words} m/s, as given"
    text = f"speed along the way {words} m/s, where it is sharpest"
    if speed.by_ranges_m_s is not None and speed.u_by_ranges_m_s is not None:
        text += f"; by its ranges alone {stated(speed.by_ranges_m_s, speed.u_by_ranges_m_s)} m/s"
    return text


def limit_lines(focus: FocusMeasurement) -> tuple[str, ...]:
    """Say how fine a point can be, and what else is finer or coarser than that."""
    face = "disc" if focus.face.shape == "piston" else "line"
    angle = math.degrees(focus.way.half_angle_rad)
    by = "what so few pings tell apart" if focus.limited_by_pings else "the beam"
    return (
        f"finest along the way {1e3 * focus.finest_along_m:.1f} mm, half the {face}, at any "
        f"range; finest in range {1e3 * focus.finest_range_m:.1f} mm, by the pulse",
        f"added up within ±{angle:.1f}° from square ahead: {by}",
    )


def point_text(placed: PlacedPoint) -> str:
    """Say where a point stands and how wide it is."""
    point = placed.point
    if placed.near:
        return (
            f"near {point.along_m:.3f} m along, at about {point.range_m:.3f} m: too near for this "
            f"face to be a point, {signed(f'{placed.strength_db:.1f}')} dB"
        )
    text = (
        f"{stated(point.along_m, placed.u_along_m)} m along, at "
        f"{stated(point.range_m, placed.u_range_m, most=4)} m, "
        f"{signed(f'{placed.strength_db:.1f}')} dB"
    )
    if placed.width_along_m is None:
        text += "; it falls to half nowhere along the way"
    else:
        text += f"; {1e3 * placed.width_along_m:.1f} mm wide along the way at half power"
    if placed.due_along_m is not None:
        text += f", a lone point {1e3 * placed.due_along_m:.1f} mm"
    if placed.width_range_m is not None:
        text += f"; {1e3 * placed.width_range_m:.1f} mm in range"
    if not placed.sharp:
        text += "; blurred"
    if placed.cut:
        text += "; its arch is cut off"
    return text


def copies_text(focus: FocusMeasurement) -> str:
    """Say where the copies of the strongest point stand; empty where there are none."""
    told = [p for p in focus.points if p.copies_db is not None]
    if not told or not focus.limited_by_pings:
        return ""
    strongest = max(told, key=lambda p: p.strength_db)
    aside_m = copies_aside_m(focus.way.spacing_m, focus.way.wavelength_m, strongest.point.range_m)
    if aside_m is None or strongest.copies_db is None:
        return ""
    return (
        f"the strongest point may have copies {aside_m:.2f} m to both sides, up to "
        f"{signed(f'{strongest.copies_db:.0f}')} dB re itself"
    )
