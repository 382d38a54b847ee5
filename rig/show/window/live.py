"""The bench picture in a window, kept up with the pings until it is closed."""

from __future__ import annotations

import functools
import os
import pathlib
from collections.abc import Iterator

from rig.bench.plan import Plan
from rig.errors import DeviceError
from rig.run.results import PingResult
from rig.run.run import Run
from rig.show.pictures.saving import check_picture_path
from rig.show.window.backend import fit_to_screen, window_backend
from rig.show.window.pump import Pump
from rig.show.window.stretch import OpenStretch, Stretch
from rig.show.window.window import LiveWindow
from rig.tank.changes import Changes
from rig.tank.scene import Scene

_POLL_MS = 10


def show_live(
    run: Run,
    results: Iterator[PingResult],
    *,
    picture_path: str | os.PathLike[str] | None = None,
    changes: Changes | None = None,
    looks: str | None = None,
    covered: bool = False,
    again: OpenStretch | None = None,
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
    covered : bool
        Whether what really stands in a made-up scene is covered at first.
    again : callable, optional
        Opens another stretch of pings, with another plan; None where the plan stays.

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
    backend = window_backend()
    if backend is None:
        raise DeviceError(
            "window: none can be opened; install python3-tk and run where there is a "
            "screen, or have the picture saved to a file"
        )
    import matplotlib
    from matplotlib import pyplot

    with matplotlib.rc_context():
        matplotlib.rcdefaults()
        matplotlib.rcParams["toolbar"] = "None"
        for name in matplotlib.rcParams:
            if name.startswith("keymap."):
                matplotlib.rcParams[name] = []
        pyplot.switch_backend(backend)
        figure = pyplot.figure(figsize=(12.8, 7.2), dpi=100)
        fit_to_screen(figure.canvas.manager)
        pump = Pump(results)

        def begin_again(open_stretch: OpenStretch, plan: Plan, scene: Scene) -> Stretch:
            nonlocal pump
            stretch = open_stretch(plan, scene)
            # Only now, since what cannot be opened leaves all as it is.
            pump.stop()
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
            covered=covered,
            begin_again=None if again is None else functools.partial(begin_again, again),
        )
        timer = figure.canvas.new_timer(interval=_POLL_MS)
        timer.add_callback(lambda: window.take(pump.waiting(), pump.ending))
        figure.canvas.mpl_connect("close_event", lambda _: timer.stop())
        pump.start()
        timer.start()
        try:
            pyplot.show(block=True)
        finally:
            timer.stop()
            pyplot.close(figure)
            pump.stop()
    if pump.problem is not None:
        raise pump.problem
