"""A board for those who have none: the real firmware, emulated, in a virtual tank.

The firmware's own burst, as its drive pins send it, is what the tank is sounded
with; what comes back is sampled by its own converter and comes over its own
serial port.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from rig.bench.capture import CaptureBlock, StreamInfo
from rig.bench.closing import Closing
from rig.bench.plan import Plan
from rig.front_ends.board.emulator import SOUND_RATE_HZ, BoardEmulator
from rig.front_ends.board.serial_board import LinkCounts, SerialBoard
from rig.front_ends.protocol import FrontEnd
from rig.tank.echoes import Tank
from rig.tank.scene import Scene, Transducer
from rig.tank.truth import HeldScene, Truth

_WAVE_ENDS = 1e-4  # of its largest: the tank need not carry more of the ringing


class EmulatedBoard(Closing):
    """Sounds a scene through a board. Made by :func:`open_emulated_board`."""

    def __init__(self, plan: Plan, scene: Scene, seed: int) -> None:
        self._plan, self._scene, self._seed = plan, scene, seed
        self._truth = Truth(plan, [HeldScene(scene=scene)])
        self._tank: Tank | None = None
        self._emulator = BoardEmulator(plan.board.baud)
        try:
            self._board = SerialBoard(
                plan,
                self._emulator.port_name,
                front_end="emulated-board",
                before_ping=self._sound,
                paced=False,
            )
            self._put_in_tank()
        except BaseException:
            self._emulator.close()
            raise

    @property
    def info(self) -> StreamInfo:
        """What is true of every block."""
        return self._board.info

    @property
    def truth(self) -> Truth:
        """What really stands in the tank."""
        return self._truth

    @property
    def counts(self) -> LinkCounts:
        """What went wrong on the link."""
        return self._board.counts

    def blocks(self, pings: int) -> Iterator[CaptureBlock]:
        """Send `pings` pings, from the scene's time 0 on, and yield a block for each."""
        return self._board.blocks(pings)

    def close(self) -> None:
        """Let the board go and end its program. May be called twice."""
        self._board.close()
        self._emulator.close()

    def _put_in_tank(self) -> None:
        """Take the burst off the drive pins with one ping into nothing, and sound the scene."""
        for which, face in enumerate(_faces(self._scene)):
            centre_hz, ring_s = _resonance(face, self._plan)
            self._emulator.command(f"resonance {which} {centre_hz:.6f} {ring_s:.9f}")
        for _ in self._board.blocks(1):
            pass
        wave = self._emulator.wave()
        loud = np.flatnonzero(np.abs(wave) > _WAVE_ENDS * np.abs(wave).max(initial=0.0))
        wave = wave[: loud[-1] + 1] if loud.size else wave[:1]
        geometry = self._scene.geometry or self._plan.geometry
        # A clock that is fast has shorter microseconds.
        rate_hz = SOUND_RATE_HZ * (1 + self._scene.converter.clock_error_ppm * 1e-6)
        tank = Tank(
            _unringing(self._scene),
            [wave],
            sample_rate_hz=rate_hz,
            baseline_m=geometry.baseline_m,
            seed=self._seed,
        )
        self._still = tank.still_sound(pulse_index=0, start=0.0)
        self._tank = tank

    def _sound(self, ping: int) -> None:
        """Let the board hear what comes back from ping `ping`."""
        if self._tank is None:
            return
        fresh = self._tank.fresh_sound(
            ping=ping,
            pulse_index=0,
            sent_s=ping * self._plan.timing.ping_interval_s,
            start=0.0,
        )
        others = self._tank.others_sound(
            from_s=ping * self._plan.timing.ping_interval_s,
            up_to_s=(ping + 1) * self._plan.timing.ping_interval_s,
            start=0.0,
            is_first=ping == 0,
        )
        self._emulator.play(_sum(_sum(self._still, fresh), others))
        if self._scene.noise is not None:
            # A stream of its own for each ping, whatever came before it.
            words = np.random.SeedSequence((self._seed, ping)).generate_state(1, np.uint64)
            self._emulator.set_noise(10 ** (self._scene.noise.level_db / 20), int(words[0]) >> 12)


def open_emulated_board(plan: Plan, *, scene: Scene, seed: int = 0) -> FrontEnd:
    """Build the board's firmware and its emulator if need be, and put it into a scene.

    Parameters
    ----------
    plan : Plan
        Its pulse is a burst.
    scene : Scene
        Its transducers' resonance, where it names one, is the board's; else the
        pair rings as the plan says.
    seed : int
        Of all that is random; not negative.

    Raises
    ------
    DeviceError
        Where packages are missing; the message names them.
    PlanError
        Where the board cannot do what the plan asks.
    """
    return EmulatedBoard(plan, scene, seed)


def _faces(scene: Scene) -> tuple[Transducer, Transducer]:
    shared = scene.transducer or Transducer(shape="point")
    return scene.source_transducer or shared, scene.receiver_transducer or shared


def _resonance(face: Transducer, plan: Plan) -> tuple[float, float]:
    """Return a transducer's resonance and how long it rings."""
    if face.resonance_hz:
        return face.resonance_hz, 1 / (math.pi * face.bandwidth_hz)
    burst = plan.pulse.burst
    assert burst is not None  # noqa: S101 - the board has refused all else
    return burst.centre_hz, burst.ring_s


def _unringing(scene: Scene) -> Scene:
    """Return the scene with its transducers' resonance taken out: the board has it."""
    bare = {
        name: dataclasses.replace(face, resonance_hz=0.0, bandwidth_hz=0.0)
        for name in ("transducer", "source_transducer", "receiver_transducer")
        if (face := getattr(scene, name)) is not None
    }
    return dataclasses.replace(scene, **bare)


def _sum(one: NDArray[np.float64], other: NDArray[np.float64]) -> NDArray[np.float64]:
    total = np.zeros(max(one.size, other.size))
    total[: one.size] += one
    total[: other.size] += other
    return total
