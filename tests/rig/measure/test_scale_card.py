"""The scale card: both cases draw one picture, and the way back is the way there."""

import dataclasses
import json
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dsp.history.passage import passing_range_m
from dsp.physics.beams import half_power_half_angle_rad
from rig.cli import main
from rig.measure.scale_card import Case, card_lines, disc_radius_m, twin

cases = st.builds(
    Case,
    speed_m_s=st.floats(0.01, 10.0),
    depth_m=st.floats(0.1, 200.0),
    cone_rad=st.floats(0.01, 2.0),
    pings_per_s=st.floats(0.1, 50.0),
    resolution_m=st.floats(0.001, 1.0),
)


def picture(case: Case) -> np.ndarray:
    """The arch as it is drawn: range over its closest one, ping by ping."""
    ping = np.arange(-20, 21)
    return (
        passing_range_m(
            ping / case.pings_per_s,
            closest_range_m=case.depth_m,
            crossing_speed_m_s=case.speed_m_s,
            closest_time_s=0.0,
        )
        / case.depth_m
    )


@given(cases, st.floats(0.2, 5.0), st.floats(0.5, 30.0))
def test_twins_draw_one_picture(case: Case, depth_m: float, pings_per_s: float) -> None:
    other = twin(case, depth_m=depth_m, pings_per_s=pings_per_s)
    # The same numbers in another order: rounding alone.
    assert picture(other) == pytest.approx(picture(case), rel=1e-9)
    assert other.hits == pytest.approx(case.hits, rel=1e-9)
    assert case.resolution_m is not None
    assert other.resolution_m is not None
    height = case.arch_m / case.resolution_m
    # The arch is a small difference of large ranges: 1/ψ² of the digits are lost.
    assert other.arch_m / other.resolution_m == pytest.approx(height, rel=1e-8)
    assert other.cone_rad == case.cone_rad


@given(cases, st.floats(0.2, 5.0), st.floats(0.5, 30.0))
def test_the_way_back_is_the_way_there(case: Case, depth_m: float, pings_per_s: float) -> None:
    there = twin(case, depth_m=depth_m, pings_per_s=pings_per_s)
    back = twin(there, depth_m=case.depth_m, pings_per_s=case.pings_per_s)
    assert dataclasses.astuple(back) == pytest.approx(dataclasses.astuple(case), rel=1e-12)


def test_hits_are_those_of_straight_pass_geometry() -> None:
    # R₀ 1 m, half angle 10°, 0.2 m/s: chord 0.352653961 m, dwell 1.763269807 s, edge
    # 1.015426612 m (geometry, by hand; nine decimals).
    case = Case(speed_m_s=0.2, depth_m=1.0, cone_rad=math.radians(20.0), pings_per_s=10.0)
    assert case.hits == pytest.approx(17.63269807, abs=1e-8)
    assert case.arch_m == pytest.approx(0.015426612, abs=1e-9)
    assert case.crossing.chord_m == pytest.approx(0.352653961, abs=1e-9)


def test_a_field_case_by_hand() -> None:
    # Twenty times nearer and twice as many pings a second: a twentieth of the speed,
    # doubled.
    field = Case(speed_m_s=1.5, depth_m=20.0, cone_rad=0.35, pings_per_s=5.0, resolution_m=0.4)
    bench = twin(field, depth_m=1.0, pings_per_s=10.0)
    assert bench.speed_m_s == pytest.approx(0.15, rel=1e-12)
    assert bench.resolution_m == pytest.approx(0.02, rel=1e-12)


@given(st.floats(0.01, 2.5), st.floats(0.001, 0.2))
def test_the_face_that_is_named_makes_the_cone(cone_rad: float, wavelength_m: float) -> None:
    radius_m = disc_radius_m(cone_rad, wavelength_m)
    assert radius_m is not None
    half_rad = half_power_half_angle_rad("piston", radius_m, wavelength_m)
    assert 2 * half_rad == pytest.approx(cone_rad, rel=1e-9)


def test_no_face_makes_a_cone_of_half_a_turn() -> None:
    assert disc_radius_m(math.pi, 0.04) is None


@pytest.mark.parametrize(
    "wrong", [{"speed_m_s": 0.0}, {"depth_m": -1.0}, {"cone_rad": math.pi}, {"pings_per_s": 0.0}]
)
def test_a_case_that_cannot_be_is_refused(wrong: dict[str, float]) -> None:
    right = {"speed_m_s": 1.0, "depth_m": 1.0, "cone_rad": 0.3, "pings_per_s": 1.0}
    with pytest.raises(ValueError, match=next(iter(wrong))):
        Case(**{**right, **wrong})


def test_the_card_says_what_must_match() -> None:
    field = Case(speed_m_s=1.5, depth_m=20.0, cone_rad=math.radians(20), pings_per_s=5.0)
    lines = card_lines(field, twin(field, depth_m=1.0, pings_per_s=4.0), wavelength_m=0.043)
    hits = next(line for line in lines if line.startswith("pings in the crossing"))
    left, right = hits.split()[-2:]
    assert left == right == "23.5"
    assert "radius 45.7 mm" in lines[-1]  # 1.160286 λ/(2π sin 10°), by hand
    assert max(map(len, lines)) < 80


def test_the_command_prints_the_twin_and_the_way_back(capsys: pytest.CaptureFixture[str]) -> None:
    field = ["--speed-m-s", "1.5", "--depth-m", "20", "--cone-deg", "20", "--pings-per-s", "5"]
    assert main(["twin", *field, "--to-pings-per-s", "10", "--json"]) == 0
    there = json.loads(capsys.readouterr().out)["twin"]
    assert there["speed_m_s"] == pytest.approx(0.15)
    bench = ["--speed-m-s", str(there["speed_m_s"]), "--depth-m", "1", "--cone-deg", "20"]
    bench += ["--pings-per-s", "10", "--to-depth-m", "20", "--to-pings-per-s", "5"]
    assert main(["twin", *bench, "--json"]) == 0
    back = json.loads(capsys.readouterr().out)
    assert back["twin"]["speed_m_s"] == pytest.approx(1.5)
    assert back["hits"] == pytest.approx(23.51, abs=0.01)  # 2 × 20 tan 10° / 1.5 × 5
    assert main(["twin", *field]) == 0
    assert "pings in the crossing" in capsys.readouterr().out


def test_the_command_refuses_a_target_that_stands_still(
    capsys: pytest.CaptureFixture[str],
) -> None:
    with pytest.raises(SystemExit) as stopped:
        main(
            ["twin", "--speed-m-s", "0", "--depth-m", "1", "--cone-deg", "9", "--pings-per-s", "1"]
        )
    assert stopped.value.code == 2
    assert "--speed-m-s" in capsys.readouterr().err
