"""Parabolas through what a track's hits have, by weighted least squares."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dsp.goodness import Goodness, goodness


def place_of(time_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Scale times to run from −1, the first, to 1, the last."""
    middle_s, span_s = (time_s[0] + time_s[-1]) / 2, float(np.ptp(time_s)) / 2
    return np.asarray((time_s - middle_s) / max(span_s, 1e-12))


def along(place: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return 1, the place and its square, a row each, shape (places, 3)."""
    return np.vander(place, 3, increasing=True)


def parabola(
    place: NDArray[np.float64], values: NDArray[np.float64], u_values: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], Goodness]:
    """Fit a parabola; return its three numbers, their covariance, and how good it is."""
    design = along(place) / u_values[:, np.newaxis]
    spread = np.asarray(np.linalg.pinv(design.T @ design), dtype=np.float64)
    curve = spread @ design.T @ (values / u_values)
    return curve, spread, goodness(values / u_values - design @ curve, fitted=3)
