"""One track's numbers, and the questions asked of them."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from dsp.arguments import require_positive
from dsp.goodness import goodness
from dsp.history.disc_arches import DiscArch
from dsp.history.disc_ways import Way
from dsp.history.parabolas import along, parabola, place_of
from dsp.history.passage import Kind, Passage

FEWEST_HITS = 6
"""With three numbers to fit, fewer hits leave nothing to judge the fit by."""

LEAST_SNR_DB = 13.5
"""2E/N0 where a track is strongest. From 15 dB on one echo's range can be trusted;
the strength of a few hits is uncertain by 1.5 dB."""

SURE = 3.0  # standard deviations from which a curve, or a change, is taken as real
_STRANGE = 4.5  # robust deviations from which a hit is not the track's
LIKELY = 1.645  # one-sided, 95 %
CHANCE = 1e-3  # of taking noise for a change
HALF_POWER_DB = 10 * math.log10(2)
_BEAM_DB = 0.1  # to which a parabola is any beam's level near its axis


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """How a quantity changed over a track, by its parabola.

    Attributes
    ----------
    chance : float
        Of so much change where there was none.
    least, most : float
        Between which the largest change from start to middle to end lies.
    bend, u_bend : float
        Rise of both ends over the middle.
    """

    chance: float
    least: float
    most: float
    bend: float
    u_bend: float


class TrackNumbers:
    """One track's numbers, and the questions asked of them."""

    def __init__(
        self,
        time_s: ArrayLike,
        range_m: ArrayLike,
        noise_m: ArrayLike,
        strength_db: ArrayLike,
        snr_db: ArrayLike,
    ) -> None:
        rows = [
            np.asarray(a, dtype=np.float64) for a in (time_s, range_m, noise_m, strength_db, snr_db)
        ]
        if len({row.shape for row in rows}) > 1 or rows[0].ndim != 1 or not rows[0].size:
            shapes = ", ".join(str(row.shape) for row in rows)
            raise ValueError(f"time_s and the others: found shapes {shapes}; give rows of one size")
        require_positive("range_m", rows[1], "m")
        require_positive("noise_m", rows[2], "m")
        own = _own(*rows[:3])
        self._rows = [row[own] for row in rows]
        self.time_s, self.range_m, self.noise_m, self.strength_db, snr_db_ = (r[own] for r in rows)
        self.has_strength = bool(np.isfinite([self.strength_db, snr_db_]).all())
        # The mean of a noisy 2E/N0 is 2 above the true one. Where there is none, all
        # hits weigh the same.
        self.snr = np.full(self.time_s.size, 10 ** (LEAST_SNR_DB / 10))
        if self.has_strength:
            self.snr = np.maximum(10 ** (snr_db_ / 10) - 2, 1.0)
        self.u_strength_db = 20 / math.log(10) / np.sqrt(self.snr)
        self._place = place_of(self.time_s)

    def only(self, own: NDArray[np.bool_]) -> TrackNumbers:
        """Return a track of some of the hits."""
        return TrackNumbers(*(row[own] for row in self._rows))

    def clear(self, arch: DiscArch) -> NDArray[np.bool_]:
        """Which hits, in a row about the strongest, are one copy of the pulse each."""
        top_db = float(np.sort(self.strength_db)[-3:].mean())
        weak = np.flatnonzero(self.strength_db < top_db + arch.weakest_db)
        strongest = int(np.argmax(self.strength_db))
        at = int(np.searchsorted(weak, strongest))
        first = weak[at - 1] + 1 if at > 0 else 0
        last = weak[at] if at < weak.size else self.strength_db.size
        own = np.zeros(self.strength_db.size, dtype=bool)
        own[first:last] = True
        return own

    def on_axis_s(self) -> tuple[float, float] | None:
        """Return when it was on the beam's axis, and its uncertainty, by its levels."""
        level_db = self.strength_db + 40 * np.log10(self.range_m / self.range_m.min())
        near = level_db > level_db.max() - 4 * HALF_POWER_DB
        if np.count_nonzero(near) < 4:
            return None
        time_s, span_s = self.time_s[near], float(np.ptp(self.time_s[near])) / 2
        u_db = np.hypot(self.u_strength_db[near], _BEAM_DB)
        curve, spread, left = parabola(place_of(time_s), level_db[near], u_db)
        if curve[2] >= 0:
            return None
        top = -curve[1] / (2 * curve[2])
        slope = np.array([0.0, 1.0, 2 * top]) / (2 * curve[2])
        u_top = left.ratio * math.sqrt(float(slope @ spread @ slope))
        return float((time_s[0] + time_s[-1]) / 2 + top * span_s), u_top * span_s

    def strongest_snr_db(self) -> float:
        """2E/N0 where the track is strongest, smoothed over its hits."""
        level_db = 10 * np.log10(self.snr)
        curve, _, _ = parabola(self._place, level_db, self.u_strength_db)
        return min(float(np.max(along(self._place) @ curve)), float(level_db.max()))

    def trend(self, values: NDArray[np.float64], u_values: NDArray[np.float64]) -> Trend:
        """Fit a parabola from −1, the first hit, to 1, the last."""
        curve, spread, left = parabola(self._place, values, u_values)
        spread = spread * left.ratio**2
        chi2 = float(curve[1:] @ np.linalg.solve(spread[1:, 1:], curve[1:]))
        # From the middle to the start and to the end, and from start to end.
        step = np.array([[0.0, -1.0, 1.0], [0.0, 1.0, 1.0], [0.0, 2.0, 0.0]])
        change = np.abs(step @ curve)
        u_change = np.sqrt(np.einsum("ij,jk,ik->i", step, spread, step))
        return Trend(
            chance=math.exp(-chi2 / 2),
            least=float(np.max(change)),
            most=float(np.max(change + LIKELY * u_change)),
            bend=float(curve[2]),
            u_bend=math.sqrt(spread[2, 2]),
        )

    def within_the_beam(self) -> NDArray[np.bool_]:
        """Which hits are as strong as half of the strongest power, out and back each."""
        if not self.has_strength:
            return np.ones(self.time_s.size, dtype=bool)
        strong_db = float(np.percentile(self.strength_db, 90)) - 2 * HALF_POWER_DB
        return np.asarray(self.strength_db > strong_db)

    def turned_within_the_beam(self, turned: tuple[bool, bool]) -> bool:
        """Say whether it was within the beam where it turned back.

        Two targets on ways that join are weak there, as one has left the beam and the
        other has not yet come.
        """
        ends = [own for own, at in zip((slice(3), slice(-3, None)), turned, strict=True) if at]
        if not self.has_strength:
            return bool(ends)
        within = self.within_the_beam()
        return any(2 * np.count_nonzero(within[own]) > within[own].size for own in ends)

    def lesser_share(self, time_s: float) -> float:
        """Share of an arch to the lesser side of a time: of its energy or its length.

        A beam turned aside leaves that side weak, a record that begins or ends there
        leaves it short.
        """
        step_s = float(np.median(np.diff(self.time_s)))
        between = (self.time_s[1:] + self.time_s[:-1]) / 2
        edges = [self.time_s[0] - step_s / 2, *between, self.time_s[-1] + step_s / 2]
        energy = np.concatenate([[0.0], np.cumsum(self.snr)])
        by_energy = float(np.interp(time_s, edges, energy) / energy[-1])
        by_length = float(np.interp(time_s, [edges[0], edges[-1]], [0.0, 1.0]))
        return min(by_energy, 1 - by_energy, by_length, 1 - by_length)

    def untold(self, reason: str) -> Passage:
        """Answer that it cannot be told."""
        return Passage(
            kind="cannot-tell",
            reason=reason,
            hits=self.time_s.size,
            first_s=float(self.time_s[0]),
            last_s=float(self.time_s[-1]),
        )

    def wander_m(self, moved: Trend) -> float:
        """From the least to the most of an even drift that scatters as the ranges do.

        0 where they neither scatter more than their own noise nor follow a trend.
        """
        mean_m, weight = self._mean_m()
        left = goodness(self.range_m - mean_m, self.noise_m, fitted=1)
        if left.holds and moved.chance >= CHANCE:
            return 0.0
        # All values of an even spread of a width w lie about its mean by w/√12.
        beyond = max(left.chi_square - left.degrees_of_freedom, 0.0)
        return max(math.sqrt(12 * beyond / weight), moved.least)

    def stay(self, wander_m: float) -> Passage:
        """Answer that it stayed: within twice the uncertainty, wherever it was in between."""
        mean_m, weight = self._mean_m()
        rough = goodness(self.range_m - mean_m, self.noise_m, fitted=1).ratio
        return dataclasses.replace(
            self.untold(""),
            kind="stay",
            closest_range_m=mean_m,
            u_closest_range_m=math.hypot(rough / math.sqrt(weight), wander_m / math.sqrt(12)),
        )

    def _mean_m(self) -> tuple[float, float]:
        """Return the mean range, and the weight that it has."""
        weight = 1 / self.noise_m**2
        total = float(weight.sum())
        return float(weight @ self.range_m) / total, total

    def told(self, kind: Kind, way: Way) -> Passage:
        """Answer how it passed."""
        angle_rad = np.arctan2(way.speed_m_s * (self.time_s - way.time_s), way.range_m)
        # What spreading took, out and back, is no part of the beam.
        level_db = self.strength_db + 40 * np.log10(self.range_m / way.range_m)
        beam = _beam(angle_rad, level_db, self.u_strength_db)
        answer = dataclasses.replace(
            self.untold(""),
            kind=kind,
            closest_range_m=way.range_m,
            u_closest_range_m=way.u_range_m,
            crossing_speed_m_s=way.speed_m_s,
            u_crossing_speed_m_s=way.u_speed_m_s,
            closest_time_s=way.time_s,
            u_closest_time_s=way.u_time_s,
        )
        if beam is None or not self.has_strength:
            return answer
        tilt_rad, u_tilt_rad, half_rad = beam
        ends = np.tan(np.clip([tilt_rad - half_rad, tilt_rad + half_rad], -1.5, 1.5))
        return dataclasses.replace(
            answer,
            tilt_rad=tilt_rad,
            u_tilt_rad=u_tilt_rad,
            width_m=float(way.range_m * np.ptp(ends)),
            strong_hits=int(np.count_nonzero(np.abs(angle_rad - tilt_rad) <= half_rad)),
        )


