"""Range geometry: Pythagoras, and targets laid out beside the axis."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dsp.ping.ranging import path_from_range_m, range_from_path_m, u_off_axis_m

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


@given(
    path_m=st.floats(0.4, 4.0),
    baseline_m=st.floats(0.01, 0.15),
    half_angle_rad=st.floats(0.05, math.pi / 2),
)
@settings(max_examples=20)
def test_off_axis_term_is_the_spread_of_targets_laid_out_in_the_cone(
    path_m: float, baseline_m: float, half_angle_rad: float
) -> None:
    # Targets in all directions of the cone, each moved out until its path by way of
    # source and receiver (two distances, Pythagoras) is the one that was measured. The
    # directions are a grid that is even over the cone's cross-section.
    share = (np.arange(40) + 0.5) / 40
    off = np.sin(half_angle_rad) * np.sqrt(share)[:, np.newaxis]
    turn = 2 * np.pi * share
    towards = off * np.cos(turn)  # direction cosine along the baseline
    near, far = np.full(towards.shape, path_m / 2 - baseline_m), np.full(towards.shape, path_m)
    for _ in range(60):
        middle = (near + far) / 2
        swing = middle * towards * baseline_m
        ways = [np.sqrt(middle**2 + baseline_m**2 / 4 + sign * swing) for sign in (-1, 1)]
        short = ways[0] + ways[1] < path_m
        near, far = np.where(short, middle, near), np.where(short, far, middle)
    excess = (near + far) / 2 - range_from_path_m(path_m, baseline_m)
    assert excess.min() > -1e-12
    # Physics: the next order of (b sin ψ/L)², at most 0.15²/0.4² = 0.14. Rounding: the
    # 40-point grid, whose error in a mean of squares is about 1/40², and the roots'.
    expected = u_off_axis_m(path_m, baseline_m, half_angle_rad)
    assert math.sqrt(np.mean(excess**2)) == pytest.approx(expected, rel=0.14 + 1e-3, abs=1e-12)


def test_off_axis_needs_a_path_longer_than_the_baseline() -> None:
    with pytest.raises(ValueError, match=r"path_m: found 0\.1; give more than"):
        u_off_axis_m(0.1, 0.1, 0.3)
