"""Another bench's pings: when they come, how loud, and that none is cut or heard twice."""

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rig.bench.plan import Plan, plan_from_table
from rig.errors import SceneError
from rig.front_ends.virtual_tank import open_virtual_tank
from rig.tank.scene import read_scene, scene_from_table
from rig.tank.scene_text import scene_text

SPEED_M_S, RATE_HZ, INTERVAL_S, BASELINE_M = 343.963, 48000, 0.05, 0.06
CHIRP = {"kind": "chirp", "start_hz": 8e3, "stop_hz": 12e3, "duration_s": 0.002}
OTHER: dict[str, Any] = {
    "pulse": CHIRP,
    "interval_s": 0.0513,
    "position_m": [2.0, 0.0, 0.0],
    "level_db": -20.0,
    "first_s": 0.0042,
}


def plan() -> Plan:
    return plan_from_table(
        {
            "pulse": CHIRP,
            "timing": {"sample_rate_hz": RATE_HZ, "ping_interval_s": INTERVAL_S},
            "receiver": {"range_start_m": 0.3, "range_stop_m": 3.0},
            "geometry": {"baseline_m": BASELINE_M},
        }
    )


def tables(*others: dict[str, Any], **more: Any) -> dict[str, Any]:
    """Return a scene in which nothing else is heard: its own pulse is silent."""
    return {
        "medium": {"sound_speed_m_s": SPEED_M_S},
        "source": {"level_db": -200.0},
        "other_bench": list(others),
        **more,
    }


def stream(*others: dict[str, Any], pings: int = 6, **more: Any) -> np.ndarray:
    """Return all samples from the first ping's leaving on, as one stretch of time."""
    scene = scene_from_table(tables(*others, **more))
    with open_virtual_tank(plan(), scene=scene) as tank:
        blocks = list(tank.blocks(pings))
    leaves = round((blocks[0].mark_s - BASELINE_M / SPEED_M_S) * RATE_HZ)
    return np.concatenate([block.samples[0] for block in blocks])[leaves:].astype(np.float64)


def begins_s(samples: np.ndarray, *, about_s: float) -> float:
    """Return when a pulse begins, by its middle: half of its energy has come by then."""
    first = max(0, round((about_s - 0.003) * RATE_HZ))
    power = np.cumsum(samples[first : first + round(0.008 * RATE_HZ)] ** 2)
    # Of 96 samples the first 48 hold half of it: the sum is there at the 47th, counted from 0.
    middle = first + float(np.interp(power[-1] / 2, power, np.arange(power.size))) + 1
    return middle / RATE_HZ - 1e-3


def test_no_other_bench_adds_nothing() -> None:
    assert scene_from_table(tables()).other_bench == ()
    # A pulse of −200 dB is below a float's last digit at full scale.
    assert np.abs(stream()).max() < 1e-9


def test_its_pings_come_by_its_own_clock_over_its_own_distance() -> None:
    """Path over sound speed after each of its pings; from block to block none is lost."""
    samples = stream(OTHER)
    way_s = math.hypot(2.0, BASELINE_M / 2) / SPEED_M_S
    for number in range(5):
        due_s = 0.0042 + number * 0.0513 + way_s
        # The stretch is cut at a whole sample: half a sample. The power of a wave of 10 kHz
        # comes and goes every 2.4 samples, and its sum with it: by 2.4 / 2π, 0.4 of a sample.
        assert begins_s(samples, about_s=due_s) == pytest.approx(due_s, abs=0.9 / RATE_HZ)


def test_it_falls_by_6_db_for_each_doubling_of_the_distance() -> None:
    near, far = (stream({**OTHER, "position_m": [x, 0.0, 0.0]}) for x in (1.0, 2.0))
    # 20 log 2 = 6.021 dB, and at 10 kHz air swallows 0.16 dB in the second metre
    # (ISO 9613-1, from memory); its own table differs by 0.02 dB, and the angle by less.
    fell_db = 20 * math.log10(np.abs(near).max() / np.abs(far).max())
    assert fell_db == pytest.approx(6.02 + 0.16, abs=0.05)
    # −20 dB at 1 m, less 0.16 dB.
    assert 20 * math.log10(np.abs(near).max()) == pytest.approx(-20.16, abs=0.05)


