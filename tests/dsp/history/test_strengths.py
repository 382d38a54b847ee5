"""Target strengths by hand, against printed tables, and back through the sonar equation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dsp.history.strengths import (
    combined_db,
    hard_ball_radius_m,
    strength_range,
    strength_terms,
    target_strength_db,
)
from dsp.physics.levels import echo_level_db


def test_an_echo_in_a_room_by_hand() -> None:
    # −57.3140 dB of a pulse of 0 dB at 1 m, from 2 m at 1.3182 dB/m:
    # −57.3140 + 40·log10(2) + 4·1.3182 = −40.0000 dB re 1 m²; 1e-4 is rounding.
    found = target_strength_db(-57.3140, 0.0, out_m=2.0, back_m=2.0, absorption_db_m=1.3182)
    assert float(found) == pytest.approx(-40.0, abs=1e-4)
    assert found.dtype == np.float64


def test_ways_of_different_length_each_spread_by_themselves() -> None:
    # 20·log10(1) + 20·log10(10) = 20 dB.
    assert float(target_strength_db(-60.0, 0.0, out_m=1.0, back_m=10.0)) == pytest.approx(-40.0)


def test_a_target_off_the_axis_is_stronger_than_its_echo_says() -> None:
    on_axis, off = target_strength_db(-60.0, 0.0, out_m=1.0, back_m=1.0, two_way_beam_db=[0, -9])
    assert off - on_axis == pytest.approx(9.0)


@given(
    strength_db=st.floats(-80, 10),
    source_db=st.floats(-60, 60),
    range_m=st.floats(0.05, 100),
    absorption=st.floats(0, 3),
    beam_db=st.floats(-25, 0),
)
def test_it_undoes_the_sonar_equation(
    strength_db: float, source_db: float, range_m: float, absorption: float, beam_db: float
) -> None:
    # Sums of numbers below 1e3 in double precision: 1e-9 is rounding.
    level_db = echo_level_db(
        source_db, strength_db, range_m, absorption_db_m=absorption, two_way_beam_db=beam_db
    )
    back_db = target_strength_db(
        level_db,
        source_db,
        out_m=range_m,
        back_m=range_m,
        absorption_db_m=absorption,
        two_way_beam_db=beam_db,
    )
    assert float(back_db) == pytest.approx(strength_db, abs=1e-9)


def test_one_receiver_leaves_3_db_between_axis_and_edge_and_no_upper_end() -> None:
    terms = strength_terms(
        snr=1e4,
        range_m=2.0,
        u_range_m=0.002,
        absorption_db_m=1.3,
        u_absorption_db_m=0.03,
        u_source_level_db=1.0,
    )
    found = strength_range(-60.0, -10.0, out_m=2.0, back_m=2.0, absorption_db_m=1.3, terms=terms)
    # 10·log10(2) = 3.0103 dB: half the power, out and back.
    assert found.edge_db - found.axis_db == pytest.approx(3.0103, abs=5e-5)
    # −60 + 10 + 40·log10(2) + 4·1.3
    assert found.axis_db == pytest.approx(-32.7588, abs=5e-5)
    assert found.u_db == combined_db(terms)


def test_each_term_is_the_difference_that_its_cause_makes() -> None:
    # First order against a finite difference of the sonar equation: the second order of
    # 1 mm in 2 m is 8.7·(0.0005)² dB, far below 1e-5.
    kept = {"snr": 400.0, "range_m": 2.0, "absorption_db_m": 1.3}
    terms = {
        t.name: t.u_db
        for t in strength_terms(
            **kept,
            u_range_m=0.001,
            u_absorption_db_m=0.02,
            u_source_level_db=0.7,
            u_beam_db=0.4,
        )
    }

    def at(range_m: float = 2.0, absorption: float = 1.3, level_db: float = -60.0) -> float:
        return float(
            target_strength_db(
                level_db, -10.0, out_m=range_m, back_m=range_m, absorption_db_m=absorption
            )
        )

    assert terms["range, through spreading and absorption"] == pytest.approx(
        at(range_m=2.001) - at(), abs=1e-5
    )
    assert terms["absorption of the medium"] == pytest.approx(at(absorption=1.32) - at(), abs=1e-9)
    assert terms["source level"] == 0.7
    assert terms["place in the beam"] == 0.4
    # 1/√400 of the amplitude is 5 %: 20·log10(1.05) = 0.424 dB; to first order 0.434.
    assert terms["noise on the echo's level"] == pytest.approx(0.4343, abs=5e-5)
    assert combined_db(
        strength_terms(
            **kept, u_range_m=0.0, u_absorption_db_m=0.0, u_source_level_db=3.0, u_beam_db=4.0
        )
    ) == pytest.approx(math.hypot(3.0, 4.0, 0.4343), abs=1e-4)


def test_noise_moves_a_strength_by_as_much_as_its_term_says() -> None:
    # 4000 echoes at 2E/N0 = 26 dB: a spread is known to 1/√8000 = 1.1 %; and the log of a
    # noisy amplitude spreads by 1 + 1/snr of the first order: 4 % is three spreads.
    rng = np.random.default_rng(1)
    snr = 400.0
    noise = rng.standard_normal((2, 4000)) / math.sqrt(snr)
    level_db = 20 * np.log10(np.hypot(1 + noise[0], noise[1]))
    found = target_strength_db(level_db, 0.0, out_m=1.0, back_m=1.0)
    (term,) = (
        t
        for t in strength_terms(
            snr=snr,
            range_m=1.0,
            u_range_m=0.0,
            absorption_db_m=0.0,
            u_absorption_db_m=0.0,
            u_source_level_db=0.0,
        )
        if t.name.startswith("noise")
    )
    assert float(np.std(found)) == pytest.approx(term.u_db, rel=0.04)


def test_a_hard_ball_of_20_mm_has_minus_40_db() -> None:
    # R. J. Urick, Principles of Underwater Sound, table 9.1 (from memory): σ = a²/4.
    np.testing.assert_allclose(hard_ball_radius_m([-40.0, -20.0]), [0.02, 0.2], rtol=1e-12)


def test_a_beam_that_gains_is_refused() -> None:
    with pytest.raises(ValueError, match="two_way_beam_db: found 3 dB"):
        target_strength_db(-60.0, 0.0, out_m=1.0, back_m=1.0, two_way_beam_db=3.0)


def test_a_way_of_nothing_is_refused() -> None:
    with pytest.raises(ValueError, match="range_m: found 0 m"):
        target_strength_db(-60.0, 0.0, out_m=0.0, back_m=1.0)
