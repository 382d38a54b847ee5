"""Angles by two microphones on real audio: out through PortAudio and JACK, and back on two inputs.

The world delays each microphone's sounds by any part of a sample, for each ping another
place. What is true is geometry, a table's sound speed and the world's delay lines.
"""

from __future__ import annotations

import json
import math

import numpy as np
import pytest

from rig.bench.capture import CaptureBlock, StreamInfo
from rig.bench.plan import plan_from_table
from rig.front_ends.sound_card.card import open_sound_card
from rig.measure.checkup import judged
from rig.run.receiver import Receiver
from rig.run.run import run_of

pytestmark = pytest.mark.audio

RATE_HZ = 48000
SPEED_M_S = 343.963  # 20 °C and 50 %, computed with CoolProp 8.0.0, HumidAir
INTERVAL_S = 0.05
PINGS, ENOUGH = 60, 30
BULK = 4801
"""Samples on the world's way, all sounds alike."""
SENT = 0.1
"""The pulse's peak as sent: −20 dB re full scale, the default."""
SOURCE_M, FIRST_M, SECOND_M = (0.0, -0.06), (0.0, 0.06), (0.0, -0.18)
PLAN = plan_from_table(
    {
        "pulse": {"kind": "chirp", "start_hz": 4e3, "stop_hz": 12e3, "duration_s": 0.004},
        "timing": {"sample_rate_hz": RATE_HZ, "ping_interval_s": INTERVAL_S},
        "receiver": {"range_start_m": 0.4, "range_stop_m": 2.5},
        # Places are what they are said to be: what is left is the speed, the noise and the
        # channels, which the world has alike.
        "geometry": {
            "baseline_m": 0.12,
            "u_baseline_m": 0.0,
            "second_channel": 2,
            "second_spacing_m": -0.24,
            "u_second_spacing_m": 0.0,
            "u_second_delay_s": 1e-7,
        },
    }
)


def samples(way_m: float) -> float:
    return way_m / SPEED_M_S * RATE_HZ


def heard_from(place: tuple[float, float], gain: float) -> list[list[list[float]]]:
    """What each microphone hears of the direct sound and of a target: delays and gains."""
    out_m = math.dist(SOURCE_M, place)
    return [
        [
            [BULK + samples(math.dist(SOURCE_M, ear)), 1.0],
            [BULK + samples(out_m + math.dist(place, ear)), gain],
        ]
        for ear in (FIRST_M, SECOND_M)
    ]


def heard_pings(
    jack_server, acoustic_world, places: list[tuple[float, float]], *, name: str
) -> tuple[StreamInfo, list[CaptureBlock]]:
    """Send a ping to each of some places, and return the stream and its blocks."""
    # The pulse of a peak of 0.1 and 192 samples has an energy of 0.01 · 96 over the noise's
    # 1e-6 (2E/N0 is the energy over its variance): at a gain of 0.1 that is 40 dB.
    table = {
        "seed": 3,
        "noise": [1e-3, 1e-3],
        "noise_from": BULK - 300,
        "noise_samples": round(INTERVAL_S * RATE_HZ),
        # Two sounds to open with, and one to confirm the last ping.
        "sounds": [heard_from(p, 0.1) for p in (places[0], places[0], *places, places[-1])],
    }
    with jack_server(name, period=512) as server:
        layout = server.log.with_name("layout.json")
        layout.write_text(json.dumps(table), encoding="utf-8")
        with (
            acoustic_world(server, str(layout), script="drawn_world_in_jack.py"),
            open_sound_card(PLAN, device=server.device) as card,
        ):
            return card.info, list(card.blocks(PINGS))


def test_angles_are_those_of_the_worlds_places(jack_server, acoustic_world):
    rng = np.random.default_rng(7)
    angles_rad, ranges_m = rng.uniform(-0.9, 0.9, PINGS), rng.uniform(0.7, 2.2, PINGS)
    places = [(r * math.cos(a), r * math.sin(a)) for r, a in zip(ranges_m, angles_rad, strict=True)]
    # Good pings are what is asked for. A busy machine loses some; then more are sent, up to six
    # times as many.
    over: list[float] = []
    for attempt in range(6):
        info, blocks = heard_pings(jack_server, acoustic_world, places, name=f"two_{attempt}")
        assert (info.channels, info.microphone, info.second) == (2, 0, 1)
        receiver = Receiver(PLAN, info)
        run = run_of(receiver, blocks)
        for result in run.good:
            side = max(result.echoes, key=lambda echo: echo.strength_db).side
            assert side is not None
            assert not side.doubt
            over.append((side.angle_rad - angles_rad[result.index]) / side.u_angle_rad)
        if len(over) >= ENOUGH:
            break
    print(f"{len(over)} good pings, {np.sqrt(np.mean(np.square(over))):.2f} times u")
    assert len(over) >= ENOUGH
    # Of 60 normal values one is beyond 5 in 30 000 suites.
    assert np.abs(over).max() < 5
    # Of a normal spread the mean square of n values is 1, told to √(2/n); 4 times that. The
    # speed's part, which is the same to all, is no error here, so that it may be less.
    assert np.mean(np.square(over)) < 1 + 4 * math.sqrt(2 / len(over))
    found = {f.name: f for f in judged(receiver, blocks[:-1], run.results)}
    assert found["second later than due"].fit
    assert found["second's gain"].fit
    assert found["second's phase"].fit
