"""A run's numbers as tables and arrays, for whatever else one does with them in Python."""

from __future__ import annotations

import importlib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from rig.run.results import ECHO_NUMBERS, Echo
from rig.show.pictures.scales import range_scale
from rig.show.sides import side_columns, side_values

if TYPE_CHECKING:
    import pandas
    import xarray

    from rig.run.run import Run


class Echoes(tuple[Echo, ...]):
    """Echoes, the nearest first: a tuple that a notebook shows as a table."""

    __slots__ = ()

    def to_pandas(self) -> pandas.DataFrame:
        """Return a table with a row for each echo.

        Its columns are the fields of :class:`rig.Echo`, with their units in their names, but
        for the budget; of two receivers the angle's are in degrees.

        Raises
        ------
        ImportError
            Where pandas is not installed.
        """
        sided = side_columns(self)
        rows = []
        for echo in self:
            its = side_values(echo.side)
            rows.append([*(getattr(echo, name) for name in ECHO_NUMBERS), *(its[n] for n in sided)])
        frame: pandas.DataFrame = _library("pandas").DataFrame(
            rows, columns=[*ECHO_NUMBERS, *sided]
        )
        return frame

    def _repr_html_(self) -> str:
        from rig.show.report.echoes import echo_table

        return echo_table(self) if self else "<p>No echo stands above the threshold.</p>"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class History:
    """What came back from each range, ping after ping.

    Attributes
    ----------
    range_m : ndarray of float64, shape (bins,)
        On the axis, from midway between source and receiver; rising, up to the plan's farthest.
    time_s : ndarray of float64, shape (pings,)
        When each ping was sent, from the first.
    strength_db : ndarray of float64, shape (pings, bins)
        dB re full scale, stacked as the plan asks; NaN for a ping that was lost, and for one
        so long ago that its profile is no longer kept.
    """

    range_m: NDArray[np.float64]
    time_s: NDArray[np.float64]
    strength_db: NDArray[np.float64]

    def to_xarray(self) -> xarray.DataArray:
        """Return the strengths with their times and ranges as coordinates.

        Raises
        ------
        ImportError
            Where xarray is not installed.
        """
        library = _library("xarray")
        array: xarray.DataArray = library.DataArray(
            self.strength_db,
            dims=("time_s", "range_m"),
            coords={
                "time_s": ("time_s", self.time_s, {"long_name": "time sent", "units": "s"}),
                "range_m": ("range_m", self.range_m, {"long_name": "range", "units": "m"}),
            },
            name="strength_db",
            attrs={"long_name": "strength", "units": "dB re full scale"},
        )
        return array


def history_of(run: Run) -> History:
    """Lay a run's profiles side by side."""
    profiles = [result.profile for result in run.results]
    kept = [profile for profile in profiles if profile is not None]
    range_m = np.empty(0)
    first = bins = 0
    if kept:
        shortest = min(kept, key=lambda profile: profile.envelope.size)
        scale = range_scale(run.receiver)
        range_m = scale.range_m(shortest.delay_s)
        first = int(np.count_nonzero(np.isnan(range_m)))  # before the direct sound
        bins = first + int(np.count_nonzero(range_m[first:] <= scale.stop_m))
    strength_db = np.full((len(profiles), bins - first), np.nan)
    for row, profile in zip(strength_db, profiles, strict=True):
        if profile is not None:
            row[:] = profile.strength_db[first:bins]
    return History(
        range_m=range_m[first:bins],
        time_s=np.array([result.sent_s for result in run.results], dtype=np.float64),
        strength_db=strength_db,
    )


def _library(name: str) -> Any:
    try:
        return importlib.import_module(name)
    except ImportError as problem:
        raise ImportError(
            f"{name}: is not installed; give it by: pip install {name}", name=name
        ) from problem
