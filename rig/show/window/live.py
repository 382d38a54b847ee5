"""The bench picture in a window, kept up with the pings.

The pings come in on a thread of their own and wait in a queue, so that neither
drawing nor reading the picture ever holds one up. Only what changes is drawn for
each ping; the rest is kept as an image of the empty page.
"""

from __future__ import annotations

import dataclasses
import importlib.util
import os
import pathlib
import queue
import sys
import threading
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any, cast

from rig.bench.capture import StreamInfo
from rig.bench.plan import Plan
from rig.errors import DeviceError, EchobenchError, StorageError
from rig.run.loop import PingResult
from rig.run.receiver import Receiver
from rig.show.pictures.bench_picture import BenchPicture, save_picture
from rig.show.pictures.page import HEIGHT, INK, SOFT, WIDTH
from rig.show.pictures.saving import check_picture_path
from rig.show.pictures.scales import RangeScale, strength_limits_db
from rig.show.window.kept_pings import FEWEST_FOR_BACKGROUND, ShownPings

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from rig.measure.passes import Passing
    from rig.measure.what_if import WhatIf

HISTORY_PINGS = 120
"""Rows of the history in a window."""

KEYS = (
    "space pause · m or click: mark · ← → move it · ↑ ↓ threshold · "
    "+ − stack · b background · w what if · s save · h help · q quit"
)

_HELP = """\
space    hold the picture; pings go on and are recorded
m        mark the next echo; a click marks any range
← →      move the mark
delete   take the mark away
↑ ↓      raise, lower the threshold: fewer, more echoes
+ −      add up more, fewer pings: noise sinks, movement smears
b        take away what stood still until now, or put it back
w        what if: with one thing changed, beside what was heard;
         w again: the next thing; any other key: back to now
s        save this picture
f        fill the screen, or not
h        show or hide this help
q        quit"""

WHAT_IFS = ("disc=2x", "frequency=2x", "speed=2x", "pulse=2x", "tilt=10")
"""What the key w changes, one after the other."""

_WHAT_IF_KEYS = "w: the next thing · s save · any other key: back to now"

_POLL_MS = 10
_TITLE_BAR_PX = 60  # room for a window's own title and a bar of the screen's
_WAIT_FOR_PINGS_S = 5.0


def window_backend() -> str | None:
    """Return the matplotlib backend that can open a window here, or None.

    Tk comes with most Pythons and is asked first; Qt with the ``qt`` extra.
    """
    try:
        import tkinter

        tkinter.Tk().destroy()
        return "TkAgg"
    except Exception:  # tkinter may be missing, or its display; either way no window
        pass
    # Qt ends the whole program where it finds no display: ask before it does.
    has_display = (
        sys.platform in ("win32", "darwin")
        or os.environ.get("DISPLAY")
        or os.environ.get("WAYLAND_DISPLAY")
    )
    if has_display and importlib.util.find_spec("PySide6") is not None:
        return "QtAgg"
    return None


def _fit_to_screen(manager: Any) -> None:
    """Make the window as large as the screen allows, for those who read from afar."""
    window = manager.window
    if hasattr(window, "winfo_screenwidth"):
        width, height = window.winfo_screenwidth(), window.winfo_screenheight()
    else:
        screen = window.screen().availableGeometry()
        width, height = screen.width(), screen.height()
    scale = min(width / WIDTH, (height - _TITLE_BAR_PX) / HEIGHT)
    width, height = int(scale * WIDTH), int(scale * HEIGHT)
    if hasattr(window, "winfo_screenwidth"):
        # Asked of the window itself, which then keeps it whatever the canvas wants.
        window.geometry(f"{width}x{height}")
    else:
        window.resize(width, height)


