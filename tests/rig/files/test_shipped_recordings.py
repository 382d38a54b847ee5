"""What ships under recordings/ is what its table says."""

from pathlib import Path

import numpy as np
import pytest

from rig.front_ends.replay import open_recording
from rig.front_ends.virtual_tank import open_virtual_tank
from rig.run.loop import ping_results
from rig.run.receiver import Receiver
from rig.tank.built_in import built_in

FOLDER = Path(__file__).parents[3] / "recordings"


def test_every_recording_is_small_and_listed() -> None:
    table = (FOLDER / "README.md").read_text(encoding="utf-8")
    for path in FOLDER.iterdir():
        assert path.stat().st_size < 1_000_000, path.name
        assert path.stem in table or path.name == "README.md"


def test_the_bench_recording_is_the_virtual_tank_s_own_sample_by_sample() -> None:
    scene, plan = built_in("bench")
    with (
        open_recording(FOLDER / "bench-ball.sigmf-meta") as kept,
        open_virtual_tank(plan, scene=scene, seed=4) as tank,
    ):
        pairs = list(zip(kept.blocks(kept.pings), tank.blocks(18), strict=True))
    assert len(pairs) == 18
    for stored, made in pairs:
        # Another processor's FFT may round a sample to the converter's next step of 16 bits.
        assert np.abs(stored.samples - made.samples).max() <= 2**-15


def test_the_ball_rolls_away_in_it_as_the_scene_says() -> None:
    # The ball starts at 0.50 m ahead and 0.10 m across and rolls straight away at 80 mm/s; its
    # echo's range is from midway between source and receiver.
    with open_recording(FOLDER / "bench-ball.sigmf-meta") as kept:
        receiver = Receiver(kept.plan, kept.info)
        for result in ping_results(receiver, kept.blocks(kept.pings)):
            ahead_m = 0.50 + 0.08 * (result.sent_s + 0.003)  # it is met some 3 ms later
            expected_m = np.hypot(ahead_m, 0.10)
            echo = min(result.echoes, key=lambda e: abs(e.range_m - expected_m))
            assert echo.range_m == pytest.approx(expected_m, abs=3 * echo.u_range_m)
