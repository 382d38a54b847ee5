"""The display's own gain: how dark a strength is shown. No number is ever touched by it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

GAIN_STEP_DB = 6.0
MOST_GAIN_DB = 36.0

OVER_RANGE_DB = (0.0, 20.0, 40.0, 60.0)
"""Decibels more for each ten times the range. What spreads as a sphere out and back loses
40 (R. J. Urick, *Principles of Underwater Sound*, 3rd ed., 1983, ch. 2 and 5, from memory)."""

_EVEN_AT = 1 / 3
"""Of the range axis: there nothing is added and nothing taken away."""

_OVER_RANGE_WORDS = {
    0.0: "none: as it is heard",
    20.0: "20 dB per tenfold, too little",
    40.0: "40 dB per tenfold, right: equal things look alike",
    60.0: "60 dB per tenfold, too much",
}


@dataclass(slots=True)
class Display:
    """How the strengths are shown.

    Attributes
    ----------
    gain_db : float
        Above the right one, which lets the noise just show.
    over_range_db : float
        One of :data:`OVER_RANGE_DB`.
    """

    gain_db: float = 0.0
    over_range_db: float = 0.0

    def limits_db(self, right_db: tuple[float, float]) -> tuple[float, float]:
        """Return the ends of the strength scale, given those that are right."""
        return right_db[0] - self.gain_db, right_db[1] - self.gain_db

    def added_db(self, range_m: NDArray[np.float64], stop_m: float) -> NDArray[np.float64]:
        """Return what is added to the strengths at some ranges before they are inked.

        Parameters
        ----------
        range_m : ndarray of float64, shape (columns,)
        stop_m : float
            Where the range axis ends.
        """
        share = np.maximum(range_m / stop_m, 0.01)
        return np.asarray(self.over_range_db * np.log10(share / _EVEN_AT))

    @property
    def gain_words(self) -> str:
        """Its gain, and whether that is right."""
        if self.gain_db == 0:
            return "0 dB, right: the noise just shows"
        verdict = "too much" if self.gain_db > 0 else "too little"
        return f"{self.gain_db:+.0f} dB, {verdict}".replace("-", "−")

    @property
    def over_range_words(self) -> str:
        """Its gain over range, and whether that is right."""
        return _OVER_RANGE_WORDS[self.over_range_db]

    @property
    def remarks(self) -> str:
        """What a picture says of it; empty where it is right, or as heard."""
        words = []
        if self.gain_db:
            words.append(f"Display gain {self.gain_words}.")
        if self.over_range_db:
            words.append(f"Gain over range: {self.over_range_words}.")
        return " ".join(words)
