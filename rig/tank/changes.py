"""What hands do to a scene while pings are sent: each change is taken up at the next ping.

Hands act on a thread of their own, whenever they like; the tank asks once a ping. A change is
a function from the scene as it stands at that ping to the scene from that ping on. What goes on
for longer than one ping, such as a body in the hand, is asked anew at each.
"""

from __future__ import annotations

import dataclasses
import math
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from rig.errors import SceneError
from rig.tank.motion import as_at, track
from rig.tank.scene import Scene, Target, Triple, scene_from_table, triple

Change = Callable[[Scene], Scene]

FASTEST_HAND_M_S = 2.0
"""A body in the hand goes no faster: an arm's draw. A pointer that leaps is followed so."""

_NEAR_WALL_M = 0.001
_NEAREST_AHEAD_M = 0.02
_AT_REST_M = 1e-6
_AT_REST_M_S = 1e-4
_MOST_STEPS = 100


@dataclass(frozen=True, slots=True, kw_only=True)
class Tick:
    """One ping, as the scene's own clock has it.

    Attributes
    ----------
    run_s : float
        When it is sent, from the first ping.
    interval_s : float
        To the next.
    """

    run_s: float
    interval_s: float


Going = Callable[[Scene, Tick], Scene]


class Changes:
    """What is to be changed at the next ping. One thread may ask while another adds."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._waiting: list[_Step] = []
        self._going: dict[str, Going] = {}
        self._steps: list[tuple[Scene, float]] = []
        self._start: Scene | None = None
        self._refused = ""

    def once(self, change: Change) -> None:
        """Change the scene at the next ping; one step for :meth:`undo`."""

        def step(kept: Changes, scene: Scene, tick: Tick) -> Scene:
            kept._keep_step(scene, tick)
            return change(scene)

        with self._lock:
            self._waiting.append(step)

    def begin(self, name: str, going: Going, *, is_step: bool = True) -> None:
        """Change the scene anew at each ping, until :meth:`end`.

        Parameters
        ----------
        name : str
            One that goes on by that name gives way.
        going : callable
            From the scene as it stands at a ping, and the ping, to the scene from there on.
        is_step : bool
            Whether it is one for :meth:`undo`.
        """

        def step(kept: Changes, scene: Scene, tick: Tick) -> Scene:
            kept._keep_step(scene, tick)
            return scene

        with self._lock:
            if is_step:
                self._waiting.append(step)
            self._going[name] = going

    def end(self, name: str, change: Change | None = None) -> None:
        """Let what goes on by a name end, with a last change that is no step of its own."""
        with self._lock:
            self._going.pop(name, None)
            if change is not None:
                self._waiting.append(lambda _, scene, __: change(scene))

    def go_on_from(self, other: Changes, run_s: float) -> None:
        """Take over from a run that ended at a time of its own: its steps, and what goes on.

        What was asked for too late for that run waits for this one's first ping. Called
        before it.
        """
        with other._lock:
            self._waiting, other._waiting = other._waiting, []
            self._start = other._start
            self._steps = [(scene, then_s - run_s) for scene, then_s in other._steps]
            self._going = dict(other._going)

    def undo(self) -> None:
        """Put the scene to what it would be now without the last step, from the next ping on.

        What goes on by a name goes on; who began it ends it.
        """

        def back(kept: Changes, scene: Scene, tick: Tick) -> Scene:
            if not kept._steps:
                return scene
            before, then_s = kept._steps.pop()
            return scene_at(before, tick.run_s - then_s)

        with self._lock:
            self._waiting.append(back)

    def start_again(self) -> None:
        """Put the scene to what it was at the first ping, as one step; nothing goes on."""

        def anew(kept: Changes, scene: Scene, tick: Tick) -> Scene:
            kept._keep_step(scene, tick)
            return scene if kept._start is None else kept._start

        with self._lock:
            self._going.clear()
            self._waiting.append(anew)

    def _checked(self, before: Scene, wanted: Scene) -> Scene:
        """Return a changed scene if a scene file could say the same; else the one before.

        What could not be read again could not be replayed.
        """
        try:
            scene_from_table(wanted.as_table(), source="the scene by hand")
        except SceneError as problem:
            self._refused = str(problem)
            return before
        return wanted

    def refused(self) -> str:
        """Return why the last change was not made, once; empty where all were."""
        words, self._refused = self._refused, ""
        return words

    def goes_on(self, name: str) -> bool:
        """Say whether something goes on by a name."""
        return name in self._going

    def _keep_step(self, scene: Scene, tick: Tick) -> None:
        self._steps.append((scene, tick.run_s))
        del self._steps[:-_MOST_STEPS]

    def taken_up(self, scene: Scene, time_s: float, tick: Tick) -> Scene | None:
        """Return the scene from a ping on, its time 0 then; None where nothing changes.

        Parameters
        ----------
        scene : Scene
            That held until now.
        time_s : float
            When the ping is sent, by its clock.
        tick : Tick
        """
        with self._lock:
            if self._start is None:
                self._start = scene
            waiting, self._waiting = self._waiting, []
            going = list(self._going.values())
        if not waiting and not going:
            return None
        now = changed = scene_at(scene, time_s)
        for step in waiting:
            changed = self._checked(changed, step(self, changed, tick))
        for each in going:
            changed = each(changed, tick)
        if changed == now:
            return None
        # Only now, since until here each body goes by its number.
        gone = [
            n for n, body in zip(now.target, scene.target, strict=True) if left(scene, body, time_s)
        ]
        bodies = tuple(b for b in changed.target if not any(b is g for g in gone))
        return dataclasses.replace(changed, target=bodies)


_Step = Callable[[Changes, Scene, Tick], Scene]
"""Done once, with what takes it up: a later run, where this one ends before its next ping."""


def scene_at(scene: Scene, time_s: float) -> Scene:
    """Return a scene with its clock set to 0 at a time; what left through a wall stops there."""
    bodies = []
    for target in scene.target:
        body = as_at(target, time_s)
        if left(scene, target, time_s):
            body = dataclasses.replace(sent_freely(body), position_m=within(scene, body.position_m))
        bodies.append(body)
    return dataclasses.replace(scene, target=tuple(bodies))


def left(scene: Scene, target: Target, time_s: float) -> bool:
    """Say whether a body has gone through a wall by a time."""
    return scene.walls is not None and not scene.walls.holds(track(target, time_s)[0])


def with_body(scene: Scene, number: int, body: Target) -> Scene:
    """Return a scene with one body in another's place, or behind the last."""
    bodies = list(scene.target)
    bodies[number : number + 1] = [body]
    return dataclasses.replace(scene, target=tuple(bodies))


