"""What went by: closed forms of the straight way, fits by many trials, and honest kinds."""

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dsp.history.passage import Passage, passing_range_m
from dsp.history.passes import passage_of, uncoupled_range_m
from dsp.physics.doppler import chirp_coupling_s, chirp_delay_shift_s

# A chirp of 4 to 12 kHz in air: envelope βₑ 14510 rad/s (the
# reference values of the bench; flat band).
BETA_RAD_S, SPEED_M_S = 14510.395, 343.2
HALF_ANGLE_RAD = math.radians(15.0)


@dataclasses.dataclass(frozen=True, kw_only=True)
class Drawn:
    """A target's way, as a pupil would draw it on the bench."""

    closest_m: float = 1.0
    speed_m_s: float = 0.3
    time_s: float = 2.0
    tilt_rad: float = 0.0
    radial_m_s: float = 0.0
    baseline_m: float = 0.0
    still: bool = False
    first_s: float = 0.0
    last_s: float = 4.0

    def ranges(self, time_s: np.ndarray) -> np.ndarray:
        if self.still:
            return self.closest_m + self.radial_m_s * (time_s - self.time_s)
        return np.hypot(self.closest_m, self.speed_m_s * (time_s - self.time_s))

    def amplitude(self, time_s: np.ndarray) -> np.ndarray:
        """Of a beam that falls off like a bell, by half power at the half angle."""
        angle = np.arctan(self.speed_m_s * (time_s - self.time_s) / self.closest_m)
        off = 0.0 if self.still else (angle - self.tilt_rad) / HALF_ANGLE_RAD
        return np.exp(-math.log(2) / 2 * off**2) / self.ranges(time_s) ** 2


def heard(drawn: Drawn, *, snr_db: float, rng: np.random.Generator, **more: float) -> Passage:
    """Judge a way from ranges and strengths with the noise that their SNR gives them."""
    time_s = np.arange(drawn.first_s, drawn.last_s, 0.1)
    amplitude = drawn.amplitude(time_s)
    d = 10 ** (snr_db / 20) * amplitude / drawn.amplitude(np.arange(0.0, 4.0, 0.01)).max()
    noise_m = SPEED_M_S / 2 / (BETA_RAD_S * d)
    range_m = drawn.ranges(time_s) + noise_m * rng.standard_normal(time_s.size)
    # Both parts of the noise, each 1/d of the amplitude.
    seen = np.abs(d + rng.standard_normal(d.size) + 1j * rng.standard_normal(d.size))
    told = 20 * np.log10(seen)
    kept = told > 11.4  # one false alarm in a thousand
    return passage_of(
        time_s[kept],
        range_m[kept],
        noise_m[kept],
        told[kept],
        told[kept],
        baseline_m=drawn.baseline_m,
        half_angle_rad=more.get("half_angle_rad"),
    )


# The straight way


@given(st.floats(0.2, 5.0), st.floats(-3.0, 3.0), st.floats(0.0, 0.4))
def test_range_is_that_of_the_exact_path_along_and_across_the_baseline(
    closest_m: float, offset_m: float, baseline_m: float
) -> None:
    half = baseline_m / 2
    along_m = math.hypot(closest_m, offset_m + half) + math.hypot(closest_m, offset_m - half)
    across_m = 2 * math.hypot(closest_m, offset_m, half)
    for share, path_m in ((1.0, along_m), (0.0, across_m)):
        # Rounding: the difference of squares of metres, to 16 digits.
        assert passing_range_m(
            offset_m,
            closest_range_m=closest_m,
            crossing_speed_m_s=1.0,
            closest_time_s=0.0,
            baseline_m=baseline_m,
            along_baseline=share,
        ) == pytest.approx(math.sqrt((path_m / 2) ** 2 - half**2), rel=1e-9)


@pytest.mark.parametrize(
    ("closest_m", "speed_m_s", "dwell_s", "edge_m"),
    [(2.0, 0.1, 3.499546541, 2.007639675), (1.0, 0.2, 1.763269807, 1.015426612)],
)
def test_range_at_the_cones_edge_is_that_of_straight_pass_geometry(
    closest_m: float, speed_m_s: float, dwell_s: float, edge_m: float
) -> None:
    # R = √(R₀² + x²), half of the dwell after the closest point; half angles of 5° and
    # 10° (geometry, by hand; nine decimals).
    assert passing_range_m(
        10 + dwell_s / 2,
        closest_range_m=closest_m,
        crossing_speed_m_s=speed_m_s,
        closest_time_s=10.0,
    ) == pytest.approx(edge_m, abs=1e-9)


# The fit


