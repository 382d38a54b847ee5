"""Where a plan's discs are no points, and what they then do to echoes."""

from __future__ import annotations

import functools
import math

import numpy as np

from dsp.history.beam_fits import BeamSetting
from dsp.history.disc_arches import DiscArch, disc_arch
from dsp.physics.discs import disc_points_from_m
from rig.measure.beam.setting import setting_of
from rig.run.receiver import Receiver

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
