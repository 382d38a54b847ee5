"""The scene file: what really stands in the virtual tank.

A scene is a TOML file. Only ``[medium]`` must be there; every other table adds
nothing unless it is named, but for the direct sound, which a bench always has.

Places are ``[along, across, up]`` in metres from midway between source and
receiver: along the axis, to the left of it, and up. Source and receiver stand half
a baseline to the right and to the left of the middle.
"""

from __future__ import annotations

import dataclasses
import math
import os
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rig.bench.given_files import load_toml
from rig.bench.pulse_kinds import PulsePlan
from rig.bench.tables import build, choice, number, whole
from rig.errors import SceneError

Triple = tuple[float, float, float]


def triple(vector: NDArray[np.float64]) -> Triple:
    """Return a vector's numbers along, across and up."""
    along, across, up = vector.tolist()
    return (along, across, up)


FASTEST_SHARE = 0.1
"""A body may move at this share of the sound speed at most; beyond, the Doppler
stretch of a pulse would outgrow the room kept for it."""


def _triple(*, limit: float, default: Triple | None = None) -> Any:
    metadata = {"low": -limit, "high": limit}
    if default is None:
        return dataclasses.field(metadata=metadata)
    return dataclasses.field(default=default, metadata=metadata)


@dataclass(frozen=True, slots=True, kw_only=True)
class Medium:
    """``[medium]``: what the sound goes through, and the truth about its speed.

    Temperature, humidity and salinity set the absorption alone.
    """

    sound_speed_m_s: float = number(low=200.0, high=2500.0)
    kind: str = choice("air", "fresh-water", "sea-water", default="air")
    temperature_c: float = number(20.0, low=-20.0, high=50.0)
    humidity_percent: float = number(50.0, low=0.0, high=100.0)
    salinity_g_kg: float = number(35.0, low=0.0, high=42.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Noise:
    """``[noise]``: white noise at the microphone, RMS, dB re full scale."""

    level_db: float = number(low=-200.0, high=0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """``[source]``: amplitude of the pulse 1 m ahead of the source, dB re full scale."""

    level_db: float = number(-10.0, low=-200.0, high=60.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Geometry:
    """``[geometry]``: the true spacing; without it, the plan's is true."""

    baseline_m: float = number(low=0.0, high=100.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class SecondReceiver:
    """``[second_receiver]``: the truth about the plan's second receiver, if it has one.

    `spacing_m` is how far past the first it stands, as seen from the source; without it, the
    plan's is true. It stands `ahead_m` before the line through source and first. Its channel
    comes `delay_s` late, `gain_db` louder, and, if `opposite`, with its sign turned.
    """

    spacing_m: float | None = number(None, low=-100.0, high=100.0)
    ahead_m: float = number(0.0, low=-10.0, high=10.0)
    delay_s: float = number(0.0, low=-0.001, high=0.001)
    gain_db: float = number(0.0, low=-200.0, high=60.0)
    opposite: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Direct:
    """``[direct]``: sound straight from source to receiver.

    `level_db` compares it with what an open, undirected pair would hear over the
    same baseline. Both face the same way and shade each other: −30 dB unless named.
    """

    level_db: float = number(-30.0, low=-200.0, high=0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Transducer:
    """``[transducer]``, or ``[source_transducer]`` and ``[receiver_transducer]``.

    `tilt_deg` turns the face up. With a `resonance_hz`, the face answers like a
    damped mass on a spring, −3 dB wide by `bandwidth_hz`.
    """

    shape: str = choice("point", "piston", "line", default="piston")
    radius_m: float = number(0.03, low=1e-4, high=10.0)
    length_m: float = number(0.06, low=1e-4, high=10.0)
    tilt_deg: float = number(0.0, low=-90.0, high=90.0)
    resonance_hz: float = number(0.0, low=0.0, high=1e6)
    bandwidth_hz: float = number(0.0, low=0.0, high=1e6)

    def __post_init__(self) -> None:
        if (self.resonance_hz > 0) != (self.bandwidth_hz > 0):
            raise ValueError(
                f"bandwidth_hz: found {self.bandwidth_hz:g} with resonance_hz = "
                f"{self.resonance_hz:g}; give both above 0, or neither"
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class RingDown:
    """``[ring_down]``: the source rings on, heard at once by the receiver.

    `level_db` is its largest amplitude, dB re full scale; it falls to 1/e in
    `decay_s`.
    """

    level_db: float = number(low=-200.0, high=0.0)
    frequency_hz: float = number(low=20.0, high=1e6)
    decay_s: float = number(low=1e-6, high=0.1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Clutter:
    """``[clutter]``: ripples and bubbles near the surface, new at each ping.

    `level_db` is the RMS amplitude at the transducers, dB re full scale; it falls
    by 20 dB over each `reach_m`.
    """

    level_db: float = number(low=-200.0, high=0.0)
    reach_m: float = number(low=0.001, high=1000.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Walls:
    """``[walls]``: a box, its walls mirrors for the sound.

    `size_m` is along, across and up; `pair_m` is where the middle between source
    and receiver stands, from the corner that is behind, to the right and below.
    A wall's reflection is the ratio of pressures at normal incidence, with its
    sign: near 1 for a rigid wall, −1 for a free surface seen from below.
    """

    size_m: tuple[float, float, float] = _triple(limit=1000.0)
    pair_m: tuple[float, float, float] = _triple(limit=1000.0)
    behind: float = number(0.0, low=-1.0, high=1.0)
    ahead: float = number(0.0, low=-1.0, high=1.0)
    right: float = number(0.0, low=-1.0, high=1.0)
    left: float = number(0.0, low=-1.0, high=1.0)
    below: float = number(0.0, low=-1.0, high=1.0)
    above: float = number(0.0, low=-1.0, high=1.0)
    order: int = whole(3, low=1, high=12)

    def __post_init__(self) -> None:
        if min(self.size_m) <= 0:
            raise ValueError(f"size_m: found {list(self.size_m)}; give three lengths above 0")
        if not self.holds((0.0, 0.0, 0.0)):
            raise ValueError(
                f"pair_m: found {list(self.pair_m)}; "
                f"give a place inside the box, 0 to {list(self.size_m)}"
            )

    @property
    def reflections(self) -> tuple[tuple[float, float], ...]:
        """Of the lower and the upper wall on each axis."""
        return ((self.behind, self.ahead), (self.right, self.left), (self.below, self.above))

    def holds(self, place_m: ArrayLike) -> NDArray[np.bool_]:
        """Whether places, shape (..., 3), given from the middle of the pair, lie inside."""
        place = np.add(self.pair_m, place_m)
        return np.asarray(((place > 0) & (place < self.size_m)).all(axis=-1))


@dataclass(frozen=True, slots=True, kw_only=True)
class Bottom:
    """``[bottom]``: a plane straight ahead, for a beam that looks down a tank.

    `reflection` is the ratio of pressures; 0 takes that of the kind: 0.7 for hard
    ground, 0.2 for soft. Behind the first echo of a soft bottom comes a tail, which
    falls by 20 dB over each `tail_m`: 0.1 for soft ground unless named, 0 (no tail)
    for hard.
    """

    range_m: float = number(low=0.01, high=1000.0)
    kind: str = choice("hard", "soft", default="hard")
    reflection: float = number(0.0, low=-1.0, high=1.0)
    tail_m: float = number(-1.0, low=-1.0, high=100.0)

    @property
    def true_reflection(self) -> float:
        """The ratio of pressures that holds."""
        return self.reflection or {"hard": 0.7, "soft": 0.2}[self.kind]

    @property
    def true_tail_m(self) -> float:
        """The length of tail that holds."""
        return self.tail_m if self.tail_m >= 0 else {"hard": 0.0, "soft": 0.1}[self.kind]


@dataclass(frozen=True, slots=True, kw_only=True)
class Surface:
    """``[surface]``: a plane behind the pair; with a bottom it gives second echoes."""

    behind_m: float = number(low=0.001, high=1000.0)
    reflection: float = number(-1.0, low=-1.0, high=1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class OtherBench:
    """``[[other_bench]]``: another bench in the same room, which pings by a clock of its own.

    Its pulses come straight over, from `position_m`, alike to all sides: `level_db` is their
    amplitude 1 m from it, dB re full scale. One leaves `first_s` after this bench's first
    ping, and one every `interval_s` before and after. What its pings bring back from bodies
    and walls is left out: it is much weaker.
    """

    pulse: PulsePlan
    interval_s: float = number(low=1e-3, high=60.0)
    position_m: tuple[float, float, float] = _triple(limit=1000.0)
    level_db: float = number(low=-200.0, high=60.0)
    first_s: float = number(0.0, low=-60.0, high=60.0)

    def __post_init__(self) -> None:
        if self.interval_s < self.pulse.duration_s:
            raise ValueError(
                f"interval_s: found {self.interval_s:g} with a pulse of "
                f"{self.pulse.duration_s:g} s; give at least that"
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class Converter:
    """``[converter]``: what turns sound into numbers.

    `bits` of 0 leaves the samples unrounded. Full scale is ±1, with a converter or
    without. `latency_s` is out and back. A clock that is `clock_error_ppm` fast takes
    more samples in a second than it says.
    """

    bits: int = whole(0, low=0, high=24)
    latency_s: float = number(0.0, low=0.0, high=10.0)
    clock_error_ppm: float = number(0.0, low=-10000.0, high=10000.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Body:
    """What each ``[[target]]`` says, whatever its body.

    `position_m`, at time 0, is the point that a tape measure is held to: the front
    of the body, where the echo comes from. With `turn_back_s` the body turns back
    after so many seconds, and again after as many, for ever; `under_way_s` is how long,
    at time 0, it has been going since it last turned.
    """

    position_m: tuple[float, float, float] = _triple(limit=1000.0)
    velocity_m_s: tuple[float, float, float] = _triple(limit=250.0, default=(0.0, 0.0, 0.0))
    turn_back_s: float = number(0.0, low=0.0, high=1e6)
    under_way_s: float = number(0.0, low=0.0, high=1e6)

    @property
    def moves(self) -> bool:
        """Whether it is elsewhere at the next ping."""
        return any(self.velocity_m_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sphere(Body):
    """``body = "sphere"``; a soft one, such as cork in water, turns the sign of the echo."""

    radius_m: float = number(low=1e-4, high=10.0)
    surface: str = choice("rigid", "soft", default="rigid")
    body: str = choice("sphere", default="sphere")


@dataclass(frozen=True, slots=True, kw_only=True)
class Plate(Body):
    """``body = "plate"``: rigid, turned square to the pair."""

    width_m: float = number(low=1e-4, high=100.0)
    height_m: float = number(low=1e-4, high=100.0)
    body: str = choice("plate", default="plate")


@dataclass(frozen=True, slots=True, kw_only=True)
class Cylinder(Body):
    """``body = "cylinder"``: rigid, broadside to the pair."""

    radius_m: float = number(low=1e-4, high=10.0)
    length_m: float = number(low=1e-4, high=100.0)
    body: str = choice("cylinder", default="cylinder")


@dataclass(frozen=True, slots=True, kw_only=True)
class Bubbles(Body):
    """``body = "bubbles"``: a cloud, its nearest point at `position_m`, new at each ping.

    In air, where there are no bubbles, as many small hard balls. A `bubble_radius_m` of 0
    takes 1 mm in water, 10 mm in air.
    """

    radius_m: float = number(low=1e-4, high=10.0)
    count: int = whole(50, low=1, high=1_000_000)
    bubble_radius_m: float = number(0.0, low=0.0, high=0.1)
    body: str = choice("bubbles", default="bubbles")


Target = Sphere | Plate | Cylinder | Bubbles


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """A whole scene, checked.

    Raises
    ------
    ValueError
        Where its parts do not fit each other; the message names the key.
    """

    medium: Medium
    noise: Noise | None = None
    source: Source = Source()
    direct: Direct = Direct()
    geometry: Geometry | None = None
    second_receiver: SecondReceiver | None = None
    transducer: Transducer | None = None
    source_transducer: Transducer | None = None
    receiver_transducer: Transducer | None = None
    ring_down: RingDown | None = None
    clutter: Clutter | None = None
    walls: Walls | None = None
    bottom: Bottom | None = None
    surface: Surface | None = None
    converter: Converter = Converter()
    other_bench: tuple[OtherBench, ...] = ()
    target: tuple[Target, ...] = ()

    @property
    def far_wall_m(self) -> float | None:
        """Range of the wall or bottom that closes the bench off ahead, if one does."""
        if self.bottom is not None:
            return self.bottom.range_m
        if self.walls is not None and self.walls.ahead:
            return self.walls.size_m[0] - self.walls.pair_m[0]
        return None

    def as_table(self) -> dict[str, Any]:
        """Return the scene as the tables of its TOML file, all keys of each written out.

        :func:`scene_from_table` makes the same scene of it, also from JSON.
        """
        return dataclasses.asdict(self, dict_factory=_table_of)

    def __post_init__(self) -> None:
        if self.bottom is not None and self.walls is not None:
            raise ValueError("bottom: found with walls; give one: the box has its own far wall")
        if self.surface is not None and self.bottom is None:
            raise ValueError("surface: found without a bottom; give [bottom] too, or [walls]")
        fastest = FASTEST_SHARE * self.medium.sound_speed_m_s
        for i, target in enumerate(self.target):
            if math.hypot(*target.velocity_m_s) > fastest:
                raise ValueError(
                    f"target[{i}].velocity_m_s: found {list(target.velocity_m_s)}; "
                    f"give at most {fastest:g} m/s, a tenth of the sound speed"
                )
            if self.walls is not None and not self.walls.holds(target.position_m):
                raise ValueError(
                    f"target[{i}].position_m: found {list(target.position_m)}; "
                    "give a place inside the walls"
                )


def _table_of(keys: list[tuple[str, Any]]) -> dict[str, Any]:
    # What is not named has no table, and TOML and JSON know lists alone.
    return {
        key: list(value) if isinstance(value, tuple) else value
        for key, value in keys
        if value is not None
    }


def scene_from_table(table: Mapping[str, Any], *, source: str = "scene") -> Scene:
    """Check the tables of a scene file and make the scene.

    Parameters
    ----------
    table : mapping
        What the TOML file holds.
    source : str
        Named in each complaint: the file.

    Raises
    ------
    SceneError
        The message names the file, the key, what was found and what is allowed.
    """
    try:
        return build(Scene, table)
    except ValueError as problem:
        raise SceneError(f"{source}: {problem}") from problem


def read_scene(path: str | os.PathLike[str]) -> Scene:
    """Read and check a scene file.

    Raises
    ------
    SceneError
        The message names the file, the key, what was found and what is allowed.
    """
    return scene_from_table(load_toml(path, error=SceneError), source=os.fspath(path))
