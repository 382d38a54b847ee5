"""Angles from delays that were measured in an anechoic chamber, against a turntable's.

Delays between the microphones of an array for a loudspeaker in 360 directions, from the Pyramic
data set (R. Scheibler and others, CC BY 4.0). The file lies beside the checkout, not in it.
"""

import math
import os
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from far_sounds import bearing_from_afar

from dsp.ping.pair.bearings import NoBearing

PATH = Path(__file__).parents[3] / "shared" / "data" / "bearing_delays.npz"


@pytest.fixture(scope="module")
def chamber() -> Any:
    # The check in .ci/run has it beside the checkout.
    if not PATH.exists():
        assert not os.environ.get("CI"), f"{PATH} is missing, and CI has it"
        pytest.skip(f"{PATH} is not on this machine")
    with np.load(PATH) as stored:
        return {name: stored[name] for name in stored.files}


def _level_pairs(places_m: Any, nearest_m: float, farthest_m: float) -> list[tuple[int, int]]:
    """Return pairs of the array's three level arms, on top: the turntable turns about them."""
    return [
        (i, j)
        for i, j in combinations(range(len(places_m)), 2)
        if nearest_m <= math.dist(places_m[i], places_m[j]) <= farthest_m
        and min(places_m[i, 2], places_m[j, 2]) > 0.06
    ]


# What the data's README states for hand-measured places, in degrees.
@pytest.mark.parametrize(
    ("nearest_m", "farthest_m", "stated_deg"), [(0.02, 0.05, 2.7), (0.10, 0.20, 2.35)]
)
def test_angles_are_the_turntables_within_what_the_places_allow(
    chamber: Any, nearest_m: float, farthest_m: float, stated_deg: float
) -> None:
    speed_m_s, places_m = float(chamber["sound_speed_m_s"]), chamber["microphones_m"]
    # Every third direction, 6° apart, says it as well as all.
    delay_s = chamber["delay_counts"][:, ::3] / float(chamber["counts_per_s"])
    towards = chamber["source_directions"][::3]
    pairs = _level_pairs(places_m, nearest_m, farthest_m)
    # How well the places are known is read off every second pair, and held to the others: the
    # ways' scatter about the turntable's, by its middle value, which strays forget.
    ways_m = [
        speed_m_s * (delay_s[j] - delay_s[i]) + towards @ (places_m[j] - places_m[i])
        for i, j in pairs[::2]
    ]
    u_place_m = float(np.median(np.abs(ways_m))) / 0.6745 / math.sqrt(2)
    errors_deg, covered, ends, none = [], [], 0, 0
    for number, (i, j) in enumerate(pairs):
        spacing_m = math.dist(places_m[i], places_m[j])
        true_rad = np.arcsin(towards @ (places_m[i] - places_m[j]) / spacing_m)
        later_s = delay_s[j] - delay_s[i]
        for given_s, true in zip(later_s.ravel().tolist(), true_rad.ravel().tolist(), strict=True):
            found = bearing_from_afar(
                given_s,
                spacing_m=spacing_m,
                sound_speed_m_s=speed_m_s,
                u_place_m=u_place_m,
                # Two delays in whole counts: each half a count at the most, evenly.
                u_later_s=1 / float(chamber["counts_per_s"]) / math.sqrt(6),
            )
            if isinstance(found, NoBearing):
                none += 1
                continue
            ends += found.at_end
            if number % 2:
                covered.append(found.low_rad <= true <= found.high_rad)
            if abs(true) < math.radians(60):
                errors_deg.append(math.degrees(found.angle_rad - true))
    assert math.sqrt(np.mean(np.square(errors_deg))) <= stated_deg
    assert np.mean(covered) >= 0.95
    # Delays longer than the spacing allows are there, and do not fail: nearly all are of what
    # stood along the line.
    assert none < 0.01 * len(errors_deg)
    if farthest_m > 0.1:
        assert ends > 0.02 * len(errors_deg)


def test_a_delay_far_beyond_the_spacing_has_no_angle(chamber: Any) -> None:
    speed_m_s, places_m = float(chamber["sound_speed_m_s"]), chamber["microphones_m"]
    delay_s = chamber["delay_counts"] / float(chamber["counts_per_s"])
    # Two delays of one microphone, by 0.75 s: a glitch, as the data's authors say.
    wild = np.argwhere(np.abs(delay_s) > 0.1)
    assert len(wild) == 2
    for one, way, height in wild.tolist():
        for other in range(len(places_m)):
            if other == one:
                continue
            found = bearing_from_afar(
                delay_s[one, way, height] - delay_s[other, way, height],
                spacing_m=math.dist(places_m[one], places_m[other]),
                sound_speed_m_s=speed_m_s,
                u_place_m=3e-3,
            )
            assert isinstance(found, NoBearing)
            assert "longer than the spacing" in found.why
