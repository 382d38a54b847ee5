"""What a class hears: delays measured in the written WAV by SciPy alone, against the truth."""

import json
import math
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import scipy.signal
import soundfile
from typist import PATIENCE_S, typed

from rig.bench.capture import StreamInfo
from rig.bench.plan import plan_from_table
from rig.errors import NotHeardError, PlanError, RecordingError
from rig.front_ends.virtual_tank import open_virtual_tank
from rig.measure.listening import listen, listening_lines, ping_heard
from rig.run.receiver import Receiver
from rig.tank.scene import scene_from_table

ROOT = Path(__file__).parents[3]
SHIPPED = ROOT / "recordings" / "bench-ball.sigmf-meta"
SPEED_M_S, BASELINE_M, RANGE_M = 343.963, 0.12, 1.2
TRUE_S = 2 * math.hypot(RANGE_M, BASELINE_M / 2) / SPEED_M_S
DIRECT_S = BASELINE_M / SPEED_M_S
BURST = {"kind": "tone", "centre_hz": 8000.0, "duration_s": 0.002, "taper": "hann"}
TABLE: dict[str, Any] = {
    "pulse": BURST,
    "receiver": {"range_stop_m": 2.0},
    "geometry": {"baseline_m": BASELINE_M},
}
PLATE = {"body": "plate", "width_m": 0.3, "height_m": 0.3, "position_m": [RANGE_M, 0.0, 0.0]}
SCENE: dict[str, Any] = {
    "medium": {"kind": "air", "sound_speed_m_s": SPEED_M_S},
    "noise": {"level_db": -70.0},
    "target": [PLATE],
}


def sounded(plan_table: dict[str, Any] = TABLE, scene_table: dict[str, Any] = SCENE) -> Any:
    plan = plan_from_table(plan_table)
    with open_virtual_tank(plan, scene=scene_from_table(scene_table), seed=2) as tank:
        return ping_heard(Receiver(plan, tank.info), tank.blocks(4))


def starts_heard_s(
    samples: np.ndarray, pulse: np.ndarray, near_s: list[float], within_s: float
) -> list[float]:
    """Where copies of a pulse start, by correlation and its envelope, near some places."""
    envelope = np.abs(scipy.signal.hilbert(scipy.signal.correlate(samples, pulse, mode="valid")))
    found = []
    for place_s in near_s:
        first = max(0, round((place_s - within_s) * 48_000))
        stop = round((place_s + within_s) * 48_000)
        found.append((first + envelope[first:stop].argmax()) / 48_000)
    return found


@pytest.mark.parametrize("factor", [1.0, 7.3, 20.0, 33.25])
def test_the_echo_is_heard_the_factor_times_as_late(factor: float) -> None:
    heard = listen(sounded(), factor)
    # The pulse as slowed by hand: the same burst of 1/factor of the frequency, factor times
    # as long.
    t = np.arange(round(0.002 * factor * 48_000)) / 48_000
    pulse = np.hanning(t.size) * np.sin(2 * np.pi * 8000.0 / factor * t)
    (echo,) = heard.echoes
    near_s = [heard.starts_s, echo.starts_s]
    direct_s, echo_s = starts_heard_s(heard.samples, pulse, near_s, factor * 1.5e-3)
    # Two peaks on samples: 10 µs each. Noise: the Cramér–Rao bound of an envelope is
    # factor / (d βe), with βe = 2π·288 Hz of this burst (its RMS bandwidth) and d of at least
    # 60 (35 dB): below 10 µs times the factor; four of them are allowed, and the sampling's
    # share. A plate's echo and its faces turn no phase here.
    tolerance_s = 2 / 48_000 + 4 * factor * 10e-6
    assert echo_s - direct_s == pytest.approx(factor * (TRUE_S - DIRECT_S), abs=tolerance_s)
    assert echo_s - heard.leaves_s == pytest.approx(factor * TRUE_S, abs=tolerance_s)
    assert echo.heard_delay_s == factor * echo.echo.delay_s
    assert echo.echo.delay_s == pytest.approx(TRUE_S, abs=50e-6)  # the plan's sound speed is off


def strongest_hz(samples: np.ndarray, start_s: float, stop_s: float) -> float:
    part = samples[round(start_s * 48_000) : round(stop_s * 48_000)].astype(float)
    spectrum = np.abs(np.fft.rfft(part * np.hanning(part.size), 8 * part.size))
    return float(spectrum.argmax() * 48_000 / (8 * part.size))