def test_the_receiver_hears_it_through_its_own_beam() -> None:
    face = {"shape": "piston", "radius_m": 0.03}
    ahead = stream(OTHER, transducer=face)
    behind = stream({**OTHER, "position_m": [-2.0, 0.0, 0.0]}, transducer=face)
    assert np.abs(ahead).max() > 1e-3
    assert np.abs(behind).max() < 1e-9


def test_a_pulse_over_the_seam_of_two_blocks_is_whole_and_heard_once() -> None:
    """One interval for both: it would lie in both blocks, or in none. Its energy tells."""
    way_s = 2.0 / SPEED_M_S
    lead_s = 0.00004  # a sample or two before the next ping's samples begin, and after
    energies = []
    for first_s in (0.01, INTERVAL_S - way_s - lead_s, INTERVAL_S - way_s + lead_s):
        other = {**OTHER, "interval_s": INTERVAL_S, "first_s": first_s}
        energies.append(
            float(np.sum(stream(other, pings=8)[: round(6.5 * INTERVAL_S * RATE_HZ)] ** 2))
        )
    # The last half interval holds one pulse or none: 6 or 7 of them. Each is alike to the
    # rounding of float32 samples.
    one = energies[0] / 7
    assert [e / one for e in energies] == pytest.approx(
        [round(e / one) for e in energies], abs=1e-3
    )
    assert all(round(e / one) in (6, 7) for e in energies)


def test_what_was_sent_before_the_first_ping_is_still_heard() -> None:
    other = {**OTHER, "interval_s": 10.0, "first_s": -0.001 - math.hypot(2.0, 0.03) / SPEED_M_S}
    samples = stream(other, pings=1)
    # Half of a pulse of 2 ms: what came before the first block is over.
    assert np.abs(samples[: round(0.0009 * RATE_HZ)]).max() > 1e-3
    assert np.abs(samples[round(0.003 * RATE_HZ) :]).max() < 1e-5


def test_a_pair_of_codes_takes_turns() -> None:
    golay = {"kind": "golay", "centre_hz": 10e3, "chip_s": 2e-4, "chips": 8}
    samples = stream({**OTHER, "pulse": golay, "interval_s": 0.05, "first_s": 0.01})
    cut = round(INTERVAL_S * RATE_HZ)
    pulses = [samples[n * cut : (n + 1) * cut] for n in range(4)]
    assert np.allclose(pulses[0], pulses[2], atol=1e-6)
    assert not np.allclose(pulses[0], pulses[1], atol=1e-3)


def test_a_scene_with_another_bench_is_written_and_read_again(tmp_path: Path) -> None:
    scene = scene_from_table(tables(OTHER, {**OTHER, "first_s": 0.0}))
    assert scene_from_table(scene.as_table()) == scene
    path = tmp_path / "room.toml"
    path.write_text(scene_text(scene, words="two benches"), encoding="utf-8")
    assert read_scene(path) == scene


@pytest.mark.parametrize(
    ("change", "complaint"),
    [
        (
            {"interval_s": 0.001},
            r"other_bench\[0\]\.interval_s: found 0\.001 with a pulse of 0\.002",
        ),
        (
            {"pulse": {"kind": "chrip"}},
            r"other_bench\[0\]\.pulse\.kind: found 'chrip'; give one of",
        ),
        ({"position_m": None}, r"other_bench\[0\]\.position_m: found None"),
    ],
)
def test_wrong_keys_are_named(change: dict[str, Any], complaint: str) -> None:
    with pytest.raises(SceneError, match=complaint):
        scene_from_table(tables({**OTHER, **change}))


def test_a_pulse_that_the_samples_cannot_hold_is_refused() -> None:
    high = {**CHIRP, "start_hz": 40e3, "stop_hz": 60e3}
    scene = scene_from_table(tables({**OTHER, "pulse": high}))
    with pytest.raises(SceneError, match=r"other_bench\.pulse: "):
        open_virtual_tank(plan(), scene=scene)
