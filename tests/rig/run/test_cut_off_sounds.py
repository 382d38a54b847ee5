"""A ping whose direct sound an input cuts off below full scale shows the echoes that are there.

The recording is made by turning the pulse's spectrum, with no code of the receiver; the scene is
invented.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

import rig
from dsp.ping.pulse.pulses import Pulse, barker13, golay_pair, linear_chirp, tone_burst

# Of a carrier that is a small part of the rate all crests are sampled alike, here of none.
RATE_HZ, INTERVAL, BASELINE_M = 50_000, 5_000, 0.12
PULSES: dict[str, tuple[dict[str, Any], tuple[Pulse, ...]]] = {
    "chirp": (
        {"kind": "chirp", "start_hz": 4e3, "stop_hz": 12e3, "duration_s": 0.005},
        (linear_chirp(4e3, 12e3, 0.005, float(RATE_HZ)),),
    ),
    "barker": (
        {"kind": "barker13", "centre_hz": 8e3, "chip_s": 2.5e-4},
        (barker13(8e3, 2.5e-4, float(RATE_HZ)),),
    ),
    "golay": (
        {"kind": "golay", "centre_hz": 8e3, "chip_s": 2.5e-4, "chips": 16},
        golay_pair(8e3, 2.5e-4, 16, float(RATE_HZ)),
    ),
    "tone": (
        {"kind": "tone", "centre_hz": 8e3, "duration_s": 0.002},
        (tone_burst(8e3, 2e-3, float(RATE_HZ)),),
    ),
}
SPEED_M_S = 343.98688734488263
"""In air at 20 °C and 50 %, as the program's own answer states it."""
HZ = np.fft.rfftfreq(1 << 15, 1 / RATE_HZ)
DIRECT, RANGES_M = 0.2, {1.461: 0.03, 3.05: 0.01}


def read(folder: Path, name: str, lowest: float, highest: float) -> Any:
    """Four pings with a direct sound and two echoes, cut off below one level and above another."""
    table, pulses = PULSES[name]
    paths_m = {2 * math.hypot(r, BASELINE_M / 2): share for r, share in RANGES_M.items()}
    ways = DIRECT * np.exp(-2j * np.pi * HZ * BASELINE_M / SPEED_M_S)
    for path_m, share in paths_m.items():
        ways += share * np.exp(-2j * np.pi * HZ * path_m / SPEED_M_S)
    samples = np.zeros(INTERVAL * 6)
    for ping in range(4):
        pulse = pulses[ping % len(pulses)].samples.astype(np.float64)
        its = np.fft.irfft(np.fft.rfft(pulse, 1 << 15) * ways)[:INTERVAL]
        start = INTERVAL // 2 + ping * INTERVAL
        samples[start : start + INTERVAL] += its
    samples = np.clip(samples, lowest, highest)
    samples += 1e-4 * np.random.default_rng(1).standard_normal(samples.size)
    soundfile.write(folder / "cut.wav", samples, RATE_HZ, subtype="FLOAT")
    plan = {
        "pulse": table,
        "timing": {"sample_rate_hz": RATE_HZ, "ping_interval_s": INTERVAL / RATE_HZ},
        "receiver": {"range_start_m": 0.2, "range_stop_m": 5.0},
        "medium": {"kind": "air", "temperature_c": 20.0, "u_temperature_c": 0.02},
        "geometry": {"baseline_m": BASELINE_M, "time_zero": "direct"},
    }
    return rig.read(folder / "cut.wav", plan=rig.plan_from_table(plan))


@pytest.mark.parametrize("name", PULSES)
@pytest.mark.parametrize(
    ("lowest", "highest"),
    [(-1, 0.9), (-1, 0.6), (-1, 0.4), (-0.8, 0.8), (-0.6, 0.6), (-0.9, 0.5)],
)
def test_a_direct_sound_that_is_cut_off_leaves_no_false_echo_and_hides_none(
    tmp_path: Path, name: str, lowest: float, highest: float
) -> None:
    run = read(tmp_path, name, lowest * DIRECT, highest * DIRECT)
    assert run.lost_pings == 0
    assert run.clipped_pings == 4
    # The first ping of a pair of codes stands alone, and so does each of a single pulse.
    for echoes in (run.results[0].echoes, run.echoes):
        assert len(echoes) == len(RANGES_M)
        for echo, range_m in zip(echoes, RANGES_M, strict=True):
            # A normal error is four times as large in one of 16 000.
            assert abs(echo.range_m - range_m) < 4 * echo.u_range_m


@pytest.mark.parametrize("name", PULSES)
def test_a_direct_sound_that_is_whole_is_not_said_to_be_cut_off(tmp_path: Path, name: str) -> None:
    run = read(tmp_path, name, -1.0, 1.0)
    assert run.clipped_pings == 0
    assert all(ping.profile.unsure is None for ping in run.results)
    assert len(run.echoes) == len(RANGES_M)
