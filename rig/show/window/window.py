"""The picture on an interactive figure, and what the keys do to it."""

from __future__ import annotations

import dataclasses
import pathlib
import time
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, cast

import numpy as np

from rig.bench.plan import Plan, plan_from_table
from rig.errors import EchobenchError, StorageError
from rig.run.results import PingResult
from rig.run.run import Run
from rig.show.pictures.bench_picture import BenchPicture, draw_picture
from rig.show.pictures.saving import free_path, save_drawn
from rig.show.pictures.scales import range_scale, widened_limits_db
from rig.show.room.words import ping_words
from rig.show.window import doorplate
from rig.show.window.display import Display
from rig.show.window.doorplate import Doorplate
from rig.show.window.grip import Grip
from rig.show.window.hands import Hands
from rig.show.window.help_sheets import HelpSheets
from rig.show.window.kept_pings import FEWEST_FOR_BACKGROUND, HISTORY_ROWS, ShownPings
from rig.show.window.keys import LEAVE, LOCKED, Offers, foot, what_if_keys
from rig.show.window.plan_knobs import PlanDesk
from rig.show.window.pointer import Pointer
from rig.show.window.rings import Rings, views_of
from rig.show.window.sheet import Sheet
from rig.show.window.stand import Stand, comes_to_an_end
from rig.show.window.stretch import OpenStretch, Stretch, as_older
from rig.show.window.touch import Touch
from rig.show.window.tray import Tray
from rig.show.window.what_ifs import Foretold, WhatIfs
from rig.show.wording import no_truth_text
from rig.tank.changes import Changes
from rig.tank.scene import Scene, scene_from_table

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_LOOKS_EVERY = 16
"""So many pings apart it is looked whether another bench is among them."""