def put_in(body: Target) -> Change:
    """Put a body in, as the last."""
    return lambda scene: with_body(scene, len(scene.target), body)


def taken_out(number: int) -> Change:
    """Take a body out."""

    def change(scene: Scene) -> Scene:
        bodies = scene.target[:number] + scene.target[number + 1 :]
        return dataclasses.replace(scene, target=bodies)

    return change


def sent_off(number: int, velocity_m_s: Triple) -> Change:
    """Let a body go on steadily from where it is; at 0 it hangs still.

    Between walls it goes to and fro: a hand's thing does not leave the tank.
    """

    def change(scene: Scene) -> Scene:
        if number >= len(scene.target):
            return scene
        return with_body(scene, number, _to_and_fro(scene, scene.target[number], velocity_m_s))

    return change


def sent_together(scene: Scene, velocity_m_s: Triple) -> Scene:
    """Send all bodies off alike; between walls all turn back when the first has come to one."""
    between_s = [b for b in (_between_walls_s(scene, t, velocity_m_s) for t in scene.target) if b]
    to_go_s = min((b[0] for b in between_s), default=0.0)
    come_s = min((b[1] for b in between_s), default=0.0)
    bodies = tuple(
        _turning(sent_freely(body, velocity_m_s), to_go_s, come_s)
        if between_s
        else sent_freely(body, velocity_m_s)
        for body in scene.target
    )
    return dataclasses.replace(scene, target=bodies)


def _to_and_fro(scene: Scene, body: Target, velocity_m_s: Triple) -> Target:
    between_s = _between_walls_s(scene, body, velocity_m_s)
    sent = sent_freely(body, velocity_m_s)
    return sent if between_s is None else _turning(sent, *between_s)


def _turning(body: Target, to_go_s: float, come_s: float) -> Target:
    if min(to_go_s, come_s) <= 0:
        # It hangs against a wall that it would go through.
        return sent_freely(body)
    return dataclasses.replace(body, turn_back_s=to_go_s + come_s, under_way_s=come_s)


