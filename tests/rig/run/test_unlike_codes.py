"""A pair of codes whose loud sound an input cuts off shows no echo that is not there.

The recording is made by turning the codes' spectra, with no code of the receiver; the scene is
invented.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
import soundfile

import rig
from dsp.ping.pulse.pulses import golay_pair

RATE_HZ, INTERVAL, PINGS, BASELINE_M = 48_000, 4_800, 6, 0.12
PLAN = {
    "pulse": {"kind": "golay", "centre_hz": 8e3, "chip_s": 2.5e-4, "chips": 16},
    "timing": {"sample_rate_hz": RATE_HZ, "ping_interval_s": INTERVAL / RATE_HZ},
    "receiver": {"range_start_m": 0.2, "range_stop_m": 5.0},
    "medium": {"kind": "air", "temperature_c": 20.0},
    "geometry": {"baseline_m": BASELINE_M, "time_zero": "direct"},
}
SPEED_M_S = 343.96
PAIR = golay_pair(8e3, 2.5e-4, 16, float(RATE_HZ))
HZ = np.fft.rfftfreq(1 << 15, 1 / RATE_HZ)
RANGES_M = {1.461: 0.065, 3.05: 0.03}


def cut_recording(folder: Path, cut: float, seed: int) -> Path:
    """Six pings with a direct sound of 0.2 and two echoes, of which all above `cut` is cut off."""
    paths_m = {2 * math.hypot(r, BASELINE_M / 2): share for r, share in RANGES_M.items()}
    ways = 0.2 * np.exp(-2j * np.pi * HZ * BASELINE_M / SPEED_M_S)
    for path_m, share in paths_m.items():
        ways += share * np.exp(-2j * np.pi * HZ * path_m / SPEED_M_S)
    samples = np.zeros(INTERVAL * (PINGS + 2))
    for ping in range(PINGS):
        spectrum = np.fft.rfft(PAIR[ping % 2].samples.astype(np.float64), 1 << 15)
        its = np.fft.irfft(spectrum * ways)[:INTERVAL]
        start = INTERVAL // 2 + ping * INTERVAL
        samples[start : start + INTERVAL] += its
    samples = np.minimum(samples, cut)
    samples += 3e-5 * np.random.default_rng(seed).standard_normal(samples.size)
    soundfile.write(folder / "cut.wav", samples, RATE_HZ, subtype="FLOAT")
    return folder / "cut.wav"


@pytest.mark.parametrize("cut", [0.1, 0.13, 0.16])
def test_a_pair_whose_direct_sound_is_cut_off_shows_no_false_echo(
    tmp_path: Path, cut: float
) -> None:
    for seed in range(2):
        path = cut_recording(tmp_path, cut, seed)
        run = rig.read(path, plan=rig.plan_from_table(PLAN))
        # Cut off, echoes on top of a direct sound's code are as well; these are not.
        ranges_m = sorted(echo.range_m for echo in run.echoes)
        assert ranges_m == pytest.approx(sorted(RANGES_M), abs=0.005)
