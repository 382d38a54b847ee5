"""Hands on the virtual tank: a body is taken in the sketch, led, let go.

What hands do is asked of the tank, which takes it up at its next ping; what is drawn and heard
is what the tank then tells. So the picture shows the body where it is, a ping behind the hand.
"""

from __future__ import annotations

import dataclasses
import time
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from rig.show.window.hand_path import LAG_S, HandPath, SceneClock
from rig.tank.changes import Changes, hung_still, in_the_hand, scene_at, sent_off, speed_m_s, within
from rig.tank.scene import Scene, Triple
from rig.tank.truth import TrueBody, Truth

if TYPE_CHECKING:
    from matplotlib.axes import Axes

HAND = "hand"
_REACH_PX = 12
_NOWHERE: Triple = (0.0, 0.0, 0.0)
_FLICK_M_S = 0.02
"""A hand that is slower than this as it lets go has hung the body still."""


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """A drawing of the bench in which bodies can be taken.

    Attributes
    ----------
    axes : matplotlib axes
    across : int
        What it shows beside the range: 1 for across, seen from above; 2 for up, from the side.
    down : bool
        Whether ranges run down the page.
    """

    axes: Axes
    across: int
    down: bool = False

    def place(self, x: float, y: float) -> tuple[float, float]:
        """Return how far along and how far across a point of the axes is."""
        return (y, x) if self.down else (x, y)

    def dots(self, place_m: Triple) -> tuple[float, float]:
        """Return where on the figure a place is drawn."""
        along, across = place_m[0], place_m[self.across]
        x, y = self.axes.transData.transform((across, along) if self.down else (along, across))
        return float(x), float(y)


