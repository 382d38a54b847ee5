"""Beams and resonances of the transducers' faces."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from rig.tank.scene import Transducer


def axis_of(face: Transducer) -> NDArray[np.float64]:
    """Return the unit vector, along, across and up, to which a face looks."""
    tilt = math.radians(face.tilt_deg)
    return np.array([math.cos(tilt), 0.0, math.sin(tilt)])


def beam(
    face: Transducer,
    frequency_hz: NDArray[np.float64],
    direction: NDArray[np.float64],
    sound_speed_m_s: float,
) -> NDArray[np.float64]:
    """Sound that a face sends to, or takes from, some directions; 1 on the axis.

    A piston in a wall and an upright line, both far away; side lobes alternate in
    sign. Nothing goes out behind the wall.

    Parameters
    ----------
    face : Transducer
    frequency_hz : ndarray, shape (bins,)
    direction : ndarray, shape (paths, 3)
        Unit vectors away from the face.
    sound_speed_m_s : float

    Returns
    -------
    ndarray of float64, shape (paths, bins)

    References
    ----------
    L. E. Kinsler et al., *Fundamentals of Acoustics*, 4th ed., 2000, chapter 7:
    2 J₁(ka sinθ) / (ka sinθ), and sin(x)/x with x = ½kL sinθ.
    """
    cosine = direction @ axis_of(face)
    wave_number = 2 * np.pi * frequency_hz / sound_speed_m_s
    if face.shape == "piston":
        from scipy.special import j1

        sine = np.sqrt(np.clip(1 - cosine**2, 0, None))
        x = np.maximum(np.multiply.outer(face.radius_m * sine, wave_number), 1e-9)
        pattern = j1(x)
        pattern *= 2
        pattern /= x
    elif face.shape == "line":
        tilt = math.radians(face.tilt_deg)
        upright = np.array([-math.sin(tilt), 0.0, math.cos(tilt)])
        pattern = np.sinc(face.length_m * np.outer(direction @ upright, wave_number) / (2 * np.pi))
    else:
        return np.ones((cosine.size, frequency_hz.size))
    pattern[cosine < -1e-9] = 0.0
    return np.asarray(pattern)


def resonance(face: Transducer, frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Answer of a damped mass on a spring; 1 at its resonance, or all over without one."""
    if face.resonance_hz == 0:
        return np.ones(frequency_hz.size, dtype=np.complex128)
    quality = face.resonance_hz / face.bandwidth_hz
    ratio = np.maximum(frequency_hz, 1e-9) / face.resonance_hz
    return np.asarray(1 / (1 + 1j * quality * (ratio - 1 / ratio)))
