"""A measured beam in words."""

from __future__ import annotations

import math

from rig.measure.beam.measurement import BeamMeasurement


def beam_lines(beam: BeamMeasurement) -> tuple[str, ...]:
    """Put a measured beam into words, each number with its expanded uncertainty, k = 2."""
    fit = beam.fit
    name = "radius" if fit.shape == "piston" else "length"

    def deg(rad: float) -> float:
        return math.degrees(rad)

    lines = [
        f"{beam.echoes} echoes in {beam.pings} pings; {beam.missing} without one, "
        f"{beam.left_out} left out",
        f"half power, out and back, at {deg(fit.half_power_rad):.3f} ± "
        f"{deg(2 * beam.u_half_power_rad):.3f}° from the axis",
        f"axis tilted by {deg(fit.tilt_rad):.2f} ± {deg(2 * beam.u_tilt_rad):.2f}° towards larger "
        "places",
        f"effective {name} {1e3 * fit.size_m:.2f} ± {2e3 * beam.u_size_m:.2f} mm; the plan says "
        f"{1e3 * beam.planned_size_m:.2f} mm",
        f"target nearest at {fit.closest_m:.4f} ± {2 * beam.u_closest_m:.4f} m",
    ]
    if beam.closest_time_s is not None:
        lines[-1] += f", {beam.closest_time_s:.3f} s after the first ping"
    if beam.near_field_m is not None:
        lines.append(f"nearer than {beam.near_field_m:.3f} m the beam is not yet a cone")
    if not fit.holds:
        del lines[1:]
    lines.append(f"chi-square {fit.chi_square:.1f} for {fit.degrees_of_freedom} degrees of freedom")
    if fit.holds:
        lines += [f"  half-power angle, from {words}: {deg(u):.4f}°" for words, u in beam.terms]
    lines += [f"caution: {words}" for words in beam.cautions]
    return tuple(lines)
