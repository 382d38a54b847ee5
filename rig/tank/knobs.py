"""What of a scene can be turned while pings are sent, one setting at a time.

A knob reads its value off a scene and gives the scene with another. It does not act: that is
for :class:`rig.tank.changes.Changes`.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from rig.tank.changes import Going, Tick, sent_freely, sent_together
from rig.tank.scene import Clutter, Noise, Scene, Transducer


@dataclass(frozen=True, slots=True, kw_only=True)
class SceneKnob:
    """One setting of a scene.

    Attributes
    ----------
    name, unit : str
    low, high, step : float
        Where it can be turned, and how far at a time.
    digits : int
        That its value is told with.
    read : callable
        Its value in a scene; None where the scene has no such thing.
    turned : callable
        The scene with another value.
    zero : str
        What its lowest value means, where that is nothing at all.
    """

    name: str
    unit: str
    low: float
    high: float
    step: float
    digits: int
    read: Callable[[Scene], float | None]
    turned: Callable[[Scene, float], Scene]
    zero: str = ""


def scene_knobs(
    sound_speed_m_s: Callable[[Scene, float], float], *, reach_m: float
) -> list[SceneKnob]:
    """Return the knobs of a scene.

    Parameters
    ----------
    sound_speed_m_s : callable
        Of a scene's medium at a temperature in °C: what the tank does not know by itself.
    reach_m : float
        Over which clutter falls by 20 dB, where the scene names none.
    """

    def warmer(scene: Scene, temperature_c: float) -> Scene:
        medium = dataclasses.replace(
            scene.medium,
            temperature_c=temperature_c,
            sound_speed_m_s=sound_speed_m_s(scene, temperature_c),
        )
        return dataclasses.replace(scene, medium=medium)

    def cluttered(scene: Scene, level_db: float) -> Scene:
        if level_db <= _LEAST_CLUTTER_DB:
            return dataclasses.replace(scene, clutter=None)
        reach = reach_m if scene.clutter is None else scene.clutter.reach_m
        return dataclasses.replace(scene, clutter=Clutter(level_db=level_db, reach_m=reach))

    return [
        SceneKnob(
            name="noise",
            unit="dB re full scale",
            low=_LOWEST_DB,
            high=-20.0,
            step=5.0,
            digits=0,
            read=lambda s: _LOWEST_DB if s.noise is None else max(s.noise.level_db, _LOWEST_DB),
            turned=_noisier,
            zero="none",
        ),
        SceneKnob(
            name="surface clutter",
            unit="dB re full scale",
            low=_LEAST_CLUTTER_DB,
            high=-20.0,
            step=5.0,
            digits=0,
            read=_clutter_db,
            turned=cluttered,
            zero="none",
        ),
        SceneKnob(
            name="hardness of the far wall",
            unit="of the sound's pressure comes back",
            low=0.0,
            high=0.9,
            step=0.1,
            digits=1,
            read=_hardness,
            turned=_harder,
            zero="none",
        ),
        SceneKnob(
            name="true temperature",
            unit="°C",
            low=1.0,
            high=39.0,
            step=1.0,
            digits=0,
            read=lambda s: s.medium.temperature_c,
            turned=warmer,
        ),
        SceneKnob(
            name="pair tilted up",
            unit="degrees",
            low=-60.0,
            high=60.0,
            step=3.0,
            digits=0,
            read=tilt_deg,
            turned=tilted,
        ),
    ]


_LOWEST_DB = -120.0
_LEAST_CLUTTER_DB = -80.0


def _clutter_db(scene: Scene) -> float:
    level_db = _LEAST_CLUTTER_DB if scene.clutter is None else scene.clutter.level_db
    return max(level_db, _LEAST_CLUTTER_DB)


def _noisier(scene: Scene, level_db: float) -> Scene:
    noise = None if level_db <= _LOWEST_DB else Noise(level_db=level_db)
    return dataclasses.replace(scene, noise=noise)


def _hardness(scene: Scene) -> float | None:
    if scene.bottom is not None:
        return abs(scene.bottom.true_reflection)
    return abs(scene.walls.ahead) if scene.walls is not None else None


def _harder(scene: Scene, reflection: float) -> Scene:
    if scene.bottom is not None:
        # A reflection of 0 would stand for that of the bottom's kind.
        bottom = dataclasses.replace(scene.bottom, reflection=max(reflection, 1e-6))
        return dataclasses.replace(scene, bottom=bottom)
    if scene.walls is not None:
        walls = dataclasses.replace(scene.walls, ahead=reflection)
        return dataclasses.replace(scene, walls=walls)
    return scene


def _faces(scene: Scene) -> dict[str, Transducer]:
    names = ("transducer", "source_transducer", "receiver_transducer")
    return {name: getattr(scene, name) for name in names if getattr(scene, name) is not None}


def tilt_deg(scene: Scene) -> float | None:
    """Return how far up a scene's pair is turned; None where it names no face."""
    faces = _faces(scene)
    return next(iter(faces.values())).tilt_deg if faces else None


