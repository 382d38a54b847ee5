"""One target's passage, as the bench saw it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.history.passage import Passage
from dsp.history.pulse_pairs import ClosingSpeed


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Passing:
    """One target's passage as the bench saw it.

    Attributes
    ----------
    passage : Passage
        Its uncertainties hold all that the plan knows of: noise, heading, sound
        speed, spacing, time zero and clock.
    ping : ndarray of int64, shape (hits,)
        The numbers of the pings that heard it.
    time_s : ndarray of float64, shape (hits,)
        When the sound met it in each, from the first ping.
    range_m : ndarray of float64, shape (hits,)
        The range in each, free of what the target's speed does to a chirp.
    strength_db : ndarray of float64, shape (hits,), or None
        How strong each was, dB re full scale; NaN or None where a device hands on none.
    forecast_hits : float or None
        Pings that the plan's cone foretells for such a pass, from half power to
        half power; None where there is no pass or no cone. To be held against the
        passage's `strong_hits`.
    closing : ClosingSpeed or None
        Mean closing speed by pulse pairs; None where no two pings in a row heard it, or
        where a device hands on no phase.
    unfolded : ClosingSpeed or None
        The one among its speeds that the ranges bear out; None where they are too rough
        to say.
    """

    passage: Passage
    ping: NDArray[np.int64]
    time_s: NDArray[np.float64]
    range_m: NDArray[np.float64]
    strength_db: NDArray[np.float64] | None = None
    forecast_hits: float | None = None
    closing: ClosingSpeed | None = None
    unfolded: ClosingSpeed | None = None

    @property
    def wandered_m(self) -> float:
        """How far apart its ranges are, but for a twentieth at either end: chance alarms stray."""
        return float(np.ptp(np.percentile(self.range_m, [5, 95])))


def crossed_beam(passing: Passing) -> bool:
    """Whether a track faded by half its power or more at both of its ends."""
    level_db = passing.strength_db
    if level_db is None or level_db.size < 5:
        return False
    smooth_db = np.convolve(level_db, np.full(3, 1 / 3), mode="valid")
    half_db = 10 * math.log10(2)
    return bool(smooth_db.max() - max(smooth_db[0], smooth_db[-1]) >= half_db)