class Hands:
    """What is held, and what is asked of the tank.

    Parameters
    ----------
    changes : Changes
        The tank's.
    truth : Truth
        What really stands there.
    step_m : float
        How far a key moves a body.
    steady_m_s : float
        How fast a body goes that a key lets go.
    clock_s : callable
        The clock of the pointer's events.

    Attributes
    ----------
    chosen : int or None
        The body that keys act on, by its number.
    """

    def __init__(
        self,
        changes: Changes,
        truth: Truth,
        *,
        step_m: float,
        steady_m_s: float,
        clock_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self.changes, self._truth = changes, truth
        self._step_m, self._clock_s = step_m, clock_s
        self.chosen: int | None = None
        self.steady_m_s = steady_m_s
        self._ping = 0
        self._coming: int | None = None
        self._scene_clock = SceneClock(clock_s)
        self._path: HandPath | None = None
        self._held: tuple[Seen, tuple[float, float]] | None = None
        self._taken_m = _NOWHERE
        self._led_by_keys: int | None = None
        self._way: Triple = (0.0, 1.0, 0.0)

    def go_on(self, changes: Changes, truth: Truth) -> None:
        """Go on in another stretch of pings, in the scene as it stands."""
        self.drop()
        changes.go_on_from(self.changes, self._truth.run_s(self._ping))
        self._follow(changes, truth)

    def begin_anew(self, changes: Changes, truth: Truth) -> None:
        """Begin with another stretch of pings, in which nothing has been touched yet."""
        self.drop()
        self.chosen, self._coming = None, None
        self._follow(changes, truth)

    def _follow(self, changes: Changes, truth: Truth) -> None:
        self.changes, self._truth, self._ping = changes, truth, 0
        self._scene_clock = SceneClock(self._clock_s)

    def see(self, ping: int) -> None:
        """Go by what stood there at a ping: the newest that is shown."""
        self._ping = max(ping, 0)
        if self._coming is not None and self._coming < len(self.bodies):
            self.chosen, self._coming = self._coming, None
        if self.chosen is not None and self.chosen >= len(self.bodies):
            self.chosen = None

    @property
    def scene(self) -> Scene:
        """What is shown."""
        return self._truth.scene_at(self._ping)

    @property
    def scene_now(self) -> Scene:
        """What is shown, with its clock set to 0 at the ping that is shown."""
        return scene_at(self.scene, self._truth.time_s(self._ping))

    @property
    def bodies(self) -> tuple[TrueBody, ...]:
        """What stands there in the picture."""
        return self._truth.bodies_at(self._ping)

    @property
    def body(self) -> TrueBody | None:
        """The chosen one."""
        bodies = self.bodies
        return (
            bodies[self.chosen] if self.chosen is not None and self.chosen < len(bodies) else None
        )

    @property
    def held_in(self) -> Seen | None:
        """The view in which the pointer holds a body; None where it holds none."""
        return None if self._held is None else self._held[0]

    def body_near(self, view: Seen, x_dots: float, y_dots: float) -> TrueBody | None:
        """Return the body that is drawn under a point of the figure, or close by."""
        near = [(self._dots_off(view, body, x_dots, y_dots), body) for body in self.bodies]
        reached = [(off, body) for off, body in near if off <= _REACH_PX]
        return min(reached, key=lambda pair: pair[0])[1] if reached else None

    def _dots_off(self, view: Seen, body: TrueBody, x_dots: float, y_dots: float) -> float:
        """Return how far a point is from a body's box, in dots; from its middle where within."""
        front, middle = np.array(body.position_m), np.array(body.centre_m)
        half = np.array(body.size_m) / 2
        corners = [
            view.dots(_triple(middle + np.array(signs) * half))
            for signs in ((-1, -1, -1), (1, 1, 1))
        ]
        corners.append(view.dots(_triple(front)))
        low, high = np.min(corners, axis=0), np.max(corners, axis=0)
        point = np.array([x_dots, y_dots])
        return float(np.linalg.norm(np.maximum(np.maximum(low - point, point - high), 0.0)))

    def take(self, view: Seen, number: int, at: tuple[float, float], time_s: float) -> None:
        """Take a body by a point of it; it is led from there on."""
        self.chosen, self._led_by_keys = number, None
        self._held, self._taken_m = (view, at), self.bodies[number].position_m
        self._lead(number, HandPath(time_s, _NOWHERE))

    def _lead(self, number: int, path: HandPath) -> None:
        self._path = path

        def led_m(run_s: float) -> Triple:
            return path.at(self._scene_clock.wall_s(run_s) - LAG_S)

        self.changes.begin(HAND, in_the_hand(number, led_m))

    def _led_to(self, path: HandPath, time_s: float, way: Sequence[float]) -> None:
        """Lead the body so far from where it was taken, as far as the bench lets it."""
        wanted = within(self.scene, _triple(np.add(self._taken_m, way)))
        path.add(time_s, _triple(np.subtract(wanted, self._taken_m)))

    def move(self, at: tuple[float, float], time_s: float) -> None:
        """Lead what is held to a point."""
        if self._held is None or self._path is None:
            return
        view, start = self._held
        way = [at[0] - start[0], 0.0, 0.0]
        way[view.across] = at[1] - start[1]
        self._led_to(self._path, time_s, way)

    def let_go(self, time_s: float) -> str:
        """Let go: a hand that moves sends the body on, one that rests hangs it still.

        Returns
        -------
        str
            Which of the two, in words.
        """
        number = self.chosen
        if self._held is None or self._path is None or number is None:
            return ""
        self._held = None
        velocity = self._path.velocity_m_s(time_s)
        if speed_m_s(velocity) < _FLICK_M_S:
            # The hand still holds it there, until it is sent on or taken again.
            return "Hung still."
        self._way = velocity
        self.changes.end(HAND, sent_off(number, velocity))
        return f"Let go at {speed_m_s(velocity):.2f} m/s."

    def expect_one_more(self) -> None:
        """Choose the body that was just put in, once it is there."""
        there = len(self.bodies) - 1
        self._coming = max(there, there if self._coming is None else self._coming) + 1

    def choose_next(self) -> None:
        """Choose the body after the chosen one, by range; after the last, none."""
        ranked = sorted(self.bodies, key=lambda body: body.range_m)
        numbers = [body.number for body in ranked]
        if self.chosen not in numbers:
            self.chosen = numbers[0] if numbers else None
        else:
            after = numbers[numbers.index(self.chosen) + 1 :]
            self.chosen = after[0] if after else None

    def nudge(self, along: int, across: int, axis: int) -> bool:
        """Lead the chosen body so many steps along, and across (axis 1) or up (2).

        Returns
        -------
        bool
            Whether keys have taken it only now: one step to undo.
        """
        body = self.body
        if body is None:
            return False
        began = self._led_by_keys != body.number or self._path is None
        if self._led_by_keys != body.number or self._path is None:
            self._held, self._led_by_keys = None, body.number
            self._taken_m = body.position_m
            self._lead(body.number, HandPath(self._clock_s(), _NOWHERE))
        path = self._path
        if path is None:
            return began
        way = list(path.last_m)
        way[0] += along * self._step_m
        way[axis] += across * self._step_m
        self._led_to(path, self._clock_s(), way)
        return began

    def send_or_hang(self) -> str:
        """Let the chosen body go at a steady speed; where it goes already, hang it still.

        It goes the way it was last sent by hand, or across.
        """
        body = self.body
        if body is None:
            return ""
        self.drop()
        if body.speed_m_s > 0:
            self.changes.once(hung_still(body.number))
            return "Hung still."
        way = np.array(self._way)
        way = way * (self.steady_m_s / np.linalg.norm(way))
        self.changes.once(sent_off(body.number, _triple(way)))
        return f"Let go at {self.steady_m_s:.2f} m/s."

    def drop(self) -> None:
        """Hold nothing any more."""
        self._held, self._led_by_keys, self._path = None, None, None
        self.changes.end(HAND)

    def undo(self) -> None:
        """Put the scene to what it would be without the last step."""
        self.drop()
        self.changes.undo()

    def start_again(self) -> None:
        """Put the scene to what it was at the first ping."""
        self.drop()
        self.changes.start_again()


def body_words(body: TrueBody) -> str:
    """Say what a body is, how large, and where."""
    size_cm = 100 * max(body.size_m)
    along, across, up = body.position_m
    words = f"{body.words}, {size_cm:.1f} cm, {along:.2f} m ahead"
    for value, more, less in ((across, "left", "right"), (up, "up", "down")):
        if abs(value) >= 0.005:
            words += f", {abs(value):.2f} m {more if value > 0 else less}"
    return words + (f", {body.speed_m_s:.2f} m/s" if body.speed_m_s else ", still")


def _triple(vector: Sequence[float] | np.ndarray[Any, Any]) -> Triple:
    along, across, up = (float(value) for value in vector)
    return (along, across, up)
