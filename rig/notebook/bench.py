"""Opening a bench and reading a recording, with runs that a notebook can show."""

from __future__ import annotations

import functools
import os
from collections.abc import Callable
from typing import ParamSpec

from rig.bench.plan import Plan
from rig.notebook.run import Run
from rig.run import opening

P = ParamSpec("P")


class Bench(opening.Bench):
    """An open front end, and the receiver that is planned for it.

    Made by :func:`rig.open_bench`; closed at the end of its ``with``.
    """

    def run(self) -> Run:
        """Return a run in which nothing has been heard yet."""
        return Run(self.receiver, origin=self.origin)

    def ping(self, pings: int = 1, *, record: str | None = None) -> Run:
        """Send pings and go over what comes back; parameters and errors as it says there."""
        return self.filled(self.run(), pings, record=record)


def _with_shown_runs(opened: Callable[P, opening.Bench]) -> Callable[P, Bench]:
    @functools.wraps(opened)
    def opened_here(*given: P.args, **named: P.kwargs) -> Bench:
        bench = opened(*given, **named)
        return Bench(
            bench.front_end, bench.receiver, bench.origin, recorded_pings=bench.recorded_pings
        )

    return opened_here


open_bench = _with_shown_runs(opening.open_bench)
open_replay = _with_shown_runs(opening.open_replay)


def read(
    path: str | os.PathLike[str],
    *,
    plan: Plan | None = None,
    calibration_path: str | None = None,
) -> Run:
    """Read a whole recording, or a sound file with the plan that it was made by.

    Parameters
    ----------
    path : str or path
        A ``.sigmf-meta``, or a WAV or FLAC file.
    plan : Plan, optional
        How to process it. A recording brings its own; a sound file needs one.
    calibration_path : str, optional
        A stored calibration. Where the plan needs one and none is named, it is the one beside
        the recording.

    Raises
    ------
    RecordingError, PlanError, CalibrationError
        Where the file cannot be read, or the plan or the calibration does not fit it.
    """
    with open_replay(path, plan=plan, calibration_path=calibration_path) as bench:
        return bench.ping(bench.recorded_pings or 0)
