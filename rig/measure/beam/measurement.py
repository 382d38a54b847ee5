"""A beam measured from the pings of one sweep, with its uncertainties."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from dsp.history import beam_fits
from dsp.history.beam_fits import BeamFit
from dsp.history.disc_beams import fit_near_beam
from dsp.history.pair_beams import BeamSetting
from dsp.physics import beams
from rig.errors import RecordingError
from rig.measure.beam.cautions import cautions_of
from rig.measure.beam.heard import HeardSweep
from rig.measure.beam.moved import SteadyPass, Stops
from rig.measure.beam.setting import setting_of
from rig.run.receiver import Receiver
from rig.run.results import PingResult
from rig.run.run import Run
from rig.run.stacking import stacked_as_asked


@dataclass(frozen=True, slots=True, kw_only=True)
class BeamMeasurement:
    """A beam as it was measured.

    Attributes
    ----------
    fit : BeamFit
        With the shape that the plan names; its uncertainties are those of noise and
        scatter alone.
    other : BeamFit or None
        The same with the other shape; None where that cannot be fitted.
    setting : BeamSetting
    moved : str
        How the target was moved: "pass", "slide" or "turntable".
    u_half_power_rad, u_tilt_rad, u_size_m, u_closest_m : float
        Standard uncertainties with all terms.
    terms : tuple of (str, float)
        What makes up `u_half_power_rad`, each in radians.
    closest_time_s : float or None
        When the sound met it there, from the first ping, of a pass.
    planned_size_m : float
        What the plan says the face measures.
    pings, echoes, missing, left_out : int
        Pings of the sweep; those with the target's echo, those where it stayed below the
        threshold, and those that were lost, clipped or torn by discs nearby.
    cautions : tuple of str
        What speaks against these numbers.
    """

    fit: BeamFit
    other: BeamFit | None
    setting: BeamSetting
    moved: str
    u_half_power_rad: float
    u_tilt_rad: float
    u_size_m: float
    u_closest_m: float
    terms: tuple[tuple[str, float], ...]
    closest_time_s: float | None
    planned_size_m: float
    pings: int
    echoes: int
    missing: int
    left_out: int
    cautions: tuple[str, ...]

    @property
    def near_field_m(self) -> float | None:
        """Range a²/λ of a piston of the fitted radius; None for a line."""
        if self.fit.shape != "piston":
            return None
        return beams.near_field_m(self.fit.size_m, self.setting.wavelength_m)


def beam_of(
    run: Run,
    moved: SteadyPass | Stops,
    *,
    beside: bool = True,
    from_m: float = 0.0,
    to_m: float = math.inf,
) -> BeamMeasurement:
    """Measure a beam from a run that is one sweep; parameters as for :func:`measure_beam`.

    Each ping counts by itself, whatever the plan adds up: what moves is smeared by it.
    """
    return measure_beam(
        run.receiver, run.once(_one_by_one), moved, beside=beside, from_m=from_m, to_m=to_m
    )


def _one_by_one(run: Run) -> Sequence[PingResult]:
    if run.plan.receiver.stack == 1:
        return run.results
    own = map(_alone, run.results)
    return list(stacked_as_asked(run.receiver, own, depth=run.plan.pulses_per_cycle))


def _alone(ping: PingResult) -> PingResult:
    """Return a ping with its own profile, and what was heard in that."""
    if (heard := ping.heard) is None:
        return ping
    return dataclasses.replace(
        ping, profile=ping.alone, echoes=heard.echoes, threshold=heard.threshold
    )


def measure_beam(
    receiver: Receiver,
    results: Iterable[PingResult],
    moved: SteadyPass | Stops,
    *,
    beside: bool = True,
    from_m: float = 0.0,
    to_m: float = math.inf,
) -> BeamMeasurement:
    """Measure a beam from the pings of one sweep.

    Parameters
    ----------
    receiver : Receiver
    results : iterable of PingResult
        Not stacked.
    moved : SteadyPass or Stops
    beside : bool
        Whether source and receiver stand along the way, rather than one way square to it.
    from_m, to_m : float
        The target's echo is the strongest between these ranges.

    Raises
    ------
    RecordingError
        Where the pings do not show a beam; the message says what is missing.
    """
    heard = HeardSweep(receiver, results, moved, from_m, to_m)
    setting = setting_of(receiver, beside=beside)
    u_zero_m = moved.u_zero_m if isinstance(moved, Stops) else math.inf
    try:
        sweep = heard.sweep()
        fit, fitted = fit_near_beam(
            sweep, setting, size_m=receiver.plan.transducer.size_m, u_centre_m=u_zero_m
        )
    except ValueError as problem:
        raise RecordingError(f"the beam cannot be fitted: {problem}") from problem
    if np.abs(fit.angle_rad).min() > fit.half_power_rad:
        raise RecordingError(
            "the beam cannot be fitted: the echoes do not rise and fall as those of a target "
            f"that crosses it, and come from about {fit.closest_m:.3g} m; leave other things "
            "out with --from-m and --to-m"
        )
    other = dataclasses.replace(setting, shape="line" if setting.shape == "piston" else "piston")
    try:
        other_fit = beam_fits.fit_beam(fitted, other, u_centre_m=u_zero_m)
    except ValueError:
        other_fit = None
    measured = _measurement(receiver, moved, heard, setting, fit, other_fit)
    if 2 * measured.u_half_power_rad >= fit.half_power_rad:
        raise RecordingError(
            "the beam cannot be fitted: the echoes hardly weaken along the way, so that the "
            "half-power angle may be any; move the target from outside the cone to outside it"
        )
    return measured


def _measurement(
    receiver: Receiver,
    moved: SteadyPass | Stops,
    heard: HeardSweep,
    setting: BeamSetting,
    fit: BeamFit,
    other: BeamFit | None,
) -> BeamMeasurement:
    speed_share = receiver.u_sound_speed_m_s / receiver.sound_speed_m_s
    terms = [("noise and scatter of the levels, and of the ranges", fit.u_half_power_rad)]
    # An angle is an offset over a range. An error common to all scales it.
    slope_rad = math.sin(2 * fit.half_power_rad) / 2
    size_shares = [fit.u_size_m / fit.size_m, speed_share]
    if isinstance(moved, SteadyPass):
        kind = "pass"
        share = moved.u_speed_m_s / moved.speed_m_s
        terms.append(("speed of the target", slope_rad * share))
        size_shares.append(share)
    else:
        kind = "turntable" if moved.turned else "slide"
    scale = 0.0
    if kind != "turntable":
        terms.append(("sound speed, through the range", slope_rad * speed_share))
        size_shares[1] = 2 * speed_share  # through the range and through the wavelength
        scale = math.hypot(*(u for _, u in terms[1:])) / slope_rad
    return BeamMeasurement(
        fit=fit,
        other=other,
        setting=setting,
        moved=kind,
        u_half_power_rad=math.hypot(*(u for _, u in terms)),
        u_tilt_rad=math.hypot(fit.u_tilt_rad, fit.tilt_rad * scale),
        u_size_m=fit.size_m * math.hypot(*size_shares),
        u_closest_m=math.hypot(fit.u_closest_m, fit.closest_m * speed_share),
        terms=tuple(terms),
        closest_time_s=fit.centre_m / moved.speed_m_s if isinstance(moved, SteadyPass) else None,
        planned_size_m=receiver.plan.transducer.size_m,
        pings=heard.pings,
        echoes=int(np.count_nonzero(np.isfinite(fit.level_db))),
        missing=int(np.count_nonzero(np.isnan(fit.level_db))),
        left_out=heard.pings - fit.level_db.size,
        cautions=tuple(cautions_of(heard, setting, fit, other)),
    )
