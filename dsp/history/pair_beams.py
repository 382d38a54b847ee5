"""What a pair of faces sends to an angle and hears from it, out and back."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from dsp.arguments import read_only, require_positive, require_within
from dsp.physics.beams import beam_amplitude


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BeamSetting:
    """What is known of the bench before the fit.

    Attributes
    ----------
    shape : {"piston", "line"}
        Of both faces, which are alike. A line lies along the way.
    sound_speed_m_s : float
    frequency_hz, share : ndarray of float64, shape (bands,)
        Parts of the pulse's band, and each one's share of an echo's peak; the shares
        sum to 1.
    absorption_db_m : ndarray of float64, shape (bands,)
        Of each part: what is left of a wide band is lower after a long way.
    baseline_m : float
        From source to receiver.
    beside : bool
        Whether source and receiver stand along the way, rather than square to it.
    """

    shape: str
    sound_speed_m_s: float
    frequency_hz: NDArray[np.float64]
    share: NDArray[np.float64]
    absorption_db_m: NDArray[np.float64]
    baseline_m: float = 0.0
    beside: bool = True

    def __post_init__(self) -> None:
        size = np.asarray(self.frequency_hz).size
        for name in ("frequency_hz", "share", "absorption_db_m"):
            values = read_only(getattr(self, name), np.float64, ndmin=1)
            if values.shape != (size,):
                raise ValueError(f"{name}: found shape {values.shape}; give ({size},)")
            object.__setattr__(self, name, values)
        require_positive("sound_speed_m_s", self.sound_speed_m_s, "m/s")
        require_positive("frequency_hz", self.frequency_hz, "Hz")
        require_within("baseline_m", self.baseline_m, 0, math.inf, "m")
        require_within("absorption_db_m", self.absorption_db_m, 0, math.inf, "dB/m")

    @property
    def wavelength_m(self) -> float:
        """At the centre of gravity of the band."""
        return self.sound_speed_m_s / float(self.share @ self.frequency_hz)


def far_field_from_m(radius_m: float, wavelength_m: float) -> float:
    """Range of a piston from which a sweep shows its far-field beam, to about 1 % in angle.

    The larger of 2 a²/λ and 8 a. Nearer, the half-power cone of a round trip to a point is
    wider than far off: by 10 % at a²/λ and 2.5 % at 2 a²/λ for ka = 15, and by
    0.6 (a/range)² further out.

    Raises
    ------
    ValueError
        Where an argument is not above zero.

    References
    ----------
    Computed by summing the disc's pressure over its face (Rayleigh's integral).
    """
    require_positive("radius_m", radius_m, "m")
    require_positive("wavelength_m", wavelength_m, "m")
    return max(2 * radius_m**2 / wavelength_m, 8 * radius_m)


def two_way_amplitude(
    setting: BeamSetting,
    size_m: float,
    out_rad: NDArray[np.float64],
    back_rad: NDArray[np.float64],
    path_m: ArrayLike = 0.0,
) -> NDArray[np.float64]:
    """Amplitude of an echo after beam and absorption, over the pulse's whole band.

    Parameters
    ----------
    setting : BeamSetting
    size_m : float
    out_rad, back_rad : ndarray of float64, shape (angles,)
        From the axes of source and receiver.
    path_m : array_like
        Out and back.

    Returns
    -------
    ndarray of float64, shape (angles,)
        1 on the axis without absorption; at least 0, as an envelope has no sign.
    """
    path = np.asarray(path_m, dtype=np.float64)
    # A row for each frequency.
    column = (-1, *(1,) * out_rad.ndim)
    wavelength_m = (setting.sound_speed_m_s / setting.frequency_hz).reshape(column)
    out = beam_amplitude(setting.shape, size_m, wavelength_m, out_rad)
    # A pair that stands square to the way sees the target alike: half the work.
    alike = back_rad is out_rad
    back = out if alike else beam_amplitude(setting.shape, size_m, wavelength_m, back_rad)
    absorbed = 10 ** (-setting.absorption_db_m.reshape(column) * path / 20)
    heard = setting.share.reshape(column) * out * back * absorbed
    # One row after the other, so that a sum does not hang on how many angles there are.
    total = np.zeros(out_rad.shape)
    for row in heard:
        total += row
    return np.abs(total)


def pair_pattern(
    setting: BeamSetting, size_m: float, angle_rad: NDArray[np.float64], range_m: float
) -> NDArray[np.float64]:
    """Amplitude that a pair hears of a target on an arc, re straight ahead on the same arc.

    Near by, each face of a pair that stands apart sees the target beside its own axis.

    Parameters
    ----------
    setting : BeamSetting
    size_m : float
    angle_rad : ndarray of float64, shape (angles,)
        From the pair's axis, in the plane of the way.
    range_m : float

    Returns
    -------
    ndarray of float64, shape (angles,)
    """

    def heard(angle: NDArray[np.float64]) -> NDArray[np.float64]:
        sight = sight_of(setting, range_m * np.sin(angle), range_m * np.cos(angle), 0.0)
        found = two_way_amplitude(
            setting, size_m, sight.out_rad, sight.back_rad, sight.out_m + sight.back_m
        )
        return np.asarray(found / (sight.out_m * sight.back_m))

    return np.asarray(heard(angle_rad) / heard(np.zeros(1)))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sight:
    """How source and receiver see a target: angles off their axes, and ways."""

    out_rad: NDArray[np.float64]
    back_rad: NDArray[np.float64]
    out_m: NDArray[np.float64]
    back_m: NDArray[np.float64]


def sight_of(
    setting: BeamSetting,
    across_m: NDArray[np.float64],
    ahead_m: NDArray[np.float64],
    tilt_rad: float,
) -> Sight:
    """Return how a pair, its axis turned by a tilt, sees a target on its way."""
    half_m = setting.baseline_m / 2
    angles, ways = [], []
    for side in (-half_m, half_m):
        x = across_m - side if setting.beside else across_m
        y = np.zeros_like(x) if setting.beside else np.full_like(x, -side)
        # Turned about the upright, so that the axis is ahead.
        along = x * math.sin(tilt_rad) + ahead_m * math.cos(tilt_rad)
        off = x * math.cos(tilt_rad) - ahead_m * math.sin(tilt_rad)
        if setting.shape == "line":
            angles.append(np.arctan2(off, np.hypot(along, y)))
        else:
            angles.append(np.arctan2(np.hypot(off, y), along))
        ways.append(np.sqrt(x**2 + y**2 + ahead_m**2))
    if half_m == 0 or not setting.beside:
        angles[1] = angles[0]  # one pattern then serves both ways
    return Sight(out_rad=angles[0], back_rad=angles[1], out_m=ways[0], back_m=ways[1])


def together(sights: Sequence[Sight]) -> Sight:
    """Return sights of as many places as one, a row for each."""
    out_rad = np.stack([sight.out_rad for sight in sights])
    alike = all(sight.back_rad is sight.out_rad for sight in sights)
    return Sight(
        out_rad=out_rad,
        back_rad=out_rad if alike else np.stack([sight.back_rad for sight in sights]),
        out_m=np.stack([sight.out_m for sight in sights]),
        back_m=np.stack([sight.back_m for sight in sights]),
    )
