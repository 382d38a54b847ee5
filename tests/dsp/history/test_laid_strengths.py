"""Strengths laid on the axis: what the beam took off, how sure that is, and where it has no end."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from scipy.special import j1

from dsp.history.laid_strengths import (
    HEIGHT_UNKNOWN,
    BeamLoss,
    beam_loss,
    laid_on_axis,
    place_in_beam,
    surely_stronger,
)
from dsp.history.pair_beams import BeamSetting

C_M_S, F_HZ, RADIUS_M = 343.2, 40e3, 0.008


def _setting(**changed: Any) -> BeamSetting:
    given = {
        "shape": "piston",
        "sound_speed_m_s": C_M_S,
        "frequency_hz": np.array([F_HZ]),
        "share": np.array([1.0]),
        "absorption_db_m": np.array([0.0]),
        "baseline_m": 0.0,
    }
    return BeamSetting(**{**given, **changed})


def _loss(
    angle_deg: float, u_deg: float = 0.0, *, setting: BeamSetting | None = None, **changed: Any
) -> BeamLoss:
    given: dict[str, Any] = {
        "range_m": 1.0,
        "angle_rad": math.radians(angle_deg),
        "low_rad": math.radians(angle_deg - 2 * u_deg),
        "high_rad": math.radians(angle_deg + 2 * u_deg),
        "height_rad": 0.0,
        "u_size_share": 0.0,
        "highest_hz": F_HZ,
    }
    return beam_loss(setting or _setting(), RADIUS_M, **{**given, **changed})


def _two_way_db(angle_rad: float, radius_m: float = RADIUS_M) -> float:
    """Return a disc's pattern squared: Kinsler and others, 4th ed., eq. 7.4.17 (memory)."""
    x = 2 * math.pi * F_HZ / C_M_S * radius_m * math.sin(angle_rad)
    return 40 * math.log10(abs(2 * float(j1(x)) / x))


def test_loss_at_a_sure_angle_is_the_patterns() -> None:
    found = _loss(12.0)
    expected = _two_way_db(math.radians(12))
    assert found.loss_db == pytest.approx(expected, abs=1e-9)
    assert found.least_db == pytest.approx(expected, abs=1e-9)
    assert found.most_db == pytest.approx(expected, abs=1e-9)


def test_ends_are_those_of_the_angles() -> None:
    found = _loss(10.0, 1.0)
    assert found.least_db == pytest.approx(_two_way_db(math.radians(8)), abs=1e-9)
    assert found.most_db == pytest.approx(_two_way_db(math.radians(12)), abs=1e-9)
    # An interval that holds the axis has its least there.
    assert _loss(1.0, 1.0).least_db == pytest.approx(0.0, abs=1e-9)


def test_a_height_takes_off_more_as_the_angle_from_the_axis_grows() -> None:
    found = _loss(6.0, height_rad=math.radians(8))
    # The cosine of the angle from the axis is the product of both.
    whole = math.acos(math.cos(math.radians(6)) * math.cos(math.radians(8)))
    assert found.most_db == pytest.approx(_two_way_db(whole), abs=1e-9)
    assert found.least_db == pytest.approx(_two_way_db(math.radians(6)), abs=1e-9)


def test_an_unknown_height_leaves_no_end_but_for_a_line() -> None:
    open_one = _loss(6.0, height_rad=None)
    assert open_one.most_db == -math.inf
    assert open_one.why_open == HEIGHT_UNKNOWN
    assert open_one.least_db == pytest.approx(_two_way_db(math.radians(6)), abs=1e-9)
    line = _loss(6.0, height_rad=None, setting=_setting(shape="line"))
    # (sin x / x)² with x = (k L / 2) sin θ: Kinsler and others, eq. 7.3.4 (memory).
    x = math.pi * F_HZ / C_M_S * RADIUS_M * math.sin(math.radians(6))
    assert line.most_db == pytest.approx(40 * math.log10(math.sin(x) / x), abs=1e-9)
    assert not line.why_open


