"""Strength as ink on paper: a map of one hue from near-white to near-black.

A straight line in CIELAB that keeps to one hue and runs away from the grey axis as
it darkens. Equal steps along it are equal steps of L* and equal colour differences,
so a step in dB looks the same anywhere. Its lightness alone carries the meaning: it
survives grey printing, a bright room and every colour vision.

References
----------
CIE 15:2004, *Colorimetry*, section 8.2.1 (CIELAB); IEC 61966-2-1:1999 (sRGB). Both
from memory.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

STEPS = 256

_PAPER_LIGHTNESS, _INK_LIGHTNESS = 98.0, 10.0
_PAPER_CHROMA, _INK_CHROMA = 1.0, 18.0
_HUE_RAD = math.radians(276.0)

_WHITE_XYZ = np.array([0.95047, 1.0, 1.08883])  # D65, the white of sRGB
_XYZ_TO_LINEAR_RGB = np.array(
    [
        [3.2404542, -1.5371385, -0.4985314],
        [-0.9692660, 1.8760108, 0.0415560],
        [0.0556434, -0.2040259, 1.0572252],
    ]
)


def strength_colours() -> NDArray[np.float64]:
    """Return the map from nothing to strongest.

    Returns
    -------
    ndarray of float64, shape (256, 3)
        sRGB from 0 to 1; row 0 is near-white, the last near-black.
    """
    share = np.linspace(0.0, 1.0, STEPS)
    lightness = _PAPER_LIGHTNESS + share * (_INK_LIGHTNESS - _PAPER_LIGHTNESS)
    chroma = _PAPER_CHROMA + share * (_INK_CHROMA - _PAPER_CHROMA)
    lab = np.column_stack([lightness, chroma * math.cos(_HUE_RAD), chroma * math.sin(_HUE_RAD)])
    return srgb_from_lab(lab)


def srgb_from_lab(lab: NDArray[np.float64]) -> NDArray[np.float64]:
    """Turn CIELAB (D65) into sRGB.

    Parameters
    ----------
    lab : ndarray, shape (colours, 3)
        L*, a*, b*.

    Returns
    -------
    ndarray of float64, shape (colours, 3)

    Raises
    ------
    ValueError
        Where a colour lies outside of what sRGB can show.
    """
    y = (lab[:, 0] + 16) / 116
    cube_roots = np.column_stack([y + lab[:, 1] / 500, y, y - lab[:, 2] / 200])
    linear_part = 3 * (6 / 29) ** 2 * (cube_roots - 4 / 29)
    xyz = np.where(cube_roots > 6 / 29, cube_roots**3, linear_part) * _WHITE_XYZ
    light = xyz @ _XYZ_TO_LINEAR_RGB.T
    # 1e-6: the matrix is rounded to seven digits, so white may overshoot by that.
    if light.min() < -1e-6 or light.max() > 1 + 1e-6:
        raise ValueError(
            f"lab: reaches {light.min():.3f} to {light.max():.3f} of sRGB's light; "
            "give colours that sRGB can show, of less chroma"
        )
    light = np.clip(light, 0.0, 1.0)
    return np.asarray(
        np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    )
