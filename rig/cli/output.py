"""Results as they come: strips of text, a window, a picture, a table."""

from __future__ import annotations

import argparse
import dataclasses
import os
import sys
from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING, Any

from rig.errors import EchobenchError

if TYPE_CHECKING:
    from rig.run.loop import PingResult
    from rig.run.receiver import Receiver


HISTORY_PINGS = 1000
"""A picture's history goes back so far. Older pings are kept without their profiles, so
that a long run fills no memory."""


def collect(
    given: argparse.Namespace,
    receiver: Receiver,
    results: Iterable[PingResult],
    pings: int,
    *,
    far_wall_m: float | None = None,
    follows: bool = False,
) -> list[PingResult]:
    """Take results as they come, with a text strip for each, or a progress bar.

    Should the device go, what was heard so far is kept and answered, and the
    complaint follows. Of the profiles only those are kept that a picture shows; with
    `follows`, each ping's own as well, in which passes are looked for.
    """
    seen: list[PingResult] = []
    drawn = given.picture is not None
    strips = None if given.json else Strips(receiver)
    try:
        for result in progress(results, pings, "ping", shown=strips is None):
            if seen:  # the threshold is drawn for the newest ping alone
                seen[-1] = dataclasses.replace(seen[-1], threshold_db=None)
            if len(seen) >= HISTORY_PINGS:
                gone = seen[-HISTORY_PINGS]
                seen[-HISTORY_PINGS] = dataclasses.replace(gone, profile=None)
            seen.append(
                dataclasses.replace(
                    result,
                    profile=result.profile if drawn else None,
                    threshold_db=result.threshold_db if drawn else None,
                    alone=result.alone if follows else None,
                )
            )
            if strips is not None:
                strips.print(result)
    except KeyboardInterrupt:
        print("echobench: stopped at the keyboard", file=sys.stderr)
    except EchobenchError:
        if seen and given.picture is not None:
            draw_picture(
                given.picture, receiver, seen, note="the run broke off", far_wall_m=far_wall_m
            )
        raise
    return seen


class Strips:
    """Prints a strip of text for each ping, under a ruler."""

    def __init__(self, receiver: Receiver) -> None:
        self._receiver = receiver
        self._headed = False

    def print(self, result: PingResult) -> None:
        """Print a ping's strip, and the ruler before the first."""
        import shutil

        from rig.show.terminal import ruler_lines, strip_line

        width = min(shutil.get_terminal_size((100, 24)).columns, 160)
        encoding = sys.stdout.encoding or "ascii"
        speed = self._receiver.sound_speed_m_s
        if not self._headed:
            for line in ruler_lines(self._receiver.plan, width):
                print(line)
            self._headed = True
        line = strip_line(
            result, self._receiver.plan, width, sound_speed_m_s=speed, encoding=encoding
        )
        print(line, flush=True)


def shows_window(given: argparse.Namespace) -> bool:
    """Whether to show a window; where none can be opened, name a file for the picture."""
    if given.json or given.picture is not None:
        return False
    given.picture = f"echobench-{given.command}.png"
    own_screen = sys.platform in ("win32", "darwin")
    if own_screen or os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY"):
        from rig.show.window.live import why_no_window, window_backend

        if window_backend() is not None:
            given.picture = None
            return True
        print(f"{why_no_window()}; the picture goes to {given.picture}", file=sys.stderr)
    return False


def show_window(
    receiver: Receiver, results: Iterator[PingResult], *, far_wall_m: float | None = None
) -> list[PingResult]:
    """Show pings as they come, or at the pace at which they came when they were sent.

    Return them without their profiles, which may be many.
    """
    import time

    from rig.measure.forecast import forecast
    from rig.show.window.live import show_live

    seen: list[PingResult] = []

    def kept() -> Iterator[PingResult]:
        start_s = time.monotonic()
        for result in results:
            # A virtual tank or a recording gives a minute's pings in seconds.
            time.sleep(max(0.0, start_s + result.sent_s - time.monotonic()))
            seen.append(dataclasses.replace(result, profile=None, alone=None, threshold_db=None))
            yield result

    show_live(
        kept(),
        receiver.plan,
        receiver.info,
        sound_speed_m_s=receiver.sound_speed_m_s,
        half_angle_rad=forecast(receiver.plan).half_angle_rad,
        far_wall_m=far_wall_m,
    )
    return seen


def draw_picture(
    path: str,
    receiver: Receiver,
    results: Sequence[PingResult],
    *,
    note: str,
    far_wall_m: float | None = None,
) -> None:
    """Save the pings' picture."""
    from rig.measure.forecast import forecast
    from rig.show.pictures.bench_picture import save_picture

    save_picture(
        path,
        receiver.plan,
        receiver.info,
        results[-HISTORY_PINGS:],
        counts=(len(results), sum(r.lost for r in results)),
        sound_speed_m_s=receiver.sound_speed_m_s,
        half_angle_rad=forecast(receiver.plan).half_angle_rad,
        note=note,
        far_wall_m=far_wall_m,
    )


def print_faults(results: Sequence[PingResult]) -> None:
    """Say why pings are lost, and whether any clipped."""
    from rig.show.wording import counted

    for reason in sorted({r.reason for r in results if r.lost}):
        print(f"  lost: {reason}")
    clipped = sum(r.clipped for r in results)
    if clipped:
        print(
            f"  {counted(clipped, 'ping')} clipped: strengths are too low and echoes may be false; "
            "turn the level or the gain down"
        )


def print_echoes(echoes: Sequence[Any], title: str) -> None:
    """Print a table of echoes under a title."""
    if not echoes:
        print(f"{title}: none above the threshold")
        return
    from rig.show.terminal import echo_table

    print(f"{title}:")
    for line in echo_table(echoes):
        print(f"  {line}")


def print_budgets(echoes: Sequence[Any]) -> None:
    """Print the budgets of the nearest echoes."""
    from rig.run.budget import TABLED_ECHOES, budget_lines

    for echo in echoes[:TABLED_ECHOES]:
        if echo.budget is not None:
            print(f"Budget of the range of {echo.range_m:.4f} m, standard uncertainties:")
            for line in budget_lines(echo.budget):
                print(line)
    if len(echoes) > TABLED_ECHOES:
        print(f"The nearest {TABLED_ECHOES} budgets are shown; --json gives all.")


def progress(items: Iterable[Any], total: int, unit: str, *, shown: bool = True) -> Iterable[Any]:
    """Show a bar on standard error while items go by, if someone is there to see it."""
    if not shown or not sys.stderr.isatty():
        return items
    from tqdm import tqdm

    return tqdm(items, total=total, unit=unit, leave=False, file=sys.stderr)