def _own(
    time_s: NDArray[np.float64], range_m: NDArray[np.float64], noise_m: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Tell a track's own echoes from strangers that fell into its gate."""
    own = np.ones(time_s.size, dtype=bool)
    place, u_square = place_of(time_s), 2 * range_m * noise_m
    for _ in range(4):
        if np.count_nonzero(own) < FEWEST_HITS:
            break
        curve, _, _ = parabola(place[own], range_m[own] ** 2, u_square[own])
        misfit = np.abs(range_m**2 - along(place) @ curve) / u_square
        # Half of a normal sample lies within 0.6745 deviations.
        own = misfit <= _STRANGE * max(1.0, float(np.median(misfit)) / 0.6745)
    return own


def _beam(
    angle_rad: NDArray[np.float64], level_db: NDArray[np.float64], u_level_db: NDArray[np.float64]
) -> tuple[float, float, float] | None:
    """Fit the beam's axis, with its uncertainty, and its half-power half angle.

    Near its axis any beam falls by the square of the angle; a piston's holds to that
    within 0.1 dB as far as 1.25 half-power angles. None where levels do not fall so.
    """
    # Side lobes are left out from the start; one hit that another target's echo has
    # swelled does not set the level.
    near = level_db > np.percentile(level_db, 90) - 2 * HALF_POWER_DB
    answer = None
    for _ in range(4):
        if np.count_nonzero(near) < FEWEST_HITS:
            return answer
        u_db = np.hypot(u_level_db[near], _BEAM_DB)
        curve, spread, left = parabola(angle_rad[near], level_db[near], u_db)
        rough = left.ratio
        if curve[2] >= -SURE * rough * math.sqrt(spread[2, 2]):
            return answer
        axis_rad, half_rad = -curve[1] / (2 * curve[2]), math.sqrt(-HALF_POWER_DB / curve[2])
        slope = np.array([0.0, 1.0, 2 * axis_rad]) / (2 * curve[2])
        u_axis_rad = rough * math.sqrt(float(slope @ spread @ slope))
        answer = (float(axis_rad), u_axis_rad, half_rad) if left.holds else None
        near = np.abs(angle_rad - axis_rad) < 1.25 * half_rad
    return answer