def test_intervals_of_two_deviations_hold_the_truth() -> None:
    rng = np.random.default_rng(11)
    trials, inside = 300, np.zeros(3)
    for _ in range(trials):
        drawn = Drawn(
            closest_m=rng.uniform(0.6, 2.0),
            speed_m_s=rng.uniform(0.2, 0.4),
            time_s=rng.uniform(1.7, 2.3),
        )
        told = heard(drawn, snr_db=rng.uniform(20, 35), rng=rng)
        assert told.kind == "pass"
        truth = (drawn.closest_m, drawn.speed_m_s, drawn.time_s)
        got = (told.closest_range_m, told.crossing_speed_m_s, told.closest_time_s)
        u = (told.u_closest_range_m, told.u_crossing_speed_m_s, told.u_closest_time_s)
        inside += np.abs(np.subtract(got, truth)) <= 2 * np.array(u, dtype=float)
    # 95.45 % of a normal error; 300 trials scatter by 1.2 %: three times that, and 1 % for
    # strengths that pick out hits by their noise.
    assert np.all(inside / trials >= 0.9545 - 0.036 - 0.01)


def test_error_falls_as_the_noise_does() -> None:
    spread = []
    for snr_db in (20.0, 40.0):
        rng = np.random.default_rng(12)
        errors = [
            (heard(Drawn(), snr_db=snr_db, rng=rng).closest_range_m or math.nan) - 1.0
            for _ in range(100)
        ]
        spread.append(np.std(errors))
    # Ten times less noise in each range, and more of the flanks heard: between 8 and 20.
    # The deviation of 100 values is known to 7 %.
    assert 8 < spread[0] / spread[1] < 20


@pytest.mark.parametrize("share", [0.0, 1.0])
def test_the_unknown_heading_is_within_its_own_uncertainty(share: float) -> None:
    # Close to a wide pair the path opens more slowly along the baseline than across it.
    time_s = np.arange(0.0, 4.0, 0.05)
    range_m = passing_range_m(
        time_s,
        closest_range_m=0.4,
        crossing_speed_m_s=0.1,
        closest_time_s=2.0,
        baseline_m=0.2,
        along_baseline=share,
    )
    level = np.full(time_s.size, 40.0)
    told = passage_of(time_s, range_m, np.full(80, 1e-4), level, level, baseline_m=0.2)
    assert told.crossing_speed_m_s is not None
    assert told.u_crossing_speed_m_s is not None
    assert told.closest_range_m == pytest.approx(0.4, abs=3e-4)
    # cos² of the heading is 1/2 ± 1/√8; its ends, 0 and 1, are √2 deviations off.
    error = abs(told.crossing_speed_m_s - 0.1)
    assert error < 1.6 * told.u_crossing_speed_m_s
    assert error > 0.5 * told.u_crossing_speed_m_s


def test_tilt_and_width_are_those_of_the_beam() -> None:
    rng = np.random.default_rng(13)
    for tilt_rad in (-0.08, 0.0, 0.05):
        told = heard(Drawn(tilt_rad=tilt_rad), snr_db=35.0, rng=rng)
        assert told.tilt_rad is not None
        assert told.u_tilt_rad is not None
        assert abs(told.tilt_rad - tilt_rad) < 4 * told.u_tilt_rad
        # 2 R₀ tan ψ, and more where the tilt makes it a slanted cut; the strengths are
        # noisy by 0.2 dB at the half-power points, whose slope is 6 dB to the half angle:
        # 3 % for one pair of points, many of which share in the fit.
        ends = np.tan([tilt_rad - HALF_ANGLE_RAD, tilt_rad + HALF_ANGLE_RAD])
        assert told.width_m == pytest.approx(float(np.ptp(ends)), rel=0.06)


# The kinds


@pytest.mark.parametrize("snr_db", [16.0, 20.0, 30.0, 45.0])
def test_an_arch_a_half_arch_and_a_streak_are_told_apart(snr_db: float) -> None:
    rng = np.random.default_rng(14)
    whole = heard(Drawn(), snr_db=snr_db, rng=rng, half_angle_rad=HALF_ANGLE_RAD)
    tilted = heard(
        Drawn(tilt_rad=1.2 * HALF_ANGLE_RAD, time_s=1.2),
        snr_db=snr_db,
        rng=rng,
        half_angle_rad=HALF_ANGLE_RAD,
    )
    still = heard(Drawn(still=True), snr_db=snr_db, rng=rng, half_angle_rad=HALF_ANGLE_RAD)
    assert (whole.kind, tilted.kind, still.kind) == ("pass", "half", "stay")


@pytest.mark.parametrize("radial_m_s", [-0.3, 0.1, 0.3])
def test_a_target_that_comes_straight_on_is_neither_pass_nor_stay(radial_m_s: float) -> None:
    rng = np.random.default_rng(15)
    drawn = Drawn(still=True, radial_m_s=radial_m_s, closest_m=1.5)
    told = heard(drawn, snr_db=30.0, rng=rng, half_angle_rad=HALF_ANGLE_RAD)
    assert told.kind == "cannot-tell"
    assert told.closest_range_m is None
    assert told.crossing_speed_m_s is None
    assert told.reason


def test_an_arch_whose_top_was_not_seen_is_not_guessed() -> None:
    drawn = Drawn(closest_m=0.5, speed_m_s=0.4, time_s=0.0, tilt_rad=0.9, first_s=1.2)
    told = heard(drawn, snr_db=40.0, rng=np.random.default_rng(16))
    assert told.kind == "cannot-tell"
    assert "closest point was not seen" in told.reason


