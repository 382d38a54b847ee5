"""The arch that discs draw nearby, against what geometry and the closed form say of it."""

import math

import numpy as np
import pytest

from dsp.history.disc_arches import disc_arch
from dsp.history.disc_ways import between, way_by_disc
from dsp.history.pair_beams import BeamSetting
from dsp.history.passage import passing_range_m
from dsp.history.passes import passage_of

RADIUS_M, SPEED = 0.03, 1480.0
CENTRE_HZ = 210e3
FIELD_M = RADIUS_M**2 / (SPEED / CENTRE_HZ)


def a_setting(*, baseline_m=0.0, beside=True):
    # A band 84 kHz wide, as of a Hann burst of two and a half cycles, at seven frequencies.
    frequency_hz = CENTRE_HZ + np.linspace(-90e3, 90e3, 7)
    share = np.exp(-0.5 * ((frequency_hz - CENTRE_HZ) / 42e3) ** 2)
    return BeamSetting(
        shape="piston",
        sound_speed_m_s=SPEED,
        frequency_hz=frequency_hz,
        share=share / share.sum(),
        absorption_db_m=np.zeros(7),
        baseline_m=baseline_m,
        beside=beside,
    )


def test_on_the_axis_the_lag_is_half_that_of_the_rim():
    # From the closed form: the sound from the middle and from the rim, (√(r²+a²) − r)/2 late
    # each way in the mean, whatever the frequency; a parabola through the top's three lags, a
    # fortieth of a width apart, is off by less than a thousandth of that.
    arch = disc_arch(a_setting(), RADIUS_M, 0.5)
    expected_m = (math.hypot(0.5, RADIUS_M) - 0.5) / 2
    assert arch.late_m[0] == pytest.approx(expected_m, rel=2e-3)
    # sin x/x each way, x = k(√(r²+a²) − r)/2, in the band's mean, and 2r/(√(r²+a²) + r).
    setting, rim_m = a_setting(), math.hypot(0.5, RADIUS_M)
    x = 2 * math.pi * setting.frequency_hz / SPEED * (rim_m - 0.5) / 2
    loss = float(setting.share @ (np.sin(x) / x * 2 * 0.5 / (rim_m + 0.5)) ** 2)
    assert arch.on_axis_db == pytest.approx(20 * math.log10(loss), abs=0.001)


def test_the_arch_is_flatter_than_the_hyperbola_and_less_so_further_away():
    near, far = (disc_arch(a_setting(), RADIUS_M, n * FIELD_M) for n in (4.0, 40.0))
    assert (np.diff(near.late_m) < 0).all()
    # The lag goes as a²/r.
    assert far.late_m[0] == pytest.approx(near.late_m[0] / 10, rel=0.02)
    assert far.aside_m[-1] > near.aside_m[-1]
    # Echoes torn nearby have blunter tops.
    assert near.rougher[0] == pytest.approx(1.0, abs=0.05)
    assert near.rougher[-1] > 1.2


def test_a_pair_along_the_way_sees_another_arch_than_one_across_it():
    along = disc_arch(a_setting(baseline_m=0.06), RADIUS_M, 0.6)
    across = disc_arch(a_setting(baseline_m=0.06, beside=False), RADIUS_M, 0.6)
    assert along.late_m[0] == pytest.approx(across.late_m[0], abs=1e-6)  # the same place
    assert along.late_at_m(0.03) < across.late_at_m(0.03) - 1e-4


def a_pass(arch, *, speed_m_s=0.5, closest_m=0.5, noise_m=2e-5, seed=0, late=1.0, axis_s=0.0):
    time_s = np.arange(-0.08, 0.081, 0.02) + 0.003
    aside_m = speed_m_s * (time_s - axis_s)
    range_m = passing_range_m(
        time_s, closest_range_m=closest_m, crossing_speed_m_s=speed_m_s, closest_time_s=0.0
    )
    range_m = range_m + late * arch.late_at_m(aside_m)
    random = np.random.default_rng(seed)
    noise = np.full(time_s.size, noise_m)
    return time_s, range_m + noise_m * random.standard_normal(time_s.size), noise


def a_way(time_s, range_m, noise_m, arch, **words):
    def straight_m(closest_m, speed_m_s, at_s):
        return passing_range_m(
            time_s, closest_range_m=closest_m, crossing_speed_m_s=speed_m_s, closest_time_s=at_s
        )

    words = {"axis_s": (0.0, 1e-3), "drift_m": 0.0, **words}
    return way_by_disc(time_s, range_m, noise_m, arch, straight_m=straight_m, **words)