def tilted(scene: Scene, angle_deg: float) -> Scene:
    """Return a scene whose pair is turned so far up, both faces alike."""
    faces = {
        name: dataclasses.replace(face, tilt_deg=angle_deg) for name, face in _faces(scene).items()
    }
    changes: dict[str, Transducer] = faces
    return dataclasses.replace(scene, **changes)  # type: ignore[arg-type]


def faces_larger(scene: Scene, factor: float) -> Scene:
    """Return a scene whose faces are so many times as large."""
    faces = {
        name: dataclasses.replace(
            face, radius_m=face.radius_m * factor, length_m=face.length_m * factor
        )
        for name, face in _faces(scene).items()
    }
    return dataclasses.replace(scene, **faces)  # type: ignore[arg-type]


ROLL_PERIOD_S = 4.0
"""Of a pair that rolls, such as on a small boat: common practice, no source."""


def rolling(amplitude_deg: float, middle_deg: float) -> Going:
    """Turn the pair up and down about a tilt, as a pendulum swings."""
    start_s: list[float] = []

    def change(scene: Scene, tick: Tick) -> Scene:
        if not start_s:
            start_s.append(tick.run_s)
        turn = math.sin(2 * math.pi * (tick.run_s - start_s[0]) / ROLL_PERIOD_S)
        return tilted(scene, float(np.clip(middle_deg + amplitude_deg * turn, -90.0, 90.0)))

    return change


def pair_moved(speed_m_s: float) -> Callable[[Scene], Scene]:
    """Move the pair across at a speed, to the left: seen from it, all bodies go the other way.

    The bodies hang still in the tank, and walls are taken to be the same wherever the pair is.
    Between walls the pair goes to and fro.
    """
    return lambda scene: sent_together(scene, (0.0, -speed_m_s, 0.0))


def pair_ahead(speed_m_s: float) -> Going:
    """Move the pair along its axis at a speed: bodies, still in the tank, come as fast.

    A wall ahead stands nearer from ping to ping; its echo has the delay of that, and not the
    Doppler shift. The pair stops short of what is ahead of it or behind.
    """
    moved_m: list[float] = []

    def change(scene: Scene, tick: Tick) -> Scene:
        if moved_m:
            scene = _nearer(scene, moved_m.pop())
        step_m = speed_m_s * tick.interval_s
        ahead_m = [body.position_m[0] for body in scene.target]
        if scene.far_wall_m is not None:
            ahead_m.append(scene.far_wall_m)
        behind_m = -math.inf if scene.walls is None else -scene.walls.pair_m[0]
        if min(ahead_m, default=math.inf) - step_m < _CLEAR_M or step_m - behind_m < _CLEAR_M:
            return sent_together(scene, (0.0, 0.0, 0.0))
        moved_m.append(step_m)
        velocity = (-speed_m_s, 0.0, 0.0)
        return dataclasses.replace(
            scene, target=tuple(sent_freely(body, velocity) for body in scene.target)
        )

    return change


_CLEAR_M = 0.05


def _nearer(scene: Scene, step_m: float) -> Scene:
    """Return a scene whose walls stand so much nearer, its bodies where they are."""
    if scene.bottom is not None:
        bottom = dataclasses.replace(scene.bottom, range_m=scene.bottom.range_m - step_m)
        return dataclasses.replace(scene, bottom=bottom)
    if scene.walls is not None:
        along, across, up = scene.walls.pair_m
        walls = dataclasses.replace(scene.walls, pair_m=(along + step_m, across, up))
        return dataclasses.replace(scene, walls=walls)
    return scene
