"""Results as they come: strips of text, a window, a picture, a table."""

from __future__ import annotations

import argparse
import functools
import json
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import TYPE_CHECKING, Any, TypeAlias

from rig.cli import opening
from rig.errors import EchobenchError

if TYPE_CHECKING:
    from rig.run.results import Measurement, PingResult
    from rig.run.run import Run
    from rig.show.pictures.side_by_side import LoadedAhead
    from rig.show.room.room import Room
    from rig.show.window.reopening import Reopen
    from rig.show.window.stretch import OpenStretch
    from rig.tank.changes import Changes


def show_as_they_come(
    given: argparse.Namespace,
    run: Run,
    results: Iterable[PingResult],
    pings: int,
    begun: LoadedAhead | None = None,
) -> None:
    """Print a text strip for each ping, or show a progress bar.

    Should the device go, what was heard so far is kept and drawn, and the complaint
    follows.
    """
    strips = None if given.json else Strips(run)
    try:
        for result in progress(results, pings, "ping", shown=strips is None):
            if strips is not None:
                strips.print(result)
    except KeyboardInterrupt:
        print("echobench: stopped at the keyboard", file=sys.stderr)
    except EchobenchError:
        if run.results and given.picture is not None:
            draw_picture(given, run, begun, note="the run broke off")
        raise


def print_long(answer: dict[str, Any], key: str, rows: Iterable[Any]) -> None:
    """Print a JSON answer with one list more, which would take too much room all at once."""
    print(json.dumps(answer).removesuffix("}"), end="")
    between = f', "{key}": ['
    for row in rows:
        print(between, json.dumps(row), sep="", end="")
        between = ", "
    print("]}" if between == ", " else f"{between}]}}")


def show_to_room(
    given: argparse.Namespace,
    run: Run,
    results: Iterator[PingResult],
    pings: int,
    there: Room,
) -> None:
    """Show pings as text, at their own pace, while the room follows their picture.

    None is left out, however late: the answer is made of the pings that were asked for, and
    only the picture passes over those for which it has no time.
    """
    from rig.show.room.following import Following
    from rig.show.window.pace import paced

    following = Following(there, run, looks=given.looks, angles=given.angles, warn=opening.warn)
    ending = "The pings were stopped"

    def followed() -> Iterator[PingResult]:
        nonlocal ending
        for result in paced(results, run.plan.timing.ping_interval_s):
            following.take(result)
            yield result
        ending = "All pings done"

    try:
        show_as_they_come(given, run, followed(), pings)
    finally:
        following.finish(ending)


class Strips:
    """Prints a strip of text for each ping, under a ruler."""

    def __init__(self, run: Run) -> None:
        self._receiver = run.receiver
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
    from rig.show.window.backend import screen_there, why_no_window, window_backend

    if screen_there():
        if window_backend() is not None:
            given.picture = None
            return True
        print(f"{why_no_window()}; the picture goes to {given.picture}", file=sys.stderr)
    return False


def show_window(
    run: Run,
    results: Iterator[PingResult],
    *,
    leave_out: Callable[[int], None] | None = None,
    changes: Changes | None = None,
    looks: str | None = None,
    angles: bool = False,
    again: OpenStretch | None = None,
    there: Room | None = None,
    untouched_s: float | None = None,
    reopen: Reopen | None = None,
) -> None:
    """Show pings as they come, or at the pace at which they came when they were sent.

    Parameters
    ----------
    run : Run
    results : iterator of PingResult
        Its pings as they come.
    leave_out : callable, optional
        Has so many of the next pings left out; for what makes pings when they are asked for.
    changes : Changes, optional
        Takes what hands do to the virtual tank's scene.
    looks : {"along", "down"}, optional
        How the range axis runs; as the plan says, if not given.
    angles : bool
        Whether a strip below the history shows angles.
    again : callable, optional
        Opens another stretch of pings, with another plan.
    there : Room, optional
        Follows the window.
    untouched_s : float, optional
        At a stand that nobody minds: after so long all goes back to the start.
    reopen : callable, optional
        Opens a device anew that has gone.
    """
    from rig.show.window.live import show_live
    from rig.show.window.pace import paced
    from rig.show.window.stand import Stand

    stand = None if untouched_s is None else Stand(untouched_s)
    interval_s, by_hand = run.plan.timing.ping_interval_s, changes is not None
    in_time = paced(results, interval_s, leave_out=leave_out, by_hand=by_hand)
    show_live(
        run,
        in_time,
        changes=changes,
        looks=looks,
        angles=angles,
        again=again,
        room=there,
        stand=stand,
        reopen=reopen,
    )


