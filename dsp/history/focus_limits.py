"""How fine a focus can be: what the face, the pulse and the pings' spacing leave of a point.

References
----------
L. J. Cutrona, "Comparison of sonar system performance achievable using synthetic-aperture
techniques with the performance achievable by more conventional means", *J. Acoust. Soc. Am.*
58, 1975, pp. 336–348 (cited from memory): half the face along the way, whatever the range,
and a ping every half face.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.arguments import require_positive
from dsp.history.focusing import WIDEST_RAD, StraightWay
from dsp.physics.beams import beam_amplitude, first_null_rad
from dsp.physics.discs import disc_points_from_m

_U_SPEED_AT_POINTS = 0.01
"""Share of itself by which a speed is unsure where a disc just becomes a point, falling by the
fourth power of the range. By sums over a disc's elements, a chirp of 120 kHz ± 40 kHz before one of
15 mm radius comes out 0.6 % too slow at 12 a²/λ, 0.13 % at 17, and 0.001 % at 33."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Face:
    """What sends and hears, and the few frequencies that stand for its pulse.

    Attributes
    ----------
    shape : {"piston", "line"}
    size_m : float
        Radius of a piston, length of a line.
    frequency_hz, share : ndarray of float64, shape (frequencies,)
        Of the compressed pulse; the shares add up to 1.
    """

    shape: str
    size_m: float
    frequency_hz: NDArray[np.float64]
    share: NDArray[np.float64]

    @property
    def along_m(self) -> float:
        """Its size along the way: a disc's diameter."""
        return 2 * self.size_m if self.shape == "piston" else self.size_m


def finest_along_m(face: Face) -> float:
    """Half of the face along the way: two places so far apart are told from each other.

    Whatever the range: farther off the beam is wider, and so is the aperture that it lights.
    """
    return face.along_m / 2


def beam_limit_rad(face: Face, wavelength_m: float) -> float:
    """Angle from the axis up to which a beam lights a place: its first null, or 60°."""
    return min(first_null_rad(face.shape, face.size_m, wavelength_m), WIDEST_RAD)


def sampling_limit_rad(spacing_m: float, wavelength_m: float) -> float:
    """Angle beyond which pings so far apart cannot tell one place from another.

    From ping to ping the path to a place at θ changes by 2 d sin θ; by more than half a wave
    it looks like that of another place. π/2 where they are a quarter wave apart, or less.
    """
    require_positive("spacing_m", spacing_m, "m")
    require_positive("wavelength_m", wavelength_m, "m")
    return math.asin(min(1.0, wavelength_m / (4 * spacing_m)))


def point_from_m(face: Face, wavelength_m: float) -> float:
    """Range from which on a face is a point to what it hears; 0 for a line, along its own plane."""
    if face.shape != "piston":
        return 0.0
    return disc_points_from_m(face.size_m, wavelength_m)


def u_speed_by_face(face: Face, wavelength_m: float, range_m: float) -> float:
    """Return what a speed by sharpness is unsure by, as a share, since a face is no true point."""
    return _U_SPEED_AT_POINTS * (point_from_m(face, wavelength_m) / range_m) ** 4


def copies_aside_m(spacing_m: float, wavelength_m: float, range_m: float) -> float | None:
    """How far to each side of a place its first copy stands; None where there can be none."""
    sine = wavelength_m / (2 * spacing_m)
    return None if sine >= 1 else range_m * math.tan(math.asin(sine))


def point_response(
    face: Face,
    way: StraightWay,
    ahead_m: NDArray[np.float64],
    range_m: float,
    aside_m: NDArray[np.float64],
    *,
    tried_m_s: float | None = None,
) -> NDArray[np.float64]:
    """Return what a lone point comes to, beside its place, by the pings that heard it.

    Parameters
    ----------
    face : Face
    way : StraightWay
    ahead_m : ndarray of float64, shape (pings,)
        How far ahead the point stood as each ping left.
    range_m : float
    aside_m : ndarray of float64, shape (places,)
        Along the way, from the point.
    tried_m_s : float, optional
        The speed at which it is focused, where that is another than the way's own.

    Returns
    -------
    ndarray of float64, shape (places,)
        Magnitude, 1 for pings that all hear it as on the axis.
    """
    pings = _beams(face, way, ahead_m, range_m)
    true_s, _, _ = way.delays_s(ahead_m, range_m)
    tried = way if tried_m_s is None else way.at_speed(tried_m_s)
    so_far = tried.speed_m_s / way.speed_m_s * ahead_m
    tried_s, _, seen_m = tried.delays_s(so_far + aside_m[:, np.newaxis], range_m)
    within = np.abs(seen_m) <= range_m * math.tan(tried.half_angle_rad)
    away_s = np.where(within, tried_s - true_s, 0.0)
    total = np.zeros(aside_m.size, dtype=np.complex128)
    for frequency_hz, share, heard in zip(face.frequency_hz, face.share, pings, strict=True):
        turned = np.where(within, np.exp(2j * np.pi * frequency_hz * away_s), 0)
        total += share * (turned @ heard)
    return np.asarray(np.abs(total) / max(ahead_m.size, 1))


