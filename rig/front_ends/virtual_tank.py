"""The virtual tank as a front end: pings into a scene instead of into a room."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.ping.pulse.pulses import Pulse
from dsp.ping.signs.signs import ping_sign
from rig.bench.capture import LEAD_S, CaptureBlock, CaptureFlag, StreamInfo
from rig.bench.closing import Closing
from rig.bench.plan import Plan
from rig.bench.waveforms import pulses_of
from rig.tank.changes import Changes, Tick
from rig.tank.echoes import Tank
from rig.tank.scene import Scene, SecondReceiver
from rig.tank.truth import HeldScene, Truth


def _words_for(scene: Scene) -> str:
    count = len(scene.target)
    targets = f"{count or 'no'} target{'' if count == 1 else 's'}"
    return f"a scene in {scene.medium.kind.replace('-', ' ')} with {targets}"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Ear:
    """A receiver in the tank, and its way to the samples.

    Its channel is late by so many of the tank's samples, and as loud as `factor` says.
    """

    channel: int
    tank: Tank
    late: float = 0.0
    factor: float = 1.0

    def hears(self, sound: NDArray[np.float64]) -> NDArray[np.float64]:
        """Turn what comes to it into what its channel has of it."""
        return sound if self.factor == 1.0 else self.factor * sound


class VirtualTank(Closing):
    """Sounds a scene. Made by :func:`open_virtual_tank`."""

    def __init__(self, plan: Plan, scene: Scene, seed: int) -> None:
        self._plan = plan
        geometry, converter = plan.geometry, scene.converter
        rate_hz = plan.timing.sample_rate_hz
        baseline_m = geometry.baseline_m if scene.geometry is None else scene.geometry.baseline_m
        # One clock drives both converters: what it gets wrong is how long a delay is.
        self._true_rate_hz = rate_hz * (1 + converter.clock_error_ppm * 1e-6)
        self._pulses = pulses_of(plan)
        # A band above half the rate goes through the scene where it really lies; only
        # then does a converter with no filter ahead of it take every so many samples.
        self._finer, sent = _unfolded(plan)
        self._bits = converter.bits
        self._interval = plan.interval_samples
        self._truth = Truth(plan, [HeldScene(scene=scene)])
        self._changes = Changes()
        self._tank = Tank(
            scene,
            [pulse.samples for pulse in sent],
            sample_rate_hz=self._true_rate_hz * self._finer,
            baseline_m=baseline_m,
            seed=seed,
        )
        self._ears = [_Ear(channel=geometry.microphone, tank=self._tank)]
        if geometry.second is not None:
            second = scene.second_receiver or SecondReceiver()
            tank = Tank(
                scene,
                [pulse.samples for pulse in sent],
                sample_rate_hz=self._true_rate_hz * self._finer,
                baseline_m=baseline_m,
                past_m=second.spacing_m or geometry.second_spacing_m,
                ahead_m=second.ahead_m,
                seed=seed,
            )
            self._ears.append(
                _Ear(
                    channel=geometry.second,
                    tank=tank,
                    late=second.delay_s * self._true_rate_hz * self._finer,
                    factor=10 ** (second.gain_db / 20) * (-1 if second.opposite else 1),
                )
            )
        self._info = StreamInfo(
            front_end="virtual-tank",
            invented=True,
            device=_words_for(scene),
            sample_rate_hz=rate_hz,
            channels=geometry.channels,
            microphone=geometry.microphone,
            loopback=geometry.loopback,
            second=geometry.second,
            latency_s=converter.latency_s,
            step=2.0 ** (1 - converter.bits) if converter.bits else 0.0,
            can_slip=False,
        )
        # The pulse leaves, as the input counts, a latency after the output's sample 0;
        # the block is cut so that the mark stands a lead after its first sample.
        leaves = converter.latency_s * self._true_rate_hz
        self._by_direct = geometry.time_zero == "direct"
        self._leaves = leaves
        self._first = first = math.floor(self._mark()) - round(LEAD_S * rate_hz)
        self._leaving = leaves - first
        self._to_leave_out = 0

    def _mark(self) -> float:
        """Return where the first ping's mark stands in the input, in samples."""
        direct = self._tank.direct_delay_s * self._true_rate_hz
        return self._leaves + (direct if self._by_direct else 0.0)

    @property
    def info(self) -> StreamInfo:
        """What is true of every block."""
        return self._info

    @property
    def truth(self) -> Truth:
        """What really stands there."""
        return self._truth

    @property
    def changes(self) -> Changes:
        """Takes what hands do to the scene; each change is sounded from the next ping on."""
        return self._changes

    def leave_out(self, pings: int) -> None:
        """Hand on no block for the next `pings` pings, and save the work of sounding them.

        For who shows pings as they are due and has fallen behind. Where pulses take turns,
        whole turns are left out. The blocks after them are as they would have been.
        """
        turn = len(self._pulses)
        self._to_leave_out = -(-pings // turn) * turn

    def blocks(self, pings: int) -> Iterator[CaptureBlock]:
        """Send `pings` pings, from the scene's time 0 on, and yield a block for each.

        What is still to be heard of a ping when the next is sent is heard in the
        next one's block.
        """
        loopback = self._info.loopback
        leaving = self._leaving * self._finer
        each = range(len(self._pulses))
        wires = [self._tank.wire(pulse_index=i, start=leaving)[:: self._finer] for i in each]

        def still_sounds() -> list[list[NDArray[np.float64]]]:
            return [
                [
                    ear.hears(ear.tank.still_sound(pulse_index=i, start=leaving + ear.late))[
                        :: self._finer
                    ]
                    for i in each
                ]
                for ear in self._ears
            ]

        still = still_sounds()
        waiting = np.zeros((self._info.channels, self._interval))

        def sounded(waiting: NDArray[np.float64], ping: int) -> NDArray[np.float64]:
            which = ping % len(self._pulses)
            sent_as = 1.0
            if self._plan.timing.signed_pings:
                sent_as = float(ping_sign(ping))
            heard: list[tuple[int, NDArray[np.float64]]] = []
            for ear, its_still in zip(self._ears, still, strict=True):
                fresh = ear.tank.fresh_sound(
                    ping=ping,
                    pulse_index=which,
                    sent_s=self._truth.time_s(ping),
                    start=leaving + ear.late,
                )
                others = ear.tank.others_sound(
                    from_s=self._truth.run_s(ping),
                    up_to_s=self._truth.run_s(ping + 1),
                    start=leaving + ear.late,
                    is_first=ping == 0,
                )
                heard += [
                    (ear.channel, sent_as * its_still[which]),
                    (ear.channel, sent_as * ear.hears(fresh)[:: self._finer]),
                    (ear.channel, ear.hears(others)[:: self._finer]),
                ]
            if loopback is not None:
                heard.append((loopback, sent_as * wires[which]))
            waiting = _grown(waiting, max(sound.size for _, sound in heard))
            for channel, sound in heard:
                waiting[channel, : sound.size] += sound
            return waiting

        for ping in range(pings):
            if self._take_up_changes(ping):
                still = still_sounds()
            if self._to_leave_out:
                self._to_leave_out -= 1
                # Sounded all the same where the next block that is handed on hears it still.
                if self._to_leave_out < -(-waiting.shape[1] // self._interval) - 1:
                    waiting = sounded(waiting, ping)
            else:
                waiting = sounded(waiting, ping)
                yield self._block(ping, waiting[:, : self._interval])
            later = waiting.shape[1] - self._interval
            waiting[:, :later] = waiting[:, self._interval :]
            waiting[:, later:] = 0.0

    def _take_up_changes(self, ping: int) -> bool:
        """Sound the scene from a ping on as hands have left it; say whether they changed it."""
        interval_s = self._interval / self._true_rate_hz
        scene = self._changes.taken_up(
            self._truth.scene_at(ping),
            self._truth.time_s(ping),
            Tick(run_s=ping * interval_s, interval_s=interval_s),
        )
        if scene is None:
            return False
        self._truth.change(scene, from_ping=ping)
        for ear in self._ears:
            ear.tank.change(scene)
        return True

    def _block(self, ping: int, samples: NDArray[np.float64]) -> CaptureBlock:
        """Turn what is heard in an interval into a block, with its noise; overwrites it."""
        for channel in range(self._info.channels):
            # A wire picks up next to nothing: the noise is the microphone's.
            if channel != self._info.loopback:
                self._tank.add_noise(samples[channel], ping=ping, channel=channel)
        converted, clipped = converted_samples(samples, self._bits)
        return CaptureBlock(
            index=ping,
            samples=converted,
            start_sample=self._first + ping * self._interval,
            mark_s=(self._mark() - self._first) / self._info.sample_rate_hz,
            pulse_index=ping % len(self._pulses),
            sign_place=self._plan.sign_place(ping),
            flags=CaptureFlag.CLIPPED if clipped else CaptureFlag.NONE,
        )

    def close(self) -> None:
        """Do nothing: there is no device to let go."""


def open_virtual_tank(plan: Plan, *, scene: Scene, seed: int = 0) -> VirtualTank:
    """Open the virtual tank.

    Parameters
    ----------
    plan : Plan
    scene : Scene
        From :func:`rig.tank.scene.read_scene`, or from :mod:`rig.tank.built_in`.
    seed : int
        Of noise, clutter and bubbles; not negative. The same seed gives the same
        samples, however many pings are asked for.

    Raises
    ------
    PlanError
        Where the plan's pulse cannot be made.
    """
    return VirtualTank(plan, scene, seed)


def _unfolded(plan: Plan) -> tuple[int, tuple[Pulse, ...]]:
    """Return how much finer the scene is sounded than sampled, and the pulses for that."""
    if not plan.timing.band_sampling:
        return 1, pulses_of(plan)
    rate_hz = plan.timing.sample_rate_hz
    finer = math.ceil(3 * plan.pulse.highest_hz / rate_hz)
    timing = dataclasses.replace(plan.timing, sample_rate_hz=finer * rate_hz, band_sampling=False)
    return finer, pulses_of(dataclasses.replace(plan, timing=timing))


def converted_samples(samples: NDArray[np.float64], bits: int) -> tuple[NDArray[np.float32], bool]:
    """Turn sound into numbers.

    Parameters
    ----------
    samples : ndarray of float64
        Full scale is ±1. Overwritten: room for another block costs more than its sums.
    bits : int
        0 leaves them unrounded.

    Returns
    -------
    ndarray of float32
        Within full scale; its upper end is one step below 1.
    bool
        Whether any sample stands at full scale.
    """
    if bits:
        step = 2.0 ** (1 - bits)
        # Whole numbers of steps, and steps that are powers of two: float32 holds both exactly.
        numbers = np.empty(samples.shape, dtype=np.float32)
        samples *= 2.0 ** (bits - 1)
        np.rint(samples, out=numbers, casting="same_kind")
        numbers *= np.float32(step)
        highest, lowest = float(numbers.max()), float(numbers.min())
    else:
        step = 0.0
        numbers = samples.astype(np.float32)
        highest, lowest = float(samples.max()), float(samples.min())
    if highest > 1.0 - step or lowest < -1.0:
        np.clip(numbers, -1.0, 1.0 - step, out=numbers)
    return numbers, highest >= 1.0 - step or lowest <= -1.0


def _grown(waiting: NDArray[np.float64], samples: int) -> NDArray[np.float64]:
    if waiting.shape[1] >= samples:
        return waiting
    grown = np.zeros((waiting.shape[0], samples))
    grown[:, : waiting.shape[1]] = waiting
    return grown
