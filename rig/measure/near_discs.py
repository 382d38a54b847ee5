"""Where a plan's discs are no points, and what they then do to echoes."""

from __future__ import annotations

import functools
import math

import numpy as np

from dsp.history.disc_arches import DiscArch, disc_arch
from dsp.history.pair_beams import BeamSetting
from dsp.physics.discs import disc_points_from_m
from dsp.ping.ranging import late_by_faces_m
from rig.measure.beam.setting import setting_of
from rig.run.receiver import Receiver

_U_RADIUS = 0.03
"""Share of itself to which a disc's effective radius is known (common practice, no source)."""

SLOW_AT_POINTS = 0.016
"""Share by which a straight way's speed comes out too low that passes just where discs become
points, fitted as of points by its echoes within half power each way; it falls by the square of
the range (computed from :func:`dsp.history.disc_arches.disc_arch`, as the tests have it)."""

LONG_WAVES = 3.0
"""From so many waves in an echo's lobe on, a way is fitted as of points to its echoes' phases: the
parts of a disc slow it by no more than :data:`SLOW_AT_POINTS` says (1 to 4 % where that says 2 to
5 %, by 64 passes in the tank), where noise moves the tops of such echoes by more than its rise."""

_STEPS = 200
"""To a factor of e in range: an arch changes by so small a part of itself from step to step."""


def arches_at(receiver: Receiver, range_m: float, *, scale: float = 1.0) -> tuple[DiscArch, ...]:
    """Return what the plan's discs do to a pass so near; none where they are points.

    Parameters
    ----------
    receiver : Receiver
    range_m : float
    scale : float
        Of the discs' radius as planned.

    Returns
    -------
    tuple of DiscArch
        For a way along the baseline and for one square to it; one where there is none.
    """
    face = receiver.plan.transducer
    if face.shape != "piston":
        return ()
    if range_m >= disc_points_from_m(face.radius_m, receiver.wavelength_m):
        return ()
    ways = (True, False) if receiver.plan.geometry.baseline_m > 0 else (True,)
    step = round(_STEPS * math.log(range_m))
    settings = [setting_of(receiver, beside=beside) for beside in ways]
    return tuple(_arch(_key_of(setting), scale * face.radius_m, step) for setting in settings)


def arches_of_pass(receiver: Receiver, range_m: float) -> tuple[DiscArch, ...]:
    """Return the arches by which a pass so near is fitted; none where it is fitted as of points."""
    return () if _is_long(receiver) else arches_at(receiver, range_m)


def _is_long(receiver: Receiver) -> bool:
    """Say whether a pulse's phases tell a way better than its tops, which discs' parts move."""
    return receiver.shape.width_s * receiver.centre_hz > LONG_WAVES


def on_axis_db(receiver: Receiver, range_m: float) -> tuple[float, float]:
    """Return what the plan's discs take off an echo from straight ahead, and its uncertainty.

    Returns
    -------
    loss_db : float
        Re points in their middles, out and back, where a pair stands apart by its parallax
        too; 0 where the discs are points.
    u_loss_db : float
        By their effective radius.
    """
    each, other = (arches_at(receiver, range_m, scale=s) for s in (1.0, 1 + _U_RADIUS))
    if not each:
        return 0.0, 0.0
    # Straight ahead, no way has a heading yet.
    return each[0].on_axis_db, abs(other[0].on_axis_db - each[0].on_axis_db)


def left_as_points(receiver: Receiver, range_m: float) -> tuple[float, float]:
    """Return what a pass is off by that is fitted as of points: further away, or of a long pulse.

    Parameters
    ----------
    receiver : Receiver
    range_m : float
        The nearest.

    Returns
    -------
    late_m : float
        By how much its range is too far, at most: the lag on the axis.
    slow : float
        Share by which its speed is too low. Both are 0 where it is fitted as of discs, and
        from twice as far on as discs are points, where they are below an eightieth of a wave
        and 0.4 %.
    """
    face = receiver.plan.transducer
    if face.shape != "piston":
        return 0.0, 0.0
    times = range_m / disc_points_from_m(face.radius_m, receiver.wavelength_m)
    if times >= 2 or (times < 1 and not _is_long(receiver)):
        return 0.0, 0.0
    return late_by_faces_m(range_m, face.mean_square_m2), SLOW_AT_POINTS / times**2


_Key = tuple[float, float, bool, tuple[float, ...], tuple[float, ...]]


def _key_of(setting: BeamSetting) -> _Key:
    """Return all of a setting that an arch depends on, so that it is worked out once."""
    return (
        setting.sound_speed_m_s,
        setting.baseline_m,
        setting.beside,
        tuple(setting.frequency_hz.tolist()),
        tuple(setting.share.tolist()),
    )


@functools.lru_cache(maxsize=256)
def _arch(key: _Key, radius_m: float, step: int) -> DiscArch:
    sound_speed_m_s, baseline_m, beside, frequency_hz, share = key
    setting = BeamSetting(
        shape="piston",
        sound_speed_m_s=sound_speed_m_s,
        frequency_hz=np.array(frequency_hz),
        share=np.array(share),
        absorption_db_m=np.zeros(len(share)),
        baseline_m=baseline_m,
        beside=beside,
    )
    return disc_arch(setting, radius_m, math.exp(step / _STEPS))
