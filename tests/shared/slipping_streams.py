"""Streams that lose or repeat samples without saying so, and what is made of them.

A stream is made by shifting a pulse's spectrum in phase, and is cut afterwards at any sample, as a
sound server does that runs late. No code of the receiver or of the virtual tank has a part in it.
"""

import functools
import math
from collections.abc import Callable
from typing import Any

import numpy as np

from rig.bench.capture import LEAD_S, CaptureBlock, StreamInfo
from rig.bench.plan import Plan, plan_from_table
from rig.bench.waveforms import pulses_of
from rig.run.loop import ping_results
from rig.run.receiver import Receiver
from rig.run.results import PingResult

RATE_HZ, SPEED_M_S, BASELINE_M = 48_000.0, 343.987, 0.12
SLIPPING = StreamInfo(
    front_end="made",
    device="samples made in a test",
    sample_rate_hz=RATE_HZ,
    can_slip=True,
    confirms_last=True,
)
PULSES: dict[str, dict[str, Any]] = {
    "chirp": {"kind": "chirp", "start_hz": 4e3, "stop_hz": 12e3, "duration_s": 0.01},
    "tone": {"kind": "tone", "centre_hz": 8e3, "duration_s": 0.001},
    "barker13": {"kind": "barker13", "centre_hz": 8e3, "chip_s": 2.5e-4},
    "golay": {"kind": "golay", "centre_hz": 8e3, "chip_s": 2.5e-4, "chips": 16},
}
PINGS = 6

Sounds = tuple[tuple[float, float], ...]


def a_plan(pulse: str) -> Plan:
    return plan_from_table({"pulse": PULSES[pulse], "timing": {"ping_interval_s": 0.1}})


@functools.lru_cache(maxsize=64)
def one_ping(plan: Plan, index: int, sounds: Sounds) -> np.ndarray:
    """The samples of a ping's direct sound (range 0) and echoes, each (range_m, amplitude)."""
    pulse = pulses_of(plan)[index % plan.pulses_per_cycle].samples.astype(float)
    length = 1 << 14
    frequency = np.fft.rfftfreq(length, 1 / RATE_HZ)
    response = np.zeros(frequency.size, dtype=complex)
    for range_m, amplitude in sounds:
        path_m = math.hypot(2 * range_m, BASELINE_M)
        delay_s = LEAD_S + (path_m - BASELINE_M) / SPEED_M_S
        response += amplitude * np.exp(-2j * np.pi * frequency * delay_s)
    return np.fft.irfft(np.fft.rfft(pulse, length) * response, length)[: plan.interval_samples]


def heard(
    plan: Plan,
    sounds: Sounds | Callable[[int], Sounds],
    *,
    slip: int = 0,
    at: int = 0,
    gains: tuple[float, ...] = (1.0,) * PINGS,
    pings: int = PINGS,
    info: StreamInfo = SLIPPING,
    mark_s: float = LEAD_S,
    seed: int = 1,
) -> list[PingResult]:
    """What is made of a stream that, from sample `at` on, comes `slip` samples late.

    `sounds` may be given for each ping by its index.
    """
    interval = plan.interval_samples
    gains = (*gains, *[gains[-1]] * (pings + 3 - len(gains)))
    each = [sounds(k) if callable(sounds) else sounds for k in range(len(gains))]
    stream = np.concatenate([g * one_ping(plan, k, each[k]) for k, g in enumerate(gains)])
    rng = np.random.default_rng(seed)
    stream += 1e-3 * rng.standard_normal(stream.size)
    if slip > 0:
        stream = np.concatenate([stream[:at], 1e-3 * rng.standard_normal(slip), stream[at:]])
    elif slip < 0:
        stream = np.concatenate([stream[:at], stream[at - slip :]])
    blocks = [
        CaptureBlock(
            index=k,
            samples=stream[k * interval : (k + 1) * interval],
            start_sample=k * interval,
            mark_s=mark_s,
            pulse_index=k % plan.pulses_per_cycle,
            confirms_only=k == pings,
        )
        for k in range(pings + 1)
    ]
    # Together, which is the same to the last bit (test_groups.py) and takes less time.
    return list(ping_results(Receiver(plan, info), blocks, at_a_time=len(blocks)))
