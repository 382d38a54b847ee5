"""A slowed sound on its way to people's ears: played through PortAudio, heard by the server."""

import subprocess
import time
from pathlib import Path

import numpy as np
import pytest
import scipy.signal
from typist import PATIENCE_S

from rig.errors import DeviceError
from rig.front_ends.sound_card.loudspeaker import play

pytestmark = pytest.mark.audio


def wait_for_s(recorded: Path, length_s: float) -> None:
    """Wait until so much has been recorded."""
    ends_s = time.monotonic() + PATIENCE_S
    while recorded.stat().st_size < 4 * 48_000 * length_s:
        assert time.monotonic() < ends_s
        time.sleep(0.02)


@pytest.mark.parametrize("server", ["pulse"], indirect=True)
def test_what_is_played_comes_out_whole_and_no_louder(server, tmp_path):
    samples = 0.1 * np.random.default_rng(6).uniform(-1, 1, 48_000).astype(np.float32)
    heard_path = tmp_path / "heard.raw"
    words = ["parec", "--device=tx.monitor", "--format=float32le", "--rate=48000", "--channels=1"]
    with heard_path.open("wb") as out:
        recorder = subprocess.Popen([*words, "--raw"], stdout=out)
        try:
            wait_for_s(heard_path, 0.1)  # of silence: the recorder hears
            play(samples, 48_000, device=server.device)
            # What is under way comes within the half second that the server keeps at most.
            wait_for_s(heard_path, heard_path.stat().st_size / (4 * 48_000) + 0.5)
        finally:
            recorder.terminate()
            recorder.wait()
    heard = np.fromfile(heard_path, dtype="<f4")
    assert np.abs(heard).max() <= 0.1 + 1e-6
    strength = scipy.signal.correlate(heard, samples, mode="valid")
    start = int(strength.argmax())
    # Unmixed and unresampled, a sound is itself again; a busy machine may interrupt it, so
    # that only most of it need be one piece.
    share = strength[start] / (samples.astype(np.float64) @ samples)
    assert share > 0.5
    assert share == pytest.approx(1, abs=0.5)


@pytest.mark.usefixtures("server")
@pytest.mark.parametrize("server", ["pulse"], indirect=True)
def test_a_device_that_is_not_there_is_named():
    with pytest.raises(DeviceError, match="'no such device': none of that name"):
        play(np.zeros(480, dtype=np.float32), 48_000, device="no such device")
