"""Refuse a number that a formula was not made for, and say which would do; hold what is given."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, DTypeLike, NDArray


def require_within(
    name: str, value: float | ArrayLike, low: float, high: float, unit: str = ""
) -> None:
    """Raise unless every value lies from `low` to `high`, both allowed; NaN never does.

    Raises
    ------
    ValueError
        It names the argument, the first value found outside, and the range.

    Examples
    --------
    >>> require_within("temperature_c", 400.0, 0.0, 40.0, "°C")
    Traceback (most recent call last):
    ValueError: temperature_c: found 400 °C; give 0 to 40 °C
    """
    if isinstance(value, float) and low <= value <= high:
        return
    values = np.asarray(value, dtype=np.float64)
    outside = values[~((values >= low) & (values <= high))]
    if outside.size:
        unit = f" {unit}" if unit else ""
        raise ValueError(f"{name}: found {outside.flat[0]:g}{unit}; give {low:g} to {high:g}{unit}")


def require_positive(name: str, value: float | ArrayLike, unit: str = "") -> None:
    """Raise unless every value is finite and above zero.

    Raises
    ------
    ValueError
        It names the argument and the first value found to be neither.
    """
    if isinstance(value, float) and 0 < value < math.inf:
        return  # as most are, in a tenth of the time
    values = np.asarray(value, dtype=np.float64)
    outside = values[~(np.isfinite(values) & (values > 0))]
    if outside.size:
        unit = f" {unit}" if unit else ""
        raise ValueError(
            f"{name}: found {outside.flat[0]:g}{unit}; give a finite number above zero"
        )


def read_only(values: ArrayLike, dtype: DTypeLike, *, ndmin: int = 0) -> NDArray[Any]:
    """Return values as an array that nobody may write to: a copy, unless nobody may already."""
    given = np.asarray(values)
    if given.dtype == dtype and given.ndim >= ndmin and not given.flags.writeable:
        return given
    held = np.array(given, dtype=dtype, ndmin=ndmin, copy=given.flags.writeable or None)
    held.setflags(write=False)
    return held
