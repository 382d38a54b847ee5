"""Places from two receivers' delays: against ways measured out, near and far and along the line."""

from __future__ import annotations

import math

import numpy as np
import pytest
from far_sounds import bearing_from_afar

from dsp.ping.pair.bearings import Bearing, NoBearing, PairPlaces, bearing

C_M_S = 343.2


def _bearing(places: PairPlaces, target_m: tuple[float, float], **given: float) -> Bearing:
    out_m = math.dist(places.source_m, target_m)
    first, second = (
        (out_m + math.dist(target_m, m)) / C_M_S for m in (places.first_m, places.second_m)
    )
    found = bearing(first, second - first, places, sound_speed_m_s=C_M_S, **given)
    assert isinstance(found, Bearing)
    return found


@pytest.mark.parametrize(
    "places",
    [
        PairPlaces(first_m=(-0.03, 0.0), second_m=(0.03, 0.0)),
        PairPlaces(source_m=(-0.06, 0.0), first_m=(0.06, 0.0), second_m=(-0.18, 0.0)),
        # The source ahead of the pair, and the pair's line turned.
        PairPlaces(source_m=(0.02, 0.03), first_m=(0.1, -0.01), second_m=(-0.1, 0.015)),
    ],
)
@pytest.mark.parametrize("range_m", [0.3, 1.0, 3.0])
@pytest.mark.parametrize("angle_deg", [-65.0, -20.0, 0.0, 3.0, 50.0])
def test_place_is_where_the_ways_were_measured(
    places: PairPlaces, range_m: float, angle_deg: float
) -> None:
    angle_rad = math.radians(angle_deg)
    target_m = range_m * math.sin(angle_rad), range_m * math.cos(angle_rad)
    found = _bearing(places, target_m)
    # Rounding alone: 1e-16 of ways of up to 6 m, over spacings of 60 mm and up.
    assert found.angle_rad == pytest.approx(angle_rad, abs=1e-9)
    assert found.range_m == pytest.approx(range_m, abs=1e-9)
    assert found.across_m == pytest.approx(target_m[0], abs=1e-9)
    assert found.ahead_m == pytest.approx(target_m[1], abs=1e-9)
    assert not found.at_end


def test_a_target_out_of_the_plane_is_as_far_along_the_line_and_seems_ahead() -> None:
    places = PairPlaces(first_m=(-0.1, 0.0), second_m=(0.1, 0.0))
    target = np.array([0.3, 0.8, 0.5])  # across, ahead, and 0.5 m above the bench
    receivers = np.array([[-0.1, 0, 0], [0.1, 0, 0]])
    ways = np.linalg.norm(target) + np.linalg.norm(target - receivers, axis=1)
    first, second = ways / C_M_S
    found = bearing(first, second - first, places, sound_speed_m_s=C_M_S)
    assert isinstance(found, Bearing)
    assert found.across_m == pytest.approx(0.3, abs=1e-9)
    assert found.ahead_m == pytest.approx(math.hypot(0.8, 0.5), abs=1e-9)


def test_uncertainty_is_what_drawn_inputs_scatter_by() -> None:
    # JCGM 101:2008, 7: by drawing all inputs, 20 000 times. To first order the sine scatters
    # as said; of so many draws its deviation is known to 1/√40000 = 0.5 %, here to 4 of that.
    random = np.random.default_rng(3)
    places = PairPlaces(first_m=(0.05, 0.0), second_m=(-0.15, 0.0), u_place_m=1e-3)
    target_m = 0.5, 1.1
    u = {"u_delay_s": 2e-6, "u_later_s": 3e-6, "u_sound_speed_m_s": 1.0}
    found = _bearing(places, target_m, **u)
    out_m = math.hypot(*target_m)
    drawn = []
    for _ in range(2000):
        # Delays as they were heard; what is drawn is what is believed of the bench.
        first = (out_m + math.dist(target_m, places.first_m)) / C_M_S
        second = (out_m + math.dist(target_m, places.second_m)) / C_M_S
        believed = PairPlaces(
            first_m=tuple(np.add(places.first_m, random.normal(0, 1e-3, 2))),
            second_m=tuple(np.add(places.second_m, random.normal(0, 1e-3, 2))),
        )
        each = bearing(
            first + random.normal(0, 2e-6),
            second - first + random.normal(0, 3e-6),
            believed,
            sound_speed_m_s=C_M_S + random.normal(0, 1.0),
        )
        assert isinstance(each, Bearing)
        drawn.append((each.angle_rad, each.range_m, each.across_m, each.ahead_m))
    scatter = np.std(drawn, axis=0)
    stated = found.u_angle_rad, found.u_range_m, found.u_across_m, found.u_ahead_m
    # 2000 draws tell a deviation to 1/√4000 = 1.6 %, taken three times; range and angle share
    # the sound speed, which the last two leave out: up to 4 % here.
    assert stated == pytest.approx(scatter, rel=0.09)