@pytest.mark.parametrize(("pitch_hz", "expected_hz"), [(None, 400.0), (1000.0, 1000.0)])
def test_the_pulse_is_heard_at_its_own_frequency_slowed_or_at_the_pitch_asked_for(
    pitch_hz: float | None, expected_hz: float
) -> None:
    heard = listen(sounded(), 20.0, pitch_hz=pitch_hz)
    # A burst of 40 ms under two Hann windows is 36 Hz wide to its half power; noise 40 dB
    # below moves the peak of so wide a line by well under a tenth of that.
    for start_s in (heard.starts_s, heard.echoes[0].starts_s):
        found_hz = strongest_hz(heard.samples, start_s, start_s + heard.pulse_s)
        assert found_hz == pytest.approx(expected_hz, abs=4)
    assert sum(heard.band_hz) / 2 == pytest.approx(expected_hz)


def test_the_pitch_does_not_change_when_anything_is_heard() -> None:
    ping = sounded()
    plain, raised = listen(ping, 20.0), listen(ping, 20.0, pitch_hz=1500.0)
    assert raised.echoes == plain.echoes
    low, high = (np.abs(scipy.signal.hilbert(h.samples)) for h in (plain, raised))
    first = round(plain.starts_s * 48_000)
    stop = first + round(plain.pulse_s * 48_000)
    # The direct sound's envelope peaks in its middle, at either pitch: within the share of a
    # period of 400 Hz by which noise 40 dB down tips a rounded top of 40 ms, 1 ms.
    assert abs(int(low[first:stop].argmax()) - int(high[first:stop].argmax())) < 48


@pytest.mark.parametrize("how", [{}, {"even": True}, {"compressed": True}, {"pitch_hz": 900.0}])
def test_it_starts_quiet_never_clips_and_has_soft_ends(how: dict[str, Any]) -> None:
    heard = listen(sounded(), 20.0, **how)
    peak = float(np.abs(heard.samples).max())
    # −20 dB re full scale, to the rounding of float32.
    assert peak == pytest.approx(0.1, rel=1e-6)
    assert heard.samples[0] == heard.samples[-1] == 0
    assert np.abs(heard.samples[:48]).max() < 0.03 * peak  # 1 ms into a fade of 10 ms: 2.4 %
    assert heard.samples.dtype == np.float32
    assert heard.duration_s < 20 * 0.03  # 2 m out and back, the pulse and the quiet before


def test_evening_brings_the_echo_to_half_as_many_decibels_below_the_direct_sound() -> None:
    def gap_db(heard: Any) -> float:
        levels = []
        for start_s in (heard.starts_s, heard.echoes[0].starts_s):
            first = round(start_s * 48_000)
            levels.append(np.abs(heard.samples[first : first + round(0.04 * 48_000)]).max())
        return float(20 * np.log10(levels[0] / levels[1]))

    small = {**PLATE, "width_m": 0.07, "height_m": 0.07}
    ping = sounded(scene_table={**SCENE, "target": [small]})
    plain_db, evened_db = gap_db(listen(ping, 20.0)), gap_db(listen(ping, 20.0, even=True))
    assert plain_db > 6
    # Noise at −70 dB is some 40 dB below the echo: it adds at most 0.1 dB to either peak.
    assert evened_db == pytest.approx(plain_db / 2, abs=0.2)


