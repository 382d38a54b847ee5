"""What a check-up says of one thing that it looked at."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing that was looked at.

    Attributes
    ----------
    name : str
    value : float
        A whole number where something was counted.
    unit : str
    fit : bool
        Whether it is good enough for a range to be trusted.
    advice : str
        What would do; empty where nothing need be done.
    """

    name: str
    value: float
    unit: str
    fit: bool
    advice: str = ""
