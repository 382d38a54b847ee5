"""The straight way of a target that passed, and tracks that are kept as heard."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.history.passage import Passage, passing_range_m
from rig.measure.what_if.bench import Bench
from rig.measure.what_if.change import Change

_ALONG = 0.5  # cos² of a way's unknown angle to the baseline, as fits take it


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """A target on its straight way.

    `from_m` and `to_m` bound the way on which it was there, from its closest point;
    `level` is the amplitude that it would have at 1 m on the axis.
    """

    passage: Passage
    range_m: float
    time_s: float
    speed_m_s: float
    u_speed_m_s: float
    tilt_rad: float
    level: float
    u_level_db: float
    from_m: float
    to_m: float
    baseline_m: float

    def along_m(self, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """How far it is past its closest point."""
        return self.speed_m_s * (time_s - self.time_s)

    def there(self, time_s: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Whether it is on its way at all."""
        along_m = self.along_m(time_s)
        return np.asarray((along_m >= self.from_m) & (along_m <= self.to_m))

    def range_at(self, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Range at a time."""
        return passing_range_m(
            time_s,
            closest_range_m=self.range_m,
            crossing_speed_m_s=self.speed_m_s,
            closest_time_s=self.time_s,
            baseline_m=self.baseline_m,
            along_baseline=_ALONG,
        )

    def angle_at(self, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Angle from the beam's axis at a time."""
        return np.asarray(np.arctan2(self.along_m(time_s), self.range_m) - self.tilt_rad)

    def response(self, bench: Bench, met_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Amplitude over the band of its echo, shape (pings, band); 0 where it is not there."""
        angle_rad = self.angle_at(met_s)
        ahead = self.there(met_s) & (np.abs(angle_rad) < math.pi / 2)
        spread = bench.spread(self.range_at(met_s), np.clip(angle_rad, -1.57, 1.57))
        return np.asarray(self.level * spread * ahead[:, np.newaxis])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Kept:
    """A track that is drawn as it was heard: in which pings, how far, how strong."""

    ping: NDArray[np.int64]
    range_m: NDArray[np.float64]
    amplitude: NDArray[np.float64]


def changed_way(way: Way, change: Change) -> Way:
    """Return the way with its speed or tilt changed; any other change leaves it as it was."""
    if change.what == "speed":
        speed_m_s = change.of(way.speed_m_s)
        return dataclasses.replace(
            way,
            speed_m_s=speed_m_s,
            u_speed_m_s=way.u_speed_m_s * speed_m_s / way.speed_m_s if change.times else 0.0,
        )
    if change.what == "tilt":
        return dataclasses.replace(way, tilt_rad=way.tilt_rad + math.radians(change.value))
    return way