def test_a_few_hits_are_not_judged() -> None:
    drawn = Drawn(first_s=1.8, last_s=2.25)
    told = heard(drawn, snr_db=30.0, rng=np.random.default_rng(17))
    assert (told.kind, told.hits) == ("cannot-tell", 5)


def test_a_weak_track_is_not_judged() -> None:
    rng = np.random.default_rng(18)
    kinds = [heard(Drawn(still=True), snr_db=10.0, rng=rng).kind for _ in range(20)]
    assert set(kinds) == {"cannot-tell"}


def test_an_echo_that_fades_in_place_is_a_stay_only_where_a_pass_would_have_shown() -> None:
    # 20 hits whose strength swells and falls at one range; through a cone of 15° a pass
    # would have raised the range by 35 mm, through one of 1° by 0.15 mm.
    time_s = np.arange(20) * 0.1
    swell = 25 - 12 * ((time_s - 1.0) / 1.0) ** 2
    noise_m = SPEED_M_S / 2 / (BETA_RAD_S * 10 ** (swell / 20))
    range_m = 1.0 + noise_m * np.random.default_rng(19).standard_normal(20)

    def kind(half_angle_rad: float | None) -> str:
        return passage_of(
            time_s, range_m, noise_m, swell, swell, half_angle_rad=half_angle_rad
        ).kind

    assert kind(math.radians(15.0)) == "stay"
    assert kind(math.radians(1.0)) == "cannot-tell"
    assert kind(None) == "cannot-tell"


def test_no_strength_leaves_the_ranges_to_judge_by() -> None:
    time_s = np.arange(40) * 0.1
    nothing = np.full(40, np.nan)
    noise_m = np.full(40, 5e-4)
    rng = np.random.default_rng(20)
    arch = np.hypot(1.0, 0.3 * (time_s - 2.0)) + noise_m * rng.standard_normal(40)
    still = 1.0 + noise_m * rng.standard_normal(40)
    kinds = [
        passage_of(time_s, r, noise_m, nothing, nothing, half_angle_rad=0.26).kind
        for r in (arch, still)
    ]
    assert kinds == ["pass", "stay"]


def test_a_stranger_in_the_gate_does_not_bend_the_arch() -> None:
    time_s = np.arange(40) * 0.1
    noise_m = np.full(40, 5e-4)
    range_m = np.hypot(1.0, 0.3 * (time_s - 2.0))
    range_m[[3, 39]] += 0.02  # 40 deviations
    level = np.full(40, 30.0)
    told = passage_of(time_s, range_m, noise_m, level, level)
    assert told.hits == 38
    # No noise was added: the rest is the fit's own rounding.
    assert told.closest_range_m == pytest.approx(1.0, abs=1e-6)
    assert told.crossing_speed_m_s == pytest.approx(0.3, abs=1e-6)


# The chirp's range bias


def test_coupling_is_the_bias_of_the_range_over_the_speed() -> None:
    # 10.0 mm per m/s for 4 to 12 kHz in 10 ms: Rihaczek's coupling, to first order.
    coupling_s = chirp_coupling_s(4e3, 12e3, 0.010)
    bias_m = SPEED_M_S / 2 * chirp_delay_shift_s(1.0, 4e3, 12e3, 0.010, SPEED_M_S)
    assert -coupling_s == pytest.approx(bias_m, rel=1e-12)
    assert coupling_s == pytest.approx(0.010, rel=1e-12)
    assert chirp_coupling_s(12e3, 4e3, 0.010) == pytest.approx(-0.010, rel=1e-12)


@given(st.floats(-1.0, 1.0), st.floats(-0.02, 0.02))
def test_ranges_of_a_straight_way_are_freed_of_the_coupling(
    radial_m_s: float, coupling_s: float
) -> None:
    time_s = np.linspace(0.0, 1.0, 20)
    true_m = np.hypot(2.0 + radial_m_s * time_s, 0.5 * time_s)
    rate_m_s = ((2.0 + radial_m_s * time_s) * radial_m_s + 0.25 * time_s) / true_m
    measured_m = true_m + coupling_s * rate_m_s
    freed_m = uncoupled_range_m(time_s, measured_m, np.full(20, 1e-3), coupling_s)
    # Left over is the rate's own change over the coupling time: κ² R̈, R̈ below 1 m/s².
    assert np.max(np.abs(freed_m - true_m)) < 1.5 * coupling_s**2 + 1e-9


# Refusals


def test_rows_of_different_lengths_are_refused() -> None:
    with pytest.raises(ValueError, match="rows of one size"):
        passage_of([0.0, 1.0], [1.0], [0.1], [0.0], [20.0])


@pytest.mark.parametrize(("baseline_m", "share"), [(-0.1, 0.0), (0.1, 1.5)])
def test_geometry_that_cannot_be_is_refused(baseline_m: float, share: float) -> None:
    with pytest.raises(ValueError, match="baseline"):
        passing_range_m(
            0.0,
            closest_range_m=1.0,
            crossing_speed_m_s=1.0,
            closest_time_s=0.0,
            baseline_m=baseline_m,
            along_baseline=share,
        )
