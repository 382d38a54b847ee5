"""The report's own pictures."""

import dataclasses

import numpy as np

from rig.measure.passes.following import passings_of
from rig.run.opening import open_bench
from rig.show.pictures.report_pictures import MOST_DRAWN_DOTS, passes_picture
from rig.tank.built_in import built_in


def test_a_picture_of_many_hits_stays_small() -> None:
    scene, plan = built_in("bench")
    with open_bench(plan, scene=scene, seed=1) as bench:
        passing = passings_of(bench.ping(20))[0]
    fewer, more = (
        passes_picture(
            [
                dataclasses.replace(
                    passing,
                    ping=np.arange(hits),
                    time_s=0.25 * np.arange(hits),
                    range_m=1.0 + 1e-6 * np.arange(hits),
                )
            ],
            baseline_m=0.12,
        )
        for hits in (MOST_DRAWN_DOTS, 14_400)
    )
    assert b"<image" not in fewer  # lines and letters: sharp at any size
    assert b"<image" in more  # the dots alone
    assert more.count(b"<use") > 20  # letters and ticks stay lines
    assert len(more) < 300_000  # 14,400 dots of 240 bytes would be 3.5 MB