def show_live(
    results: Iterator[PingResult],
    plan: Plan,
    info: StreamInfo,
    *,
    sound_speed_m_s: float,
    half_angle_rad: float,
    far_wall_m: float | None = None,
    picture_path: str | os.PathLike[str] | None = None,
) -> None:
    """Show pings in a window as they come, until it is closed.

    Parameters
    ----------
    results : iterator of PingResult
        Drawn from on another thread. Closed with the window, if it can be.
    plan, info, sound_speed_m_s, half_angle_rad, far_wall_m
        As :class:`rig.show.pictures.bench_picture.BenchPicture` has them.
    picture_path : path or None
        Where the key s saves; a number is added where there is a file already.
        None saves to ``bench-picture.png``.

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
        _fit_to_screen(figure.canvas.manager)
        window = LiveWindow(
            figure,
            plan,
            info,
            sound_speed_m_s=sound_speed_m_s,
            half_angle_rad=half_angle_rad,
            far_wall_m=far_wall_m,
            save_to=save_to,
        )
        pump = _Pump(results)
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


class _Pump:
    """Draws results on a thread of its own, so that nothing holds them up."""

    def __init__(self, results: Iterator[PingResult]) -> None:
        self._results = results
        self._queue: queue.SimpleQueue[PingResult] = queue.SimpleQueue()
        self._stopped = threading.Event()
        self._done = threading.Event()
        self._thread = threading.Thread(target=self._run, name="pings", daemon=True)
        self.problem: BaseException | None = None

    def start(self) -> None:
        self._thread.start()

    def _run(self) -> None:
        try:
            for result in self._results:
                self._queue.put(result)
                if self._stopped.is_set():
                    break
        except BaseException as problem:
            self.problem = problem
        finally:
            close = getattr(self._results, "close", None)
            if close is not None:
                close()
            self._done.set()

    def waiting(self) -> list[PingResult]:
        """Return what has come since the last call."""
        came = []
        while True:
            try:
                came.append(self._queue.get_nowait())
            except queue.Empty:
                return came

    @property
    def ending(self) -> str:
        """Why no more will come; empty while more may."""
        if not self._done.is_set():
            return ""
        return f"The pings ended: {self.problem}" if self.problem is not None else "All pings done"

    def stop(self) -> None:
        """Let the ping under way finish, and take no more."""
        self._stopped.set()
        self._thread.join(_WAIT_FOR_PINGS_S)


class LiveWindow:
    """The picture on an interactive figure, and what the keys do to it.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        In a window of its own, of pyplot's making.
    save_to : pathlib.Path
        Where the key s saves.

    Others as :func:`show_live` has them.
    """

    def __init__(
        self,
        figure: Figure,
        plan: Plan,
        info: StreamInfo,
        *,
        sound_speed_m_s: float,
        half_angle_rad: float,
        far_wall_m: float | None,
        save_to: pathlib.Path,
    ) -> None:
        self._figure = figure
        self._canvas = cast(Any, figure.canvas)  # a backend's own, known only when it runs
        self._plan, self._info = plan, info
        self._given: dict[str, Any] = {
            "sound_speed_m_s": sound_speed_m_s,
            "half_angle_rad": half_angle_rad,
            "far_wall_m": far_wall_m,
        }
        self._scale = RangeScale(
            sound_speed_m_s=sound_speed_m_s,
            baseline_m=plan.geometry.baseline_m,
            start_m=plan.receiver.range_start_m,
            stop_m=plan.receiver.range_stop_m,
        )
        self._save_to = save_to
        self._pings = ShownPings(plan, info, most=HISTORY_PINGS)
        self._pointer_m: float | None = None
        self._limits_db: tuple[float, float] | None = None
        self._message, self._ending = "", ""
        self._help_wanted = self._closed = False
        self._background: Any = None
        self._what_ifs = _WhatIfs(plan, info)
        self._foretold: _Foretold | None = None
        self._canvas.manager.set_window_title(f"echobench: {info.front_end}")
        self._lay_out()
        self._canvas.mpl_connect("close_event", self._note_closed)
        self._canvas.mpl_connect("draw_event", self._keep_page)
        self._canvas.mpl_connect("resize_event", self._resize)
        self._canvas.mpl_connect("key_press_event", self._press_event)
        self._canvas.mpl_connect("button_press_event", self._click_event)

    def _lay_out(self) -> None:
        self._figure.clear()
        self._background = None
        self._picture = BenchPicture(
            self._figure,
            self._plan,
            self._info,
            note=KEYS,
            history_pings=HISTORY_PINGS,
            **self._given,
        )
        scale = self._picture.dots_per_unit * 100 / self._figure.dpi
        # Over strip and history, and clear of the numbers and the words beside them.
        _, strip, history = (axes.get_position() for axes in self._picture.panels)
        self._help = self._figure.text(
            (strip.x0 + strip.x1) / 2,
            (strip.y1 + history.y0) / 2,
            _HELP,
            family="DejaVu Sans Mono",
            fontsize=14 * scale,
            linespacing=1.5,
            ha="center",
            va="center",
            multialignment="left",
            color=INK,
            bbox={"facecolor": "white", "edgecolor": SOFT, "boxstyle": "square,pad=1"},
            visible=False,
        )
        for artist in (*self._picture.artists, self._help):
            artist.set_animated(True)
        self._show()

    def _note_closed(self, _event: object) -> None:
        self._closed = True

    def _resize(self, _event: object) -> None:
        if self._foretold is None:
            self._lay_out()
        else:
            self._show_foretold(self._foretold)

    def _keep_page(self, _event: object) -> None:
        """After a full draw, which leaves out what changes: keep the page, add the rest."""
        if self._foretold is not None:
            return
        self._background = self._canvas.copy_from_bbox(self._figure.bbox)
        self._draw_changes()

    def _draw_changes(self) -> None:
        for artist in (*self._picture.artists, self._help):
            if artist.get_visible():
                self._figure.draw_artist(artist)
        self._canvas.blit(self._figure.bbox)

    def _show(self) -> None:
        # A ping may come in between the window's closing and the end of the timer.
        # Newer releases of matplotlib take the figure off its canvas at the first.
        if self._closed or self._figure.canvas.manager is None or self._foretold is not None:
            return
        pings = self._pings
        results = pings.results()
        self._widen_limits(results)
        status = self._ending
        if pings.paused:
            status = f"Paused, {pings.newer} newer"
        rescaled = self._picture.show(
            results,
            pointed_range_m=self._pointer_m,
            limits_db=self._limits_db,
            counts=(pings.pings, pings.lost_pings),
            status=status,
            remarks=pings.remarks(),
            message=self._message,
        )
        self._help.set_visible(self._help_wanted)
        if rescaled or self._background is None:
            self._canvas.draw()
        else:
            self._canvas.restore_region(self._background)
            self._draw_changes()

    def _widen_limits(self, results: list[PingResult]) -> None:
        """Fix the strength scale with the first good ping; later only ever raise its top."""
        good = [r for r in results if r.profile is not None]
        if not good:
            return
        if self._limits_db is None:
            self._limits_db = strength_limits_db(good, self._scale)
        low_db, high_db = self._limits_db
        _, needed_db = strength_limits_db(good[-1:], self._scale)
        if needed_db > high_db:
            self._limits_db = (low_db, needed_db)

    def take(self, results: list[PingResult], ending: str) -> None:
        """Take the pings that have come, and show the newest."""
        for result in results:
            self._pings.take(result)
        outcome = self._what_ifs.outcome()
        if isinstance(outcome, str):
            self._message = outcome
            self._leave_what_if()
            return
        if outcome is not None:
            self._message = ""
            self._show_foretold(outcome)
        if results or ending != self._ending:
            self._ending = ending
            self._show()

    def _press_event(self, event: Any) -> None:
        self.press(event.key or "")

    def _click_event(self, event: Any) -> None:
        if event.inaxes in self._picture.panels and event.xdata is not None:
            self.point_at(float(event.xdata))

    def point_at(self, range_m: float) -> None:
        """Point at a range, or at the echo of the newest ping that is close by."""
        range_m = min(max(range_m, 0.0), self._scale.stop_m)
        near = [e.range_m for e in self._echoes() if abs(e.range_m - range_m) < self._nudge_m]
        self._pointer_m = min(near, key=lambda m: abs(m - range_m), default=range_m)
        self._message = ""
        self._show()

    @property
    def _nudge_m(self) -> float:
        return self._scale.stop_m / 100

    def _echoes(self) -> tuple[Any, ...]:
        results = self._pings.results()
        return results[-1].echoes if results else ()

    def press(self, key: str) -> None:
        """Do what a key, by matplotlib's name, stands for; other keys do nothing."""
        actions: dict[str, Callable[[], object]] = {
            " ": self._pings.pause,
            "m": self._point_at_next,
            "left": lambda: self._move_pointer(-1),
            "right": lambda: self._move_pointer(1),
            "delete": self._drop_pointer,
            "backspace": self._drop_pointer,
            "up": self._pings.raise_threshold,
            "down": self._pings.lower_threshold,
            "+": lambda: self._restack(self._pings.stack_more),
            "=": lambda: self._restack(self._pings.stack_more),
            "-": lambda: self._restack(self._pings.stack_fewer),
            "b": self._toggle_background,
            "s": self._save,
            "f": self._fill_screen,
            "h": self._toggle_help,
            "?": self._toggle_help,
        }
        if key == "q":
            self._close()
        elif key == "w":
            self._ask_what_if()
        elif self._foretold is not None and key not in ("s", "f"):
            self._message = ""
            self._leave_what_if()
        elif key in actions:
            self._message = ""
            actions[key]()
            self._show()

    def _ask_what_if(self) -> None:
        """Go to the next what-if, or back to now after the last."""
        if self._foretold is None:
            self._message = "What if: working it out from the pings shown …"
            self._what_ifs.begin(self._pings.results())
            self._show()
        elif not self._what_ifs.next():
            self._message = ""
            self._leave_what_if()

    def _show_foretold(self, foretold: _Foretold) -> None:
        """Put both histories in place of the picture; pings still come, and are kept."""
        from rig.show.pictures.what_if_picture import draw_what_if

        if self._closed or self._figure.canvas.manager is None:
            return
        self._foretold = foretold
        self._figure.clear()
        draw_what_if(
            self._figure, foretold.receiver, foretold.results, foretold.found, note=_WHAT_IF_KEYS
        )
        self._canvas.draw()

    def _leave_what_if(self) -> None:
        self._what_ifs.end()
        self._foretold = None
        self._lay_out()

    def _point_at_next(self) -> None:
        """Go to the next echo beyond the pointer; after the last, to the nearest."""
        ranges = [e.range_m for e in self._echoes()]
        if not ranges:
            self._message = "The newest ping has no echo to mark; a click marks any range."
            return
        past_m = -1.0 if self._pointer_m is None else self._pointer_m + self._nudge_m / 2
        self._pointer_m = next((m for m in ranges if m > past_m), ranges[0])

    def _move_pointer(self, steps: int) -> None:
        start_m = self._scale.stop_m / 2 if self._pointer_m is None else self._pointer_m
        moved_m = start_m + steps * self._nudge_m / 4
        self._pointer_m = min(max(moved_m, 0.0), self._scale.stop_m)

    def _drop_pointer(self) -> None:
        self._pointer_m = None

    def _restack(self, change: Callable[[], None]) -> None:
        change()
        self._limits_db = None  # the noise floor has moved

    def _toggle_background(self) -> None:
        if self._pings.toggle_background():
            self._limits_db = None
        else:
            self._message = (
                "What stands still is known only after "
                f"{FEWEST_FOR_BACKGROUND} good pings: wait, then press b again."
            )

    def _toggle_help(self) -> None:
        self._help_wanted = not self._help_wanted

    def _fill_screen(self) -> None:
        self._canvas.manager.full_screen_toggle()

    def _save(self) -> None:
        if self._foretold is not None:
            self._save_foretold(self._foretold)
            return
        path = _free_path(self._save_to)
        try:
            save_picture(
                path,
                self._plan,
                self._info,
                self._pings.results(),
                pointed_range_m=self._pointer_m,
                remarks=self._pings.remarks(),
                **self._given,
            )
        except StorageError as problem:
            self._message = str(problem)
        else:
            self._message = f"Saved: {path}"

    def _save_foretold(self, foretold: _Foretold) -> None:
        from rig.show.pictures.what_if_picture import save_what_if

        path = _free_path(self._save_to.with_stem(f"{self._save_to.stem}-what-if"))
        try:
            save_what_if(path, foretold.receiver, foretold.results, foretold.found)
        except StorageError as problem:
            self._message = str(problem)
            self._leave_what_if()

    def _close(self) -> None:
        from matplotlib import pyplot

        pyplot.close(self._figure)


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Foretold:
    """A forecast, and what it was made from."""

    receiver: Receiver
    results: list[PingResult]
    found: WhatIf


