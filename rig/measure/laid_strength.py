"""Small, or at the edge? A strength laid on the axis by two receivers' angle, and the size from it.

The faces stand side by side, on the line of the receivers. How high above or below the axis
a target stands no two receivers on one line tell; without a word about it, what the beam took
off is a least, and the target is at least as strong.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from dsp.history.laid_strengths import (
    HEIGHT_UNKNOWN,
    BeamLoss,
    LaidStrength,
    beam_loss,
    laid_on_axis,
    place_in_beam,
    surely_stronger,
)
from dsp.history.strengths import (
    StrengthTerm,
    hard_ball_radius_m,
    plate_side_m,
    target_strength_db,
)
from dsp.uncertainty import signed
from rig.measure.beam.setting import setting_of
from rig.run.receiver import Receiver
from rig.run.results import Echo, Side

BODIES = ("ball", "plate")
"""What a strength may be told as the size of: a hard ball's radius, or the side of a square flat
plate that is struck square on."""

U_FACE = 0.05
"""A face acts as large as its plan says to this share (common practice, no source)."""

_GEOMETRIC_KA = 10.0
"""From here on a hard ball's strength is within 0.7 dB of that of its geometric echo
(Anderson's series, computed with scipy)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LaidTarget:
    """One target, as two receivers tell where in the beam it stands.

    Attributes
    ----------
    side : Side
    strength : LaidStrength or None
        None where there is no angle.
    terms : tuple of StrengthTerm
        What the place in the beam adds to its uncertainty.
    place : {"axis", "edge", "open"}
        Whether it is as weak as it sounds or stands at the edge, with k = 2.
    why_open : str
        Why it is open, in words; empty where it is not.
    body : {"ball", "plate"}
    size_m : tuple of (float or None)
        Of that body: the least, the likeliest and the most, with k = 2. None where it has no
        end, or where a ball would be too small against the wave.
    """

    side: Side
    strength: LaidStrength | None
    terms: tuple[StrengthTerm, ...]
    place: str
    why_open: str
    body: str
    size_m: tuple[float | None, float | None, float | None]


def laid_target(
    receiver: Receiver,
    echo: Echo,
    *,
    source_level_db: float,
    absorption_db_m: float,
    u_heard_db: float,
    edge_db: float,
    height_rad: float | None,
    body: str,
) -> LaidTarget | None:
    """Lay an echo's strength on the axis; None where its bench has one receiver.

    Parameters
    ----------
    receiver : Receiver
    echo : Echo
    source_level_db, absorption_db_m : float
    u_heard_db : float
        Standard uncertainty of the strength, the place in the beam apart.
    edge_db : float
        What the beam takes off at its edge, both ways together.
    height_rad : float or None
        All targets stand within so much above or below the axis; None where nobody knows.
    body : {"ball", "plate"}
    """
    side = echo.side
    if side is None:
        return None
    if not math.isfinite(side.angle_rad):
        return LaidTarget(
            side=side,
            strength=None,
            terms=(),
            place="open",
            why_open=side.doubt,
            body=body,
            size_m=(None, None, None),
        )
    plan = receiver.plan
    half_m = plan.geometry.baseline_m / 2
    # Aside, an echo of this path stands a little further off than one on the axis.
    flattened = (2 * half_m / echo.path_m * math.sin(side.angle_rad)) ** 2
    range_m = echo.range_m / math.sqrt(1 - flattened)
    across_m, ahead_m = (range_m * f(side.angle_rad) for f in (math.sin, math.cos))
    out_m, back_m = (math.hypot(across_m - face_m, ahead_m) for face_m in (-half_m, half_m))
    beam = beam_loss(
        setting_of(receiver),
        plan.transducer.size_m,
        range_m=range_m,
        angle_rad=side.angle_rad,
        low_rad=side.low_rad,
        high_rad=side.high_rad,
        height_rad=height_rad,
        u_size_share=U_FACE,
        highest_hz=plan.pulse.highest_hz,
    )
    heard_db = float(
        target_strength_db(
            echo.strength_db,
            source_level_db,
            out_m=out_m,
            back_m=back_m,
            absorption_db_m=absorption_db_m,
        )
    )
    strength = laid_on_axis(heard_db, u_heard_db, beam)
    place = place_in_beam(beam, edge_db)
    wavelength_m = receiver.sound_speed_m_s / plan.pulse.centre_hz
    least_m, likeliest_m, most_m = (
        _size_m(body, db, wavelength_m) if math.isfinite(db) else None
        for db in (strength.low_db, strength.strength_db, strength.high_db)
    )
    return LaidTarget(
        side=side,
        strength=strength,
        terms=(
            StrengthTerm(name="angle of the target", u_db=beam.u_angle_db),
            StrengthTerm(name="height above or below the axis", u_db=beam.u_height_db),
            StrengthTerm(name="size of the faces", u_db=beam.u_face_db),
        ),
        place=place,
        why_open=_why_open(beam, side) if place == "open" else "",
        body=body,
        size_m=(least_m, likeliest_m, most_m),
    )


def is_surely_stronger(target: LaidTarget, other: LaidTarget, *, u_source_level_db: float) -> bool:
    """Say whether a target is the stronger of two with k = 2, whatever the source level."""
    return (
        target.strength is not None
        and other.strength is not None
        and surely_stronger(target.strength, other.strength, u_common_db=u_source_level_db)
    )


def laid_lines(target: LaidTarget) -> tuple[str, ...]:
    """Put into words where a target stands in the beam, and how strong it is there."""
    strength = target.strength
    if strength is None:
        return (f"small, or at the edge? Cannot be told: {target.why_open}",)
    beam = strength.beam
    angle = (
        f"{signed(f'{math.degrees(target.side.angle_rad):.1f}')}° ± "
        f"{2 * math.degrees(target.side.u_angle_rad):.1f}° (k = 2)"
    )
    verdict = {
        "axis": "small, or at the edge? As small as it sounds: near the axis",
        "edge": "small, or at the edge? At the edge, and larger than it sounds",
        "open": f"small, or at the edge? Open: {target.why_open}",
    }[target.place]
    low, middle, high = (
        signed(f"{db:.1f}") for db in (strength.low_db, strength.strength_db, strength.high_db)
    )
    taken = f"it stands at {angle}, where the beam takes off {abs(beam.loss_db):.1f} dB"
    if beam.why_open == HEIGHT_UNKNOWN:
        laid = (
            f"laid on the axis: {middle} dB re 1 m² if it is level with the axis, and no less than "
            f"{low} (k = 2)"
        )
    elif beam.why_open:
        laid = f"laid on the axis: no less than {low} dB re 1 m² (k = 2), as {beam.why_open}"
    else:
        laid = f"laid on the axis: {middle} dB re 1 m², between {low} and {high} (k = 2)"
    lines = [verdict, taken, laid]
    words = {"ball": "in radius", "plate": "a side, if it is square and struck square on"}
    least_m, likeliest_m, most_m = target.size_m
    if likeliest_m is not None:
        end = "" if least_m is None else f", at least {1e3 * least_m:.0f}"
        end += "" if most_m is None else f", at most {1e3 * most_m:.0f}"
        lines.append(f"as a {target.body}: {1e3 * likeliest_m:.0f} mm {words[target.body]}{end}")
    return (
        *lines,
        *(f"  {t.name}: {t.u_db:.2f} dB" for t in target.terms if 0 < t.u_db < math.inf),
    )


def laid_answer(target: LaidTarget) -> dict[str, Any]:
    """Answer `strength --json` for one target of a bench with two receivers."""
    strength = target.strength
    return {
        "angle_deg": _finite(math.degrees(target.side.angle_rad)),
        "u_angle_deg": _finite(math.degrees(target.side.u_angle_rad)),
        "beam_loss_db": None if strength is None else strength.beam.loss_db,
        "laid_db": None if strength is None else strength.strength_db,
        "laid_low_db": None if strength is None else strength.low_db,
        "laid_high_db": None if strength is None else _finite(strength.high_db),
        "laid_budget": [{"term": t.name, "u_db": _finite(t.u_db)} for t in target.terms],
        "small_or_edge": {"axis": "small", "edge": "edge", "open": "open"}[target.place],
        "why_open": target.why_open or None,
        "body": target.body,
        "size_m": list(target.size_m),
    }


def ball_radius_m(strength_db: float, wavelength_m: float) -> float | None:
    """Return a hard ball's radius; None where it would be too small against the wave."""
    radius_m = float(hard_ball_radius_m(strength_db))
    return radius_m if 2 * math.pi * radius_m / wavelength_m >= _GEOMETRIC_KA else None


def _size_m(body: str, strength_db: float, wavelength_m: float) -> float | None:
    if body == "plate":
        return float(plate_side_m(strength_db, wavelength_m))
    return ball_radius_m(strength_db, wavelength_m)


def _why_open(beam: BeamLoss, side: Side) -> str:
    if beam.why_open:
        return beam.why_open
    if side.doubt:
        return f"its angle is not known well enough, as {side.doubt}"
    return "its angle is not known well enough"


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
