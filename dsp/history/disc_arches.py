"""The arch that discs draw of what passes nearby: flatter than a point's, and soon torn."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from dsp.arguments import require_positive
from dsp.history.pair_beams import BeamSetting
from dsp.physics.discs import disc_response

CLEAR_LIKENESS = 0.7
"""Correlation with the pulse from which on an echo has one top, and its range is that of the
top: half of its energy is then a copy of the pulse."""

_HALF_POWER_DB = 10 * math.log10(2)
_PLACES = 49
_LAGS = 161


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DiscArch:
    """What the parts of a pair of discs do to the echoes of a target that passes them.

    Attributes
    ----------
    aside_m : ndarray of float64, shape (places,)
        Off the axis, from 0 on, as far as an echo is one copy of the pulse.
    late_m : ndarray of float64, shape (places,)
        By how much range the echo's top stands later than that of a point.
    level_db : ndarray of float64, shape (places,)
        Of the top, as of equal ranges, re the axis.
    rougher : ndarray of float64, shape (places,)
        By how much more noise moves that top than that of a copy of the pulse as high: it is
        blunter.
    on_axis_db : float
        Of the top on the pair's axis, re that of points in the discs' middles.
    """

    aside_m: NDArray[np.float64]
    late_m: NDArray[np.float64]
    level_db: NDArray[np.float64]
    rougher: NDArray[np.float64]
    on_axis_db: float

    def late_at_m(self, aside_m: ArrayLike) -> NDArray[np.float64]:
        """How late an echo stands from aside, as a range; beyond the last place as there."""
        return np.asarray(np.interp(np.abs(aside_m), self.aside_m, self.late_m))

    def level_at_db(self, aside_m: ArrayLike) -> NDArray[np.float64]:
        """How strong an echo is from aside, re the axis; beyond the last place as there."""
        return np.asarray(np.interp(np.abs(aside_m), self.aside_m, self.level_db))

    def rougher_at(self, aside_m: ArrayLike) -> NDArray[np.float64]:
        """How much rougher a range is from aside; beyond the last place as there."""
        return np.asarray(np.interp(np.abs(aside_m), self.aside_m, self.rougher))

    @property
    def weakest_db(self) -> float:
        """Level, re the axis, down to which an echo is one copy of the pulse."""
        return float(self.level_db.min())

    @property
    def half_power_m(self) -> float:
        """How far off the axis an echo's power has fallen to half; the last place at most."""
        weak = np.flatnonzero(self.level_db <= -_HALF_POWER_DB)
        return float(self.aside_m[weak[0] if weak.size else -1])


def disc_arch(setting: BeamSetting, radius_m: float, closest_m: float) -> DiscArch:
    """Work out what discs do to a pass at a closest range.

    Parameters
    ----------
    setting : BeamSetting
        Its band, its sound speed, its baseline, and how the way runs to that.
    radius_m : float
        Of both discs.
    closest_m : float

    Raises
    ------
    ValueError
        On a radius or range not above zero.

    References
    ----------
    The echo's spectrum is the pulse's times what each disc lets through, summed over its face
    (:func:`dsp.physics.discs.disc_response`); its top is that of its compressed envelope.
    """
    require_positive("closest_m", closest_m, "m")
    middle_m = setting.sound_speed_m_s / float(setting.frequency_hz @ setting.share)
    # As far as the beam's second null at the most; the likeness ends it sooner.
    widest = min(0.9, 7.0156 / (2 * math.pi * radius_m / middle_m))
    aside_m = closest_m * np.tan(np.linspace(0.0, math.asin(widest), _PLACES))
    late_m, top, likeness, rougher = _tops(setting, radius_m, closest_m, aside_m)
    torn = np.flatnonzero(likeness < CLEAR_LIKENESS)
    clear = slice(0, max(2, int(torn[0]) if torn.size else _PLACES))
    return DiscArch(
        aside_m=aside_m[clear],
        late_m=late_m[clear],
        level_db=20 * np.log10(np.maximum(top / top[0], 1e-10))[clear],
        rougher=rougher[clear],
        on_axis_db=20 * math.log10(max(float(top[0]), 1e-10)),
    )


def _tops(
    setting: BeamSetting, radius_m: float, closest_m: float, aside_m: NDArray[np.float64]
) -> tuple[NDArray[np.float64], ...]:
    """Return how late the tops of echoes are as ranges, how high, how like the pulse, how blunt."""
    speed, half_m = setting.sound_speed_m_s, setting.baseline_m / 2
    waves_m = speed / setting.frequency_hz
    along = np.full(aside_m.size, closest_m)
    if setting.beside:
        faces = [disc_response(radius_m, waves_m, along, aside_m - s) for s in (-half_m, half_m)]
    else:
        faces = [disc_response(radius_m, waves_m, along, np.hypot(aside_m, half_m))] * 2
    passed = faces[0] * faces[1]
    # Lags as long as the face is deep, seen from the farthest, and as the pulse's own bend.
    turn_hz = setting.frequency_hz - float(setting.frequency_hz @ setting.share)
    width_s = 1 / (2 * math.pi * math.sqrt(float(setting.share @ turn_hz**2)) + 1e-9)
    lag_s = np.linspace(-3.0, 3.0, _LAGS) * width_s
    heard = np.abs(
        (passed * setting.share) @ np.exp(2j * np.pi * np.outer(setting.frequency_hz, lag_s))
    )
    top = np.clip(np.argmax(heard, axis=1), 1, _LAGS - 2)
    row = np.arange(aside_m.size)
    before, at, after = (heard[row, top + step] for step in (-1, 0, 1))
    part = (before - after) / 2 / (before - 2 * at + after)
    late_s = lag_s[top] + part * (lag_s[1] - lag_s[0])
    energy = np.sqrt((np.abs(passed) ** 2) @ setting.share)
    # Noise moves a top by its own slope over how sharply the top is bent.
    step = 2 * math.pi * turn_hz * (lag_s[1] - lag_s[0])
    copy = 2 * (1 - abs(complex(setting.share @ np.exp(1j * step))))
    rougher = np.maximum(1.0, copy * at / np.maximum(2 * at - before - after, 1e-3 * copy * at))
    return speed / 2 * late_s, at, at / energy, rougher
