"""What really stands in the tank when a ping is sent: for who looks on, not for the receiver.

A bench in a made-up scene knows the answer. Whoever draws the bench may show it;
whatever measures must not see it, or a test through the tank means nothing
(``tests/rig/tank/test_truth_out_of_sight.py`` holds that).

A scene may change while pings are sent, as when a hand moves a body. So the truth is
a sequence of scenes, each with the ping from which it holds.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rig.bench.plan import Plan
from rig.tank.motion import track
from rig.tank.scene import (
    Bubbles,
    Cylinder,
    Plate,
    Scene,
    Sphere,
    Target,
    Triple,
    scene_from_table,
    triple,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class TrueBody:
    """A body of the scene, where it is at one instant.

    Lengths are along the axis, across it to the left, and up, from midway between
    source and receiver.

    Attributes
    ----------
    number : int
        Which of the scene's targets it is, from 0.
    kind : str
        ``"sphere"``, ``"plate"``, ``"cylinder"`` or ``"bubbles"``, as the scene has it.
    words : str
        What it is, in plain words.
    size_m : tuple of float
        How long it is along, across and up. A cylinder stands upright.
    position_m : tuple of float
        Its front, where the echo comes from and a tape measure is held.
    velocity_m_s : tuple of float
        All 0 where it stands still.
    inside : bool
        False where it has left the scene's walls, and is heard no more.
    """

    number: int
    kind: str
    words: str
    size_m: Triple
    position_m: Triple
    velocity_m_s: Triple
    inside: bool = True

    @property
    def range_m(self) -> float:
        """From midway between source and receiver to its front, wherever that lies."""
        return math.hypot(*self.position_m)

    @property
    def speed_m_s(self) -> float:
        """How fast it goes, whichever way."""
        return math.hypot(*self.velocity_m_s)

    @property
    def centre_m(self) -> Triple:
        """Its middle: half its depth behind its front, as seen from the pair."""
        behind = self.size_m[0] / 2 / max(self.range_m, 1e-9)
        along, across, up = self.position_m
        return (along * (1 + behind), across * (1 + behind), up * (1 + behind))


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldScene:
    """A scene, and the ping from which on it holds.

    The scene's time 0 is when that ping is sent.
    """

    scene: Scene
    from_ping: int = 0


class Truth:
    """Which scene holds at which ping.

    The front end that sounds the scenes has it, and adds to it where a scene changes;
    one thread may add while others ask.

    Parameters
    ----------
    plan : Plan
        How often pings are sent.
    scenes : iterable of HeldScene
        The first holds from ping 0 on.

    Raises
    ------
    ValueError
        Where the first holds from later on, or they are out of order.
    """

    def __init__(self, plan: Plan, scenes: Iterable[HeldScene]) -> None:
        self._plan = plan
        self._held: list[HeldScene] = []
        for held in scenes:
            self.change(held.scene, from_ping=held.from_ping)
        if not self._held:
            raise ValueError("scenes: found none; give the one that holds from ping 0 on")

    @property
    def scenes(self) -> tuple[HeldScene, ...]:
        """All that have held, in order."""
        return tuple(self._held)

    def change(self, scene: Scene, *, from_ping: int) -> None:
        """Let another scene hold from a ping on; it may be the ping of the last change.

        Raises
        ------
        ValueError
            Where the ping lies before the last change, or the first change is not at ping 0.
        """
        last = self._held[-1].from_ping if self._held else None
        if from_ping < (last or 0) or (last is None and from_ping > 0):
            allowed = "0, from where the first holds" if last is None else f"at least {last}"
            raise ValueError(f"from_ping: found {from_ping}; give {allowed}")
        held = HeldScene(scene=scene, from_ping=from_ping)
        if from_ping == last:
            self._held[-1] = held
        else:
            self._held.append(held)

    def held_at(self, ping: int) -> HeldScene:
        """Return the scene that a ping is sent into, with the ping from which it holds."""
        return next(h for h in reversed(self._held) if h.from_ping <= max(ping, 0))

    def scene_at(self, ping: int) -> Scene:
        """Return the scene that a ping is sent into."""
        return self.held_at(ping).scene

    def time_s(self, ping: int) -> float:
        """Return when a ping is sent, by the clock of the scene that it is sent into."""
        held = self.held_at(ping)
        # A fast clock counts more samples in a second than it says.
        fast = 1 + held.scene.converter.clock_error_ppm * 1e-6
        rate_hz = self._plan.timing.sample_rate_hz * fast
        return (ping - held.from_ping) * self._plan.interval_samples / rate_hz

    def run_s(self, ping: int) -> float:
        """Return when a ping is sent, from the first ping."""
        fast = 1 + self.scene_at(ping).converter.clock_error_ppm * 1e-6
        return ping * self._plan.interval_samples / (self._plan.timing.sample_rate_hz * fast)

    def tables(self, *, after: int, up_to: int) -> list[dict[str, Any]]:
        """Return, for a recording, the scenes that begin to hold after one ping and up to another.

        Returns
        -------
        list of dict
            As :func:`held_from_tables` reads them: ``from_ping``, and ``scene`` as
            :meth:`rig.tank.scene.Scene.as_table` gives it.
        """
        return [
            {"from_ping": held.from_ping, "scene": held.scene.as_table()}
            for held in self._held
            if after < held.from_ping <= up_to
        ]

    def bodies_at(self, ping: int) -> tuple[TrueBody, ...]:
        """Return every body, where it is when a ping is sent."""
        return bodies_at(self.scene_at(ping), self.time_s(ping))

    def way_m(self, number: int, pings: Iterable[int]) -> NDArray[np.float64]:
        """Return where a body's front was as some pings were sent.

        Parameters
        ----------
        number : int
            The body's, as :attr:`TrueBody.number` has it.
        pings : iterable of int

        Returns
        -------
        ndarray of float64, shape (pings, 3)
            NaN where the scene of that ping has no such body.
        """
        places = []
        for ping in pings:
            targets = self.scene_at(ping).target
            if number < len(targets):
                places.append(track(targets[number], self.time_s(ping))[0])
            else:
                places.append(np.full(3, np.nan))
        return np.array(places, dtype=np.float64).reshape(-1, 3)


def held_from_tables(tables: Iterable[Mapping[str, Any]]) -> list[HeldScene]:
    """Make the scenes again that a recording holds.

    Parameters
    ----------
    tables : iterable of mapping
        As :meth:`Truth.tables` gives them.

    Raises
    ------
    SceneError
        Where one is no scene; the message names the key.
    KeyError, TypeError
        Where they are no such tables.
    """
    return [
        HeldScene(scene=scene_from_table(table["scene"]), from_ping=table["from_ping"])
        for table in tables
    ]


def bodies_at(scene: Scene, time_s: float) -> tuple[TrueBody, ...]:
    """Return every body of a scene, where it is at a time.

    Parameters
    ----------
    scene : Scene
    time_s : float
        From the scene's time 0.
    """
    bodies = []
    for number, target in enumerate(scene.target):
        place, velocity = track(target, time_s)
        bodies.append(
            TrueBody(
                number=number,
                kind=target.body,
                words=words_for(target, scene.medium.kind),
                size_m=size_of(target),
                position_m=triple(place),
                velocity_m_s=triple(velocity),
                inside=scene.walls is None or bool(scene.walls.holds(place)),
            )
        )
    return tuple(bodies)


def size_of(target: Target) -> Triple:
    """Return how long a body is along, across and up, in metres."""
    if isinstance(target, Plate):
        return (0.0, target.width_m, target.height_m)
    wide_m = 2 * target.radius_m
    if isinstance(target, Cylinder):
        return (wide_m, wide_m, target.length_m)
    return (wide_m, wide_m, wide_m)


def words_for(target: Target, medium_kind: str) -> str:
    """Say what a body is, in plain words."""
    if isinstance(target, Sphere):
        return "ball" if target.surface == "rigid" else "soft ball"
    if isinstance(target, Bubbles):
        return "cloud of small balls" if medium_kind == "air" else "bubbles"
    return "plate" if isinstance(target, Plate) else "cylinder"
