"""The live window on a canvas without a screen, its pings and its hand moved by the test alone.

Nothing waits: a clock that the test moves stands for the wall's, so that a hand of a known
speed draws a body while pings are sent, and all of it takes as long as the work takes.
"""

from __future__ import annotations

import pathlib
import types

from matplotlib.backend_bases import KeyEvent, MouseEvent
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from rig.run.opening import open_bench
from rig.show.window.stretch import Stretch
from rig.show.window.window import LiveWindow


class Clock:
    """Seconds that pass when the test says so."""

    def __init__(self):
        self.now_s = 1000.0

    def __call__(self):
        return self.now_s


class HandWindow:
    """A window over an open bench, pinged and touched step by step.

    Parameters
    ----------
    bench : rig.run.opening.Bench
    folder : path
        Where it saves.
    record : str, optional
    shows_every : int
        Pings that the window takes at once, as one that draws slowly does.
    """

    def __init__(self, bench, folder, *, record=None, size_px=(1280, 720), shows_every=1, **how):
        self.clock = Clock()
        self.run = bench.run()
        self._results = bench.over(self.run, 10**9, record=record, one_by_one=True)
        self._record, self.stretches = record, []
        self.interval_s = self.run.plan.timing.ping_interval_s
        self.start_s, self.pings = self.clock.now_s, 0
        self._waiting, self._shows_every = [], shows_every
        figure = Figure(figsize=(size_px[0] / 100, size_px[1] / 100), dpi=100)
        self.canvas = FigureCanvasAgg(figure)
        self.canvas.manager = types.SimpleNamespace(
            set_window_title=lambda _: None, full_screen_toggle=lambda: None
        )
        self.window = LiveWindow(
            figure,
            self.run,
            save_to=pathlib.Path(folder) / "shot.png",
            changes=bench.front_end.changes,
            clock_s=self.clock,
            begin_again=self._again,
            **how,
        )
        self.figure = figure

    def _again(self, plan, scene):
        """Open a stretch of pings with another plan, recorded beside the first."""
        bench = open_bench(plan, scene=scene, seed=len(self.stretches) + 2)
        record = None
        if self._record is not None:
            record = f"{self._record}-{len(self.stretches) + 2}"
        self._results.close()
        self.run = bench.run()
        self._results = bench.over(self.run, 10**9, record=record, one_by_one=True)
        self.interval_s = plan.timing.ping_interval_s
        self.start_s, self.pings = self.clock.now_s, 0
        stretch = Stretch(
            run=self.run,
            results=self._results,
            changes=bench.front_end.changes,
            record=record or "",
        )
        self.stretches.append(stretch)
        return stretch

    def close(self):
        self._results.close()

    def pass_time(self, seconds):
        """Let time go by; each ping that becomes due is sent and shown."""
        until_s = self.clock.now_s + seconds
        while (due_s := self.start_s + self.pings * self.interval_s) <= until_s:
            self.clock.now_s = max(due_s, self.clock.now_s)
            self._waiting.append(next(self._results))
            self.pings += 1
            if len(self._waiting) >= self._shows_every:
                self.show()
        self.clock.now_s = until_s

    def show(self):
        """Let the window take what has come."""
        self.window.take(self._waiting, "")
        self._waiting = []

    def ping(self, pings=1):
        for _ in range(pings):
            self.pass_time(self.start_s + self.pings * self.interval_s - self.clock.now_s + 1e-9)

    def press(self, *keys):
        for key in keys:
            self.canvas.callbacks.process(
                "key_press_event", KeyEvent("key_press_event", self.canvas, key)
            )

    def mouse(self, what, x, y):
        """What is "press", "move" or "release", at dots from the lower left."""
        name = {
            "press": "button_press_event",
            "move": "motion_notify_event",
            "release": "button_release_event",
        }[what]
        event = MouseEvent(name, self.canvas, x, y, button=None if what == "move" else 1)
        self.canvas.callbacks.process(name, event)

    def dots(self, along_m, other_m, axis=1):
        """Where a place is drawn, seen from above (axis 1) or from the side (2)."""
        (view,) = [v for v in self.window.seen if v.across == axis]
        place = [along_m, 0.0, 0.0]
        place[axis] = other_m
        return view.dots(tuple(place))

    def draw_by_hand(self, start, stop, speed_m_s, *, axis=1, rate_hz=250.0):
        """Draw what stands at a place to another at a steady speed, in whole dots.

        Returns
        -------
        float
            The speed at which the pointer really went, between the dots that it was on.
        """
        (x0, y0), (x1, y1) = (self.dots(*place, axis=axis) for place in (start, stop))
        far_m = sum((a - b) ** 2 for a, b in zip(start, stop, strict=True)) ** 0.5
        lasts_s = far_m / speed_m_s
        steps = max(round(lasts_s * rate_hz), 1)
        at = started = round(x0), round(y0)
        self.mouse("press", *at)
        assert self.window.hands.held_in is not None, "no body is drawn there"
        for step in range(1, steps + 1):
            self.pass_time(1 / rate_hz)
            share = step / steps
            now = round(x0 + share * (x1 - x0)), round(y0 + share * (y1 - y0))
            if now != at:
                # A mouse tells only when it is on another dot.
                self.mouse("move", *now)
                at = now
        went = sum((a - b) ** 2 for a, b in zip(at, started, strict=True)) ** 0.5
        asked = ((x1 - x0) ** 2 + (y1 - y0) ** 2) ** 0.5
        return far_m * (went / asked) / (steps / rate_hz)

    def release(self):
        self.mouse("release", 0, 0)

    def rest_and_release(self):
        """Hold still, let go, and wait until the body is there and shown."""
        self.pass_time(0.35)
        self.release()
        self.pass_time(0.1)
        self.show()

    @property
    def bodies(self):
        """What the window shows to stand there."""
        return self.window.hands.bodies
