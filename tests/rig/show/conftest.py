"""Invented pings for the pictures: a post that stands, a lid that is carried past, noise."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from functools import partial

import numpy as np
import pytest

from dsp.ping.pulse.profiles import EchoProfile
from rig.bench.capture import StreamInfo
from rig.bench.plan import Geometry, Medium, Plan, Reception, Timing, Transducer
from rig.bench.pulse_kinds import Chirp
from rig.run.receiver import Receiver
from rig.run.results import Echo, PingResult, TimeZero
from rig.run.run import Origin, Run, run_with
from rig.tank.scene import Scene
from rig.tank.truth import HeldScene, Truth

AIR_M_S = 343.963
WATER_M_S = 1482.346


@dataclasses.dataclass(frozen=True, kw_only=True)
class Bench:
    """A plan, its stream, and the two numbers that the view is given."""

    plan: Plan
    info: StreamInfo
    sound_speed_m_s: float
    half_angle_rad: float
    scene: Scene | None = None

    def run(self, results: Sequence[PingResult] = ()) -> Run:
        """Return the run that such pings would be of."""
        receiver = Receiver(self.plan, self.info)
        receiver.sound_speed_m_s = self.sound_speed_m_s
        receiver.range_model = dataclasses.replace(
            receiver.range_model, half_angle_rad=self.half_angle_rad
        )
        truth = None
        if self.scene is not None:
            truth = Truth(self.plan, [HeldScene(scene=self.scene)])
        return run_with(receiver, results, origin=Origin(truth=truth))

    def ping(
        self,
        index: int,
        targets: Sequence[tuple[float, float]],
        rng: np.random.Generator,
        *,
        noise_db: float = -75.0,
        lost: str = "",
    ) -> PingResult:
        """One ping off `targets`, each (range in m, amplitude in dB re full scale)."""
        sent_s = index * self.plan.timing.ping_interval_s
        if lost:
            return PingResult(index=index, sent_s=sent_s, lost=True, reason=lost)
        pulse = self.plan.pulse
        assert isinstance(pulse, Chirp)
        bandwidth_hz = pulse.stop_hz - pulse.start_hz
        bin_s = 1 / (1.25 * bandwidth_hz)
        baseline_m, c = self.plan.geometry.baseline_m, self.sound_speed_m_s
        farthest_s = 2 * math.hypot(self.plan.receiver.range_stop_m, baseline_m) / c
        t = np.arange(math.ceil(1.05 * farthest_s / bin_s)) * bin_s
        noise = rng.normal(size=(2, t.size)) / math.sqrt(2)
        envelope = 10 ** (noise_db / 20) * (noise[0] + 1j * noise[1])
        bodies = [(0.0, -8.0), *targets]  # the direct sound first
        echoes = []
        for i, (range_m, strength_db) in enumerate(bodies):
            delay_s = 2 * math.hypot(range_m, baseline_m / 2) / c
            phase = np.exp(-2j * np.pi * pulse.centre_hz * delay_s)
            shape = np.sinc(bandwidth_hz * (t - delay_s))
            fade = 1 / (1 + (bandwidth_hz * (t - delay_s) / 6) ** 2)
            envelope += 10 ** (strength_db / 20) * phase * shape * fade
            if i and strength_db > noise_db + 14:
                echoes.append(
                    Echo(
                        range_m=range_m,
                        path_m=c * delay_s,
                        delay_s=delay_s,
                        u_range_m=0.0018,
                        strength_db=strength_db,
                        snr_db=strength_db - noise_db + 3,
                        bound_m=0.0002,
                    )
                )
        return PingResult(
            index=index,
            sent_s=sent_s,
            lost=False,
            time_zero=TimeZero(method="direct", delay_s=0.0053, u_delay_s=2e-6, mark_s=0.00565),
            profile=EchoProfile(envelope=envelope.astype(np.complex64), bin_s=bin_s),
            echoes=tuple(sorted(echoes, key=lambda e: e.range_m)),
            threshold=partial(np.full, t.size, noise_db + 14.4),
        )

    def passing(self, pings: int, rng: np.random.Generator, *, lost: Sequence[int] = ()):
        """A pass: one thing stands, one is carried by, one is near the far end."""
        stop_m = self.plan.receiver.range_stop_m
        results = []
        for index in range(pings):
            across_m = stop_m * 0.5 * (index - pings / 2) / pings
            moving_m = math.hypot(0.35 * stop_m, across_m)
            weaker_db = -30 * (across_m / stop_m / 0.25) ** 2 / 2
            targets = [(0.55 * stop_m, -42.0), (moving_m, -38.0 + weaker_db), (0.9 * stop_m, -55.0)]
            reason = "samples were lost on the way in" if index in lost else ""
            results.append(self.ping(index, targets, rng, lost=reason))
        return results


def air_bench() -> Bench:
    plan = Plan(pulse=Chirp(start_hz=4000.0, stop_hz=12000.0, duration_s=0.010))
    info = StreamInfo(
        front_end="virtual-tank", device="bench", sample_rate_hz=48000.0, invented=True
    )
    # sin θ = 1.160/ka, ka = 4.384 (two-way half power of a piston of 3 cm at 8 kHz)
    return Bench(plan=plan, info=info, sound_speed_m_s=AIR_M_S, half_angle_rad=0.2678)


def water_tank() -> Bench:
    plan = Plan(
        pulse=Chirp(start_hz=150e3, stop_hz=250e3, duration_s=0.0002),
        timing=Timing(sample_rate_hz=1e6, ping_interval_s=0.1),
        receiver=Reception(range_start_m=0.1, range_stop_m=1.2),
        medium=Medium(kind="fresh-water"),
        geometry=Geometry(baseline_m=0.06),
        transducer=Transducer(radius_m=0.025),
    )
    info = StreamInfo(
        front_end="virtual-tank", device="rain trough", sample_rate_hz=1e6, invented=True
    )
    return Bench(plan=plan, info=info, sound_speed_m_s=WATER_M_S, half_angle_rad=0.0763)


@pytest.fixture
def air() -> Bench:
    return air_bench()


@pytest.fixture
def water() -> Bench:
    return water_tank()


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(20)