def test_the_speed_comes_out_within_its_interval():
    arch = disc_arch(a_setting(), RADIUS_M, 0.5)
    strayed = []
    for seed in range(30):
        way = a_way(*a_pass(arch, seed=seed, late=1 + 0.06 * np.sin(seed)), arch)
        assert way is not None
        strayed.append((way.speed_m_s - 0.5) / way.u_speed_m_s)
        assert way.range_m == pytest.approx(0.5, abs=4 * way.u_range_m)
    # Of thirty, more than 5 beyond two deviations have a chance of 1e-3 (binomial at 5 %).
    assert np.count_nonzero(np.abs(strayed) > 2) <= 5


def test_a_hyperbola_alone_tells_a_speed_too_low():
    # What was wrong: the same ranges, fitted as a point's.
    arch = disc_arch(a_setting(), RADIUS_M, 0.5)
    time_s, range_m, noise_m = a_pass(arch)
    level_db = arch.level_at_db(0.5 * time_s)
    snr_db = 50.0 + level_db
    as_point, as_disc = (
        passage_of(time_s, range_m, noise_m, level_db, snr_db, arches=arches)
        for arches in ((), (arch,))
    )
    assert as_disc.kind == "pass"
    assert abs(as_disc.crossing_speed_m_s - 0.5) < 2 * as_disc.u_crossing_speed_m_s
    # A point's way fits such ranges nowhere near as fast, or not at all.
    told = as_point.crossing_speed_m_s
    assert told is None or told < 0.5 - 4 * as_point.u_crossing_speed_m_s


def test_what_no_disc_makes_of_a_straight_way_is_not_fitted():
    arch = disc_arch(a_setting(), RADIUS_M, 0.5)
    time_s, range_m, noise_m = a_pass(arch)
    bent = range_m + 2e-4 * (-1.0) ** np.arange(time_s.size)  # ten deviations, to either side
    assert a_way(time_s, bent, noise_m, arch) is None


def test_a_drift_makes_the_speed_less_sure():
    arch = disc_arch(a_setting(), RADIUS_M, 0.5)
    still, drifting = (a_way(*a_pass(arch), arch, drift_m=d) for d in (0.0, 1e-3))
    assert drifting.u_speed_m_s > 2 * still.u_speed_m_s


def test_ways_of_which_any_may_be_the_one_are_taken_by_their_middle():
    arch = disc_arch(a_setting(), RADIUS_M, 0.5)
    slow, fast = (a_way(*a_pass(arch, speed_m_s=v), arch) for v in (0.45, 0.55))
    both = between([slow, fast])
    assert both.speed_m_s == pytest.approx((slow.speed_m_s + fast.speed_m_s) / 2)
    assert both.u_speed_m_s > (fast.speed_m_s - slow.speed_m_s) / 2
    assert between([slow]) == slow


def test_so_few_clear_echoes_or_none_with_a_strength_are_not_told():
    arch = disc_arch(a_setting(), RADIUS_M, 0.5)
    time_s, range_m, noise_m = a_pass(arch)
    level_db = 3 * arch.level_at_db(0.5 * time_s) - np.where(np.abs(time_s) < 0.04, 0.0, 30.0)
    told = passage_of(time_s, range_m, noise_m, level_db, level_db + 60, arches=(arch,))
    assert told.kind == "cannot-tell"
    assert "one copy of the pulse" in told.reason
    nothing = np.full(time_s.size, np.nan)
    told = passage_of(time_s, range_m, noise_m, nothing, nothing, arches=(arch,))
    assert told.kind == "cannot-tell"
    assert "without strengths" in told.reason


def test_a_stay_is_freed_of_the_lag_it_may_have_anywhere_in_the_beam():
    arch = disc_arch(a_setting(), RADIUS_M, 0.5)
    time_s = np.arange(20) * 0.02
    level = np.zeros(20)
    for aside_m in (0.0, 0.01, arch.half_power_m):
        range_m = np.full(20, 0.5 + float(arch.late_at_m(aside_m)))
        told = passage_of(
            time_s, range_m, np.full(20, 1e-5), level, level + 40, half_angle_rad=0.0435,
            arches=(arch,),
        )  # fmt: skip
        assert told.kind == "stay"
        assert abs(told.closest_range_m - 0.5) < 2 * told.u_closest_range_m
