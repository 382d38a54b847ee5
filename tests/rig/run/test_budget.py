"""A range's budget: by hand, by differences, by random trials, and as it is printed."""

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from near_passes import a_plan, a_scene
from typist import typed

from dsp.uncertainty import monte_carlo, numerical_tolerance, propagated
from rig.bench.capture import StreamInfo
from rig.bench.plan import plan_from_table
from rig.run.budget import budget_lines
from rig.run.opening import open_bench
from rig.run.receiver import Receiver

CHIRP = {"kind": "chirp", "start_hz": 4e3, "stop_hz": 12e3, "duration_s": 0.01}
BURST = {"kind": "chirp", "start_hz": 150e3, "stop_hz": 250e3, "duration_s": 2e-4}


def receiver(
    *,
    medium: dict[str, Any] | None = None,
    geometry: dict[str, Any] | None = None,
    transducer: dict[str, Any] | None = None,
    clock_tolerance_ppm: float = 0.0,
    pulse: dict[str, Any] = CHIRP,
    rate_hz: float = 48e3,
) -> Receiver:
    plan = plan_from_table(
        {
            "pulse": pulse,
            "timing": {"sample_rate_hz": rate_hz, "ping_interval_s": 0.1},
            "medium": medium or {},
            "geometry": geometry or {},
            "transducer": transducer or {},
        }
    )
    info = StreamInfo(
        front_end="none",
        device="none",
        sample_rate_hz=rate_hz,
        clock_tolerance_ppm=clock_tolerance_ppm,
    )
    return Receiver(plan, info)


def delay_s(of: Receiver, range_m: float) -> float:
    return math.hypot(2 * range_m, of.plan.geometry.baseline_m) / of.sound_speed_m_s


def terms_m(of: Receiver, range_m: float, *, direct: bool = True) -> dict[str, float]:
    budget = of.range_model.budget(
        delay_s=delay_s(of, range_m), u_delay_s=2e-6, u_mark_s=1e-6, direct=direct
    )
    assert budget.value == pytest.approx(range_m, rel=1e-12)
    return {term.name: term.u for term in budget.terms}


# Term by term, by hand


def test_half_a_kelvin_is_a_millimetre_a_metre() -> None:
    # From a table computed with CoolProp (50 %: 337.7660 m/s at 10 °C, 350.2795 at 30,
    # 343.9630 at 20): 0.6257 m/s/K, R · 0.6257 · 0.5/343.963. Physics: the curve's bend
    # over those 20 K, below 2 %.
    of = receiver(medium={"u_temperature_c": 0.5}, geometry={"baseline_m": 0.0})
    assert terms_m(of, 1.0)["sound speed: temperature"] == pytest.approx(0.909e-3, rel=0.02)


def test_humidity_matters_less_than_temperature() -> None:
    # From the same table, at 20 °C: (344.5849 − 343.3396)/100 m/s/%, times 5 %. Physics:
    # hardly any bend; 2 % for the formula's own differences from the table.
    of = receiver(geometry={"baseline_m": 0.0})
    expected = 5 * 0.012453 / 343.963
    assert terms_m(of, 1.0)["sound speed: humidity"] == pytest.approx(expected, rel=0.02)


def test_gradient_grows_with_the_square_of_the_range() -> None:
    # The mean over R of an even rise of g is g R/2 off; its share of R grows as R.
    of = receiver(medium={"u_gradient_c_m": 1.0}, geometry={"baseline_m": 0.0})
    near, far = (terms_m(of, r)["sound speed: gradient"] for r in (1.0, 3.0))
    assert far == pytest.approx(9 * near, rel=1e-12)
    # 1 K/m over 1 m is half a kelvin: the row above.
    assert near == pytest.approx(0.909e-3, rel=0.02)


def test_salt_matters_in_salt_water_only() -> None:
    # dc/dS in sea water near 20 °C is 1.1 to 1.2 m/s per g/kg (common practice, and
    # Mackenzie 1981 by its terms 1.340 − 0.01025 T: 1.135; from memory).
    of = receiver(medium={"kind": "sea-water", "u_salinity_g_kg": 1.0}, geometry={"baseline_m": 0})
    per_metre = terms_m(of, 1.0)["sound speed: salinity"]
    assert per_metre == pytest.approx(1.135 / 1521.5, rel=0.03)  # both formulas' slopes
    for kind in ("air", "fresh-water"):
        assert "sound speed: salinity" not in terms_m(receiver(medium={"kind": kind}), 1.0)