def test_bound_is_the_angles_slope_times_the_delays() -> None:
    # Far away the sine is c Δ/D: a bound of 1 µs over 0.2 m at 40°.
    places = PairPlaces(first_m=(-0.1, 0.0), second_m=(0.1, 0.0))
    target_m = 500 * math.sin(math.radians(40)), 500 * math.cos(math.radians(40))
    expected = C_M_S * 1e-6 / 0.2 / math.cos(math.radians(40))
    # Of 500 m, rays to 0.1 m are parallel to 2e-4.
    assert _bearing(places, target_m, bound_s=1e-6).bound_rad == pytest.approx(expected, rel=5e-4)


def test_along_the_line_the_interval_reaches_to_one_side() -> None:
    found = _bearing(
        PairPlaces(first_m=(-0.03, 0.0), second_m=(0.03, 0.0)), (1.0, 0.0), u_later_s=2e-6
    )
    assert found.at_end
    assert found.angle_rad == pytest.approx(math.pi / 2)
    assert found.high_rad == found.angle_rad
    # The sine is known to 2 × 2 µs × c / 60 mm at the other end.
    low = math.asin(1 - 2 * 2e-6 * C_M_S / 0.06)
    assert found.low_rad == pytest.approx(low, abs=1e-3)
    assert found.u_angle_rad == pytest.approx((math.pi / 2 - low) / 2, abs=1e-3)
    assert found.bound_rad == math.inf


def test_a_delay_too_long_by_less_than_its_uncertainty_is_the_lines_end() -> None:
    longest_s = 0.06 / C_M_S
    given = {"spacing_m": 0.06, "sound_speed_m_s": C_M_S, "u_later_s": 2e-6}
    found = bearing_from_afar(-longest_s - 3.9e-6, **given)
    assert isinstance(found, Bearing)
    assert found.at_end
    assert found.angle_rad == -math.pi / 2 == found.low_rad
    assert found.high_rad > -math.pi / 2
    assert isinstance(bearing_from_afar(-longest_s - 4.1e-6, **given), NoBearing)


def test_no_place_is_told_from_delays_that_none_has() -> None:
    places = PairPlaces(first_m=(-0.03, 0.0), second_m=(0.03, 0.0))
    found = bearing(0.006, 3e-4, places, sound_speed_m_s=C_M_S, u_later_s=1e-6)
    assert isinstance(found, NoBearing)
    assert "longer than the spacing of 60 mm allows" in found.why


def test_intervals_cover() -> None:
    # Sines drawn evenly, also at the line's ends; a normal error of the delay.
    random = np.random.default_rng(8)
    covered, told, trials = 0, 0, 4000
    for sine, error_s in zip(
        random.uniform(-1, 1, trials).tolist(), random.normal(0, 5e-6, trials).tolist(), strict=True
    ):
        found = bearing_from_afar(
            sine * 0.1 / C_M_S + error_s, spacing_m=0.1, sound_speed_m_s=C_M_S, u_later_s=5e-6
        )
        if isinstance(found, Bearing):
            told += 1
            covered += found.low_rad <= math.asin(sine) <= found.high_rad
    # 95.45 % of normal errors lie within k = 2; 4000 tell that to 0.33 %, three times. Where
    # the delay is a little too long the interval starts from the end, and covers more.
    assert 0.9445 < covered / told < 0.975
    assert told > 0.995 * trials


def test_arguments_are_refused() -> None:
    with pytest.raises(ValueError, match="side by side"):
        PairPlaces(first_m=(0.1, 0.0), second_m=(0.1, 0.2))
    with pytest.raises(ValueError, match="side by side"):
        bearing_from_afar(0.0, spacing_m=0.0, sound_speed_m_s=C_M_S)
    with pytest.raises(ValueError, match="u_later_s: found -1"):
        bearing_from_afar(0.0, spacing_m=0.1, sound_speed_m_s=C_M_S, u_later_s=-1.0)
    places = PairPlaces(first_m=(-0.03, 0.0), second_m=(0.03, 0.0))
    with pytest.raises(ValueError, match="delay_s: found 0 s"):
        bearing(0.0, 0.0, places, sound_speed_m_s=C_M_S)
