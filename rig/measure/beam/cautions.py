"""What speaks against a measured beam's numbers."""

from __future__ import annotations

import math
from collections.abc import Iterable

from dsp.history.beam_fits import BeamFit
from dsp.history.pair_beams import BeamSetting, far_field_from_m
from rig.measure.beam.heard import HeardSweep


def cautions_of(
    heard: HeardSweep, setting: BeamSetting, fit: BeamFit, other: BeamFit | None
) -> Iterable[str]:
    """Say what a measurement should be repeated for, and how."""
    if not fit.holds:
        yield (
            f"the levels and ranges are not those of a {fit.shape} on such a way, to within their "
            "noise and scatter: no number of it is claimed; leave other things out with --from-m "
            "and --to-m, and see what follows"
        )
    if fit.shape == "piston":
        far_m = far_field_from_m(fit.size_m, setting.wavelength_m)
        if fit.closest_m < far_m:
            yield (
                f"too near: the target passed at {fit.closest_m:.3f} m, and the cone holds from "
                f"{far_m:.2g} m on; move the target further away"
            )
    beside_rad = math.atan2(setting.baseline_m / 2, fit.closest_m)
    if beside_rad > 0.5 * fit.half_power_rad:
        yield (
            f"each face sees the target {math.degrees(beside_rad):.1f}° beside its own axis; the "
            "angle given is that of one face alone; move the target further away"
        )
    for side, words in ((-1, "smaller"), (1, "larger")):
        on_side = side * fit.angle_rad >= fit.half_power_rad
        if not on_side.any():
            yield (
                f"one side only: no ping reaches the half-power angle towards {words} places; "
                "move the target further that way"
            )
    if heard.clipped:
        yield f"{heard.clipped} clipped pings were left out; lower the level"
    if fit.scatter_db > 0:
        yield (
            f"the levels scatter by {fit.scatter_db:.2f} dB more than noise explains (the target "
            "swings, or the beam is not quite such a disc or line); it is counted in"
        )
    if other is not None and other.chi_square < fit.chi_square - 9:
        yield (
            f"a {other.shape} fits better than the plan's {fit.shape}: chi-square "
            f"{other.chi_square:.0f} against {fit.chi_square:.0f}"
        )
