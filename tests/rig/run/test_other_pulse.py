"""A plan that names another chirp than was sent tells no ranges: it says that it does not fit.

What was sent is SciPy's own chirp, at exact delays, through ways that are none of the program's.
"""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from rig.bench.capture import LEAD_S, CaptureBlock, StreamInfo
from rig.bench.plan import Plan, plan_from_table
from rig.run.loop import ping_results
from rig.run.receiver import Receiver
from rig.run.results import PingResult

RATE_HZ, INTERVAL, LENGTH = 48_000.0, 4800, 1 << 14
FREQUENCY_HZ = np.fft.rfftfreq(LENGTH, 1 / RATE_HZ)
INFO = StreamInfo(front_end="made", device="a made one", sample_rate_hz=RATE_HZ)
SENT = {"start_hz": 4e3, "stop_hz": 12e3, "duration_s": 0.005}
OTHERS = [
    {"start_hz": 2e3},
    {"start_hz": 8e3},
    {"stop_hz": 6e3},
    {"stop_hz": 20e3},
    {"duration_s": 0.0025},
    {"duration_s": 0.01},
    {"start_hz": 12e3, "stop_hz": 4e3},
]


def plan_of(**chirp: Any) -> Plan:
    return plan_from_table(
        {
            "pulse": {"kind": "chirp", "taper": "none", **chirp},
            "timing": {"sample_rate_hz": RATE_HZ, "ping_interval_s": INTERVAL / RATE_HZ},
            "geometry": {"baseline_m": 0.12},
        }
    )


def heard(plan: Plan, way: NDArray[np.complex128], *, seed: int) -> list[PingResult]:
    """Return what is told of two pings: a direct sound, and an echo a quarter as strong."""
    t = np.arange(round(SENT["duration_s"] * RATE_HZ)) / RATE_HZ
    sent = signal.chirp(t, SENT["start_hz"], SENT["duration_s"], SENT["stop_hz"])
    turned = -2j * np.pi * FREQUENCY_HZ
    random = np.random.default_rng(seed)
    blocks = []
    for ping in range(2):
        delays_s = LEAD_S + np.array([0.12, 2.4]) / 343.987
        ways = np.exp(turned * delays_s[0]) + 0.25 * np.exp(turned * delays_s[1])
        samples = np.fft.irfft(np.fft.rfft(sent, LENGTH) * way * ways, LENGTH)[:INTERVAL]
        samples *= 0.3 / np.abs(samples).max()
        samples += 1e-3 * random.standard_normal(INTERVAL)
        blocks.append(
            CaptureBlock(
                index=ping,
                samples=samples[np.newaxis].astype(np.float32),
                start_sample=ping * INTERVAL,
                mark_s=LEAD_S + 0.12 / 343.987,
            )
        )
    return list(ping_results(Receiver(plan, INFO), blocks))


def ringing(quality: float, at_hz: float) -> NDArray[np.complex128]:
    """Return what two alike faces, each a mass on a spring, make of a sound."""
    hz = np.maximum(FREQUENCY_HZ, 1.0)
    return np.asarray(1 / (1 + 1j * quality * (hz / at_hz - at_hz / hz)) ** 2)


FLAT = np.ones(FREQUENCY_HZ.size, dtype=np.complex128)
BOUNCES = FLAT + sum(
    share * np.exp(-2j * np.pi * FREQUENCY_HZ * late_s)
    for share, late_s in ((0.9, 1.2e-4), (-0.7, 3.1e-4), (0.5, 6e-4))
)
WAYS = {
    "nothing": FLAT,
    "three bounces": BOUNCES,
    **{f"faces of Q {q} at {hz / 1e3} kHz": ringing(q, hz) for q in (3, 8) for hz in (6e3, 9e3)},
}


@pytest.mark.parametrize("other", OTHERS, ids=str)
def test_pings_of_another_chirp_are_lost(other: dict[str, float]) -> None:
    for result in heard(plan_of(**{**SENT, **other}), FLAT, seed=1):
        assert result.lost
        assert "it sweeps otherwise" in result.reason or "no direct sound" in result.reason


def test_the_reason_names_the_plans_pulse() -> None:
    first, _ = heard(plan_of(**{**SENT, "duration_s": 0.0025}), FLAT, seed=1)
    assert "no chirp from 4 to 12 kHz of 2.5 ms" in first.reason


@pytest.mark.parametrize("way", WAYS)
def test_the_chirp_that_was_sent_is_known_whatever_it_went_through(way: str) -> None:
    for seed in range(4):
        results = heard(plan_of(**SENT), WAYS[way], seed=seed)
        assert not any("sweeps" in result.reason for result in results)


def test_a_chirp_all_but_the_one_that_was_sent_is_taken_and_its_range_holds() -> None:
    # One part in a hundred longer: of 40 lobes it is drawn out by half a one.
    results = heard(plan_of(**{**SENT, "duration_s": 0.00505}), FLAT, seed=1)
    for result in results:
        (echo,) = result.echoes
        true_m = np.sqrt(2.4**2 - 0.12**2) / 2
        assert abs(echo.range_m - true_m) < 3 * echo.u_range_m


def test_no_other_kind_of_pulse_is_asked_for_its_sweep() -> None:
    tone = dataclasses.replace(
        plan_of(**SENT),
        pulse=plan_from_table(
            {"pulse": {"kind": "tone", "centre_hz": 8e3, "duration_s": 0.002}}
        ).pulse,
    )
    for result in heard(tone, FLAT, seed=1):
        assert "sweeps" not in result.reason
