"""All the sound that one ping brings to the receiver."""

from __future__ import annotations

import dataclasses
import functools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.tank.absorption import NEPER_DB, absorption_db_m
from rig.tank.bodies import cloud_depths_m, echo_root_m, limited_root_m, mirror_root_m
from rig.tank.discs import near_beam, nearness
from rig.tank.faces import axis_of, beam, resonance
from rig.tank.motion import flight, track
from rig.tank.other_pings import OtherPings
from rig.tank.reverberation import clutter, ring_down, tail
from rig.tank.sampling import PulseSampler
from rig.tank.scene import Bubbles, Medium, Scene, Target, Transducer
from rig.tank.walls import ImagePaths, image_paths

NEAREST_M = 0.05
"""Nothing is louder than it would be this far from source or receiver: a real face is
not a point."""

BOTTOM_ORDER = 5
"""So many times the sound meets a bottom and a surface at most."""

WIRE_LEVEL = 0.5
"""Amplitude of the pulse as the loopback wire brings it, re full scale."""

_POINT = Transducer(shape="point")
_CURVE_BINS = 2048
_NOISE_AT_ONCE = 8192

# What a random stream is drawn for. Each ping has streams of its own, so that its
# samples do not depend on how many pings are asked for.
_NOISE, _CLUTTER, _BUBBLES, _TAIL = range(4)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Arrivals:
    """Copies of the pulse as they reach the receiver; each array begins (paths, …).

    `body` counts the scene's targets; −1 is a wall. `ceiling_m` bounds the root of the
    body's strength. `out_m` and `back_m` are the ways from the faces' middles to the front of
    a body and back, for what the faces' parts do nearby; infinite for a wall, in which a face
    meets the other's image, and which is left as from a far face.
    """

    delay_s: NDArray[np.float64]
    dilation: NDArray[np.float64]
    gain: NDArray[np.float64]
    path_m: NDArray[np.float64]
    leaving: NDArray[np.float64]
    coming: NDArray[np.float64]
    body: NDArray[np.int64]
    ceiling_m: NDArray[np.float64]
    out_m: NDArray[np.float64]
    back_m: NDArray[np.float64]


_NONE = _Arrivals(
    delay_s=np.zeros(0),
    dilation=np.zeros(0),
    gain=np.zeros(0),
    path_m=np.zeros(0),
    leaving=np.zeros((0, 3)),
    coming=np.zeros((0, 3)),
    body=np.zeros(0, dtype=np.int64),
    ceiling_m=np.zeros(0),
    out_m=np.zeros(0),
    back_m=np.zeros(0),
)
_FRONT_M = np.zeros(1)

# Who makes a sound that is alike at each ping, where it is no body: what comes before the
# bodies' echoes in the sum, and what comes after. The order of a sum is its last digit.
_ROOM, _AFTER = "room", "after"


