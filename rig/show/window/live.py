"""The bench picture in a window, kept up with the pings until it is closed."""

from __future__ import annotations

import functools
import os
import pathlib
from collections.abc import Iterator
from typing import TYPE_CHECKING

from rig.bench.plan import Plan
from rig.run.results import PingResult
from rig.run.run import Run
from rig.show.pictures.saving import check_picture_path
from rig.show.window.backend import fill_screen, window_figure
from rig.show.window.doorplate import Doorplate
from rig.show.window.pump import Pump
from rig.show.window.reopening import Reopen, Reopening
from rig.show.window.stand import Stand
from rig.show.window.stretch import OpenStretch, Stretch
from rig.show.window.window import LiveWindow
from rig.tank.changes import Changes
from rig.tank.scene import Scene

if TYPE_CHECKING:
    from rig.show.room.room import Room

_POLL_MS = 10


def show_live(
    run: Run,
    results: Iterator[PingResult],
    *,
    picture_path: str | os.PathLike[str] | None = None,
    changes: Changes | None = None,
    looks: str | None = None,
    angles: bool = False,
    again: OpenStretch | None = None,
    room: Room | None = None,
    stand: Stand | None = None,
    reopen: Reopen | None = None,
) -> None:
    """Show pings in a window as they come, until it is closed.

    Parameters
    ----------
    run : Run
        That the pings belong to.
    results : iterator of PingResult
        Its pings as they come. Drawn from on another thread; closed with the window, if it
        can be.
    picture_path : path or None
        Where the key s saves; a number is added where there is a file already.
        None saves to ``bench-picture.png``.
    changes : Changes or None
        Takes what hands do to the virtual tank's scene; None where nothing can be moved.
    looks : {"along", "down"}, optional
        How the range axis runs at first; as the plan says, if not given.
    angles : bool
        Whether a strip below the history shows angles.
    again : callable, optional
        Opens another stretch of pings, with another plan; None where the plan stays.
    room : Room, optional
        Follows what is shown; not closed.
    stand : Stand, optional
        Where nobody minds the window: it fills the screen and goes back to the start by itself.
    reopen : callable, optional
        Opens the device anew where it has gone, again and again; None leaves it at that.

    Raises
    ------
    DeviceError
        Where no window can be opened.
    StorageError
        Where pictures cannot be saved under `picture_path`.
    Exception
        What `results` raised, once the window is closed.
    """
    save_to = pathlib.Path("bench-picture.png" if picture_path is None else picture_path)
    check_picture_path(save_to)
    with window_figure(otherwise="have the picture saved to a file") as figure:
        from matplotlib import pyplot

        pump = Pump(results)
        ended: list[Pump] = []

        def begin_again(open_stretch: OpenStretch, plan: Plan, scene: Scene) -> Stretch:
            nonlocal pump
            stretch = open_stretch(plan, scene)
            # Only now, since what cannot be opened leaves all as it is. The ping under way ends on
            # its own thread: a knob that waited for it would hold the window for an interval.
            pump.end()
            ended.append(pump)
            window.take(pump.waiting(), "")
            pump = Pump(stretch.results)
            pump.start()
            return stretch

        window = LiveWindow(
            figure,
            run,
            save_to=save_to,
            changes=changes,
            looks=looks,
            angles=angles,
            begin_again=None if again is None else functools.partial(begin_again, again),
            plate=None if room is None else Doorplate(room),
            stand=stand,
        )
        reopening: Reopening | None = None

        def tick() -> None:
            nonlocal pump, reopening
            if reopening is None:
                window.take(pump.waiting(), pump.ending)
                if reopen is not None and isinstance(pump.problem, OSError):
                    reopening = Reopening(reopen, str(pump.problem))
            elif reopening.stretch is None:
                window.take([], reopening.status)
                window.say(reopening.problem)
            else:
                window.go_on(reopening.stretch)
                pump, reopening = Pump(reopening.stretch.results), None
                pump.start()

        timer = figure.canvas.new_timer(interval=_POLL_MS)
        timer.add_callback(tick)
        figure.canvas.mpl_connect("close_event", lambda _: timer.stop())
        pump.start()
        timer.start()
        if stand is not None:
            fill_screen(figure.canvas.manager)
        try:
            pyplot.show(block=True)
        finally:
            timer.stop()
            for each in (*ended, pump):
                each.stop()
            if reopening is not None:
                reopening.stop()
    if pump.problem is not None:
        raise pump.problem
