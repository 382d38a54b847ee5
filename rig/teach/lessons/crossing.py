"""A target that was drawn across the beam: how wide the cone was, and how often it was hit."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from dsp.physics.beams import half_power_half_angle_rad
from rig.errors import LessonError, NotHeardError, RecordingError
from rig.measure.beam.measurement import BeamMeasurement, measure_beam
from rig.measure.beam.moved import SteadyPass
from rig.measure.beam.setting import setting_of
from rig.run.receiver import Receiver
from rig.teach.lessons.lesson import Given, StepHeard

U_COUNT = math.sqrt(1 / 6)
"""Standard uncertainty of a count. A stretch of n + f spacings holds n marks or n + 1, the
latter with the chance f: the variance f (1 − f) is 1/6 on average."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Crossing:
    """What one pass showed of the cone.

    Attributes
    ----------
    beam : BeamMeasurement
    chord_m, u_chord_m : float
        Length of the way from half power to half power, out and back.
    hits : int
        Pings that heard the target on that length.
    u_hits : float
    """

    beam: BeamMeasurement
    chord_m: float
    u_chord_m: float
    hits: int
    u_hits: float

    @property
    def half_angle_rad(self) -> float:
        """From the axis to the cone's edge."""
        return self.beam.fit.half_power_rad

    @property
    def u_by_noise_rad(self) -> float:
        """Standard uncertainty of the half angle, without what a wrong speed does to it."""
        return self.beam.fit.u_half_power_rad


def crossing_of(
    heard: StepHeard, closest: Given, speed: Given, *, every: int = 1, within: float = 0.15
) -> Crossing:
    """Measure the cone by a target that was drawn across it.

    Parameters
    ----------
    heard : StepHeard
        Of a step that does not stack.
    closest : Given
        Distance at which the target crosses the axis.
    speed : Given
        At which it was drawn.
    every : int
        Use only every so many pings, as if the pings had come more slowly.
    within : float
        The target's echo lies within this share of the distance.

    Raises
    ------
    NotHeardError
        Where the pings do not show such a pass.
    LessonError
        Where the distance or the speed is not above zero.
    """
    for given in (closest, speed):
        if given.value <= 0:
            raise LessonError(f"{given.name}: found {given.value:g}; give a number above 0")
    try:
        beam = measure_beam(
            heard.receiver,
            heard.run.results[::every],
            SteadyPass(speed_m_s=speed.value, u_speed_m_s=speed.u_value),
            from_m=(1 - within) * closest.value,
            # The arch sinks away towards its feet.
            to_m=(1 + 2 * within) * closest.value,
        )
    except RecordingError as problem:
        raise NotHeardError(
            f"step {heard.step.name}: {problem}; draw the ball through the axis "
            f"{closest.value:.3g} m away, straight and evenly, starting and ending outside the cone"
        ) from problem
    fit = beam.fit
    low, high = fit.tilt_rad - fit.half_power_rad, fit.tilt_rad + fit.half_power_rad
    chord_m = fit.closest_m * (math.tan(high) - math.tan(low))
    # What a wrong speed does to the angle is among the angle's terms.
    share = 2 * beam.u_half_power_rad / math.sin(2 * fit.half_power_rad)
    inside = np.abs(fit.angle_rad) <= fit.half_power_rad
    hits = int(np.count_nonzero(inside & np.isfinite(fit.level_db)))
    # Pings that met it there and told no echo of it: something else stood in front.
    hidden = int(np.count_nonzero(inside)) - hits
    by_width = hits * 2 * fit.u_half_power_rad / math.sin(2 * fit.half_power_rad)
    return Crossing(
        beam=beam,
        chord_m=chord_m,
        u_chord_m=chord_m * share,
        hits=hits,
        # A lost ping was a hit, or was none.
        u_hits=math.hypot(U_COUNT, by_width, beam.left_out / 2, hidden),
    )


def cone_of(receiver: Receiver) -> tuple[float, float]:
    """Return where the cone's edge is by the formula for a plan's face and pulse.

    Returns
    -------
    half_angle_rad, u_half_angle_rad : float
        From the axis to half power, out and back; as unsure as the plan's sound speed.

    Raises
    ------
    NotHeardError
        Where the face is so small that it has no cone.
    """
    face, wavelength_m = receiver.plan.transducer, setting_of(receiver).wavelength_m
    half_rad = half_power_half_angle_rad(face.shape, face.size_m, wavelength_m)
    if half_rad >= math.radians(60):
        raise NotHeardError(
            f"a face of {1e3 * face.size_m:.3g} mm with a wave of {1e3 * wavelength_m:.3g} mm "
            "sends nearly everywhere; take a larger face or a higher frequency"
        )
    # sin θ goes with the wave's length, and so with the sound speed.
    share = receiver.u_sound_speed_m_s / receiver.sound_speed_m_s
    return half_rad, math.tan(half_rad) * share
