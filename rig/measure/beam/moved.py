"""How the target was moved across the beam: in a steady pass, or by stops read from a file."""

from __future__ import annotations

import csv
import io
import math
import os
from dataclasses import dataclass

from rig.bench.given_files import read_text
from rig.errors import RecordingError

_PLACE_COLUMNS = ("position_m", "angle_deg")
_PING_COLUMNS = ("first_ping", "last_ping")
_FARTHEST_M = 1000.0
_MOST_PINGS = 1_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class SteadyPass:
    """A target drawn past, straight and evenly.

    Attributes
    ----------
    speed_m_s, u_speed_m_s : float
    """

    speed_m_s: float
    u_speed_m_s: float = 0.0

    def __post_init__(self) -> None:
        if not (math.isfinite(self.speed_m_s) and self.speed_m_s > 0):
            raise ValueError(f"speed_m_s: found {self.speed_m_s:g}; give a speed above 0")
        if not (math.isfinite(self.u_speed_m_s) and self.u_speed_m_s >= 0):
            raise ValueError(f"u_speed_m_s: found {self.u_speed_m_s:g}; give 0 or more")


@dataclass(frozen=True, slots=True, kw_only=True)
class Stop:
    """One setting of a slide or turntable, and the pings that were sent at it."""

    place: float
    first_ping: int
    last_ping: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Stops:
    """A target moved by steps, at rest while pings are sent.

    Attributes
    ----------
    turned : bool
        Whether places are bearings in radians, from a turntable; else metres along a
        straight slide.
    stops : tuple of Stop
    u_zero_m : float
        How surely a slide's zero stands square ahead of the pair.
    """

    turned: bool
    stops: tuple[Stop, ...]
    u_zero_m: float = 0.002

    def __post_init__(self) -> None:
        if not (math.isfinite(self.u_zero_m) and self.u_zero_m > 0):
            raise ValueError(f"u_zero_m: found {self.u_zero_m:g}; give a length above 0")

    @property
    def pings(self) -> int:
        """Up to the last one that belongs to a stop."""
        return max(stop.last_ping for stop in self.stops) + 1


def read_stops(path: str | os.PathLike[str], *, u_zero_m: float = 0.002) -> Stops:
    """Read the settings of a slide or turntable.

    A CSV file, a line for each setting. The first line names the columns: `position_m`
    for a slide or `angle_deg` for a turntable; and, unless each ping has a setting of its
    own, `first_ping` and `last_ping`, counted from 0.

    Raises
    ------
    RecordingError
        The message names the file, the line, what was found and what would do.
    """
    name = os.fspath(path)
    text = read_text(path, error=RecordingError, remedy="give a CSV file")
    try:
        rows = list(csv.DictReader(io.StringIO(text, newline="")))
    except csv.Error as problem:
        raise RecordingError(
            f"{name}: cannot be read as settings ({problem}); give a CSV file"
        ) from problem
    columns = list(rows[0]) if rows else []
    kinds = [c for c in _PLACE_COLUMNS if c in columns]
    if len(kinds) != 1:
        raise RecordingError(
            f"{name}: found the columns {', '.join(map(str, columns)) or 'none'}; give one of "
            f"{' and '.join(_PLACE_COLUMNS)}, and a line for each setting"
        )
    has_pings = [c in columns for c in _PING_COLUMNS]
    if any(has_pings) and not all(has_pings):
        raise RecordingError(f"{name}: found one of {' and '.join(_PING_COLUMNS)}; give both")
    turned = kinds[0] == "angle_deg"
    stops: list[Stop] = []
    for number, row in enumerate(rows):
        try:
            place = float(row[kinds[0]])
            first, last = (int(row[c]) for c in _PING_COLUMNS) if all(has_pings) else (number,) * 2
        except (TypeError, ValueError) as problem:
            raise RecordingError(
                f"{name}: line {number + 2}: {problem}; give numbers, and whole ones for pings"
            ) from problem
        follows = not stops or first > stops[-1].last_ping
        is_place = abs(place) <= (90 if turned else _FARTHEST_M)
        if not is_place or not (follows and 0 <= first <= last < _MOST_PINGS):
            raise RecordingError(
                f"{name}: line {number + 2}: found {kinds[0]} {place:g} for pings {first} to "
                f"{last}; give a place (within ±90° if it is an angle), and pings that count up"
            )
        place = math.radians(place) if turned else place
        stops.append(Stop(place=place, first_ping=first, last_ping=last))
    return Stops(turned=turned, stops=tuple(stops), u_zero_m=u_zero_m)