def test_baseline_counts_once_though_direct_sound_makes_it_enter_twice() -> None:
    # R² = (L² − b²)/4 with L = c Δ + b: dR/db = (L − b)/(4 R). With a known leaving, L
    # stands fast: −b/(4 R). (Calculus.)
    of = receiver(geometry={"baseline_m": 0.3, "u_baseline_m": 0.002})
    path_m = math.hypot(1.0, 0.3)
    direct = terms_m(of, 0.5, direct=True)["geometry: baseline"]
    known = terms_m(of, 0.5, direct=False)["geometry: baseline"]
    assert direct == pytest.approx(0.002 * (path_m - 0.3) / 2, rel=1e-12)
    assert known == pytest.approx(0.002 * 0.3 / 2, rel=1e-12)


@pytest.mark.parametrize("range_m", [0.3, 0.5, 1.2])
def test_a_face_makes_a_point_on_its_axis_as_late_as_the_sum_over_its_parts(range_m: float) -> None:
    # Rayleigh's integral (L. E. Kinsler et al., Fundamentals of Acoustics, 4th ed., 2000, 7.4, from
    # memory): each part adds e^(−ikr)/r, and what is summed is later than from the middle by as
    # much way, once out and once back, which is as much range. A part x aside is farther by
    # x²/(2R) (1 − x²/(4R²)), whose second term is a four-hundredth at the most; and all of them
    # by less than a fifth of a wave, in which a line, lopsided as it is, comes no later by 1 %.
    wave_number = 2 * math.pi * np.linspace(5e3, 20e3, 31)[:, np.newaxis] / 343.987
    part = (np.arange(2000) + 0.5) / 2000
    for face, aside_m in (
        ({"shape": "piston", "radius_m": 0.03}, 0.03 * np.sqrt(part)),  # alike in area
        ({"shape": "line", "length_m": 0.06}, 0.06 * (part - 0.5)),
    ):
        way_m = np.hypot(range_m, aside_m)
        heard = (np.exp(-1j * wave_number * (way_m - range_m)) / way_m).sum(axis=1)
        late_m = -np.angle(heard) / wave_number[:, 0]
        told_m = terms_m(receiver(transducer=face, geometry={"baseline_m": 0.0}), range_m)
        assert late_m == pytest.approx(told_m["geometry: faces"], rel=0.01)


def test_a_ball_near_large_faces_is_within_twice_its_uncertainty_and_only_by_them() -> None:
    # By the tank, which sums over the faces' parts: a ball of 10 mm on the axis of discs of 30 mm.
    for range_m in (0.3, 0.5, 0.8):
        scene = a_scene(range_m, start_m=0.0, speed_m_s=0.0, noise_db=-110.0)
        with open_bench(a_plan(), scene=scene, seed=1) as bench:
            (echo,) = bench.ping(1).echoes
        assert echo.budget is not None
        rest = math.hypot(*(t.u for t in echo.budget.terms if t.name != "geometry: faces"))
        off_m = echo.range_m - range_m
        assert abs(off_m) < 2 * echo.u_range_m
        assert range_m > 0.5 or abs(off_m) > 3 * rest


def test_delays_count_half_the_way_that_sound_goes_in_them() -> None:
    of = receiver(geometry={"baseline_m": 0.0, "u_time_zero_s": 5e-6})
    terms = terms_m(of, 1.0)
    half_speed = of.sound_speed_m_s / 2
    assert terms["delay"] == pytest.approx(half_speed * 2e-6, rel=1e-12)
    assert terms["time zero: mark"] == pytest.approx(half_speed * 1e-6, rel=1e-12)
    assert terms["time zero: stated"] == pytest.approx(half_speed * 5e-6, rel=1e-12)


@pytest.mark.parametrize(("told_ppm", "limit_ppm"), [(30.0, 30.0), (0.0, 100.0)])
def test_clock_is_taken_at_its_word_or_at_a_hundred_millionths(
    told_ppm: float, limit_ppm: float
) -> None:
    # Even within its limit: the limit over √3 (JCGM 100, 4.3.7), of the range itself.
    of = receiver(geometry={"baseline_m": 0.0}, clock_tolerance_ppm=told_ppm)
    assert terms_m(of, 2.0)["clock"] == pytest.approx(2 * limit_ppm * 1e-6 / math.sqrt(3))


def test_wide_beam_and_near_target_are_what_make_off_axis_matter() -> None:
    # To second order b² sin²θ/(8 R) at the cone's edge, over √8 for anywhere in it:
    # a point that sends everywhere has sin θ = 1. Physics: the next order, (b/L)² = 1.4 %.
    wide = receiver(geometry={"baseline_m": 0.12}, transducer={"radius_m": 1e-4})
    expected = 0.12**2 / 8 / 0.5 / math.sqrt(8)
    assert terms_m(wide, 0.5)["geometry: off axis"] == pytest.approx(expected, rel=0.02)
    narrow = receiver(geometry={"baseline_m": 0.12}, transducer={"radius_m": 0.1})
    assert terms_m(narrow, 0.5)["geometry: off axis"] < expected / 50
    together = receiver(geometry={"baseline_m": 0.0}, transducer={"radius_m": 1e-4})
    assert terms_m(together, 0.5)["geometry: off axis"] == 0


