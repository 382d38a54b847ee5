"""Levels of echoes: how sure they are, and what theory says of a bench's own."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from dsp.history.pair_beams import pair_pattern, two_way_amplitude
from rig.measure.beam.setting import setting_of
from rig.run.receiver import Receiver
from rig.run.results import Echo

CREEPING_DB = 0.4 / math.sqrt(3)
"""The wave that creeps around a hard ball of 5 waves around or more changes its echo by up to
0.4 dB (Anderson's series, computed with scipy); any part of that is as likely."""

NEPER_DB = 20 / math.log(10)
"""What a small share of an amplitude is in decibels: so much for each whole of it."""


_LEFT_BEHIND = 1e-3
"""So much of an echo's amplitude may be the direct sound's side lobes, taken away but for this (as
seen in the virtual tank; no source)."""


def u_level_db(echo: Echo) -> float:
    """Return the standard uncertainty of an echo's level.

    1/√(2E/N0) of its amplitude, and what is left under it of stronger sounds.
    """
    return NEPER_DB * math.hypot(10 ** (-echo.snr_db / 20), _LEFT_BEHIND)


def ahead_db(receiver: Receiver, range_m: ArrayLike) -> NDArray[np.float64]:
    """Level of an echo from straight ahead, less source level and target strength, dB.

    Spreading out and back, absorption, and what each face of a pair that stands apart
    loses by looking past the target.

    Parameters
    ----------
    receiver : Receiver
    range_m : array_like, shape (ranges,)
        From midway between source and receiver.
    """
    half_m = receiver.plan.geometry.baseline_m / 2
    ahead_m = np.atleast_1d(np.asarray(range_m, dtype=np.float64))
    way_m, beside_rad = np.hypot(ahead_m, half_m), np.arctan2(half_m, ahead_m)
    size_m = receiver.plan.transducer.size_m
    heard = two_way_amplitude(setting_of(receiver), size_m, beside_rad, beside_rad, 2 * way_m)
    return np.asarray(20 * np.log10(heard / way_m**2))


def beside_db(receiver: Receiver, angle_rad: ArrayLike, range_m: float) -> NDArray[np.float64]:
    """Level of an echo from beside the axis, re straight ahead at the same range, dB.

    By the formula for the plan's face, out and back.

    Parameters
    ----------
    receiver : Receiver
    angle_rad : array_like, shape (angles,)
        From the axis, towards source or receiver.
    range_m : float
    """
    angles = np.atleast_1d(np.asarray(angle_rad, dtype=np.float64))
    size_m = receiver.plan.transducer.size_m
    pattern = pair_pattern(setting_of(receiver), size_m, angles, range_m)
    return np.asarray(20 * np.log10(np.maximum(pattern, 1e-6)))
