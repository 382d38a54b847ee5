"""The bench on which exercises are drawn, and what it hears of a scene."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from dsp.physics.beams import beam_amplitude
from dsp.ping.pulse.profiles import stacked_in_turns
from rig.bench.capture import CaptureBlock
from rig.bench.plan import Plan, plan_from_table
from rig.front_ends.virtual_tank import open_virtual_tank
from rig.run.receiver import Receiver
from rig.run.results import Echo
from rig.run.run import Run, run_of
from rig.tank.scene import scene_from_table

Tables = Mapping[str, Any]

SOUND_SPEED_M_S = 343.963
"""In air at 20 °C and 50 % (computed with CoolProp HumidAir): the bench's own truth."""

SOURCE_LEVEL_DB = -10.0
RATE_HZ = 48000.0
INTERVAL_S = 0.1
DISC_RADIUS_M = 0.02
NEAREST_M, FARTHEST_M = 0.4, 3.0
CENTRE_HZ = 8000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Act:
    """What stands or moves before the bench for some pings in a row.

    Attributes
    ----------
    scene : mapping
        Tables of a scene; its clock runs from the picture's first ping, not from the
        act's own.
    pings : int
    """

    scene: Tables
    pings: int


def sum_of(heard: Run, pings: slice = slice(None)) -> tuple[Echo, ...]:
    """Return the echoes of some pings added up in phase; all, unless said."""
    profiles = [r.alone for r in heard.results[pings] if r.alone is not None]
    time_zero = heard.results[-1].time_zero
    if not profiles or time_zero is None:
        return ()
    return heard.receiver.search.echoes(stacked_in_turns(profiles), time_zero)[0]


def air_plan(*, bandwidth_hz: float = 8000.0) -> Plan:
    """Return the plan of the bench in air: a chirp about 8 kHz, and a small disc."""
    half_hz = bandwidth_hz / 2
    return plan_from_table(
        {
            "pulse": {
                "kind": "chirp",
                "start_hz": CENTRE_HZ - half_hz,
                "stop_hz": CENTRE_HZ + half_hz,
                "duration_s": 0.010,
                "taper": "tukey",
                "taper_fraction": 0.2,
            },
            "timing": {"sample_rate_hz": RATE_HZ, "ping_interval_s": INTERVAL_S},
            "receiver": {
                "weighting": "hann",
                "range_start_m": NEAREST_M,
                "range_stop_m": FARTHEST_M,
            },
            "geometry": {"baseline_m": 0.12, "time_zero": "direct"},
            "transducer": {"shape": "piston", "radius_m": DISC_RADIUS_M},
        }
    )


def air_scene(*targets: Tables, noise_db: float, tilt_deg: float = 0.0) -> dict[str, Any]:
    """Return a scene in air with these targets."""
    return {
        "medium": {"kind": "air", "sound_speed_m_s": SOUND_SPEED_M_S},
        "noise": {"level_db": noise_db},
        "source": {"level_db": SOURCE_LEVEL_DB},
        "transducer": {"shape": "piston", "radius_m": DISC_RADIUS_M, "tilt_deg": tilt_deg},
        "target": list(targets),
    }


def ball(
    range_m: float,
    radius_m: float,
    *,
    angle_rad: float = 0.0,
    velocity_m_s: Sequence[float] = (0.0, 0.0, 0.0),
    at_s: float = 0.0,
) -> dict[str, Any]:
    """Return a ball at a range, turned up from the axis; a moving one is there at `at_s`."""
    place = np.array([range_m * math.cos(angle_rad), 0.0, range_m * math.sin(angle_rad)])
    start = place - np.array(velocity_m_s) * at_s
    return {
        "body": "sphere",
        "radius_m": radius_m,
        "position_m": [float(x) for x in start],
        "velocity_m_s": [float(v) for v in velocity_m_s],
    }


def echo_level_db(range_m: float, radius_m: float, *, angle_rad: float = 0.0) -> float:
    """Return about how loud a hard ball comes back, dB re full scale.

    A forecast from textbook formulas, to choose sizes by: averaged over the band of the bench's
    chirp as the receiver weighs it, without absorption.
    """
    share = np.linspace(-0.5, 0.5, 33)
    weight = np.cos(np.pi * share) ** 2
    frequency_hz = CENTRE_HZ + 8000.0 * share
    rise = 5 / 3 * (2 * np.pi * frequency_hz / SOUND_SPEED_M_S * radius_m) ** 2
    root_m = radius_m / 2 * rise / np.sqrt(1 + rise**2)
    wavelength_m = SOUND_SPEED_M_S / frequency_hz
    beam = beam_amplitude("piston", DISC_RADIUS_M, wavelength_m, angle_rad, ways=2)
    mean_m = float(np.average(root_m * beam, weights=weight))
    return SOURCE_LEVEL_DB + 20 * math.log10(mean_m) - 40 * math.log10(range_m)


def radius_for_m(level_db: float, range_m: float, *, angle_rad: float = 0.0) -> float:
    """Return the radius of the hard ball that comes back so loud, 1 mm to 1 m."""
    low_m, high_m = 1e-3, 1.0
    for _ in range(20):
        middle_m = math.sqrt(low_m * high_m)
        if echo_level_db(range_m, middle_m, angle_rad=angle_rad) < level_db:
            low_m = middle_m
        else:
            high_m = middle_m
    return math.sqrt(low_m * high_m)


def noise_for_db(level_db: float, snr_db: float) -> float:
    """Return the noise in which an echo of that level has this 2E/N0.

    2E/N0 is the echo's energy in samples over the noise's variance; the pulse's 480 samples
    have a mean square of about 0.43.
    """
    return level_db + 10 * math.log10(0.43 * 0.010 * RATE_HZ) - snr_db


def heard(plan: Plan, acts: Sequence[Act], *, seed: int) -> Run:
    """Sound the acts one after the other, as one run of pings, and measure."""
    blocks: list[CaptureBlock] = []
    info = None
    for act in acts:
        scene = scene_from_table(act.scene, source="exercise")
        with open_virtual_tank(plan, scene=scene, seed=seed) as tank:
            info = tank.info
            first = len(blocks)
            blocks += [b for b in tank.blocks(first + act.pings) if b.index >= first]
    if info is None:
        raise ValueError("acts: found none; give at least one")
    # How many things there are is not for the picture to say.
    receiver = Receiver(plan, dataclasses.replace(info, device="a scene for reading"))
    return run_of(receiver, blocks)