def test_near_a_null_there_is_no_end() -> None:
    # The first null of a disc is at ka sin θ = 3.8317: 40.8° here.
    null_deg = math.degrees(math.asin(3.8317 * C_M_S / (2 * math.pi * F_HZ * RADIUS_M)))
    found = _loss(null_deg - 4, 2.0)
    assert found.most_db == -math.inf
    assert "null" in found.why_open
    assert math.isfinite(found.least_db)
    # A face that may be larger has its null nearer.
    near = _loss(null_deg - 3, u_size_share=0.1)
    assert near.most_db == -math.inf


def test_the_faces_size_is_counted() -> None:
    found = _loss(14.0, u_size_share=0.05)
    sizes = [_two_way_db(math.radians(14), RADIUS_M * each) for each in (0.95, 1.05)]
    middle = _two_way_db(math.radians(14))
    assert found.u_face_db == pytest.approx(max(abs(s - middle) for s in sizes), abs=1e-9)
    assert found.most_db == pytest.approx(middle - 2 * found.u_face_db, abs=1e-9)


def test_faces_that_stand_apart_each_see_their_own_angle() -> None:
    found = _loss(5.0, setting=_setting(baseline_m=0.2), range_m=0.8)
    x, z = 0.8 * math.sin(math.radians(5)), 0.8 * math.cos(math.radians(5))
    halves = [_two_way_db(math.atan2(x - side, z)) / 2 for side in (-0.1, 0.1)]
    assert found.loss_db == pytest.approx(sum(halves), abs=1e-9)


def test_strength_is_what_was_heard_and_what_the_beam_took_off() -> None:
    laid = laid_on_axis(-40.0, 1.5, _loss(12.0, 1.0))
    expected = -40.0 - _two_way_db(math.radians(12))
    assert laid.strength_db == pytest.approx(expected)
    down = _two_way_db(math.radians(10)) - _two_way_db(math.radians(12))
    assert laid.low_db == pytest.approx(expected - math.hypot(down, 3.0))
    assert laid_on_axis(-40.0, 1.5, _loss(12.0, height_rad=None)).high_db == math.inf


def test_place_is_open_between_the_ends() -> None:
    edge_db = -3.01
    assert place_in_beam(_loss(2.0, 0.5), edge_db) == "axis"
    assert place_in_beam(_loss(12.0, 0.5), edge_db) == "edge"
    assert place_in_beam(_loss(8.0, 2.0), edge_db) == "open"
    assert place_in_beam(_loss(2.0, 0.5, height_rad=None), edge_db) == "open"
    # A least is enough to stand at the edge.
    assert place_in_beam(_loss(12.0, 0.5, height_rad=None), edge_db) == "edge"


def test_what_is_wrong_with_both_alike_drops_out_of_which_is_stronger() -> None:
    one, other = (laid_on_axis(db, 2.0, _loss(3.0)) for db in (-40.0, -42.0))
    assert surely_stronger(one, other, u_common_db=2.0)
    assert not surely_stronger(other, one, u_common_db=2.0)
    assert not surely_stronger(one, other, u_common_db=1.0)
    # What has no end may be the stronger.
    assert not surely_stronger(
        one, laid_on_axis(-60.0, 0.1, _loss(3.0, height_rad=None)), u_common_db=0.0
    )


def test_arguments_are_refused() -> None:
    with pytest.raises(ValueError, match="range_m: found 0 m"):
        _loss(3.0, range_m=0.0)
    with pytest.raises(ValueError, match="height_rad: found -1 rad"):
        _loss(3.0, height_rad=-1.0)
    with pytest.raises(ValueError, match="angle_rad"):
        _loss(3.0, low_rad=0.2)
    with pytest.raises(ValueError, match="u_heard_db: found -1"):
        laid_on_axis(-40.0, -1.0, _loss(3.0))
