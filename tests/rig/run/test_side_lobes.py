"""An echo among the side lobes of the direct sound, where a fit can go astray."""

import math
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy.interpolate import CubicSpline
from scipy.signal import resample
from synthesizer import RATE_HZ, Sound, Voice, coded, golay, recorded
from synthesizer import SPEED_M_S as SOUND_M_S

import rig
from rig.bench.plan import plan_from_table
from rig.run.opening import open_bench
from rig.tank.scene import scene_from_table

PLAN = plan_from_table(
    {
        "pulse": {
            "kind": "chirp",
            "start_hz": 3168.75,
            "stop_hz": 4631.25,
            "duration_s": 0.006145833333333333,
        },
        "timing": {"sample_rate_hz": 48000.0, "ping_interval_s": 0.287},
        "receiver": {"weighting": "hann", "range_start_m": 0.23, "range_stop_m": 3.28},
        "medium": {"kind": "air", "temperature_c": 11.1, "humidity_percent": 75.0},
        "geometry": {"baseline_m": 0.128},
        "transducer": {"radius_m": 0.0404},
    }
)
SPEED_M_S, CLOSEST_M, FROM_M, RADIUS_M = 0.15, 1.14, -0.861, 0.02
SCENE = scene_from_table(
    {
        "medium": {
            "kind": "air",
            "temperature_c": 11.1,
            "humidity_percent": 75.0,
            "sound_speed_m_s": 338.6345684118501,
        },
        "noise": {"level_db": -75.0},
        "transducer": {"radius_m": 0.0404},
        "target": [
            {
                "body": "sphere",
                "radius_m": RADIUS_M,
                "position_m": [CLOSEST_M, FROM_M, 0.0],
                "velocity_m_s": [0.0, SPEED_M_S, 0.0],
            }
        ],
    }
)


@pytest.mark.parametrize("seed", [300, 301, 302])
def test_a_weak_echo_stays_where_the_body_is_and_as_strong_as_it_was(seed: int) -> None:
    # Invented. The ball's echo, 35 dB down, falls into the direct sound's side lobes, five
    # lobes away, and is found half a lobe beside itself at first; its own side lobe beyond
    # the direct sound's stands free. A ball so much smaller than the wave is heard from its
    # middle. From ping to ping its level changes by what the beam does, under 1.5 dB, and by
    # noise, 2E/N0 = 26 dB, σ = 0.4 dB: 5 of that are 2 dB.
    with open_bench(PLAN, scene=SCENE, seed=seed) as bench:
        run = bench.ping(14)
    before_db = None
    for result in run.results:
        across_m = FROM_M + SPEED_M_S * result.sent_s
        there_m = math.hypot(CLOSEST_M, across_m)
        for echo in result.echoes:
            assert abs(echo.range_m - there_m) < 5 * echo.u_range_m
            assert before_db is None or abs(echo.strength_db - before_db) < 3.5
            before_db = echo.strength_db
    assert before_db is not None


@pytest.mark.parametrize("clock_error", [6e-5, -1e-4])
def test_a_code_heard_by_another_clock_leaves_no_echo_of_its_own(
    tmp_path: Path, clock_error: float
) -> None:
    # Invented. What hears runs by a clock of quartz of its own: it hears a pair of codes of 4 ms
    # stretched by 0.2 and 0.4 µs, which then no longer cancel each other's side lobes, 70 dB below.
    voices = tuple(Voice(coded(code, 8e3, 12)) for code in golay(4))
    there_m, pings = 2.0, 16
    ways = {0.12: 0.3, math.hypot(2 * there_m, 0.12): 0.01}
    sounds = [
        Sound(
            voices=voices,
            way=lambda t, way_m=way_m: np.full(t.size, way_m),
            amplitude=lambda _, loud=loud: loud,
        )
        for way_m, loud in ways.items()
    ]
    heard = recorded(
        sounds, pings=pings, interval_s=0.1, first_s=0.3, speed_m_s=lambda *_: SOUND_M_S
    )
    finer = 8
    at = np.arange(finer * heard.size) / finer
    own = CubicSpline(at, resample(heard, at.size))((1 + clock_error) * np.arange(heard.size - 64))
    own += np.random.default_rng(4).normal(0, 1e-4, own.size)
    path = tmp_path / "own_clock.wav"
    soundfile.write(path, own, int(RATE_HZ), subtype="FLOAT")
    table = {
        "pulse": {"kind": "golay", "centre_hz": 8e3, "chip_s": 2.5e-4, "chips": 16},
        "timing": {"ping_interval_s": 0.1, "sample_rate_hz": RATE_HZ},
        "receiver": {"range_stop_m": 3.0},
    }
    run = rig.read(path, plan=rig.plan_from_table(table))
    # Of a run's first pings no drift is known.
    told = [[e.range_m for e in r.echoes] for r in run.results[2:]] + [
        [e.range_m for e in run.echoes]
    ]
    # 50 dB 2E/N0 place it to some hundredths of a millimetre; the direct sound's u is less.
    for ranges_m in told:
        assert ranges_m == pytest.approx([there_m], abs=0.005)