class _WhatIfs:
    """Works out one what-if after the other, on a thread of its own.

    All are made from the pings that were shown when the first was asked for.
    """

    def __init__(self, plan: Plan, info: StreamInfo) -> None:
        self._plan, self._info = plan, info
        self._outcomes: queue.SimpleQueue[tuple[int, _Foretold | str]] = queue.SimpleQueue()
        self._asked = 0  # so that what was asked for before the end is passed over
        self._place = 0
        self._busy = False
        self._heard: list[PingResult] = []
        self._known: tuple[Receiver, tuple[Passing, ...]] | None = None

    def begin(self, results: list[PingResult]) -> None:
        """Ask for the first."""
        if not self._busy:
            self._heard, self._known, self._place = results, None, 0
            self._start()

    def next(self) -> bool:
        """Ask for the next; False where there is none."""
        if self._busy:
            return True
        self._place += 1
        if self._place == len(WHAT_IFS):
            return False
        self._start()
        return True

    def end(self) -> None:
        """Let go of what was asked for."""
        self._asked += 1
        self._busy = False

    def outcome(self) -> _Foretold | str | None:
        """Return the forecast that has come, or why there is none; None while there is neither.

        A change that cannot be made is passed over for the next one.
        """
        try:
            asked, outcome = self._outcomes.get_nowait()
        except queue.Empty:
            return None
        if asked != self._asked:
            return None
        self._busy = False
        if isinstance(outcome, str) and self.next():
            return None
        return outcome

    def _start(self) -> None:
        self._asked += 1
        self._busy = True
        words = (self._asked, WHAT_IFS[self._place])
        threading.Thread(target=self._work, args=words, name="what-if", daemon=True).start()

    def _work(self, asked: int, change: str) -> None:
        from rig.measure.passes import passings_of
        from rig.measure.what_if import read_change, what_if

        outcome: _Foretold | str
        try:
            if self._known is None:
                receiver = Receiver(self._plan, self._info)
                self._known = receiver, passings_of(receiver, self._heard)
            receiver, passings = self._known
            found = what_if(receiver, self._heard, read_change(change), passings=passings)
            outcome = _Foretold(receiver=receiver, results=self._heard, found=found)
        except EchobenchError as problem:
            outcome = str(problem)
        self._outcomes.put((asked, outcome))


def _free_path(path: pathlib.Path) -> pathlib.Path:
    """Return `path`, numbered where there is a file of that name already."""
    free, number = path, 2
    while free.exists():
        free = path.with_name(f"{path.stem}-{number}{path.suffix}")
        number += 1
    return free