def _between_walls_s(
    scene: Scene, body: Target, velocity_m_s: Triple
) -> tuple[float, float] | None:
    """Return how long a body goes until it meets a wall, and would have come from the last."""
    if scene.walls is None or speed_m_s(velocity_m_s) < _AT_REST_M_S:
        return None
    place, velocity = np.array(body.position_m), np.array(velocity_m_s)
    pair, size = np.array(scene.walls.pair_m), np.array(scene.walls.size_m)
    low, high = _NEAR_WALL_M - pair, size - pair - _NEAR_WALL_M
    goes = np.abs(velocity) > _AT_REST_M_S / 10
    towards = np.where(velocity > 0, high, low)[goes]
    behind = np.where(velocity > 0, low, high)[goes]
    to_go_s = float(((towards - place[goes]) / velocity[goes]).min())
    come_s = float(((place[goes] - behind) / velocity[goes]).min())
    return to_go_s, come_s


def hung_still(number: int) -> Change:
    """Let a body hang where it is."""
    return sent_off(number, (0.0, 0.0, 0.0))


def in_the_hand(number: int, led_m: Callable[[float], Triple]) -> Going:
    """Lead a body after the hand that took it: at each ping it sets out for where the hand is.

    It goes at an even speed from ping to ping, and is there by the next. So its place never
    jumps, and each echo has the Doppler shift and the stretch of the speed that the hand had.

    Parameters
    ----------
    number : int
    led_m : callable
        From a time since the first ping to how far along, across and up the hand has led it
        by then from where it took it.
    """
    taken_at: list[Triple] = []

    def change(scene: Scene, tick: Tick) -> Scene:
        if number >= len(scene.target):
            return scene
        body = scene.target[number]
        if not taken_at:
            taken_at.append(body.position_m)
        wanted = within(scene, triple(np.add(taken_at[0], led_m(tick.run_s))))
        way = np.subtract(wanted, body.position_m)
        length_m = float(np.linalg.norm(way))
        if length_m < _AT_REST_M:
            return with_body(scene, number, sent_freely(body))
        speed_m_s = min(length_m / tick.interval_s, FASTEST_HAND_M_S)
        return with_body(scene, number, sent_freely(body, triple(way * (speed_m_s / length_m))))

    return change


def within(scene: Scene, place_m: Triple) -> Triple:
    """Return the nearest place that a body may be led to: ahead, and within the walls."""
    place = np.array(place_m)
    place[0] = max(place[0], _NEAREST_AHEAD_M)
    if scene.walls is not None:
        pair = np.array(scene.walls.pair_m)
        most = np.array(scene.walls.size_m) - pair - _NEAR_WALL_M
        place = np.clip(place, _NEAR_WALL_M - pair, most)
    elif scene.bottom is not None:
        place[0] = min(place[0], scene.bottom.range_m - _NEAR_WALL_M)
    return triple(place)


def resized(number: int, factor: float) -> Change:
    """Make a body larger or smaller; its front stays where it is."""

    def change(scene: Scene) -> Scene:
        if number >= len(scene.target):
            return scene
        return with_body(scene, number, of_size(scene.target[number], factor))

    return change


def of_size(body: Target, factor: float) -> Target:
    """Return a body all of whose lengths are so many times as long, as far as a scene may say."""
    lengths: dict[str, Any] = {}
    for field in dataclasses.fields(body):
        if field.name in ("radius_m", "width_m", "height_m", "length_m"):
            longer_m = getattr(body, field.name) * factor
            low_m, high_m = field.metadata["low"], field.metadata["high"]
            lengths[field.name] = float(np.clip(longer_m, low_m, high_m))
    return dataclasses.replace(body, **lengths)


def speed_m_s(velocity_m_s: Triple) -> float:
    """Return how fast that is, whichever way."""
    return math.hypot(*velocity_m_s)


def sent_freely(body: Target, velocity_m_s: Triple = (0.0, 0.0, 0.0)) -> Target:
    """Return a body that goes on steadily, for good; it hangs still unless told how fast."""
    if speed_m_s(velocity_m_s) < _AT_REST_M_S:
        velocity_m_s = (0.0, 0.0, 0.0)
    return dataclasses.replace(body, velocity_m_s=velocity_m_s, turn_back_s=0.0, under_way_s=0.0)
