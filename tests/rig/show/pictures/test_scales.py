"""Numbers to places: nothing lost, nothing moved, nothing on top of another."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.show.pictures.scales import (
    SILENT_LIMITS_DB,
    RangeColumns,
    RangeScale,
    place_labels,
    round_ticks,
    strength_limits_db,
)


def scale_of(*, baseline_m=0.0, stop_m=5.0, sound_speed_m_s=343.2):
    return RangeScale(
        sound_speed_m_s=sound_speed_m_s, baseline_m=baseline_m, start_m=0.1, stop_m=stop_m
    )


def test_time_of_flight_without_baseline_is_twice_range_over_speed():
    assert float(scale_of().path_time_s(1.716)) == pytest.approx(0.010, rel=1e-12)


def test_time_of_flight_over_a_baseline_is_that_of_the_triangle():
    # Legs of 3 and 4 halve to a hypotenuse of 5: out and back 10 at speed 10 is 1 s.
    scale = scale_of(baseline_m=6.0, sound_speed_m_s=10.0)
    assert float(scale.path_time_s(4.0)) == pytest.approx(1.0, rel=1e-12)


def test_no_range_belongs_to_a_time_before_the_direct_sound():
    scale = scale_of(baseline_m=0.3432)
    ranges = scale.range_m([0.0, 0.0009999, 0.0010001])
    assert np.isnan(ranges).tolist() == [True, True, False]


@given(
    range_m=st.floats(0.01, 100),
    baseline_m=st.floats(0, 2),
    speed_m_s=st.floats(300, 1600),
)
def test_range_comes_back_from_its_time_of_flight(range_m, baseline_m, speed_m_s):
    scale = scale_of(baseline_m=baseline_m, sound_speed_m_s=speed_m_s)
    # Rounding of the path, 2e-16 of at most R + b, grows by L/(4R) on the way back.
    worst = 1e-15 * (range_m + baseline_m) * (1 + baseline_m / range_m)
    assert float(scale.range_m(scale.path_time_s(range_m))) == pytest.approx(
        range_m, abs=10 * worst
    )


@given(
    bins=st.integers(2, 400),
    columns=st.integers(1, 300),
    reach=st.floats(0.2, 3.0),
    skip=st.integers(0, 5),
    place=st.floats(0, 1),
)
def test_echo_of_one_bin_is_never_lost_between_columns(bins, columns, reach, skip, place):
    range_m = np.concatenate([np.full(skip, np.nan), np.linspace(0, reach, bins)])
    amplitude = np.full(range_m.size, 0.1)
    loud = skip + min(int(place * bins), bins - 1)
    amplitude[loud] = 1.0
    row = RangeColumns(range_m, stop_m=1.0, columns=columns)(amplitude)
    if range_m[loud] <= 1.0:
        column = min(int(range_m[loud] * columns), columns - 1)
        # One column to either side, for a bin that stands on an edge up to rounding.
        assert np.nanmax(row[max(column - 1, 0) : column + 2]) == 1.0


def test_columns_beyond_the_profile_hold_nothing():
    row = RangeColumns(np.linspace(0, 0.5, 50), stop_m=1.0, columns=10)(np.ones(50))
    assert np.isnan(row).tolist() == [False] * 5 + [False] + [True] * 4


def test_columns_finer_than_bins_show_the_nearest_bin():
    row = RangeColumns(np.array([0.0, 1.0]), stop_m=1.0, columns=4)(np.array([1.0, 2.0]))
    assert row.tolist() == [1.0, 1.0, 2.0, 2.0]


@given(low=st.floats(-200, 200), span=st.floats(1e-3, 1e4), most=st.integers(2, 20))
def test_ticks_are_round_even_and_within(low, span, most):
    ticks = round_ticks(low, low + span, most=most)
    assert 1 <= len(ticks) <= most or span < 0.1
    slack = 1e-6 * span + 1e-11
    assert all(low - slack <= t <= low + span + slack for t in ticks)
    steps = np.diff(ticks)
    if steps.size:
        assert steps == pytest.approx(np.full(steps.size, steps[0]), rel=1e-6)
        lead = steps[0] / 10 ** math.floor(math.log10(steps[0] * (1 + 1e-9)))
        assert min(abs(lead - r) for r in (1, 2, 5)) < 1e-5


labels = st.lists(st.tuples(st.floats(0, 800), st.floats(20, 120)), max_size=40)


@given(labels=labels, rows=st.integers(1, 3))
def test_labels_and_leaders_never_meet(labels, rows):
    labels = sorted(labels)
    centres, widths = [c for c, _ in labels], [w for _, w in labels]
    placed = place_labels(centres, widths, left=0, right=800, rows=rows, gap=5, most=8)
    assert len(placed) <= 8
    boxes = [
        (row, middle - widths[i] / 2, middle + widths[i] / 2, centres[i])
        for i, row, middle in placed
    ]
    for n, (row, left, right, _) in enumerate(boxes):
        assert left >= -1e-9
        assert right <= 800 + 1e-9
        for m, (other_row, other_left, other_right, leader) in enumerate(boxes):
            if m == n:
                continue
            if other_row == row:
                assert right <= other_left or other_right <= left
            if other_row > row:
                assert leader <= left or leader >= right


@given(labels=labels, line=st.floats(130, 670), data=st.data())
def test_no_label_lies_on_a_line_but_its_own(labels, line, data):
    centres = sorted(c for c, _ in labels)
    widths = [w for _, w in labels]
    own = data.draw(st.one_of(st.none(), st.integers(0, max(len(labels) - 1, 0))))
    # The panel has room on both sides of the line for the widest label, 120.
    placed = place_labels(
        centres, widths, left=0, right=800, rows=2, gap=5, most=8, line=(line, own)
    )
    for label, _, middle in placed:
        if label != own:
            assert abs(middle - line) >= widths[label] / 2


@given(labels=labels.filter(bool), data=st.data())
def test_label_that_comes_first_is_shown_and_not_moved_for_others(labels, data):
    labels = sorted(labels)
    centres, widths = [c for c, _ in labels], [w for _, w in labels]
    first = data.draw(st.integers(0, len(labels) - 1))
    placed = place_labels(centres, widths, left=0, right=800, rows=2, gap=5, most=3, first=[first])
    assert placed[0][:2] == (first, 0)
    assert len({label for label, _, _ in placed}) == len(placed)


def test_strongest_and_marked_are_both_labelled_however_close_they_are():
    # Two echoes 1 apart, labels of 80: the marked one stands on the line, in the row above.
    placed = place_labels(
        [400.0, 401.0],
        [80, 80],
        left=0,
        right=800,
        rows=2,
        gap=8,
        most=6,
        first=[0, 1],
        line=(401.0, 1),
    )
    assert [(label, row) for label, row, _ in placed] == [(0, 0), (1, 1)]


def test_nearest_label_is_always_shown():
    placed = place_labels([10, 12, 14], [60, 60, 60], left=0, right=800, rows=2, gap=5, most=6)
    assert placed[0] == (0, 0, 30)


def test_strength_scale_runs_from_the_noise_to_the_strongest_echo(air, rng):
    result = air.ping(0, [(2.0, -40.0)], rng, noise_db=-75.0)
    scale = RangeScale(
        sound_speed_m_s=air.sound_speed_m_s,
        baseline_m=air.plan.geometry.baseline_m,
        start_m=1.0,
        stop_m=5.0,
    )
    low_db, high_db = strength_limits_db([result], scale)
    # The Rayleigh median lies 1.59 dB below the RMS, −76.6 dB; the floor of that on 5 dB.
    assert low_db == -80.0
    # The echo peaks between two bins, at most 1.25 bins a resolution: −40 or a little less.
    assert high_db == -40.0


def test_strength_scale_of_lost_pings_is_the_silent_one(air, rng):
    lost = air.ping(0, [], rng, lost="gone")
    assert strength_limits_db([lost], scale_of()) == SILENT_LIMITS_DB


def test_noise_alone_is_not_drawn_as_dark_as_an_echo(air, rng):
    quiet = air.ping(0, [], rng, noise_db=-75.0)
    low_db, high_db = strength_limits_db([quiet], scale_of(stop_m=5.0))
    assert high_db - low_db >= 30.0