class LiveWindow:
    """The picture on an interactive figure, and what the keys do to it.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        In a window of its own, of pyplot's making.
    save_to : pathlib.Path
        Where the key s saves.
    changes : Changes or None
        Takes what hands do to the virtual tank's scene; None where nothing can be moved.
    clock_s : callable
        By which a hand is followed.
    begin_again : callable, optional
        Ends the stretch of pings and begins another; None where a plan cannot be changed.
    plate : Doorplate, optional
        By which a room follows what is shown.
    stand : Stand, optional
        Where nobody minds the window: it then goes back to the start by itself, and no key
        ends or saves anything.

    Others as :func:`rig.show.window.live.show_live` has them.
    """

    def __init__(
        self,
        figure: Figure,
        run: Run,
        *,
        save_to: pathlib.Path,
        changes: Changes | None = None,
        clock_s: Callable[[], float] = time.monotonic,
        looks: str | None = None,
        angles: bool = False,
        begin_again: OpenStretch | None = None,
        plate: Doorplate | None = None,
        stand: Stand | None = None,
    ) -> None:
        self._figure = figure
        self._canvas = cast(Any, figure.canvas)  # a backend's own, known only when it runs
        self._run = run
        self._scale = range_scale(run.receiver)
        self._save_to = save_to
        self._looks = self._start_looks = looks or run.plan.geometry.looks
        self._angles = angles
        self._stand, self._covered = stand, False
        self._pings = ShownPings(run.receiver, most=HISTORY_ROWS)
        self._pointer = Pointer(self._scale.stop_m)
        self._limits_db: tuple[float, float] | None = None
        self._message, self._ending, self._foreign = "", "", ""
        self._closed = False
        self._what_ifs = WhatIfs(run)
        self._foretold: Foretold | None = None
        self._settled: Scene | None = None
        self.hands: Hands | None = None
        self._grip: Grip | None = None
        if changes is not None and run.origin.truth is not None:
            self.hands = Hands(
                changes,
                run.origin.truth,
                step_m=self._scale.stop_m / 250,
                steady_m_s=round(self._scale.stop_m / 12, 2),
                clock_s=clock_s,
            )
            self._grip = Grip(self.hands, clock_s)
        self._plate = plate
        self._offers = Offers(
            hands=self.hands is not None,
            truth=run.origin.truth is not None,
            room=plate is not None,
            locked=stand is not None,
        )
        self._help = HelpSheets(self._offers)
        self.display = Display()
        self.tray: Tray | None = None
        self._begin_again = begin_again
        self._start_plan = run.plan
        self._start_scene = None if self.hands is None else self.hands.scene
        self.touch = self._new_touch()
        title = f"echobench: {run.info.front_end}"
        self._canvas.manager.set_window_title(title if plate is None else f"{title}, {plate.title}")
        self._lay_out()
        self._canvas.mpl_connect("close_event", self._note_closed)
        self._canvas.mpl_connect("draw_event", self._keep_page)
        self._canvas.mpl_connect("resize_event", self._resize)
        self._canvas.mpl_connect("key_press_event", self._press_event)
        self._canvas.mpl_connect("button_press_event", self._click_event)
        self._canvas.mpl_connect("motion_notify_event", self._motion_event)
        self._canvas.mpl_connect("button_release_event", self._release_event)

    def _new_touch(self) -> Touch:
        return Touch(
            self.display,
            self.hands,
            stop_m=self._scale.stop_m,
            plan=lambda: self._run.plan,
            save_to=self._save_to.with_name(f"{self._save_to.stem}-scene.toml"),
            desk=self._desk(self.hands),
        )

    @property
    def _shows_angles(self) -> bool:
        """Whether they were asked for; another plan may have one receiver."""
        return self._angles and self._run.plan.geometry.second is not None

    @property
    def message(self) -> str:
        """What is said at the foot; empty where nothing is."""
        return self._message

    @property
    def help_shown(self) -> str:
        """The keys in words, where they are shown."""
        return self._help.shown

    @property
    def shown_pings(self) -> list[int]:
        """Numbers of the pings in the history; below 0 those of a plan before."""
        return [r.index for r in self._pings.results()]

    @property
    def limits_db(self) -> tuple[float, float] | None:
        """Ends of the strength scale as they are shown; None before the first good ping."""
        return None if self._limits_db is None else self.display.limits_db(self._limits_db)

    @property
    def remarks(self) -> str:
        """What is said beside the strip: what was done to the pings, and to the display."""
        said = (self._pings.remarks(), self._foreign, self.display.remarks)
        return " ".join(words for words in said if words)

    def _lay_out(self) -> None:
        self._figure.clear()
        results = self._pings.results()
        self._picture = BenchPicture(
            self._figure,
            self._run,
            note=foot(self._offers),
            history_pings=HISTORY_ROWS,
            covered=self._covered,
            looks=self._looks,
            angles=self._shows_angles,
            ping=results[-1].index if results else 0,
        )
        self._help.lay(self._figure, self._picture)
        self.seen = views_of(self._picture)
        self._rings = Rings(self._picture, self.seen)
        was_open = self.tray is not None and self.tray.open
        off = LOCKED if self._stand is not None else frozenset()
        self.tray = Tray(self._figure, hands=self.hands is not None, without=off)
        self.tray.open = was_open
        self._sheet = Sheet(
            self._figure, self._picture, self._help.artist, tray=self.tray, plate=self._plate
        )
        self._show()

    def _note_closed(self, _event: object) -> None:
        self._closed = True

    def _resize(self, _event: object) -> None:
        if self._foretold is None:
            self._lay_out()
        else:
            self._show_foretold(self._foretold)

    def _keep_page(self, _event: object) -> None:
        if self._foretold is None:
            self._sheet.keep_page()
        elif self._plate is not None:
            self._plate.tell("What if: one thing changed, beside what was heard", (), self._ending)
            self._plate.take(np.asarray(self._canvas.buffer_rgba()))

    def _show(self) -> None:
        # A ping may come in between the window's closing and the end of the timer.
        # Newer releases of matplotlib take the figure off its canvas at the first.
        if self._closed or self._figure.canvas.manager is None or self._foretold is not None:
            return
        pings = self._pings
        results = pings.results()
        self._limits_db = widened_limits_db(self._limits_db, results, self._scale)
        self._picture.set_over_range(self.display.added_db)
        status = self._ending
        if pings.paused:
            status = f"Paused, {pings.newer} newer"
        rescaled = self._picture.show(
            results,
            pointed_range_m=self._pointer.range_m,
            limits_db=self.limits_db,
            counts=(pings.pings, pings.lost_pings),
            status=status,
            remarks=self.remarks,
            left_out=pings.left_out,
            message=self._message,
        )
        if self.hands is not None and results:
            self.hands.see(results[-1].index)
            self._rings.show(self.hands.body)
        if self.tray is not None:
            name, value = self.touch.knob
            self.tray.show(name, value, self._message)
        self._help.artist.set_visible(self._help.number is not None)
        if self._plate is not None:
            self._plate.tell(*ping_words(results[-1] if results else None), self._ending)
        self._sheet.show(rescaled=rescaled)

    def _lay_out_when_settled(self) -> None:
        """Lay the page out anew once what stands there has been as it is for two pings.

        While a pair rolls its cone's edges alone are drawn: a page takes too long.
        """
        results, truth = self._pings.results(), self._run.origin.truth
        if truth is None or not results or self._picture.fits(results[-1].index):
            self._settled = None
            return
        fixed = dataclasses.replace(truth.scene_at(results[-1].index), target=())
        if fixed == self._settled and self._foretold is None:
            self._settled = None
            self._lay_out()
        else:
            self._settled = fixed

    def take(self, results: list[PingResult], ending: str) -> None:
        """Take the pings that have come, and show the newest."""
        for result in results:
            self._pings.take(result)
            if result.index % _LOOKS_EVERY == _LOOKS_EVERY - 1:
                self._foreign = self._pings.foreign()
        if results:
            self._lay_out_when_settled()
        if self.hands is not None:
            self._message = self.hands.changes.refused() or self._message
        outcome = self._what_ifs.outcome()
        if isinstance(outcome, str):
            self._message = outcome
            self._leave_what_if()
            return
        if outcome is not None:
            self._message = ""
            self._show_foretold(outcome)
        if self._stand is not None:
            self._mind(self._stand)
        if results or ending != self._ending:
            self._ending = ending
            self._show()
        elif self._foretold is None:
            # Nothing has come: the time to draw what takes longest when a key asks for it.
            any(map(self._sheet.draw_ahead, self._help.sheets))

    def _mind(self, stand: Stand) -> None:
        """Go back to the start once nobody has touched the window for long, and say so before."""
        if stand.due(ends=self._start_scene is not None and comes_to_an_end(self._start_scene)):
            self.start_over()
        elif stand.words:
            self._message = stand.words

    def start_over(self) -> None:
        """Put all back to what it was at the start: plan, scene, display and picture."""
        self._what_ifs.end()
        self._foretold = None
        self.display.gain_db = self.display.over_range_db = 0.0
        self._looks, self._covered = self._start_looks, False
        self._pointer.range_m, self._help.number, self._message = None, None, ""
        if self.tray is not None:
            self.tray.open = False
        stretch = None
        if self._begin_again is not None and self._start_scene is not None:
            try:
                stretch = self._begin_again(self._start_plan, self._start_scene)
            except EchobenchError as problem:
                self._message = str(problem)
        if stretch is not None:
            self._take_over(stretch, older=[])
        else:
            self._pings = ShownPings(self._run.receiver, most=HISTORY_ROWS)
            self._limits_db = None
        self.touch = self._new_touch()
        self._lay_out()

    def go_on(self, stretch: Stretch) -> None:
        """Go on with pings of a device that has been opened again."""
        self._take_over(stretch, older=as_older(self._pings.results(), self._run, stretch.run))
        self._message = "The device is there again."
        self._lay_out()

    def say(self, words: str) -> None:
        """Say something at the foot."""
        if words != self._message:
            self._message = words
            self._show()

    def _press_event(self, event: Any) -> None:
        self.press(event.key or "")

    def _touched_now(self) -> None:
        if self._stand is not None:
            self._message = "" if self._message == self._stand.words else self._message
            self._stand.touch()

    def _click_event(self, event: Any) -> None:
        self._touched_now()
        if self._plate is not None and self._plate.shown:
            self._turn_plate()  # a stand has no keyboard, and the plate lies over all
            return
        key = None if self.tray is None else self.tray.key_at(event.x, event.y)
        if key is not None:
            self.press(key)
            return
        if self._take_body(event) or event.inaxes is None:
            return
        range_m = self._picture.range_at(event.inaxes, event.xdata, event.ydata)
        if range_m is not None:
            self.point_at(range_m)

    def _take_body(self, event: Any) -> bool:
        """Take the body under the pointer, if there is one; say whether."""
        if self._grip is None or self._foretold is not None:
            return False
        words = self._grip.take(event, self.seen)
        if words is None:
            return False
        self.touch.took()
        self._message = words
        self._show()
        return True

    def _motion_event(self, event: Any) -> None:
        self._touched_now()
        if self._grip is not None:
            self._grip.move(event)

    def _release_event(self, event: Any) -> None:
        words = None if self._grip is None else self._grip.let_go(event)
        if words is not None:
            self._message = words
            self._show()

    def point_at(self, range_m: float) -> None:
        """Point at a range, or at the echo of the newest ping that is close by."""
        self._pointer.point_at(range_m, self._echoes())
        self._message = ""
        self._show()

    def _echoes(self) -> tuple[Any, ...]:
        results = self._pings.results()
        return results[-1].echoes if results else ()

    def press(self, key: str) -> None:
        """Do what a key, by matplotlib's name, stands for; other keys do nothing."""
        actions: dict[str, Callable[[], object]] = {
            " ": self._pings.pause,
            "m": self._point_at_next,
            "left": lambda: self._pointer.move(-1),
            "right": lambda: self._pointer.move(1),
            "delete": self._pointer.drop,
            "backspace": self._pointer.drop,
            "up": self._pings.raise_threshold,
            "down": self._pings.lower_threshold,
            "+": lambda: self._restack(self._pings.stack_more),
            "=": lambda: self._restack(self._pings.stack_more),
            "-": lambda: self._restack(self._pings.stack_fewer),
            "b": self._toggle_background,
            "t": self._cover,
            "d": self._turn,
            "s": self._save,
            "f": self._fill_screen,
            "h": self._toggle_help,
            "?": self._toggle_help,
        }
        self._touched_now()
        if self._stand is not None:
            if key in LOCKED:
                return
            key = "q" if key == LEAVE else key
        if key == "q":
            self._close()
        elif key == "w":
            self._ask_what_if()
        elif key == doorplate.KEY and self._plate is not None:
            self._turn_plate()
        elif self._foretold is not None and key not in ("s", "f"):
            self._message = ""
            self._leave_what_if()
        elif key in ("k", "K"):
            self._open_tray(key)
        elif (words := self._touched(key)) is not None:
            self._message = words
            self._show()
        elif key in actions:
            self._message = ""
            actions[key]()
            self._show()

    def _touched(self, key: str) -> str | None:
        down = self._looks == "down"
        return self.touch.press(key, down=down, covered=self._covered)

    def _desk(self, hands: Hands | None) -> PlanDesk | None:
        """Return where plans are changed, if they can be here."""
        if hands is None or self._begin_again is None:
            return None
        return PlanDesk(
            plan=lambda: self._run.plan,
            begin=self._begin,
            tell=lambda words: self.touch.say(words),
            true_c=lambda: hands.scene.medium.temperature_c,
        )

    def _begin(self, plan: Plan, change: Callable[[Scene], Scene]) -> str:
        """Begin a stretch of pings with another plan; say why not, or nothing."""
        if self.hands is None or self._begin_again is None:
            return "The plan cannot be changed here."
        try:
            # As it is read from a file, so that a recording of it can be read too.
            plan = plan_from_table(plan.as_table(), source="this plan")
            scene = scene_from_table(change(self.hands.scene_now).as_table(), source="its scene")
            stretch = self._begin_again(plan, scene)
        except (EchobenchError, ValueError) as problem:
            return str(problem)
        older = as_older(self._pings.results(), self._run, stretch.run)
        self._take_over(stretch, older=older, hands_go_on=True)
        words = "A new plan."
        if stretch.record:
            words = f"A new plan: the recording is closed, and {stretch.record} begins."
        if not older:
            words += " The history begins anew."
        self.touch.say(words)
        self._lay_out()
        return ""

    def _take_over(
        self, stretch: Stretch, *, older: list[PingResult], hands_go_on: bool = False
    ) -> None:
        """Show another stretch of pings from now on; the page is to be laid out anew."""
        self._run, self._scale = stretch.run, range_scale(stretch.run.receiver)
        self._pointer.stop_m = self._scale.stop_m
        self._pings = ShownPings(stretch.run.receiver, most=HISTORY_ROWS, older=older)
        self._what_ifs, self._limits_db, self._ending = WhatIfs(stretch.run), None, ""
        self._foreign = ""
        truth = stretch.run.origin.truth
        if self.hands is not None and stretch.changes is not None and truth is not None:
            if hands_go_on:
                self.hands.go_on(stretch.changes, truth)
            else:
                self.hands.begin_anew(stretch.changes, truth)

    def _open_tray(self, key: str) -> None:
        """Open the tray, go to its next knob, or close it."""
        if self.tray is None:
            return
        if key == "k" and self.tray.open:
            self.touch.next_knob()
        self.tray.open = key == "k"
        self._message = ""
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

    def _show_foretold(self, foretold: Foretold) -> None:
        """Put both histories in place of the picture; pings still come, and are kept."""
        from rig.show.pictures.what_if_picture import draw_what_if

        if self._closed or self._figure.canvas.manager is None:
            return
        self._foretold = foretold
        self._figure.clear()
        draw_what_if(self._figure, foretold.run, foretold.found, note=what_if_keys(self._offers))
        self._canvas.draw()

    def _leave_what_if(self) -> None:
        self._what_ifs.end()
        self._foretold = None
        self._lay_out()

    def _point_at_next(self) -> None:
        """Go to the next echo beyond the pointer; after the last, to the nearest."""
        self._message = self._pointer.next(self._echoes())

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

    def _cover(self) -> None:
        """Cover what really stands there, or uncover it: a class predicts first."""
        if self._run.origin.truth is None:
            self._message = f"Nothing to uncover. {no_truth_text(self._run.info)}"
            return
        self._covered = not self._covered
        self._lay_out()

    def _turn(self) -> None:
        """Let the ranges run the other way: along the page, or down it."""
        self._looks = "along" if self._looks == "down" else "down"
        self._lay_out()

    def _toggle_help(self) -> None:
        """Show the keys, then those of hands where there are any, then none."""
        if self._plate is not None and self._plate.shown:
            self._turn_plate()  # it would lie over the words
        self._help.turn()

    def _turn_plate(self) -> None:
        """Put away the plate that tells how to join, or lay it out."""
        if self._plate is not None:
            self._plate.toggle()
            self._canvas.draw()

    def _fill_screen(self) -> None:
        self._canvas.manager.full_screen_toggle()

    def _save(self) -> None:
        if self._foretold is not None:
            self._save_foretold(self._foretold)
            return
        path = free_path(self._save_to)
        try:
            save_drawn(
                path,
                lambda figure: draw_picture(
                    figure,
                    self._run,
                    self._pings.results(),
                    pointed_range_m=self._pointer.range_m,
                    remarks=self._pings.remarks(),
                    left_out=self._pings.left_out,
                    covered=self._covered,
                    looks=self._looks,
                    angles=self._shows_angles,
                ),
            )
        except StorageError as problem:
            self._message = str(problem)
        else:
            self._message = f"Saved: {path}"

    def _save_foretold(self, foretold: Foretold) -> None:
        from rig.show.pictures.what_if_picture import draw_what_if

        path = free_path(self._save_to.with_stem(f"{self._save_to.stem}-what-if"))
        try:
            save_drawn(path, lambda figure: draw_what_if(figure, foretold.run, foretold.found))
        except StorageError as problem:
            self._message = str(problem)
            self._leave_what_if()

    def _close(self) -> None:
        from matplotlib import pyplot

        pyplot.close(self._figure)
