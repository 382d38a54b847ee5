"""The lesson on noise: chance, averages and codes by theory, not by its own output."""

import copy
import math
from collections.abc import Callable

import numpy as np
import pytest
from air_scenes import scene

from rig.errors import NotHeardError
from rig.teach.lessons.lesson import Finding
from rig.teach.lessons.taught.finding_it_in_noise import LESSON

# 99 % of a normal spread (JCGM 100:2008, table G.1).
K = 2.58


def test_noise_gets_over_a_threshold_as_often_as_its_chance_times_the_looks(
    in_tank: Callable[..., Finding],
) -> None:
    finding = in_tank(LESSON, "false-alarms", 71)
    for _, height_db, looks, counted, expected in finding.numbers[1:-1]:
        rate = float(expected) / int(looks)
        # The envelope of Gaussian noise is Rayleigh's: √(−2 ln Pfa) σ, over its RMS of √2 σ
        # (S. O. Rice 1945). Printed to 0.1 dB and 0.1 alarms.
        rounding = 0.05 + 10 / math.log(10) * 0.05 / float(expected) / -math.log(rate)
        assert abs(float(height_db) - 10 * math.log10(-math.log(rate))) <= rounding
        # Poisson, and the height of the noise, learnt from some 50 cells, is wrong for all looks
        # of a ping together: that takes off no more than doubling the variance (0.7 × 0.7).
        assert abs(int(counted) - float(expected)) <= K * math.sqrt(1.5 * float(expected)) + 1
    asked = next(row for row in finding.numbers if row[0] == "1 in 100")
    assert finding.measured == int(asked[3])
    assert finding.expected == pytest.approx(0.01 * int(asked[2]))


def test_something_that_stands_there_is_not_counted_as_noise(
    in_tank: Callable[..., Finding],
) -> None:
    balls = [{"position_m": [r, 0.0, 0.0]} for r in np.arange(0.8, 2.9, 0.35).tolist()]
    crowded = {"empty": scene(*balls, noise={"level_db": -75.0})}
    with pytest.raises(NotHeardError, match="clear the bench"):
        in_tank(LESSON, "false-alarms", 74, scenes=crowded)


def test_stacking_lifts_an_echo_by_ten_log_n(in_tank: Callable[..., Finding]) -> None:
    finding = in_tank(LESSON, "stacking", 75)
    (points,) = (c for c in finding.curves if c.measured)
    assert points.u_y is not None
    # Noise that is independent from ping to ping falls by √N in amplitude (textbook).
    off_db = points.y - 10 * np.log10(points.x)
    assert np.all(np.abs(off_db) <= K * points.u_y + 1e-9)
    # 12.04 dB is told from 20 log N, which is 24.
    assert finding.u_measured < 1.0


def test_a_golay_pairs_side_lobes_cancel_and_barkers_stand_at_one_thirteenth(
    in_tank: Callable[..., Finding],
) -> None:
    finding = in_tank(LESSON, "coded-pair", 79)
    curves = {c.label: c for c in finding.curves}
    pair, barker = curves["the pair heard"], curves["Barker code heard"]
    assert pair.u_y is not None
    assert barker.u_y is not None
    # M. J. E. Golay 1961: their autocorrelations add up to a single peak. The echo's own filter
    # (air, ball) is alike for both codes. 12 lags are looked at: 3.3 standard deviations hold 99
    # of 100 sets of 12.
    assert np.all(np.abs(pair.y) <= 3.3 * pair.u_y)
    # R. H. Barker 1953: 1/13 at even lags, −22.279 dB, and 0 at odd ones. Chips are filtered by
    # air and ball, which are not flat to 1 % of the echo over the chips' band: 0.1 of it here.
    expected = np.where(barker.x % 2 == 0, 100 / 13, 0.0)
    assert np.all(np.abs(barker.y - expected) <= 3.3 * barker.u_y + 0.1)
    assert abs(finding.measured) <= K * finding.u_measured


def test_a_target_that_moves_between_the_two_pings_is_told(
    in_tank: Callable[..., Finding],
) -> None:
    """The price of a pair is a target that stands still for both (common practice, no source)."""
    (part,) = (p for p in LESSON.parts if p.name == "coded-pair")
    moving = copy.deepcopy(dict(part.steps[1].scene))
    # To and fro by a twelfth of the wave's length, so that every second ping is a sixth of a turn
    # off: of lobes of ±31 %, 31 tan 30° = 18 % are then left, a quarter of a turn off the echo.
    away_m_s = 343.963 / 14e3 / 12 / 0.06
    moving["target"] = [{**moving["target"][0], "velocity_m_s": [away_m_s, 0.0, 0.0]}]
    moving["target"][0]["turn_back_s"] = 0.06
    with pytest.raises(NotHeardError, match="the ball moved between the two pings"):
        in_tank(LESSON, "coded-pair", 83, scenes={"pair": moving})
