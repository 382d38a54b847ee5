"""The lesson on closeness: resolution and side lobes by the handbook, not its own output."""

import math
from collections.abc import Callable

import numpy as np
import pytest
from air_scenes import scene

from rig.errors import NotHeardError
from rig.teach.lessons.lesson import Finding
from rig.teach.lessons.taught.two_close_together import LESSON

# m/s, at 20 °C and 50 % (computed with CoolProp 8.0.0, HumidAir).
SPEED_M_S = 343.963
# 99 % of a normal spread (JCGM 100:2008, table G.1).
K = 2.58


def test_a_bursts_mark_is_as_long_as_half_of_what_sound_travels_in_it(
    in_tank: Callable[..., Finding],
) -> None:
    finding = in_tank(LESSON, "burst-length", 31)
    (points,) = (c for c in finding.curves if c.measured)
    assert points.u_y is not None
    assert points.x.tolist() == [0.5, 1.0, 2.0]
    # c T/2 (P. M. Woodward 1953, from memory), in cm for a T in ms. An even burst compresses to
    # a triangle, whose width at half height is T itself. The ball's echo is 0.1 % off flat over
    # the shortest burst's band, and the filter keeps all but 1e-7 of its energy: 0.3 % together.
    expected_cm = 0.1 * SPEED_M_S / 2 * points.x
    assert np.all(np.abs(points.y - expected_cm) <= K * points.u_y + 0.003 * expected_cm)
    assert 2 * finding.u_measured < 0.05 * finding.measured


def test_a_chirps_mark_goes_with_one_over_its_bandwidth_whatever_its_length(
    in_tank: Callable[..., Finding],
) -> None:
    finding = in_tank(LESSON, "bandwidth", 34)
    (points,) = (c for c in finding.curves if c.measured)
    assert points.u_y is not None
    # 0.88589/B at half power (computed with scipy for a flat band), B in kHz here. A chirp of
    # finite length T has the closed form sin(πBτ(1 − τ/T))/(πBτ) (Klauder 1960, from memory),
    # narrower by 0.44/(B T) to first order: 1.4 % for 2 kHz × 8 ms times its own slope, at most
    # 2.8 %; and 0.5 % for a band that air and ball leave not quite flat.
    expected_cm = 1e2 * SPEED_M_S / 2 * 0.88589 / (1e3 * points.x)
    allowed = 0.45 / (8.0 * points.x) + 0.005
    assert np.all(np.abs(points.y - expected_cm) <= K * points.u_y + allowed * expected_cm)
    # A burst of the same 8 ms leaves a mark more than seventy times as long (137.6 / 1.90 cm).
    assert points.y[-1] * 70 < 1e2 * SPEED_M_S / 2 * 0.008


def test_a_chirp_is_as_sharp_as_a_short_burst_and_stands_as_high_as_a_long_one(
    in_tank: Callable[..., Finding],
) -> None:
    finding = in_tank(LESSON, "compression", 36)
    # 2E/N0 grows with the energy (Turin 1960): 4 ms over 0.25 ms of one amplitude. The second
    # ball's side lobe, 0.11 at 2.3/B, is taken for none of the first: up to 0.11 × (1.8/1.9)²
    # of its amplitude, but at right angles for most of a wave's length; here their phases are
    # known, and it is below 0.35 dB.
    assert abs(finding.measured - 10 * math.log10(16)) <= K * finding.u_measured + 0.35
    marks = {row[0]: row[-1] for row in finding.numbers[1:]}
    # 9.8 cm apart, against c T/2 = 4.3 and 68.8 cm, and c/(2B) = 4.3 cm.
    assert marks == {"short-burst": "2", "long-burst": "1", "chirp": "2"}


def test_a_window_trades_side_lobes_for_length(in_tank: Callable[..., Finding]) -> None:
    finding = in_tank(LESSON, "side-lobes", 40)
    # −31.47 dB and 1.44058/B with a Hann window, −13.26 dB and 0.88589/B without (computed with
    # scipy for an even band). The band of a chirp of 160 cycles is not quite even: 0.3 dB.
    assert abs(finding.measured + 31.47) <= K * math.hypot(finding.u_measured, 0.3)
    rows = {row[0]: row for row in finding.numbers[1:]}
    shown = {name: (float(row[1].replace("−", "-")), float(row[3])) for name, row in rows.items()}
    # Printed to 0.1 dB; half of that is rounding.
    assert abs(shown["flat"][0] + 13.26) <= 0.3 + 0.05
    cell_cm = 1e2 * SPEED_M_S / (2 * 8e3)
    # 0.44/160 for the chirp's finite length, 0.5 % for the band, and rounding to 0.01 cm.
    for name, width in (("flat", 0.88589), ("hann", 1.44058)):
        assert abs(shown[name][1] - width * cell_cm) <= 0.008 * width * cell_cm + 0.005


def test_without_the_ball_it_says_what_would_do(in_tank: Callable[..., Finding]) -> None:
    empty = {name: scene() for name in ("short", "longer", "longest")}
    with pytest.raises(NotHeardError, match=r"an echo is needed within 0\.05 m of 1\.8 m"):
        in_tank(LESSON, "burst-length", 43, scenes=empty)
