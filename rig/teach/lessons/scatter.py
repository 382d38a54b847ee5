"""The noise of a bench, from what differs from ping to ping: what stands still drops out."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.ping.ranging import path_from_range_m
from rig.errors import NotHeardError
from rig.teach.lessons.lesson import StepHeard

FEWEST = 4
"""Good pings from which noise can be told at all."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scatter:
    """How strongly the envelope differs from ping to ping.

    Attributes
    ----------
    power : float
        Mean square of its magnitude about its mean, re full scale.
    u_share : float
        Relative standard uncertainty of that power.
    """

    power: float
    u_share: float

    @property
    def level_db(self) -> float:
        """The power in dB re full scale."""
        return 10 * math.log10(max(self.power, 1e-30))

    @property
    def u_level_db(self) -> float:
        """Standard uncertainty of the level."""
        return 10 / math.log(10) * self.u_share


def lone_profiles(heard: StepHeard) -> NDArray[np.complex128]:
    """Return each good ping's own envelope, shape (pings, bins), cut to the shortest.

    Raises
    ------
    NotHeardError
        Where fewer than :data:`FEWEST` pings are good.
    """
    rows = [r.alone.envelope for r in heard.run.results if r.alone is not None]
    if len(rows) < FEWEST:
        raise NotHeardError(
            f"step {heard.step.name}: found {len(rows)} good pings; give at least {FEWEST}, and "
            "look at the direct sound"
        )
    bins = min(row.size for row in rows)
    return np.stack([row[:bins] for row in rows]).astype(np.complex128)


def bins_between(heard: StepHeard, start_m: float, stop_m: float) -> slice:
    """Return a profile's bins from one range to another.

    Raises
    ------
    NotHeardError
        Where there is none: the plan does not listen so far.
    """
    profile = heard.run.measurement.profile
    baseline_m = heard.plan.geometry.baseline_m
    paths_m = path_from_range_m(np.array([start_m, stop_m]), baseline_m)
    first, last = (paths_m / heard.receiver.sound_speed_m_s).tolist()
    if profile is None or last / profile.bin_s >= profile.envelope.size:
        raise NotHeardError(
            f"step {heard.step.name}: found nothing from {stop_m:.2f} m; give a longer "
            "timing.ping_interval_s, or look at the direct sound"
        )
    return slice(math.ceil(first / profile.bin_s), math.floor(last / profile.bin_s) + 1)


def cells_in(heard: StepHeard, bins: slice) -> float:
    """Return how many independent pieces of noise lie in some bins."""
    shape = heard.receiver.shape
    alike_s = float(np.sum(shape.noise_weights**2)) / float(shape.offset_hz[1])
    return max(1.0, float(bins.stop - bins.start) * shape.bin_s / alike_s)


def scatter_of(heard: StepHeard, *, start_m: float, stop_m: float, stacked: int = 1) -> Scatter:
    """Measure the noise between two ranges, of one ping or of several added up.

    Pings are added up in groups that share none; the groups differ by noise alone.

    Parameters
    ----------
    heard : StepHeard
    start_m, stop_m : float
        Where no strong echo stands: it would differ by its own jitter.
    stacked : int
        Pings in a group.

    Raises
    ------
    NotHeardError
        Where there are not enough good pings for two groups, or nothing is heard from there.
    """
    rows = lone_profiles(heard)
    bins = bins_between(heard, start_m, stop_m)
    groups = rows.shape[0] // stacked
    if groups < 2:
        raise NotHeardError(
            f"step {heard.step.name}: found {rows.shape[0]} good pings; give at least {2 * stacked}"
        )
    # Taken in turn, so that a slow drift is alike in all groups.
    kept = rows[: groups * stacked, bins].reshape(stacked, groups, -1)
    power = float(np.var(kept.mean(axis=0), axis=0, ddof=1).mean())
    # Where noise is stronger in one part, as clutter near by, fewer cells make up the mean.
    by_bin = np.var(rows[:, bins], axis=0, ddof=1)
    even = float(by_bin.mean() ** 2 / np.mean(by_bin**2))
    cells = max(1.0, even * cells_in(heard, bins))
    return Scatter(power=power, u_share=1 / math.sqrt((groups - 1) * cells))
