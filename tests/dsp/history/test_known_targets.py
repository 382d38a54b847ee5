"""Fits to known distances and targets, against published fits, closed forms and trials."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dsp.history.known_targets import crosstalk, known_paths, ring_down, source_level_db
from dsp.physics.levels import echo_level_db

SPEED_M_S, LATE_S = 343.963, 1.3e-4


def test_two_exact_paths_give_the_speed_and_the_time_zero_that_made_them() -> None:
    path = np.array([1.0, 3.8])
    found = known_paths(path, LATE_S + path / SPEED_M_S, u_path_m=1e-3, u_arrival_s=1e-7)
    # Rounding of float64 over a difference of 3 in 4.
    assert found.sound_speed_m_s == pytest.approx(SPEED_M_S, rel=1e-13)
    assert found.time_zero_s == pytest.approx(LATE_S, abs=1e-15)
    assert found.misfit is None


def test_two_paths_are_unsure_by_the_closed_form() -> None:
    # s = (t2 − t1)/(L2 − L1), so that u(s)² = 2 (u_t² + s² u_L²)/(L2 − L1)² and
    # t0 = (L2 t1 − L1 t2)/(L2 − L1), u(t0)² = (u_t² + s² u_L²)(L1² + L2²)/(L2 − L1)²:
    # JCGM 100:2008, 5.1.2, by hand. Rounding only.
    path, u_path, u_arrival = np.array([1.0, 3.8]), 1.5e-3, 4e-7
    found = known_paths(path, LATE_S + path / SPEED_M_S, u_path_m=u_path, u_arrival_s=u_arrival)
    u_point_s = math.hypot(u_arrival, u_path / SPEED_M_S)
    u_slowness = math.sqrt(2) * u_point_s / 2.8
    assert found.u_sound_speed_m_s == pytest.approx(SPEED_M_S**2 * u_slowness, rel=1e-9)
    assert found.u_time_zero_s == pytest.approx(u_point_s * math.hypot(1.0, 3.8) / 2.8, rel=1e-9)


def test_the_line_is_york_s_for_pearson_s_points() -> None:
    # Pearson's data with York's weights, mirrored so that it rises: D. York et al., Am. J.
    # Phys. 72, 2004, table II: slope −0.480533407, intercept 5.479910224, standard errors
    # 0.0580 and 0.295, reduced chi-square 1.4833 (memory). Half of the last place given.
    x = np.array([0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4])
    y = np.array([5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5])
    weight_x = np.array([1000, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1.0])
    weight_y = np.array([1, 1.8, 4, 8, 20, 20, 70, 70, 100, 500.0])
    found = known_paths(x, -y, u_path_m=weight_x**-0.5, u_arrival_s=weight_y**-0.5)
    assert 1 / found.sound_speed_m_s == pytest.approx(0.480533407, abs=5e-10)
    assert found.time_zero_s == pytest.approx(-5.479910224, abs=5e-10)
    assert found.u_sound_speed_m_s / found.sound_speed_m_s**2 == pytest.approx(0.0580, abs=5e-5)
    assert found.u_time_zero_s == pytest.approx(0.295, abs=5e-4)
    assert found.misfit is not None
    assert found.misfit**2 == pytest.approx(1.4833, abs=5e-5)


def test_a_path_that_was_taped_wrong_is_told_by_what_the_line_leaves_over() -> None:
    path_m = np.array([1.0, 2.0, 3.0, 4.0])
    told = {"u_path_m": 1e-3, "u_arrival_s": 1e-7}
    right = known_paths(path_m, 1e-4 + path_m / 343.0, **told)
    assert right.left.holds
    # 20 mm in one of four: 20 deviations, of which a line takes up a part.
    wrong = known_paths(path_m + np.array([0, 0, 0.02, 0]), 1e-4 + path_m / 343.0, **told)
    assert not wrong.left.holds
    assert int(np.argmax(np.abs(wrong.residual_s))) == 2


def test_intervals_hold_the_truth_in_95_of_100_trials() -> None:
    # 4000 trials know 95 % to √(0.95 · 0.05/4000) = 0.34 %; four times that.
    rng = np.random.default_rng(20)
    path, u_path, u_arrival = np.array([1.2, 2.0, 4.1]), 1e-3, 2e-6
    held = np.zeros(2)
    for _ in range(4000):
        taped = path + u_path * rng.standard_normal(3)
        heard = LATE_S + path / SPEED_M_S + u_arrival * rng.standard_normal(3)
        found = known_paths(taped, heard, u_path_m=u_path, u_arrival_s=u_arrival)
        held += [
            abs(found.sound_speed_m_s - SPEED_M_S) < 1.96 * found.u_sound_speed_m_s,
            abs(found.time_zero_s - LATE_S) < 1.96 * found.u_time_zero_s,
        ]
    np.testing.assert_allclose(held / 4000, 0.95, atol=4 * 0.0034)


def test_speed_and_time_zero_err_together_by_the_stated_correlation() -> None:
    # A correlation of r from n trials is known to (1 − r²)/√n; five times that.
    rng = np.random.default_rng(21)
    path = np.array([1.2, 4.1])
    found = [
        known_paths(path, path / SPEED_M_S + 1e-6 * n, u_path_m=0.0, u_arrival_s=1e-6)
        for n in rng.standard_normal((2000, 2))
    ]
    seen = np.corrcoef([f.sound_speed_m_s for f in found], [f.time_zero_s for f in found])[0, 1]
    stated = found[0].correlation
    assert seen == pytest.approx(stated, abs=5 * (1 - stated**2) / math.sqrt(2000))


@pytest.mark.parametrize(
    ("path", "arrival", "words"),
    [
        ([1.0], [0.003], "at least two different paths"),
        ([2.0, 2.0], [0.006, 0.006], "at least two different paths"),
        ([1.0, 3.0], [0.009, 0.003], "a longer path must arrive later"),
    ],
)
def test_paths_that_tell_nothing_are_refused(path: list, arrival: list, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        known_paths(path, arrival, u_path_m=1e-3, u_arrival_s=1e-6)


def test_points_without_any_uncertainty_are_refused() -> None:
    with pytest.raises(ValueError, match="both 0 for a point"):
        known_paths([1.0, 3.0], [0.003, 0.009], u_path_m=0.0, u_arrival_s=0.0)


@given(st.floats(-60, 20), st.floats(-60, 10), st.floats(0.2, 20), st.floats(0, 2))
def test_source_level_is_the_one_whose_echo_was_heard(
    source_db: float, strength_db: float, range_m: float, absorption_db_m: float
) -> None:
    heard_db = float(
        echo_level_db(source_db, strength_db, range_m, absorption_db_m=absorption_db_m)
    )
    found_db, u_db = source_level_db(
        heard_db,
        strength_db,
        range_m,
        absorption_db_m=absorption_db_m,
        u_echo_level_db=0.1,
        u_target_strength_db=0.5,
        u_range_m=0.0,
    )
    assert found_db == pytest.approx(source_db, abs=1e-9)  # rounding
    assert u_db == pytest.approx(math.hypot(0.1, 0.5))


def test_an_unsure_range_makes_the_level_unsure_by_the_slope_of_the_loss() -> None:
    step = 1e-4

    def level(range_m: float) -> tuple[float, float]:
        return source_level_db(
            -50.0,
            -40.0,
            range_m,
            absorption_db_m=0.3,
            u_echo_level_db=0.0,
            u_target_strength_db=0.0,
            u_range_m=0.02,
        )

    slope = (level(1.5 + step)[0] - level(1.5 - step)[0]) / (2 * step)
    assert level(1.5)[1] == pytest.approx(0.02 * slope, rel=1e-6)  # of a difference quotient


BIN_S = 1e-4


def a_ring(rng: np.random.Generator, *, level: float, decay_s: float, bins: int) -> np.ndarray:
    """Magnitude of an even decay in complex noise of RMS 1e-3."""
    noise = rng.standard_normal((2, bins)) * 1e-3 / math.sqrt(2)
    ring = level * np.exp(-np.arange(bins) * BIN_S / decay_s)
    return np.hypot(ring + noise[0], noise[1])


def test_ring_down_is_the_decay_that_was_made() -> None:
    # 100 trials: the mean of those fits must be the truth within what is left of the
    # noise, and the stated uncertainty their scatter to the 1/√200 = 7 % that 100 trials
    # know a deviation, and as much again since each states its own; three times both.
    rng = np.random.default_rng(5)
    found = [
        ring_down(
            a_ring(rng, level=0.1, decay_s=2e-3, bins=300),
            np.full(300, 1e-3),
            bin_s=BIN_S,
            window_bins=3,
        )
        for _ in range(100)
    ]
    assert all(f is not None for f in found)
    decay_s = np.array([f.decay_s for f in found if f])
    stated_s = np.mean([f.u_decay_s for f in found if f])
    scatter_s = decay_s.std(ddof=1)
    assert decay_s.mean() == pytest.approx(2e-3, abs=3 * scatter_s / 10 + 0.01 * 2e-3)
    assert stated_s == pytest.approx(scatter_s, rel=3 * 0.14)


def test_the_ear_is_deaf_until_the_ring_is_10_db_above_the_noise() -> None:
    rng = np.random.default_rng(6)
    ring = a_ring(rng, level=0.1, decay_s=2e-3, bins=300)
    found = ring_down(ring, np.full(300, 1e-3), bin_s=BIN_S, window_bins=3)
    assert found is not None
    # From 0.1 down to √10 · 1e-3 at 2 ms each: 6.9 ms; a window is 0.3 ms, and noise of
    # half the level shifts the end by another.
    assert found.deaf_s == pytest.approx(2e-3 * math.log(0.1 / (math.sqrt(10) * 1e-3)), abs=6e-4)


def test_noise_alone_does_not_ring() -> None:
    rng = np.random.default_rng(7)
    noise = a_ring(rng, level=0.0, decay_s=1.0, bins=300)
    assert ring_down(noise, np.full(300, 1e-3), bin_s=BIN_S, window_bins=3) is None


def test_an_echo_that_rises_ends_the_ring() -> None:
    rng = np.random.default_rng(8)
    ring = a_ring(rng, level=0.1, decay_s=4e-3, bins=300)
    ring[60:70] += 0.5  # at 6 ms
    found = ring_down(ring, np.full(300, 1e-3), bin_s=BIN_S, window_bins=3)
    assert found is not None
    assert found.deaf_s == pytest.approx(6e-3)  # a whole number of windows
    assert abs(found.decay_s - 4e-3) < 5 * found.u_decay_s


def a_start(samples: int) -> np.ndarray:
    n = np.arange(samples)
    return (n + 1) / samples * np.exp(2j * np.pi * 0.15 * n)


@pytest.mark.parametrize("phase_rad", [0.0, 1.0, 2.5])
def test_crosstalk_is_read_in_any_phase(phase_rad: float) -> None:
    rng = np.random.default_rng(9)
    start = a_start(16)
    heard = 0.02 * (start * np.exp(1j * phase_rad)).real + 1e-4 * rng.standard_normal(16)
    amplitude, u_amplitude = crosstalk(heard, start, noise_rms=1e-4)
    assert amplitude == pytest.approx(0.02, abs=5 * u_amplitude)
    assert u_amplitude < 1e-4  # fewer than all 16 samples' worth of averaging helps some


def test_crosstalk_s_uncertainty_is_its_scatter() -> None:
    # 2000 trials know a standard deviation to 1/√4000 = 1.6 %; four times that, and as
    # the amplitude's share of two parts depends on the phase, drawn anew each time.
    rng = np.random.default_rng(10)
    start = a_start(40)
    found = []
    for phase_rad in rng.uniform(0, 2 * np.pi, 2000):
        heard = 0.02 * (start * np.exp(1j * phase_rad)).real + 1e-3 * rng.standard_normal(40)
        found.append(crosstalk(heard, start, noise_rms=1e-3))
    scatter = np.std([a for a, _ in found])
    assert found[0][1] == pytest.approx(scatter, rel=4 * 0.016)


def test_too_few_samples_before_the_direct_sound_tell_no_crosstalk() -> None:
    with pytest.raises(ValueError, match="at least four"):
        crosstalk(np.zeros(3), a_start(3), noise_rms=1e-4)
