"""The command `calibrate` on real audio, and a stored time zero used after a restart.

What is true is the world's delay line, in whole samples of 1/48000 s. Two plates stand
where its echoes are due at an invented sound speed, which the command has to find.
"""

from __future__ import annotations

import json
import math
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from scipy.signal import chirp, hilbert
from typist import typed

pytestmark = pytest.mark.audio

RATE_HZ, SPEED_M_S, BASELINE_M = 48000, 346.1, 0.12
ECHOES = (400, 1417)
"""Samples from the direct sound to each echo."""
BULK = 4801
LOST = ("pings were lost", "no sound came back", "has not answered", "the sound stream ended")
"""What `calibrate` and `run` say where the machine kept them from hearing anything."""

PLAN = f"""\
[pulse]
kind = "chirp"
start_hz = 4000.0
stop_hz = 12000.0
duration_s = 0.010
[timing]
sample_rate_hz = {RATE_HZ}
ping_interval_s = 0.2
[receiver]
range_stop_m = 8.0
[geometry]
baseline_m = {BASELINE_M}
time_zero = "TIME_ZERO"
"""


def range_m(delay: int) -> float:
    path_m = SPEED_M_S * delay / RATE_HZ + BASELINE_M
    return math.sqrt(path_m**2 - BASELINE_M**2) / 2


def command(folder: Path, server, *words: str) -> subprocess.CompletedProcess[str]:
    common = ("--front-end", "sound-card", "--device", server.device, "--json")
    return typed(*words, *common, folder=folder)


def answer(done: subprocess.CompletedProcess[str]) -> dict | None:
    """Return what a command answered; None where it says that sound was lost."""
    if done.returncode and any(lost in done.stderr for lost in LOST):
        assert done.stderr.startswith("echobench: ") or "\nechobench: " in done.stderr
        print(done.stderr, file=sys.stderr)
        return None
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout.splitlines()[-1])


def direct_s(recording: Path) -> float:
    """Return how long after its leaving by the stored latency a good ping's loudest sound came.

    By SciPy's chirp and NumPy's correlation alone.
    """
    meta = json.loads(recording.with_suffix(".sigmf-meta").read_text())
    samples = np.fromfile(recording.with_suffix(".sigmf-data"), dtype="<f4")
    ping = next(p for p in meta["captures"] if not p["echobench:lost"])
    first = ping["core:sample_start"]
    block = samples[first : first + round(0.2 * RATE_HZ)]
    times_s = np.arange(480) / RATE_HZ
    sent = chirp(times_s, f0=4000.0, t1=0.010, f1=12000.0)
    match = np.abs(hilbert(np.correlate(block, sent, mode="valid")))
    return match.argmax() / RATE_HZ - ping["echobench:mark_s"]


def test_two_plates_give_the_sound_speed_and_a_stored_time_zero_the_ranges(
    server, acoustic_world, heard_or_starved, tmp_path
):
    (tmp_path / "plan.toml").write_text(PLAN.replace("TIME_ZERO", "direct"))
    (tmp_path / "stored.toml").write_text(PLAN.replace("TIME_ZERO", "calibration"))
    taps = f"{BULK}:1.0,{BULK + ECHOES[0]}:0.3,{BULK + ECHOES[1]}:0.1"
    at = [word for delay in ECHOES for word in ("--at", f"{range_m(delay):.6f}")]
    run = ("run", "--plan", "stored.toml", "--pings")
    refused = typed(*run, "2", "--front-end", "sound-card", "--json", folder=tmp_path)
    assert refused.returncode == 2
    assert "no such calibration" in refused.stderr

    # Both in one attempt: by a latency that no longer holds at this start all pings are lost,
    # and what was stored while the machine starved may hold at none.
    def calibrated_and_heard(number: int) -> tuple[dict, dict, Path] | None:
        with acoustic_world(server, taps):
            words = ("calibrate", "--plan", "plan.toml", "--pings", "6", *at)
            made = answer(command(tmp_path, server, *words))
        if made is None:
            return None
        with acoustic_world(server, taps):
            name = f"kept-{number}"
            ran = answer(command(tmp_path, server, *run, "5", "--record", name))
        return (made, ran, tmp_path / name) if ran and ran["lost_pings"] < 5 else None

    found = heard_or_starved(server, calibrated_and_heard)
    if found is None:
        return  # said why
    made, ran, kept = found
    # The promise. What is left is the estimate of a peak between bins: 0.2 µs of 21 ms.
    assert made["sound_speed"]["sound_speed_m_s"] == pytest.approx(SPEED_M_S, rel=1e-3)
    assert made["time_zero"]["starts"] == 3
    assert made["time_zero"]["spread_s"] is not None
    assert ran["time_zero"]["method"] == "calibration"
    # The same, carried from one temperature to itself: rounding.
    assert ran["sound_speed_m_s"] == pytest.approx(
        made["sound_speed"]["sound_speed_m_s"], rel=1e-12
    )
    # Where a busy machine's starts differ so much that an echo could be the direct sound,
    # it is not listed; none may be listed that is not there.
    u_latency_s = made["time_zero"]["u_latency_s"]
    due_s = [delay / RATE_HZ + BASELINE_M / SPEED_M_S for delay in ECHOES]
    late_s = []
    for echo in ran["echoes"]:
        path_s = math.sqrt(4 * echo["range_m"] ** 2 + BASELINE_M**2) / SPEED_M_S
        late_s.append(min((path_s - due for due in due_s), key=abs))
        assert echo["u_range_m"] > 0.4 * u_latency_s * SPEED_M_S
    # The leaving is the same for each good ping: all ranges are off by this start's latency,
    # less the mean of those before.
    assert not late_s or max(late_s) - min(late_s) < 0.5 / RATE_HZ
    # Heard from outside to the nearest sample, the direct sound says by how much: half a
    # sample for that, and half for the ranges as elsewhere. PulseAudio's starts are its own
    # affair: three may agree to 3 µs and the next be 0.5 ms off (measured, under load).
    if late_s:
        own_s = direct_s(kept) - BASELINE_M / SPEED_M_S
        assert all(abs(late - own_s) < 1.0 / RATE_HZ for late in late_s)
    if server.kind == "jack":
        assert all(abs(late) < 4 * u_latency_s for late in late_s)
    # Five of its doubts are kept for the direct sound, four are this start's own, and the
    # lobe is less than one more.
    if 10 * u_latency_s < ECHOES[0] / RATE_HZ:
        assert len(ran["echoes"]) == len(ECHOES)
