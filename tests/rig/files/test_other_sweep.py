"""A sound file whose pings are another chirp than the plan's is refused, not measured.

What was sent is SciPy's own chirp, at exact delays, through ways that are none of the program's.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray
from scipy import signal

from rig.bench.plan import Plan, plan_from_table
from rig.errors import RecordingError
from rig.files.sound_file import open_sound_file

RATE_HZ, INTERVAL, LENGTH = 48_000, 4800, 1 << 14
FREQUENCY_HZ = np.fft.rfftfreq(LENGTH, 1 / RATE_HZ)
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


def plan_of(**pulse: float) -> Plan:
    return plan_from_table(
        {
            "pulse": {"kind": "chirp", "taper": "none", **pulse},
            "timing": {"sample_rate_hz": RATE_HZ, "ping_interval_s": INTERVAL / RATE_HZ},
            "receiver": {"range_stop_m": 2.0},
            "geometry": {"baseline_m": 0.12},
        }
    )


def heard(folder: Path, way: NDArray[np.complex128], *, seed: int = 1) -> Path:
    """Write a file of four pings: a direct sound, and an echo a quarter as strong."""
    t = np.arange(round(SENT["duration_s"] * RATE_HZ)) / RATE_HZ
    sent = signal.chirp(t, SENT["start_hz"], SENT["duration_s"], SENT["stop_hz"])
    delay_s = 0.01 + np.array([0.12, 2.4]) / 343.987
    direct, echo = np.exp(-2j * np.pi * FREQUENCY_HZ * delay_s[:, np.newaxis])
    ways = way * (direct + 0.25 * echo)
    ping = np.fft.irfft(np.fft.rfft(sent, LENGTH) * ways, LENGTH)[:INTERVAL]
    samples = np.tile(0.3 * ping / np.abs(ping).max(), 4)
    samples += 1e-3 * np.random.default_rng(seed).standard_normal(samples.size)
    soundfile.write(folder / "pings.wav", samples, RATE_HZ, subtype="PCM_24")
    return folder / "pings.wav"


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
def test_another_chirp_is_refused_and_the_plans_named(
    tmp_path: Path, other: dict[str, float]
) -> None:
    plan = plan_of(**{**SENT, **other})
    with pytest.raises(
        RecordingError, match=r"pings\.wav: .* sweeps otherwise; give the plan"
    ) as told:
        open_sound_file(heard(tmp_path, FLAT), plan)
    assert f"no {plan.pulse.words} of {1e3 * plan.pulse.duration_s:g} ms" in str(told.value)


@pytest.mark.parametrize("way", WAYS)
def test_the_chirp_that_was_sent_is_taken_whatever_it_went_through(
    tmp_path: Path, way: str
) -> None:
    # Faces of Q 8 swell for a dozen lobes: which of them is their first sound, noise decides, and
    # one file in thirty is refused for a beginning that is unsure.
    taken, refused = [], []
    for seed in range(1, 5):
        try:
            taken.append(open_sound_file(heard(tmp_path, WAYS[way], seed=seed), plan_of(**SENT)))
        except RecordingError as told:
            refused.append(str(told))
    assert len(taken) >= 3
    assert all("may be the first" in words for words in refused)
    assert all(found.pings == 4 for found in taken)


def test_a_chirp_all_but_the_one_that_was_sent_is_taken(tmp_path: Path) -> None:
    # One part in a hundred longer: of 40 lobes it is drawn out by half a one.
    assert open_sound_file(heard(tmp_path, FLAT), plan_of(**{**SENT, "duration_s": 0.00505}))