# As a whole


@pytest.mark.parametrize("direct", [True, False])
@given(range_m=st.floats(0.1, 10.0), baseline_m=st.floats(0.001, 0.5))
def test_range_terms_equal_those_of_finite_differences(
    direct: bool, range_m: float, baseline_m: float
) -> None:
    # The law of propagation, JCGM 100:2008 eq. 10, with slopes by differences of
    # Pythagoras' own R(c, Δ, b).
    of = AT_REST
    speed = of.sound_speed_m_s
    path_m = math.hypot(2 * range_m, baseline_m)
    counted_s = (path_m - baseline_m if direct else path_m) / speed

    def range_of(c: float, d: float, b: float) -> float:
        way = c * d + (b if direct else 0.0)
        return math.sqrt(way**2 - b**2) / 2

    def slope(i: int, step: float) -> float:
        at = [speed, counted_s, baseline_m]
        up, down = list(at), list(at)
        up[i] += step
        down[i] -= step
        return abs(range_of(*up) - range_of(*down)) / (2 * step)

    plan = plan_from_table({"pulse": CHIRP, "geometry": {"baseline_m": baseline_m}})
    model = Receiver(plan, of.info).range_model
    budget = model.budget(delay_s=path_m / speed, u_delay_s=2e-6, u_mark_s=1e-6, direct=direct)
    terms = {term.name: term.u for term in budget.terms}
    # Physics: the third derivatives, (step/b)² at the nearest. Rounding: 1e-16 R over
    # step times slope; both below 1e-3 of a term, or a nanometre.
    close = {"rel": 1e-3, "abs": 1e-9}
    assert terms["delay"] == pytest.approx(2e-6 * slope(1, 1e-8), **close)
    assert terms["time zero: mark"] == pytest.approx(1e-6 * slope(1, 1e-8), **close)
    assert terms["geometry: baseline"] == pytest.approx(1e-3 * slope(2, 1e-7), **close)
    u_speed = math.hypot(*(u for name, u in model.speed_terms_m_s.items()))
    by_speed = math.hypot(*(terms[f"sound speed: {name}"] for name in model.speed_terms_m_s))
    assert by_speed == pytest.approx(u_speed * slope(0, 1e-3), **close)


AT_REST = receiver()


@pytest.mark.parametrize("direct", [True, False])
@pytest.mark.parametrize(
    ("of", "range_m"),
    [
        (receiver(geometry={"u_time_zero_s": 5e-6}), 1.5),
        (receiver(geometry={"u_time_zero_s": 5e-6}), 0.3),
        (receiver(medium={"u_temperature_c": 5.0, "u_gradient_c_m": 0.5}), 4.0),
        (
            receiver(
                medium={"kind": "fresh-water"},
                geometry={"baseline_m": 0.06, "u_baseline_m": 5e-4},
                pulse=BURST,
                rate_hz=1e6,
            ),
            0.4,
        ),
    ],
    ids=["bench", "near", "draughty", "tank"],
)
def test_first_order_is_borne_out_by_random_trials(
    of: Receiver, range_m: float, direct: bool
) -> None:
    # JCGM 101:2008, 8.1: the ends of both 95 % intervals agree to half a step of the
    # second digit of u. Noise: an end of 200 000 trials is known to
    # √(0.025 · 0.975/200 000)/0.0584 = 0.6 % of u, of which four are allowed.
    model, inputs = of.range_model.stated(
        delay_s=delay_s(of, range_m), u_delay_s=4e-6, u_mark_s=1e-6, direct=direct
    )
    budget = propagated(model, inputs)
    found = monte_carlo(model, inputs, trials=200_000, rng=np.random.default_rng(6))
    allowed = numerical_tolerance(budget.combined) + 4 * 0.006 * budget.combined
    assert found.low == pytest.approx(budget.value - budget.expanded(1.96), abs=allowed)
    assert found.high == pytest.approx(budget.value + budget.expanded(1.96), abs=allowed)