def test_compressed_echoes_stand_apart_where_the_pulses_overlap() -> None:
    chirp = {"kind": "chirp", "start_hz": 4e3, "stop_hz": 12e3, "duration_s": 0.010}
    ping = sounded({**TABLE, "pulse": chirp, "timing": {"ping_interval_s": 0.2}})
    raw, short = listen(ping, 20.0), listen(ping, 20.0, compressed=True)
    # 10 ms of pulse, and an echo 7 ms after: they overlap at any factor.
    assert not raw.apart
    assert short.apart
    assert any("overlap" in line for line in listening_lines(raw))
    envelope = np.abs(scipy.signal.hilbert(short.samples))
    direct = round((short.leaves_s + 20 * DIRECT_S) * 48_000)
    late = round((short.leaves_s + 20 * TRUE_S) * 48_000)
    around = 1000
    peaks = [p - around + envelope[p - around : p + around].argmax() for p in (direct, late)]
    # c/(2B) wide; a bin of the profile is 1/(1.3 · 8 kHz) or less, and the curve through the
    # bins is exact: two samples, and 4 bounds of 20 · 1/(100 · 14510 rad/s) each.
    tolerance = 2 + 4 * 20 / (100 * 14_510) * 48_000
    assert peaks[1] - peaks[0] == pytest.approx(20 * (TRUE_S - DIRECT_S) * 48_000, abs=tolerance)
    between = envelope[(direct + late) // 2 - 300 : (direct + late) // 2 + 300].max()
    assert between < envelope[late] / 5


def test_a_board_s_ultrasound_is_heard_at_its_true_frequency_slowed() -> None:
    # 40 kHz sampled at 62.5 kHz stands at 22.5 kHz; slowed 20 times it is 2 kHz all the same.
    plan = {
        "pulse": {"kind": "burst", "centre_hz": 40e3, "cycles": 16, "ring_s": 1e-4},
        "timing": {"sample_rate_hz": 62.5e3, "ping_interval_s": 0.1, "band_sampling": True},
        "receiver": {"range_stop_m": 2.0},
        "geometry": {"baseline_m": 0.03, "time_zero": "calibration"},
        "transducer": {"radius_m": 0.008},
    }
    heard = listen(sounded(plan), 20.0)
    (echo,) = heard.echoes
    found_hz = strongest_hz(heard.samples, echo.starts_s, echo.starts_s + heard.pulse_s)
    # A burst of some 0.4 ms, 8 ms as heard, is 120 Hz wide; noise moves its middle little, and
    # absorption over 2.4 m tilts it by less than 1 % of its width.
    assert found_hz == pytest.approx(2000, abs=12)


def test_an_edge_time_is_nothing_to_listen_to() -> None:
    plan = plan_from_table({**TABLE, "geometry": {"time_zero": "calibration"}})
    info = StreamInfo(
        front_end="serial-board", device="a ranger", sample_rate_hz=48e3, edge_step_s=1e-6
    )
    with pytest.raises(PlanError, match="one edge time a ping and no sound"):
        ping_heard(Receiver(plan, info), [])


@pytest.mark.parametrize(
    ("factor", "how", "complaint"),
    [
        (0.9, {}, "slow: found 0.9; give 1 or more"),
        (1000.0, {}, "heard at 8 Hz; give 1 to 400"),
        (1e5, {"pitch_hz": 1000.0}, "give at most"),
        (20.0, {"pitch_hz": 21.0}, "pitch: found 21 Hz"),
        (20.0, {"peak_db": 0.0}, "peak: found 0 dB; give -100 to -3"),
    ],
)
def test_listening_refuses_what_nobody_could_hear(
    factor: float, how: dict[str, Any], complaint: str
) -> None:
    with pytest.raises(PlanError, match=complaint):
        listen(sounded(), factor, **how)


def test_a_lost_ping_and_one_that_is_not_there_are_refused() -> None:
    # Nothing sounds: the direct sound is not found in any ping.
    silent = {"medium": SCENE["medium"], "source": {"level_db": -200.0}, "noise": SCENE["noise"]}
    with pytest.raises(NotHeardError, match="all 4 are lost"):
        sounded(scene_table=silent)
    plan = plan_from_table(TABLE)
    with open_virtual_tank(plan, scene=scene_from_table(SCENE), seed=2) as tank:
        receiver = Receiver(plan, tank.info)
        with pytest.raises(RecordingError, match="ping 9: found 4 pings; give 0 to 3"):
            ping_heard(receiver, tank.blocks(4), ping=9)
        assert ping_heard(receiver, tank.blocks(4), ping=2).block.index == 2


PLAN_FILE = """
[pulse]
kind = "tone"
centre_hz = 8000.0
duration_s = 0.002
taper = "hann"
[receiver]
range_stop_m = 2.0
"""
SCENE_FILE = """
[medium]
kind = "air"
sound_speed_m_s = 343.963
[noise]
level_db = -70.0
[[target]]
body = "plate"
width_m = 0.3
height_m = 0.3
position_m = [1.2, 0.0, 0.0]
"""


# Python runs a module of this name first; sounddevice then finds no PortAudio.
NO_PORTAUDIO = """
import ctypes.util
find = ctypes.util.find_library
ctypes.util.find_library = lambda name: None if "portaudio" in name else find(name)
"""


def command(*words: str, folder: Path) -> subprocess.CompletedProcess[str]:
    (folder / "plan.toml").write_text(PLAN_FILE)
    (folder / "scene.toml").write_text(SCENE_FILE)
    return typed("listen", *words, folder=folder)


def test_the_command_slows_the_recording_that_ships(tmp_path: Path) -> None:
    done = command(str(SHIPPED), "--slow", "20", "--out", "slow.wav", "--json", folder=tmp_path)
    assert done.returncode == 0, done.stderr
    assert "Start quiet" in done.stderr
    found = json.loads(done.stdout.splitlines()[-1])
    assert found["heard_delay_s"] == pytest.approx(20 * found["true_delay_s"], rel=1e-12)
    assert found["heard_delay_s"] == found["echoes"][0]["heard_delay_s"]
    # The scene's ball starts with its front 0.50 m ahead and 0.10 m across, and rolls: the
    # first ping meets it within 3 ms and 0.3 mm. Its plan's own sound speed is the scene's.
    path_m = sum(math.hypot(0.50, 0.10 + side) for side in (-0.06, 0.06))
    assert found["true_delay_s"] == pytest.approx(path_m / 343.963, abs=10e-6)
    info = soundfile.info(tmp_path / "slow.wav")
    assert (info.samplerate, info.channels, info.subtype) == (48_000, 1, "PCM_24")
    samples, _ = soundfile.read(tmp_path / "slow.wav")
    assert samples.size == round(found["duration_s"] * 48_000)
    assert np.abs(samples).max() == pytest.approx(0.1, abs=2**-22)


def test_the_command_sends_a_ping_of_its_own_where_a_front_end_is_named(tmp_path: Path) -> None:
    words = ("--front-end", "virtual-tank", "--scene", "scene.toml", "--plan", "plan.toml")
    done = command(*words, "--slow", "12.5", "--json", folder=tmp_path)
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout.splitlines()[-1])
    assert found["true_delay_s"] == pytest.approx(TRUE_S, abs=50e-6)
    assert (tmp_path / found["sound"]).is_file()