class Tank:
    """A scene, ready to be sounded.

    Parameters
    ----------
    scene : Scene
    pulses : sequence of ndarray
        What may be sent, all of one length.
    sample_rate_hz : float
        The rate at which the samples really are taken.
    baseline_m : float
        The true spacing of source and receiver.
    past_m, ahead_m : float
        How far past that receiver, as seen from the source, and ahead of it another one stands
        that listens in its stead; 0 for itself.
    seed : int
        Of all that is random; not negative.
    """

    def __init__(
        self,
        scene: Scene,
        pulses: Sequence[NDArray[np.float32]],
        *,
        sample_rate_hz: float,
        baseline_m: float,
        past_m: float = 0.0,
        ahead_m: float = 0.0,
        seed: int,
    ) -> None:
        self._pulses = [np.asarray(p, dtype=np.float64) for p in pulses]
        self._rate_hz = sample_rate_hz
        self._direct_m = math.hypot(baseline_m + past_m, ahead_m)
        self._is_second = past_m != 0
        self._seed = seed
        self._sampler = PulseSampler(pulses, sample_rate_hz)
        self._source_m = np.array([0.0, -baseline_m / 2, 0.0])
        self._receiver_m = np.array([ahead_m, baseline_m / 2 + past_m, 0.0])
        self._scene = scene
        self._root_of: dict[tuple[Target, Medium], NDArray[np.float64]] = {}
        self._take_up_room()
        self._take_up_bodies()

    @property
    def scene(self) -> Scene:
        """What is sounded now."""
        return self._scene

    def change(self, scene: Scene) -> None:
        """Sound another scene from now on; only what is new in it is worked out anew.

        The spacing of source and receiver stays as it was.
        """
        before, self._scene = self._scene, scene
        if _room_of(before) != _room_of(scene):
            self._take_up_room()
        self._take_up_bodies()

    def _take_up_room(self) -> None:
        """Work out what the bodies have no part in."""
        scene, frequency_hz = self._scene, self._sampler.frequency_hz
        self._speed_m_s = scene.medium.sound_speed_m_s
        self._wavelength_m = self._speed_m_s / self._sampler.middle_hz
        self._nepers_m = absorption_db_m(scene.medium, frequency_hz) / NEPER_DB
        self._gain = 10 ** (scene.source.level_db / 20)
        shared = scene.transducer or _POINT
        self._faces = (scene.source_transducer or shared, scene.receiver_transducer or shared)
        self._resonance = np.prod([resonance(f, frequency_hz) for f in self._faces], axis=0)
        self._others = [
            OtherPings(
                other,
                scene.medium,
                self._faces[1],
                self._receiver_m,
                nearest_m=NEAREST_M,
                sample_rate_hz=self._rate_hz,
            )
            for other in scene.other_bench
        ]
        # Sounds that are alike at each ping, by who makes them; made when first asked for.
        self._still: dict[Target | str, dict[tuple[int, float], NDArray[np.float64]]] = {}

    def _take_up_bodies(self) -> None:
        """Work out how strongly each body sends back, and let go of sounds of bodies gone."""
        scene, kept = self._scene, self._root_of
        kinds = [(_anywhere(target), scene.medium) for target in scene.target]
        self._root_of = {
            kind: kept[kind] if kind in kept else self._root(kind[0]) for kind in kinds
        }
        # One row a target; a wall, the last, sends everything back.
        walls = np.ones(self._sampler.frequency_hz.size)
        self._roots_m = np.array([*(self._root_of[kind] for kind in kinds), walls])
        stays = {_ROOM, _AFTER, *(target for _, target in self._still_bodies())}
        self._still = {who: sounds for who, sounds in self._still.items() if who in stays}

    def _still_bodies(self) -> list[tuple[int, Target]]:
        """Return every body that is the same at each ping, with its number."""
        return [
            (i, target)
            for i, target in enumerate(self._scene.target)
            if not target.moves and not isinstance(target, Bubbles)
        ]

    @property
    def direct_delay_s(self) -> float:
        """From the pulse's leaving to the direct sound's coming."""
        return self._direct_m / self._speed_m_s

    def add_noise(self, sound: NDArray[np.float64], *, ping: int, channel: int) -> None:
        """Add one channel's noise during one ping, in place; nil where the scene names none."""
        if self._scene.noise is None:
            return
        level = 10 ** (self._scene.noise.level_db / 20)
        random = self._random(_NOISE, ping, channel)
        # Piece by piece, which draws the same numbers, so that they stay near the processor.
        room = np.empty(min(sound.size, _NOISE_AT_ONCE))
        for low in range(0, sound.size, _NOISE_AT_ONCE):
            piece = sound[low : low + _NOISE_AT_ONCE]
            drawn = random.standard_normal(out=room[: piece.size])
            drawn *= level
            piece += drawn

    def wire(self, *, pulse_index: int, start: float) -> NDArray[np.float64]:
        """Return the sent pulse as a wire brings it; its first sample lies at `start`."""
        out = self._room(start, 0.0)
        level = np.full((1, 1), WIRE_LEVEL)
        self._sampler.add(out, pulse_index=pulse_index, start=np.array([start]), response=level)
        return out

    def still_sound(self, *, pulse_index: int, start: float) -> NDArray[np.float64]:
        """Return what comes back alike from every ping.

        Parameters
        ----------
        pulse_index : int
        start : float
            Where the pulse leaves, in samples of what is returned.

        Returns
        -------
        ndarray of float64, shape (samples,)
            As long as there is something to hear.
        """
        parts = [self._kept(_ROOM, self._room_sound, pulse_index, start)]
        for i, target in self._still_bodies():
            parts.append(
                self._kept(target, functools.partial(self._body_sound, i), pulse_index, start)
            )
        parts.append(self._kept(_AFTER, self._after_sound, pulse_index, start))
        return _sum(*parts)

    def _kept(
        self,
        who: Target | str,
        make: Callable[[int, float], NDArray[np.float64]],
        pulse_index: int,
        start: float,
    ) -> NDArray[np.float64]:
        """Return a sound that is the same at each ping, made when it is first asked for."""
        sounds = self._still.setdefault(who, {})
        if (pulse_index, start) not in sounds:
            sounds[pulse_index, start] = make(pulse_index, start)
        return sounds[pulse_index, start]

    def _room_sound(self, pulse_index: int, start: float) -> NDArray[np.float64]:
        """Return what comes straight, and by way of the walls."""
        arrivals = self._by_walls()
        out = self._room(start, float(arrivals.delay_s.max(initial=self.direct_delay_s)))
        self._add_direct(out, pulse_index, start)
        self._add(out, pulse_index, start, arrivals)
        return out

    def _body_sound(self, body: int, pulse_index: int, start: float) -> NDArray[np.float64]:
        """Return what a body that stands still sends back; nothing where it is beyond a wall."""
        arrivals = self._echoes(body, self._scene.target[body], 0.0)
        out = self._room(start, float(arrivals.delay_s.max(initial=0.0)))
        self._add(out, pulse_index, start, arrivals)
        return out

    def _after_sound(self, pulse_index: int, start: float) -> NDArray[np.float64]:
        """Return what is no single echo: the source's ringing, and a soft bottom's tail."""
        out = np.zeros(0)
        pulse, scene = self._pulses[pulse_index], self._scene
        if scene.ring_down is not None:
            out = _sum(out, ring_down(scene.ring_down, pulse, start, self._rate_hz))
        if scene.bottom is not None and scene.bottom.true_tail_m > 0:
            reach = 2 * scene.bottom.true_tail_m / self._speed_m_s * self._rate_hz
            begin = start + 2 * scene.bottom.range_m / self._speed_m_s * self._rate_hz
            level = self._gain * abs(scene.bottom.true_reflection) / (2 * scene.bottom.range_m)
            out = _sum(out, tail(level, reach, pulse, begin, self._random(_TAIL)))
        return out

    def fresh_sound(
        self, *, ping: int, pulse_index: int, sent_s: float, start: float
    ) -> NDArray[np.float64]:
        """Return what comes back from one ping alone: all that moves.

        Parameters
        ----------
        ping, pulse_index : int
        sent_s : float
            When the pulse left, by the scene's clock.
        start : float
            Where that is, in samples of what is returned.

        Returns
        -------
        ndarray of float64, shape (samples,)
            As long as there is something to hear.
        """
        out = np.zeros(0)
        arrivals = self._fresh_arrivals(ping, sent_s)
        if arrivals.delay_s.size:
            out = self._room(start, float(arrivals.delay_s.max()))
            self._add(out, pulse_index, start, arrivals)
        if self._scene.clutter is not None:
            reach = 2 * self._scene.clutter.reach_m / self._speed_m_s * self._rate_hz
            # From all sides: two receivers half a wave apart hear nothing of it alike.
            random = self._random(_CLUTTER, ping, *((1,) if self._is_second else ()))
            pulse = self._pulses[pulse_index]
            out = _sum(out, clutter(self._scene.clutter, reach, pulse, start, random))
        return out

    def others_sound(
        self, *, from_s: float, up_to_s: float, start: float, is_first: bool
    ) -> NDArray[np.float64]:
        """Return what comes from other benches; as :meth:`OtherPings.heard` has it, of each."""
        return _sum(
            np.zeros(0),
            *(
                other.heard(from_s=from_s, up_to_s=up_to_s, start=start, is_first=is_first)
                for other in self._others
            ),
        )

    def _random(self, *purpose: int) -> np.random.Generator:
        return np.random.default_rng(np.random.SeedSequence((self._seed, *purpose)))

    def _room(self, start: float, latest_s: float) -> NDArray[np.float64]:
        return np.zeros(math.ceil(start + latest_s * self._rate_hz) + self._sampler.samples)

    def _root(self, target: Target) -> NDArray[np.float64]:
        """√σ_bs on the sampler's bins; a long pulse has many, which lie between fewer points."""
        frequency_hz = self._sampler.frequency_hz
        if frequency_hz.size <= _CURVE_BINS:
            return echo_root_m(target, frequency_hz, self._scene.medium)
        points: NDArray[np.float64] = np.linspace(0.0, frequency_hz[-1], _CURVE_BINS)
        curve = echo_root_m(target, points, self._scene.medium)
        return np.asarray(np.interp(frequency_hz, points, curve))

    def _fresh_arrivals(self, ping: int, sent_s: float) -> _Arrivals:
        """From every other body."""
        fresh = [_NONE]
        for i, target in enumerate(self._scene.target):
            if isinstance(target, Bubbles):
                depths_m = cloud_depths_m(target, self._random(_BUBBLES, ping, i))
                share = math.sqrt(target.count / depths_m.size)
                fresh.append(self._echoes(i, target, sent_s, depths_m, share))
            elif target.moves:
                fresh.append(self._echoes(i, target, sent_s))
        return _joined(*fresh)

    def _echoes(
        self,
        body: int,
        target: Target,
        sent_s: float,
        depths_m: NDArray[np.float64] = _FRONT_M,
        share: float = 1.0,
    ) -> _Arrivals:
        """Follow a pulse to the parts of a body, some deeper than its front, that have not left."""
        # The middle of the pulse is followed exactly, and the pulse stretched about it.
        half_s = self._pulses[0].size / 2 / self._rate_hz
        reach_s = float(np.linalg.norm(track(target, sent_s + half_s)[0])) / self._speed_m_s
        front, velocity = track(target, sent_s + half_s + reach_s)
        front = front - velocity * reach_s
        deeper = depths_m / max(float(np.linalg.norm(front)), NEAREST_M)
        places = front * (1 + deeper[:, np.newaxis])
        way = flight(places, velocity, self._source_m, self._receiver_m, self._speed_m_s)
        near, far = np.maximum(way.out_m, NEAREST_M), np.maximum(way.back_m, NEAREST_M)
        echoes = _Arrivals(
            delay_s=half_s + way.delay_s - way.dilation * half_s,
            dilation=way.dilation,
            gain=self._gain * share / (near * far),
            path_m=way.out_m + way.back_m,
            leaving=way.leaving,
            coming=way.coming,
            body=np.full(near.size, body),
            ceiling_m=mirror_root_m(target, near, far),
            out_m=near,
            back_m=far,
        )
        walls = self._scene.walls
        return echoes if walls is None else _some(echoes, walls.holds(way.place_m))

    def _images(self) -> ImagePaths | None:
        """Find the ways by the walls of a box, or by a bottom and the surface behind."""
        scene = self._scene
        if scene.walls is not None:
            middle = np.array(scene.walls.pair_m)
            size, order = np.array(scene.walls.size_m), scene.walls.order
            reflections = scene.walls.reflections
        elif scene.bottom is not None:
            behind_m = scene.surface.behind_m if scene.surface else 0.0
            lower = scene.surface.reflection if scene.surface else 0.0
            # Two planes are a box whose other walls swallow everything.
            size, order = np.array([behind_m + scene.bottom.range_m, 1.0, 1.0]), BOTTOM_ORDER
            middle = np.array([behind_m, 0.5, 0.5])
            reflections = ((lower, scene.bottom.true_reflection), (0.0, 0.0), (0.0, 0.0))
        else:
            return None
        return image_paths(
            size, middle + self._source_m, middle + self._receiver_m, reflections, order
        )

    def _by_walls(self) -> _Arrivals:
        images = self._images()
        if images is None:
            return _NONE
        by_wall = images.order > 0
        path_m = images.path_m[by_wall]
        return _Arrivals(
            delay_s=path_m / self._speed_m_s,
            dilation=np.ones(path_m.size),
            gain=self._gain * images.reflection[by_wall] / np.maximum(path_m, NEAREST_M),
            path_m=path_m,
            leaving=images.leaving[by_wall],
            coming=images.coming[by_wall],
            body=np.full(path_m.size, -1),
            ceiling_m=np.full(path_m.size, np.inf),
            out_m=np.full(path_m.size, np.inf),
            back_m=np.full(path_m.size, np.inf),
        )

    def _add_direct(self, out: NDArray[np.float64], pulse_index: int, start: float) -> None:
        shade = 10 ** (self._scene.direct.level_db / 20)
        response = np.exp(-self._nepers_m * self._direct_m)
        response = response * (self._gain * shade / max(self._direct_m, NEAREST_M))
        self._sampler.add(
            out,
            pulse_index=pulse_index,
            start=np.array([start + self.direct_delay_s * self._rate_hz]),
            response=(response * self._resonance)[np.newaxis],
        )

    def _add(
        self, out: NDArray[np.float64], pulse_index: int, start: float, arrivals: _Arrivals
    ) -> None:
        step = self._sampler.paths_at_once
        for low in range(0, arrivals.delay_s.size, step):
            some = _some(arrivals, slice(low, low + step))
            self._sampler.add(
                out,
                pulse_index=pulse_index,
                start=start + some.delay_s * self._rate_hz,
                response=self._response(some),
                dilation=some.dilation,
            )

    def _response(self, arrivals: _Arrivals) -> NDArray[np.float64] | NDArray[np.complex128]:
        """Return what filters each copy of the pulse, shape (paths, bins)."""
        response: NDArray[np.float64] = np.exp(np.outer(-arrivals.path_m, self._nepers_m))
        response *= arrivals.gain[:, np.newaxis]
        ceiling_m = arrivals.ceiling_m[:, np.newaxis]
        response *= limited_root_m(self._roots_m[arrivals.body], ceiling_m)
        ways = ((arrivals.leaving, arrivals.out_m), (arrivals.coming, arrivals.back_m))
        whole: NDArray[np.float64] | NDArray[np.complex128] = response
        for face, (direction, distance_m) in zip(self._faces, ways, strict=True):
            if face.shape != "point":
                whole = whole * self._pattern(face, direction, distance_m)
        if any(face.resonance_hz for face in self._faces):
            return np.asarray(whole * self._resonance)
        return whole

    def _pattern(
        self, face: Transducer, direction: NDArray[np.float64], distance_m: NDArray[np.float64]
    ) -> NDArray[np.float64] | NDArray[np.complex128]:
        """Return what a face sends to some places, or takes from them, shape (paths, bins)."""
        far = beam(face, self._sampler.frequency_hz, direction, self._speed_m_s)
        if face.shape != "piston":
            return far
        share = nearness(face.radius_m, self._wavelength_m, distance_m)
        cosine = direction @ axis_of(face)
        at = np.flatnonzero((share > 0) & (cosine >= 0))
        if at.size == 0:
            return far
        pattern = far.astype(np.complex128)
        for path in at.tolist():
            near = near_beam(
                face.radius_m,
                float(distance_m[path]),
                float(cosine[path]),
                self._speed_m_s,
                samples=self._sampler.samples,
                sample_rate_hz=self._rate_hz,
            )
            pattern[path] += share[path] * (near - pattern[path])
        return pattern


def _anywhere(target: Target) -> Target:
    """Return a body with its place and its way left out: what its strength depends on."""
    return dataclasses.replace(
        target,
        position_m=(0.0, 0.0, 0.0),
        velocity_m_s=(0.0, 0.0, 0.0),
        turn_back_s=0.0,
        under_way_s=0.0,
    )


def _room_of(scene: Scene) -> Scene:
    """Return what of a scene the sounds that are alike at each ping depend on, bodies aside."""
    return dataclasses.replace(scene, target=(), noise=None, clutter=None)


def _some(arrivals: _Arrivals, which: slice | NDArray[np.bool_]) -> _Arrivals:
    names = _Arrivals.__dataclass_fields__
    return _Arrivals(**{n: getattr(arrivals, n)[which] for n in names})


def _joined(*arrivals: _Arrivals) -> _Arrivals:
    names = _Arrivals.__dataclass_fields__
    return _Arrivals(**{n: np.concatenate([getattr(a, n) for a in arrivals]) for n in names})


def _sum(*parts: NDArray[np.float64]) -> NDArray[np.float64]:
    """Add sounds of different lengths."""
    total = np.zeros(max(part.size for part in parts))
    for part in parts:
        total[: part.size] += part
    return total