@given(
    direct=st.booleans(),
    range_m=st.floats(0.05, 20.0),
    baseline_m=st.floats(0.0, 2.0),
    u_time_zero_s=st.floats(0.0, 1e-4),
    kind=st.sampled_from(["air", "fresh-water", "sea-water"]),
)
@settings(max_examples=40, deadline=None)
def test_written_out_slopes_are_those_of_the_stated_model(
    direct: bool, range_m: float, baseline_m: float, u_time_zero_s: float, kind: str
) -> None:
    # Against the slopes that the library `uncertainties` carries through the model. Rounding:
    # a range little longer than half the baseline is a difference of squares, which it takes
    # as squares; some 1e-16 (b/R)² of it.
    geometry = {"baseline_m": baseline_m, "u_time_zero_s": u_time_zero_s}
    of = receiver(medium={"kind": kind}, geometry=geometry)
    asked = {
        "delay_s": delay_s(of, range_m),
        "u_delay_s": 4e-6,
        "u_mark_s": 1e-6,
        "direct": direct,
    }
    budget = of.range_model.budget(**asked)
    by_library = propagated(*of.range_model.stated(**asked))
    rounding = 1e-14 * (1 + (baseline_m / range_m) ** 2)
    assert budget.value == pytest.approx(by_library.value, rel=rounding)
    assert [t.name for t in budget.terms] == [t.name for t in by_library.terms]
    for term, other in zip(budget.terms, by_library.terms, strict=True):
        assert term.u == pytest.approx(other.u, rel=rounding, abs=1e-18)


def test_table_shows_each_term_its_share_and_the_sum() -> None:
    of = receiver()
    budget = of.range_model.budget(
        delay_s=delay_s(of, 1.0), u_delay_s=2e-6, u_mark_s=1e-6, direct=True
    )
    lines = budget_lines(budget)
    for term, line in zip(budget.terms, lines[1:], strict=False):
        assert line.strip().startswith(term.name)
    shares = [float(line.split()[-2]) for line in lines[1:] if line.endswith("%")]
    assert sum(shares) == pytest.approx(100, abs=0.05 * len(shares))  # one decimal each
    # Two digits, as `%.2g` rounds them; no term is told to a smaller place than the whole.
    assert float(lines[-2].split()[-1]) == float(f"{1e3 * budget.combined:.2g}")
    assert float(lines[-1].split()[-1]) == float(f"{2e3 * budget.combined:.2g}")
    places = {len(line.split()[-3].partition(".")[2]) for line in lines[1:-2]}
    assert places <= {len(lines[-2].split()[-1].partition(".")[2]), 0}
    assert "k = 2" in lines[-1]


# Through the command

PLAN = """
pulse = { kind = "chirp", start_hz = 4000.0, stop_hz = 12000.0, duration_s = 0.010 }
"""
SCENE = """
medium = { sound_speed_m_s = 343.963 }
noise = { level_db = -70.0 }
[[target]]
body = "sphere"
radius_m = 0.05
position_m = [1.2, 0.0, 0.0]
"""


def printed(*words: str, folder: Path) -> str:
    done = typed(*words, folder=folder)
    assert done.returncode == 0, done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("budget")
    (folder / "plan.toml").write_text(PLAN)
    (folder / "scene.toml").write_text(SCENE)
    words = ["run", "--plan", "plan.toml", "--scene", "scene.toml", "--pings", "3"]
    printed(*words, "--record", "kept", "--json", folder=folder)
    return folder


def test_measure_gives_each_echo_a_budget_that_adds_up_to_its_uncertainty(recorded: Path) -> None:
    found = json.loads(printed("measure", "kept.sigmf-meta", "--json", folder=recorded))
    assert found["echoes"]
    for echo in found["echoes"]:
        assert all(set(row) == {"term", "u_m", "share"} for row in echo["budget"])
        u_m = [row["u_m"] for row in echo["budget"]]
        # Rounding: a dozen squares and a root.
        assert math.hypot(*u_m) == pytest.approx(echo["u_range_m"], rel=1e-12)
        assert sum(row["share"] for row in echo["budget"]) == pytest.approx(1, abs=1e-12)
        heads = {row["term"].partition(":")[0] for row in echo["budget"]}
        assert heads == {"delay", "time zero", "sound speed", "geometry", "clock"}


def test_measure_prints_the_budget_of_the_nearest_echoes(recorded: Path) -> None:
    text = printed("measure", "kept.sigmf-meta", folder=recorded)
    for words in ("Budget of the range", "sound speed: gradient", "combined", "expanded, k = 2"):
        assert words in text


def test_a_single_ping_s_echo_keeps_the_keys_that_it_had(recorded: Path) -> None:
    found = json.loads(printed("replay", "kept.sigmf-meta", "--json", folder=recorded))
    assert "budget" not in found["echoes"][0]
    assert "budget" not in found["per_ping"][0]["echoes"][0]
