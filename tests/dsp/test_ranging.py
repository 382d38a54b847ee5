"""Range geometry: Pythagoras, and its uncertainty against finite differences."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dsp.ranging import path_from_range_m, range_from_path_m, u_range_m

ranges = st.floats(0.01, 100.0)
baselines = st.floats(0.0, 2.0)


def test_range_is_half_the_path_where_source_and_receiver_are_one() -> None:
    assert range_from_path_m(3.0, 0.0) == 1.5


def test_range_is_zero_when_path_equals_baseline() -> None:
    assert range_from_path_m(0.12, 0.12) == 0


def test_range_is_the_height_of_a_three_four_five_triangle() -> None:
    # Half a baseline of 6, legs of 5 each: the height is 4 (Euclid).
    assert range_from_path_m(10.0, 6.0) == pytest.approx(4.0, abs=1e-15)


@given(range_m=ranges, baseline_m=baselines)
def test_path_and_range_are_inverse(range_m: float, baseline_m: float) -> None:
    back = range_from_path_m(path_from_range_m(range_m, baseline_m), baseline_m)
    # The path keeps 16 digits of L; of R² = L²/4 − b²/4 it keeps as many less
    # those of (b/R)².
    assert back == pytest.approx(range_m, rel=1e-14 * (1 + (baseline_m / range_m) ** 2))


@given(range_m=ranges, baseline_m=baselines)
def test_path_is_never_shorter_than_the_baseline_nor_twice_the_range(
    range_m: float, baseline_m: float
) -> None:
    path = path_from_range_m(range_m, baseline_m)
    assert path >= max(baseline_m, 2 * range_m) * (1 - 1e-15)


def test_ranges_are_double_precision() -> None:
    assert range_from_path_m(np.float32([1, 2]), 0.1).dtype == np.float64


@pytest.mark.parametrize("baseline_m", [-0.1, math.nan, math.inf])
def test_impossible_baseline_is_refused(baseline_m: float) -> None:
    with pytest.raises(ValueError, match="baseline_m: found"):
        range_from_path_m(1.0, baseline_m)


@pytest.mark.parametrize("direct", [True, False])
@given(range_m=st.floats(0.1, 10.0), baseline_m=st.floats(0.0, 0.5))
def test_uncertainty_equals_that_of_finite_differences(
    direct: bool, range_m: float, baseline_m: float
) -> None:
    # The law of propagation, JCGM 100:2008 eq. 10, with the slopes taken by
    # differences from the model itself: R(c, Δ, b).
    speed, u = 343.0, {"delay": 2e-6, "speed": 0.3, "baseline": 1e-3}
    path_m = float(path_from_range_m(range_m, baseline_m))
    delay = (path_m - baseline_m if direct else path_m) / speed

    def model(c: float, d: float, b: float) -> float:
        return float(range_from_path_m(c * d + (b if direct else 0.0), b))

    def slope(i: int, step: float) -> float:
        at = [speed, delay, baseline_m + 1e-9]
        up, down = list(at), list(at)
        up[i] += step
        down[i] = max(down[i] - step, 0)
        return (model(*up) - model(*down)) / (up[i] - down[i])

    expected = math.sqrt(
        (slope(0, 1e-3) * u["speed"]) ** 2
        + 2 * (slope(1, 1e-8) * u["delay"]) ** 2
        + (slope(2, 1e-7) * u["baseline"]) ** 2
    )
    got = u_range_m(
        path_m=path_m,
        baseline_m=baseline_m,
        sound_speed_m_s=speed,
        u_delay_s=u["delay"],
        u_time_zero_s=u["delay"],
        u_sound_speed_m_s=u["speed"],
        u_baseline_m=u["baseline"],
        direct=direct,
    )
    assert got == pytest.approx(expected, rel=1e-3)  # of the differences


def test_a_range_of_zero_has_no_finite_uncertainty() -> None:
    assert math.isinf(
        u_range_m(
            path_m=0.1,
            baseline_m=0.1,
            sound_speed_m_s=343.0,
            u_delay_s=1e-6,
            u_time_zero_s=0.0,
            u_sound_speed_m_s=0.0,
            u_baseline_m=0.0,
            direct=True,
        )
    )
