"""What lies beyond a sound file's ends is no quiet: noise within does not stand out of it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from scipy import signal

from rig.bench.capture import LEAD_S
from rig.bench.plan import Plan, plan_from_table
from rig.errors import RecordingError
from rig.files.sound_file import open_sound_file

RATE_HZ, INTERVAL_S = 192_000, 0.03
CHIRP = {"kind": "chirp", "start_hz": 40e3, "stop_hz": 80e3, "duration_s": 6e-4, "taper": "none"}
PULSES: list[dict[str, Any]] = [
    CHIRP,
    {"kind": "barker13", "centre_hz": 6e4, "chip_s": 4e-5},
    {"kind": "tone", "centre_hz": 6e4, "duration_s": 3e-4},
]


def plan_of(pulse: dict[str, Any]) -> Plan:
    """Return a short pulse in a water tank: many lobes of noise to a lead."""
    return plan_from_table(
        {
            "pulse": pulse,
            "timing": {"sample_rate_hz": RATE_HZ, "ping_interval_s": INTERVAL_S},
            "receiver": {"range_start_m": 0.1, "range_stop_m": 1.2},
            "medium": {"kind": "fresh-water"},
            "geometry": {"baseline_m": 0.05},
        }
    )


def written(folder: Path, samples: np.ndarray) -> Path:
    soundfile.write(folder / "heard.wav", samples, RATE_HZ, subtype="PCM_24")
    return folder / "heard.wav"


@pytest.mark.parametrize("pulse", PULSES, ids=lambda p: p["kind"])
def test_noise_alone_holds_no_ping(tmp_path: Path, pulse: dict[str, Any]) -> None:
    for seed in range(4):
        noise = 1e-3 * np.random.default_rng(seed).standard_normal(RATE_HZ // 4)
        with pytest.raises(RecordingError, match="the plan's pulse is not in channel 1"):
            open_sound_file(written(tmp_path, noise), plan_of(pulse))


def test_an_end_too_short_to_learn_noise_from_holds_no_ping(tmp_path: Path) -> None:
    noise = 1e-3 * np.random.default_rng(0).standard_normal(RATE_HZ // 4)
    # It is gone through by a ping's interval at a time, from the lead and a pulse ahead of it on.
    ahead = round((LEAD_S + CHIRP["duration_s"]) * RATE_HZ)
    for rest in range(20, 160, 20):
        samples = 4 * round(INTERVAL_S * RATE_HZ) - ahead + rest
        with pytest.raises(RecordingError, match="the plan's pulse is not in channel 1"):
            open_sound_file(written(tmp_path, noise[:samples]), plan_of(CHIRP))


@pytest.mark.parametrize("ahead_s", [0.0, 1e-4, 0.002, 0.02, 0.1])
def test_pings_are_found_however_much_noise_stands_ahead(tmp_path: Path, ahead_s: float) -> None:
    t = np.arange(round(CHIRP["duration_s"] * RATE_HZ)) / RATE_HZ
    sent = signal.chirp(t, CHIRP["start_hz"], CHIRP["duration_s"], CHIRP["stop_hz"])
    interval, pings = round(INTERVAL_S * RATE_HZ), 8
    ahead = round(ahead_s * RATE_HZ)
    for seed in range(4):
        rng = np.random.default_rng(seed)
        samples = 1e-3 * rng.standard_normal(ahead + pings * interval)
        for ping in range(pings):
            # A direct sound, and an echo of 0.74 m, a tenth as strong.
            for late, amplitude in ((0, 0.3), (RATE_HZ // 1000, 0.03)):
                start = ahead + ping * interval + late
                samples[start : start + sent.size] += amplitude * sent
        found = open_sound_file(written(tmp_path, samples), plan_of(CHIRP))
        assert found.pings == pings
        assert found.start_sample + found.mark_s * RATE_HZ == pytest.approx(ahead, abs=1)