_Shown: TypeAlias = "tuple[list[PingResult], tuple[int, int], str, str]"


def picture_of(given: argparse.Namespace, run: Run) -> LoadedAhead | None:
    """Begin to load what draws the pings' picture while they come, where one is asked for."""
    if given.picture is None:
        return None
    from rig.show.pictures.side_by_side import LoadedAhead

    return LoadedAhead(functools.partial(_draws, given, run))


def draw_picture(
    given: argparse.Namespace, run: Run, begun: LoadedAhead | None, *, note: str
) -> None:
    """Save the pings' picture, along or down as asked; it says what is not our pulse.

    It is drawn by what :func:`picture_of` has begun, where there is such.
    """
    from rig.files.whole import write_whole
    from rig.measure.other_benches import other_bench_remark, other_benches
    from rig.run.run import HISTORY_PINGS

    pings = list(run.results[-HISTORY_PINGS:]), (len(run.results), run.lost_pings)
    shown: _Shown = (*pings, note, other_bench_remark(other_benches(run)))
    if begun is None:
        drawn = _drawn(given, run, shown)
    else:
        (drawn,) = begun.drawn(shown)
    write_whole(given.picture, drawn, what="picture")


def _draws(given: argparse.Namespace, run: Run, shown: _Shown) -> list[Callable[[], bytes]]:
    return [functools.partial(_drawn, given, run, shown)]


def _drawn(given: argparse.Namespace, run: Run, shown: _Shown) -> bytes:
    from rig.show.pictures import bench_picture
    from rig.show.pictures.saving import check_picture_path, drawn_bytes

    results, counts, note, remarks = shown
    return drawn_bytes(
        check_picture_path(given.picture)[1:],
        lambda figure: bench_picture.draw_picture(
            figure,
            run,
            results,
            counts=counts,
            note=note,
            remarks=remarks,
            looks=given.looks,
            angles=given.angles,
        ),
    )


def print_faults(run: Run) -> None:
    """Say why pings are lost, whether any clipped, what moved, and what is not our pulse."""
    from rig.measure.other_benches import other_bench_lines, other_benches
    from rig.measure.second_receiver import pair_doubts
    from rig.show.wording import counted

    for reason in sorted({r.reason for r in run.results if r.lost}):
        print(f"  lost: {reason}")
    if run.clipped_pings:
        print(
            f"  {counted(run.clipped_pings, 'ping')} clipped: strengths may be too low and echoes "
            "false; turn the level or the gain down"
        )
    if run.moving_pings:
        print(
            f"  moving in {counted(run.moving_pings, 'ping')}: something moved, or turned up at a "
            "speed not known yet; pings were added up only as far as all stood still"
        )
    for doubt in pair_doubts(run):
        print(f"  angles are not to be trusted: {doubt}")
    for line in other_bench_lines(other_benches(run)):
        print(f"  {line}")


def print_echoes(echoes: Sequence[Any], title: str) -> None:
    """Print a table of echoes under a title."""
    if not echoes:
        print(f"{title}: none above the threshold")
        return
    from rig.show.sides import doubt_lines
    from rig.show.terminal import echo_table

    print(f"{title}:")
    for line in (*echo_table(echoes), *doubt_lines(echoes)):
        print(f"  {line}")


def print_late(found: PingResult | Measurement) -> None:
    """Name the echoes of pings before, and those of which no sign tells whose they are."""
    from rig.show.wording import late_text, metres_text

    if found.late:
        print("Late, from so far that the next ping had been sent; no near range:")
    for one in found.late:
        print(f"  {late_text(one)}")
    if found.untold:
        places = ", ".join(metres_text(echo.range_m, echo.u_range_m) for echo in found.untold)
        print(f"Not told of which ping, and so no range: what seems to stand at {places} m")


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

    tqdm.monitor_interval = 0  # its thread would be in the way of a process beside this one
    return tqdm(items, total=total, unit=unit, leave=False, file=sys.stderr)
