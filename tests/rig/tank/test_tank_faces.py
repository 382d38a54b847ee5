"""Beams of the tank's faces against the textbook's piston and line."""

import math

import numpy as np
import pytest

from rig.tank.faces import beam, resonance
from rig.tank.scene import Transducer

SPEED = 343.2


def _at(face, angle_rad, frequency_hz, *, plane="across"):
    sine, cosine = math.sin(angle_rad), math.cos(angle_rad)
    direction = [cosine, sine, 0.0] if plane == "across" else [cosine, 0.0, sine]
    return beam(face, np.array([frequency_hz]), np.array([direction]), SPEED)[0, 0]


def _piston_at(ka_sine):
    ka = 10.0
    face = Transducer(shape="piston", radius_m=0.01)
    return _at(face, math.asin(ka_sine / ka), ka * SPEED / (2 * math.pi * 0.01))


def test_a_piston_has_the_textbook_s_beam():
    # Computed with SciPy's J₁ from 2J₁(x)/x; arguments printed to eight digits.
    assert _piston_at(1.6163399) ** 2 == pytest.approx(0.5, abs=1e-7)
    assert _piston_at(1.1602860) ** 4 == pytest.approx(0.5, abs=1e-7)  # out and back
    assert _piston_at(2.2150894) == pytest.approx(0.5, abs=1e-7)
    assert _piston_at(3.8317060) == pytest.approx(0.0, abs=1e-7)
    side_lobe = _piston_at(5.1356223)
    assert side_lobe < 0
    assert 20 * math.log10(-side_lobe) == pytest.approx(-17.570150, abs=1e-5)


def test_a_16_mm_disc_at_40_khz_has_its_half_power_at_16_degrees():
    disc = Transducer(shape="piston", radius_m=0.008)
    # Computed with SciPy: 16.0156°, c 343.2 m/s; the slope there is about 0.06 a degree.
    assert _at(disc, math.radians(16.0156), 4e4) ** 2 == pytest.approx(0.5, abs=1e-5)


def test_a_line_is_narrow_along_its_length_only():
    line = Transducer(shape="line", length_m=0.1)
    frequency_hz = 10 * SPEED / 0.1  # ten waves long
    half = math.asin(0.4429465 / 10)
    # Half power of sin(x)/x at (L/λ) sinθ = 0.4429465; computed with SciPy.
    assert _at(line, half, frequency_hz, plane="up") ** 2 == pytest.approx(0.5, abs=1e-6)
    assert _at(line, half, frequency_hz, plane="across") == pytest.approx(1.0, abs=1e-12)
    lobe = math.asin(1.4302967 / 10)  # first root of tan x = x beyond 0, over π
    found_db = 20 * math.log10(abs(_at(line, lobe, frequency_hz, plane="up")))
    assert found_db == pytest.approx(-13.261459, abs=1e-5)


def test_the_cone_narrows_with_frequency():
    # Common practice, and the formula.
    disc = Transducer(shape="piston", radius_m=0.01)
    answers = [_at(disc, 0.2, f) for f in (1e4, 2e4, 4e4)]
    assert answers == sorted(answers, reverse=True)


def test_a_tilted_face_is_loudest_where_it_looks():
    face = Transducer(shape="piston", radius_m=0.02, tilt_deg=10.0)
    assert _at(face, math.radians(10), 4e4, plane="up") == pytest.approx(1.0, abs=1e-9)
    assert _at(face, 0.0, 4e4) < 0.9


def test_nothing_goes_out_behind_a_piston_and_a_point_sends_all_round():
    assert _at(Transducer(shape="piston"), math.pi, 4e4) == 0.0
    assert _at(Transducer(shape="point"), math.pi, 4e4) == 1.0


def test_a_resonance_is_3_db_down_at_the_edges_of_its_band():
    face = Transducer(shape="point", resonance_hz=4e4, bandwidth_hz=4e3)
    # A damped mass on a spring: half power where |Q(f/f₀ − f₀/f)| = 1, edges whose product
    # is f₀² and whose difference is f₀/Q (textbook).
    edge = math.sqrt(4e4**2 + 2e3**2)
    power = np.abs(resonance(face, np.array([edge - 2e3, 4e4, edge + 2e3]))) ** 2
    np.testing.assert_allclose(power, [0.5, 1.0, 0.5], rtol=1e-9)
