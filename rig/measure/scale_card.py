"""The scale card: the bench case that draws the same picture as a case in the field.

Two pictures are the same when one is the other enlarged. The cone is an angle and
has to be the same; the arch then rises by the same share of the range, 1/cos ψ − 1;
and as many pings have to fall into the crossing, which takes the same share of the
range, v T / R, from ping to ping. So has the pulse: its range resolution must be the
same share of the range, and with it the arch as many resolutions high.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from dsp.arguments import require_positive, require_within
from dsp.physics import beams


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """A target that crosses a cone.

    Attributes
    ----------
    speed_m_s : float
    depth_m : float
        Range where it crosses the axis, whichever way the beam looks.
    cone_rad : float
        Of the whole cone, from half power to half power out and back.
    pings_per_s : float
    resolution_m : float or None
        Two echoes closer than this run into one.

    Raises
    ------
    ValueError
        On a number not above zero, or a cone of half a turn or more.
    """

    speed_m_s: float
    depth_m: float
    cone_rad: float
    pings_per_s: float
    resolution_m: float | None = None

    def __post_init__(self) -> None:
        require_positive("speed_m_s", self.speed_m_s, "m/s")
        require_positive("depth_m", self.depth_m, "m")
        require_positive("pings_per_s", self.pings_per_s, "a second")
        require_positive("cone_rad", self.cone_rad, "rad")
        require_within("cone_rad", self.cone_rad, 0, math.nextafter(math.pi, 0), "rad")
        if self.resolution_m is not None:
            require_positive("resolution_m", self.resolution_m, "m")

    @property
    def crossing(self) -> beams.StraightPass:
        """Its way through the cone."""
        return beams.straight_pass(self.depth_m, self.cone_rad / 2, self.speed_m_s)

    @property
    def hits(self) -> float:
        """Pings in the crossing."""
        return self.crossing.dwell_s * self.pings_per_s

    @property
    def arch_m(self) -> float:
        """How far the arch rises from its foot, at the cone's edge, to its top."""
        return self.crossing.edge_range_m - self.depth_m


def twin(case: Case, *, depth_m: float, pings_per_s: float) -> Case:
    """Return the case at another depth and ping rate that draws the same picture.

    Works both ways: from the field to the bench, and from the bench to the field.

    Parameters
    ----------
    case : Case
    depth_m, pings_per_s : float
        Of its twin.

    Examples
    --------
    Something passes a boat at 1.5 m/s, 20 m down, in a cone of 20°, pinged 5 times a
    second: on a bench of 1 m with 10 pings a second the ball is drawn at 15 cm/s.

    >>> field = Case(speed_m_s=1.5, depth_m=20.0, cone_rad=math.radians(20), pings_per_s=5.0)
    >>> bench = twin(field, depth_m=1.0, pings_per_s=10.0)
    >>> round(bench.speed_m_s, 6)
    0.15
    >>> round(field.hits, 6) == round(bench.hits, 6)
    True
    """
    require_positive("depth_m", depth_m, "m")
    require_positive("pings_per_s", pings_per_s, "a second")
    scale = depth_m / case.depth_m
    return Case(
        speed_m_s=case.speed_m_s * scale * pings_per_s / case.pings_per_s,
        depth_m=depth_m,
        cone_rad=case.cone_rad,
        pings_per_s=pings_per_s,
        resolution_m=None if case.resolution_m is None else case.resolution_m * scale,
    )


def two_way_cone_rad(one_way_rad: float) -> float:
    """Return a disc's whole cone out and back, from that of one way, as a data sheet gives it.

    Examples
    --------
    A sheet's 20° is 14.3° out and back: half the power is lost twice, on the way out and again on
    the way back.

    >>> round(math.degrees(two_way_cone_rad(math.radians(20.0))), 1)
    14.3
    """
    require_within("one_way_rad", one_way_rad, 0, math.nextafter(math.pi, 0), "rad")
    # The sine of the edge's angle goes with the wave over the face, by a number for each way.
    once, twice = (
        math.sin(beams.half_power_half_angle_rad("piston", 10.0, 1.0, ways=ways)) for ways in (1, 2)
    )
    return 2 * math.asin(math.sin(one_way_rad / 2) * twice / once)


def disc_radius_m(cone_rad: float, wavelength_m: float) -> float | None:
    """Return the radius of the round face that makes a cone, or None where none does.

    The inverse of :func:`dsp.physics.beams.half_power_half_angle_rad` for a piston, out and
    back.

    Examples
    --------
    >>> radius_m = disc_radius_m(math.radians(20), 0.043)
    >>> half = beams.half_power_half_angle_rad("piston", radius_m, 0.043)
    >>> round(math.degrees(2 * half), 6)
    20.0
    """
    require_positive("cone_rad", cone_rad, "rad")
    require_positive("wavelength_m", wavelength_m, "m")
    half_rad = cone_rad / 2
    if half_rad >= math.pi / 2:
        return None
    # Of a face that makes a narrow cone, sin ψ times radius over wave is always the same.
    known = beams.half_power_half_angle_rad("piston", wavelength_m, wavelength_m)
    return wavelength_m * math.sin(known) / math.sin(half_rad)


def card_lines(case: Case, other: Case, *, wavelength_m: float | None = None) -> tuple[str, ...]:
    """Put two cases side by side, each number with its unit and what must match.

    Parameters
    ----------
    case, other : Case
        What was given, and its twin.
    wavelength_m : float, optional
        At the twin, to name the face that makes its cone.
    """
    rows = [
        ("speed, m/s", f"{case.speed_m_s:.4g}", f"{other.speed_m_s:.4g}"),
        ("closest range, m", f"{case.depth_m:.4g}", f"{other.depth_m:.4g}"),
        ("whole cone, degrees", *(f"{math.degrees(c.cone_rad):.4g}" for c in (case, other))),
        ("pings a second", f"{case.pings_per_s:.4g}", f"{other.pings_per_s:.4g}"),
        ("pings in the crossing", f"{case.hits:.1f}", f"{other.hits:.1f}"),
        ("time in the cone, s", *(f"{c.crossing.dwell_s:.4g}" for c in (case, other))),
        ("way in the cone, m", *(f"{c.crossing.chord_m:.4g}" for c in (case, other))),
        ("height of the arch, m", f"{case.arch_m:.4g}", f"{other.arch_m:.4g}"),
    ]
    if case.resolution_m is not None and other.resolution_m is not None:
        rows += [
            ("range resolution, m", f"{case.resolution_m:.4g}", f"{other.resolution_m:.4g}"),
            (
                "arch over resolution",
                f"{case.arch_m / case.resolution_m:.3g}",
                f"{other.arch_m / other.resolution_m:.3g}",
            ),
        ]
    lines = [f"{'':<22} {'given':>10} {'its twin':>10}"]
    lines += [f"{name:<22} {left:>10} {right:>10}" for name, left, right in rows]
    radius_m = None if wavelength_m is None else disc_radius_m(other.cone_rad, wavelength_m)
    if wavelength_m is not None and radius_m is not None:
        lines.append(
            f"At a wave of {1e3 * wavelength_m:.3g} mm a round face of radius "
            f"{1e3 * radius_m:.3g} mm makes the twin's cone."
        )
    return tuple(lines)
