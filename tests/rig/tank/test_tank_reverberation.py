"""Ring-down and clutter: levels and falls as their tables say."""

import numpy as np
import pytest

from rig.tank.reverberation import clutter, ring_down
from rig.tank.scene import Clutter, RingDown

RATE = 192_000.0
TIME_S = np.arange(192) / RATE
PULSE = np.sin(2 * np.pi * 40e3 * TIME_S) * np.sin(np.pi * TIME_S * RATE / 192) ** 2


def test_a_ring_has_its_level_and_falls_to_one_over_e_in_its_decay_time():
    table = RingDown(level_db=-20.0, frequency_hz=40e3, decay_s=5e-4)
    sound = ring_down(table, PULSE, 100.0, RATE)
    assert not sound[:100].any()
    assert np.abs(sound).max() == pytest.approx(0.1, rel=1e-9)
    # After the pulse's end it rings freely: peaks over a cycle, 5e-4 s = 96 samples apart. A
    # cycle has 4.8 samples; whole five cycles, 24 samples, take the same phases again.
    early, late = sound[300:324], sound[396:420]
    assert np.abs(late).max() / np.abs(early).max() == pytest.approx(np.exp(-1), rel=1e-9)


def test_clutter_has_its_rms_level_at_the_start_and_falls_by_20_db_over_its_reach():
    table = Clutter(level_db=-30.0, reach_m=1.0)
    reach = 20_000.0
    rng = np.random.default_rng(8)
    sounds = np.array([clutter(table, reach, PULSE, 0.0, rng) for _ in range(60)])
    # The pulse of 192 samples must be whole; by then it has fallen by 0.2 dB.
    for begin in (192, 20_192):
        part = sounds[:, begin : begin + 200]
        middle_db = -30 - 20 * (begin + 100 - 96) / reach
        found_db = 10 * np.log10(np.mean(part**2))
        # Some 2 independent stretches in each of 60 draws: 120 with 2 degrees of freedom,
        # a spread of √(1/120) = 9 %, 0.4 dB; three of them.
        assert found_db == pytest.approx(middle_db, abs=1.2)