def half_power_width_m(
    place_m: NDArray[np.float64], magnitude: NDArray[np.float64]
) -> float | None:
    """Full width of the highest lobe at half its power; None where it does not fall so far.

    Parameters
    ----------
    place_m, magnitude : ndarray of float64, shape (places,)
        Places rising.

    Examples
    --------
    >>> x = np.linspace(-2, 2, 401)
    >>> round(half_power_width_m(x, np.abs(np.sinc(x))), 3)
    0.886
    """
    top = int(np.argmax(magnitude))
    level = magnitude[top] * math.sqrt(0.5)
    below = np.flatnonzero(magnitude < level)
    left, right = below[below < top], below[below > top]
    if not left.size or not right.size:
        return None
    ends = []
    for outer, inner in ((left[-1], left[-1] + 1), (right[0], right[0] - 1)):
        part = (level - magnitude[outer]) / (magnitude[inner] - magnitude[outer])
        ends.append(place_m[outer] + part * (place_m[inner] - place_m[outer]))
    return float(ends[1] - ends[0])


def point_width_m(
    face: Face,
    way: StraightWay,
    ahead_m: NDArray[np.float64],
    range_m: float,
    *,
    tried_m_s: float | None = None,
) -> float | None:
    """Half-power width along the way that a lone point is to have; None where it has none.

    By the beam alone it is a little more than half of :func:`finest_along_m`; by a short
    recording, pings far apart or a narrower aperture it is more.

    Parameters
    ----------
    face : Face
    way : StraightWay
    ahead_m : ndarray of float64, shape (pings,)
        As for :func:`point_response`.
    range_m, tried_m_s : float
        As there.
    """
    if ahead_m.size < 2:
        return None
    _, _, aside_m = way.delays_s(ahead_m, range_m)
    sines = np.sin(np.arctan2(aside_m, range_m))
    # The first nulls of an even aperture, beyond which no width of half power reaches.
    reach_m = way.wavelength_m / max(float(np.ptp(sines)), 1e-3)
    if tried_m_s is not None:
        # So far the ends of the aperture, focused too steeply or too flat, miss the middle.
        reach_m += abs(tried_m_s / way.speed_m_s - 1) * float(np.ptp(aside_m))
    place_m = np.linspace(-reach_m, reach_m, 81)
    response = point_response(face, way, ahead_m, range_m, place_m, tried_m_s=tried_m_s)
    return half_power_width_m(place_m, response)


def copies_db(
    face: Face, way: StraightWay, ahead_m: NDArray[np.float64], range_m: float
) -> float | None:
    """How strong a point's first copies are, dB re the point itself; None without any.

    `ahead_m` are those of all pings, also from beyond the angle that is added up: what they
    hear of a point is what falls into its copies.
    """
    aside = copies_aside_m(way.spacing_m, way.wavelength_m, range_m)
    if aside is None:
        return None
    # A wide band smears a copy: each frequency has its own a little elsewhere.
    tried_m = np.linspace(0.5 * aside, 1.6 * aside, 120)
    copies = point_response(face, way, ahead_m, range_m, np.concatenate([-tried_m, tried_m]))
    own = point_response(face, way, ahead_m, range_m, np.zeros(1))
    return 20 * math.log10(max(float(copies.max()) / float(own[0]), 1e-10))


def _beams(
    face: Face, way: StraightWay, ahead_m: NDArray[np.float64], range_m: float
) -> NDArray[np.float64]:
    """Return how strongly each ping hears the point at each frequency, (frequencies, pings)."""
    _, _, aside_m = way.delays_s(ahead_m, range_m)
    angle_rad = np.arctan2(aside_m, range_m)
    wavelength_m = way.sound_speed_m_s / face.frequency_hz
    level = beam_amplitude(
        face.shape, face.size_m, wavelength_m[:, np.newaxis], angle_rad[np.newaxis], ways=2
    )
    # Out and back the sound thins out with the range itself.
    return np.asarray(level * np.cos(angle_rad) ** 2)
