"""How a plan's pings stand to each other along a straight way, and the face that sends them."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from dsp.history import focus_limits
from dsp.history.focus_limits import Face
from dsp.history.focusing import StraightWay
from rig.errors import RecordingError
from rig.measure.beam.setting import setting_of
from rig.run.receiver import Receiver

_NEARLY = 0.95
"""Pings that leave so much of the beam's sine leave all of it that is heard."""


def too_seldom(spaced_rad: float, beam_rad: float) -> bool:
    """Say whether pings are so far apart that less than the beam is added up."""
    return math.sin(spaced_rad) < _NEARLY * math.sin(beam_rad)


def face_of(receiver: Receiver) -> Face:
    """Return the plan's face, and the frequencies that stand for its pulse."""
    setting, its = setting_of(receiver), receiver.plan.transducer
    return Face(
        shape=its.shape,
        size_m=its.size_m,
        frequency_hz=setting.frequency_hz,
        share=setting.share,
    )


def way_of(receiver: Receiver, speed_m_s: float, *, beside: bool = True) -> StraightWay:
    """Return how a plan's pings stand to each other at a speed along the way.

    Raises
    ------
    RecordingError
        Where phases mean nothing, without which nothing can be brought into focus.
    """
    plan, shape = receiver.plan, receiver.shape
    if plan.timing.band_sampling or receiver.info.edge_step_s is not None:
        raise RecordingError(
            "focus: found a device that hands on no phase of its echoes (edge times, or a band "
            "folded down); record with samples of the whole band"
        )
    face = face_of(receiver)
    interval_s = plan.interval_samples / receiver.info.sample_rate_hz
    beam_rad = focus_limits.beam_limit_rad(face, receiver.wavelength_m)
    spaced_rad = focus_limits.sampling_limit_rad(speed_m_s * interval_s, receiver.wavelength_m)
    return StraightWay(
        speed_m_s=speed_m_s,
        interval_s=interval_s,
        sound_speed_m_s=receiver.sound_speed_m_s,
        baseline_m=plan.geometry.baseline_m,
        along_baseline=1.0 if beside else 0.0,
        pulse_s=plan.pulse.duration_s,
        coupling_s=plan.pulse.coupling_s,
        bin_s=shape.bin_s,
        carrier_hz=shape.carrier_hz,
        centre_hz=shape.centre_hz,
        half_angle_rad=min(beam_rad, spaced_rad),
    )


def all_ahead_m(way: StraightWay, range_m: float) -> NDArray[np.float64]:
    """Return where a point stands ahead in all pings of a long way past it."""
    count = math.ceil(2 * range_m / way.spacing_m)
    return np.asarray(np.arange(-count, count + 1) * way.spacing_m)