def test_a_sound_file_is_slowed_by_its_plan(tmp_path: Path) -> None:
    rate_hz = 44_100
    t = np.arange(88) / rate_hz
    burst = np.hanning(88) * np.sin(2 * np.pi * 8000 * t)
    samples = 1e-4 * np.random.default_rng(5).standard_normal(rate_hz // 2)
    for gain, start in ((0.5, 900), (0.05, 1300)):
        samples[start : start + 88] += gain * burst
    soundfile.write(tmp_path / "made.wav", samples, rate_hz, subtype="FLOAT")
    words = ("made.wav", "--plan", "plan.toml", "--slow", "10", "--json", "--out", "out.wav")
    done = command(*words, folder=tmp_path)
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout.splitlines()[-1])
    # 400 samples after the direct sound, which left a baseline of 0.12 m before.
    expected_s = 400 / rate_hz + 0.12 / 343.99
    assert found["true_delay_s"] == pytest.approx(expected_s, abs=2e-6 + 0.5 / rate_hz)
    heard, _ = soundfile.read(tmp_path / "out.wav")
    slow = np.arange(round(88 * 10 * 48_000 / rate_hz)) / 48_000
    pulse = np.hanning(slow.size) * np.sin(2 * np.pi * 800 * slow)
    near_s = [found["starts_s"], found["echoes"][0]["starts_s"]]
    starts = starts_heard_s(heard, pulse, near_s, 0.02)
    # Two samples; the noise, 54 dB below, is worth less than one.
    assert np.diff(starts)[0] == pytest.approx(10 * 400 / rate_hz, abs=3 / 48_000)


@pytest.mark.parametrize(
    ("words", "status", "complaint"),
    [
        (("--slow", "20"), 2, "found neither of RECORDING and --front-end"),
        (("x.wav", "--slow", "20", "--front-end", "virtual-tank"), 2, "found both"),
        (("--slow", "20", "--front-end", "virtual-tank"), 2, "give it with --plan FILE"),
        (("x.wav", "--slow", "20"), 2, "a sound file does not say which pulse was sent"),
        ((str(SHIPPED), "--slow", "0.5"), 2, "give a number from 1 to"),
        ((str(SHIPPED), "--slow", "20", "--out", "x.mp3"), 2, "ends in .wav"),
        ((str(SHIPPED), "--slow", "20", "--out", "no/x.wav"), 1, "cannot be written"),
        ((str(SHIPPED), "--slow", "20", "--ping", "99"), 2, "ping 99: found 18 pings"),
    ],
)
def test_the_command_complains_in_one_line(
    words: tuple[str, ...], status: int, complaint: str, tmp_path: Path
) -> None:
    done = command(*words, folder=tmp_path)
    assert done.returncode == status, done.stderr
    assert complaint in done.stderr
    assert done.stderr.count("\n") == 1
    assert done.stdout == ""


@pytest.mark.skipif(sys.platform != "linux", reason="PortAudio is bundled here")
def test_playing_without_portaudio_says_what_to_install_and_keeps_the_file(tmp_path: Path) -> None:
    (tmp_path / "sitecustomize.py").write_text(NO_PORTAUDIO)
    words = (str(SHIPPED), "--slow", "20", "--play", "--out", "kept.wav", "--json")
    done = subprocess.run(
        [sys.executable, "-m", "rig.cli", "listen", *words],
        cwd=tmp_path,
        env=os.environ | {"PYTHONPATH": os.pathsep.join([str(tmp_path), str(ROOT)])},
        capture_output=True,
        text=True,
        check=False,
        timeout=PATIENCE_S,
    )
    assert done.returncode == 1
    assert done.stdout == ""
    caution, complaint = done.stderr.splitlines()
    assert "Start quiet" in caution
    assert complaint.startswith("echobench: the PortAudio library cannot be loaded")
    assert "apt install libportaudio2" in complaint
    assert soundfile.info(tmp_path / "kept.wav").frames > 0
