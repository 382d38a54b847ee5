"""A stand that nobody minds: what `demo` and `run` do with `--unattended`."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from typing import TYPE_CHECKING

from rig.cli import opening, options
from rig.errors import DeviceError, PlanError

if TYPE_CHECKING:
    from rig.bench.plan import Plan
    from rig.bench.stored_calibration import Calibration
    from rig.run.opening import Bench
    from rig.run.results import PingResult
    from rig.run.run import Run
    from rig.show.window.stretch import Stretch

_UNTOUCHED_S = 120.0


def add_unattended(command: argparse.ArgumentParser) -> None:
    """Add the switch for a stand."""
    command.add_argument(
        "--unattended",
        metavar="S",
        nargs="?",
        type=options.number_in(low=1.0, high=86_400.0),
        const=_UNTOUCHED_S,
        help="for a stand that nobody minds: the window fills the screen, the keys that end or "
        "save are off (Ctrl+Q ends it), all goes back to the start when nobody has touched it for "
        f"S seconds (default: {_UNTOUCHED_S:g}), and a device that goes is opened again",
    )


def check_unattended(given: argparse.Namespace, *, in_window: bool) -> None:
    """Refuse what a stand cannot do.

    Raises
    ------
    PlanError
        Where it is to record: that would fill the disk.
    DeviceError
        Where there is no window.
    """
    if given.record is not None:
        raise PlanError(
            "--unattended: found --record, which would fill the disk; leave one of them out"
        )
    if not in_window:
        raise DeviceError(
            "--unattended: needs a window, and none opens here; start it on a screen, without "
            "--json and --picture"
        )


def forgetting(run: Run, results: Iterator[PingResult]) -> Iterator[PingResult]:
    """Hand on results while a run forgets what no picture shows any more."""
    try:
        for result in results:
            run.forget_older()
            yield result
    finally:
        close = getattr(results, "close", None)
        if close is not None:
            close()


class Reopener:
    """Opens the front end anew after its device has gone, and lets the one before go.

    Parameters
    ----------
    given : argparse.Namespace
    plan : Plan
    calibration : Calibration or None
    bench : Bench
        Open.
    """

    def __init__(
        self, given: argparse.Namespace, plan: Plan, calibration: Calibration | None, bench: Bench
    ) -> None:
        self._given, self._plan, self._calibration = given, plan, calibration
        self._bench = bench

    def __call__(self) -> Stretch:
        """Return pings of the device, opened anew.

        Raises
        ------
        EchobenchError
            While it is not there.
        """
        from rig.show.window.pace import paced
        from rig.show.window.stretch import Stretch

        # A device that still holds the old one's port or stream could not be opened.
        self._bench.close()
        self._bench = opening.bench_of(self._given, self._plan, calibration=self._calibration)
        run = self._bench.run()
        results = self._bench.over(run, sys.maxsize, one_by_one=True)
        in_time = paced(forgetting(run, results), self._plan.timing.ping_interval_s)
        return Stretch(run=run, results=in_time)

    def close(self) -> None:
        """Let the device go."""
        self._bench.close()
