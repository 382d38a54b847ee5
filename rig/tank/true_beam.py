"""Where a scene's pair of faces really sends and hears: for who draws, not for the receiver."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.tank.faces import beam
from rig.tank.scene import Scene, Transducer

_ANGLES_RAD = np.radians(np.linspace(-90.0, 90.0, 3601))


@dataclass(frozen=True, slots=True, kw_only=True)
class TrueBeam:
    """The cone of half power out and back, of both faces together.

    Attributes
    ----------
    low_rad, high_rad : float
        Its edges in the upright plane through the axis, counted upwards from the axis;
        ±π/2 where it does not end ahead.
    across_rad : float
        From its middle to its edge on the left, and as far on the right.
    """

    low_rad: float
    high_rad: float
    across_rad: float


def true_beam(scene: Scene, frequency_hz: float) -> TrueBeam | None:
    """Return the cone of a scene's faces at a frequency.

    Returns
    -------
    TrueBeam or None
        None where the scene names no transducer: such a pair hears all round.
    """
    shared = scene.transducer or Transducer(shape="point")
    faces = (scene.source_transducer or shared, scene.receiver_transducer or shared)
    if all(face.shape == "point" for face in faces):
        return None
    nothing = np.zeros(_ANGLES_RAD.size)
    upright = np.stack([np.cos(_ANGLES_RAD), nothing, np.sin(_ANGLES_RAD)], axis=-1)
    low_rad, middle_rad, high_rad = _edges(faces, upright, frequency_hz, scene)
    # Across, the plane is tilted with the cone's middle.
    ahead = np.array([math.cos(middle_rad), 0.0, math.sin(middle_rad)])
    level = np.outer(np.cos(_ANGLES_RAD), ahead)
    level[:, 1] = np.sin(_ANGLES_RAD)
    _, _, across_rad = _edges(faces, level, frequency_hz, scene)
    return TrueBeam(low_rad=low_rad, high_rad=high_rad, across_rad=across_rad)


def _edges(
    faces: tuple[Transducer, Transducer],
    directions: NDArray[np.float64],
    frequency_hz: float,
    scene: Scene,
) -> tuple[float, float, float]:
    """Return where the two-way pattern falls to half power, and its strongest between."""
    frequency = np.array([frequency_hz])
    speed = scene.medium.sound_speed_m_s
    both = np.prod([beam(face, frequency, directions, speed)[:, 0] for face in faces], axis=0)
    power = both**2
    # A pattern as flat as a line's, all round, has its strongest in the middle.
    strong = np.flatnonzero(power >= power.max() * (1 - 1e-12))
    top = int(strong[strong.size // 2])
    weak = np.flatnonzero(power < power[top] / 2)
    below, above = weak[weak < top], weak[weak > top]
    half = power[top] / 2
    low_rad, high_rad = float(_ANGLES_RAD[0]), float(_ANGLES_RAD[-1])
    if below.size:
        low_rad = _crossing(int(below[-1]), 1, power, half)
    if above.size:
        high_rad = _crossing(int(above[0]), -1, power, half)
    return low_rad, float(_ANGLES_RAD[top]), high_rad


def _crossing(weak: int, towards: int, power: NDArray[np.float64], half: float) -> float:
    """Return where power is a half, between an angle where it is less and the next."""
    strong = weak + towards
    share = (half - power[weak]) / (power[strong] - power[weak])
    return float(_ANGLES_RAD[weak] + share * (_ANGLES_RAD[strong] - _ANGLES_RAD[weak]))
