"""A sweep through the beam of discs that are no points, freed of what their parts do."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
from numpy.typing import NDArray

from dsp.history.beam_fits import FEWEST_ECHOES, BeamFit, BeamSweep, fit_beam
from dsp.history.disc_arches import disc_arch
from dsp.history.disc_ways import LATE_SHARE
from dsp.history.pair_beams import BeamSetting, two_way_amplitude
from dsp.physics.discs import disc_points_from_m

_ROUNDS = 4
"""So often a size is put in and comes out anew; from round to round what is left to do falls
to a tenth."""


def fit_near_beam(
    sweep: BeamSweep, setting: BeamSetting, *, size_m: float, u_centre_m: float = math.inf
) -> tuple[BeamFit, BeamSweep]:
    """Fit a beam as of the far field to a sweep that may have passed near the discs.

    Where discs are points it is :func:`dsp.history.beam_fits.fit_beam`. Nearer, levels and
    ranges are freed of what the parts of discs as large as those found do to them, and those
    echoes are left out that are not one copy of the pulse.

    Parameters
    ----------
    sweep : BeamSweep
    setting : BeamSetting
    size_m : float
        Of the faces, as they are held to be.
    u_centre_m : float
        As for :func:`dsp.history.beam_fits.fit_beam`.

    Returns
    -------
    fit : BeamFit
        It does not hold where size or axis do not settle, as of one side of a beam.
    sweep : BeamSweep
        Those places of the sweep that were fitted, as they were measured.

    Raises
    ------
    ValueError
        As :func:`dsp.history.beam_fits.fit_beam`, and where too few echoes are one copy of
        the pulse.
    """
    fit = fit_beam(sweep, setting, u_centre_m=u_centre_m)
    nearest_m = float(np.nanmin(sweep.range_m))
    if setting.shape != "piston" or nearest_m >= disc_points_from_m(size_m, setting.wavelength_m):
        return fit, sweep
    # A far beam's axis may be anywhere in a near one: the strongest echo is the first guess.
    angle_rad = fit.angle_rad - fit.angle_rad[np.nanargmax(sweep.amplitude)]
    kept = sweep
    for _ in range(_ROUNDS):
        arch = disc_arch(setting, size_m, fit.closest_m)
        aside_m = fit.closest_m * np.tan(np.clip(angle_rad, -1.4, 1.4))
        clear = np.abs(aside_m) <= arch.aside_m[-1]
        kept = _at(sweep, clear)
        if np.count_nonzero(kept.found) < FEWEST_ECHOES:
            raise ValueError(
                f"sweep: found {np.count_nonzero(kept.found)} echoes that are one copy of the "
                f"pulse, of discs that are no points at {nearest_m:.3g} m; give at least "
                f"{FEWEST_ECHOES}, from further away"
            )
        aside_m = aside_m[clear]
        late_m = arch.late_at_m(aside_m)
        # What the same discs would let through as points that have a beam.
        half_m = setting.baseline_m / 2
        sides = (half_m, -half_m) if setting.beside else (0.0, 0.0)
        across = 0.0 if setting.beside else half_m
        out_rad, back_rad = (
            np.arctan2(np.hypot(aside_m + side, across), fit.closest_m) for side in sides
        )
        as_points = two_way_amplitude(setting, size_m, out_rad, back_rad)
        gain = as_points / 10 ** ((arch.level_at_db(aside_m) + arch.on_axis_db) / 20)
        blunt = arch.rougher_at(aside_m) * kept.u_range_m
        freed = dataclasses.replace(
            kept,
            amplitude=kept.amplitude * gain,
            noise=np.hypot(
                kept.noise * gain, LATE_SHARE * np.abs(gain - 1) * np.nan_to_num(kept.amplitude)
            ),
            threshold=kept.threshold * gain,
            range_m=kept.range_m - late_m,
            u_range_m=np.hypot(blunt, LATE_SHARE * (late_m - arch.late_m[0])),
        )
        before, fit = fit, fit_beam(freed, setting, u_centre_m=u_centre_m)
        size_m = fit.size_m
        angle_rad = _angles_rad(sweep, fit)
    settled = (
        abs(fit.size_m - before.size_m) < fit.u_size_m
        and abs(fit.tilt_rad - before.tilt_rad) < fit.u_tilt_rad
    )
    return (fit if settled else dataclasses.replace(fit, holds=False)), kept


def _at(sweep: BeamSweep, which: NDArray[np.bool_]) -> BeamSweep:
    rows = ("place", "amplitude", "noise", "threshold", "range_m", "u_range_m")
    return dataclasses.replace(sweep, **{name: getattr(sweep, name)[which] for name in rows})


def _angles_rad(sweep: BeamSweep, fit: BeamFit) -> NDArray[np.float64]:
    """Angles of all places of a sweep from the axis of a fit to some of them."""
    if sweep.turned:
        return np.asarray(sweep.place - fit.tilt_rad)
    return np.asarray(np.arctan2(sweep.place - fit.centre_m, fit.closest_m) - fit.tilt_rad)
