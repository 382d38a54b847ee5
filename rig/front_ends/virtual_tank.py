"""The virtual tank as a front end: pings into a scene instead of into a room."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator
from types import TracebackType
from typing import Self

import numpy as np
from numpy.typing import NDArray

from dsp.ping.pulses import Pulse
from rig.bench.capture import LEAD_S, CaptureBlock, CaptureFlag, StreamInfo
from rig.bench.plan import Plan
from rig.bench.waveforms import pulses_of
from rig.tank.echoes import Tank
from rig.tank.scene import Scene


def _words_for(scene: Scene) -> str:
    count = len(scene.target)
    targets = f"{count or 'no'} target{'' if count == 1 else 's'}"
    return f"a scene in {scene.medium.kind.replace('-', ' ')} with {targets}"


class VirtualTank:
    """Sounds a scene. Made by :func:`open_virtual_tank`."""

    def __init__(self, plan: Plan, scene: Scene, seed: int) -> None:
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
        self._tank = Tank(
            scene,
            [pulse.samples for pulse in sent],
            sample_rate_hz=self._true_rate_hz * self._finer,
            baseline_m=baseline_m,
            seed=seed,
        )
        loopback = geometry.loopback_channel - 1 if geometry.time_zero == "loopback" else None
        self._info = StreamInfo(
            front_end="virtual-tank",
            invented=True,
            device=_words_for(scene),
            sample_rate_hz=rate_hz,
            channels=1 if loopback is None else max(2, loopback + 1),
            microphone=1 if loopback == 0 else 0,
            loopback=loopback,
            latency_s=converter.latency_s,
            step=2.0 ** (1 - converter.bits) if converter.bits else 0.0,
            can_slip=False,
        )
        # The pulse leaves, as the input counts, a latency after the output's sample 0;
        # the block is cut so that the mark stands a lead after its first sample.
        leaves = converter.latency_s * self._true_rate_hz
        direct = self._tank.direct_delay_s * self._true_rate_hz
        mark = leaves + (direct if geometry.time_zero == "direct" else 0.0)
        first = math.floor(mark) - round(LEAD_S * rate_hz)
        self._first = first
        self._leaving = leaves - first
        self._mark_s = (mark - first) / rate_hz

    @property
    def info(self) -> StreamInfo:
        """What is true of every block."""
        return self._info

    def blocks(self, pings: int) -> Iterator[CaptureBlock]:
        """Send `pings` pings, from the scene's time 0 on, and yield a block for each.

        What is still to be heard of a ping when the next is sent is heard in the
        next one's block.
        """
        waiting = np.zeros((self._info.channels, self._interval))
        leaving = self._leaving * self._finer
        still = [
            self._tank.still_sound(pulse_index=i, start=leaving)[:: self._finer]
            for i in range(len(self._pulses))
        ]
        for ping in range(pings):
            which = ping % len(self._pulses)
            fresh = self._tank.fresh_sound(
                ping=ping,
                pulse_index=which,
                sent_s=ping * self._interval / self._true_rate_hz,
                start=leaving,
            )[:: self._finer]
            waiting = _grown(waiting, max(still[which].size, fresh.size))
            heard = waiting[self._info.microphone]
            heard[: still[which].size] += still[which]
            heard[: fresh.size] += fresh
            if self._info.loopback is not None:
                wire = self._tank.wire(pulse_index=which, start=leaving)[:: self._finer]
                waiting = _grown(waiting, wire.size)
                waiting[self._info.loopback, : wire.size] += wire
            samples = waiting[:, : self._interval].copy()
            for channel in range(self._info.channels):
                # A wire picks up next to nothing: the noise is the microphone's.
                if channel != self._info.loopback:
                    samples[channel] += self._tank.noise(ping, channel, self._interval)
            converted, clipped = converted_samples(samples, self._bits)
            yield CaptureBlock(
                index=ping,
                samples=converted,
                start_sample=self._first + ping * self._interval,
                mark_s=self._mark_s,
                pulse_index=which,
                flags=CaptureFlag.CLIPPED if clipped else CaptureFlag.NONE,
            )
            waiting = _grown(waiting[:, self._interval :], self._interval)

    def close(self) -> None:
        """Do nothing: there is no device to let go."""

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        problem: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


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
        Full scale is ±1.
    bits : int
        0 leaves them unrounded.

    Returns
    -------
    ndarray of float32
        Within full scale; its upper end is one step below 1.
    bool
        Whether any sample stands at full scale.
    """
    step = 2.0 ** (1 - bits) if bits else 0.0
    rounded = np.round(samples / step) * step if bits else samples
    clipped = bool(rounded.max() >= 1.0 - step or rounded.min() <= -1.0)
    return np.clip(rounded, -1.0, 1.0 - step).astype(np.float32), clipped


def _grown(waiting: NDArray[np.float64], samples: int) -> NDArray[np.float64]:
    missing = samples - waiting.shape[1]
    return np.pad(waiting, ((0, 0), (0, missing))) if missing > 0 else waiting
