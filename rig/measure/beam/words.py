"""A measured beam in words."""

from __future__ import annotations

import math

from dsp.history.pair_beams import far_field_from_m
from dsp.uncertainty import stated, unsure
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
        "half power, out and back, at "
        f"{stated(deg(fit.half_power_rad), deg(beam.u_half_power_rad))}° from the axis",
        f"axis tilted by {stated(deg(fit.tilt_rad), deg(beam.u_tilt_rad))}° towards larger places",
        f"effective {name} {stated(1e3 * fit.size_m, 1e3 * beam.u_size_m)} mm; the plan says "
        f"{1e3 * beam.planned_size_m:.2f} mm",
        f"target nearest at {stated(fit.closest_m, beam.u_closest_m, most=4)} m",
    ]
    if beam.closest_time_s is not None:
        lines[-1] += f", {beam.closest_time_s:.3f} s after the first ping"
    if beam.near_field_m is not None:
        far_m = far_field_from_m(fit.size_m, beam.setting.wavelength_m)
        lines.append(
            f"nearer than {beam.near_field_m:.2g} m the beam is not yet a cone; from {far_m:.2g} m "
            "on it is this one, to about 1 %"
        )
    if not fit.holds:
        del lines[1:]
    lines.append(f"chi-square {fit.chi_square:.1f} for {fit.degrees_of_freedom} degrees of freedom")
    if fit.holds:
        lines += [f"  half-power angle, from {words}: {unsure(deg(u))}°" for words, u in beam.terms]
    lines += [f"caution: {words}" for words in beam.cautions]
    return tuple(lines)
