"""The display's gains: what they do to ink, and what is said of them."""

import numpy as np
import pytest

from rig.show.window.display import OVER_RANGE_DB, Display


def test_more_gain_shows_the_same_strength_darker():
    display = Display(gain_db=12.0)
    # Ink follows the share of the scale: 12 dB more of 40 are three tenths of it darker.
    low_db, high_db = display.limits_db((-80.0, -40.0))
    assert (-60.0 - low_db) / (high_db - low_db) == pytest.approx(0.5 + 0.3)


def test_the_right_gain_over_range_inks_equal_things_alike():
    # Spreading as a sphere out and back: the echo's amplitude falls as 1/R², 40 dB per tenfold.
    range_m = np.array([0.2, 0.5, 1.0, 2.0])
    heard_db = -20.0 - 40 * np.log10(range_m)
    shown_db = heard_db + Display(over_range_db=40.0).added_db(range_m, 3.0)
    assert np.ptp(shown_db) == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("over_range_db", OVER_RANGE_DB)
@pytest.mark.parametrize("gain_db", [-12.0, 0.0, 12.0])
def test_what_is_not_right_is_said(gain_db, over_range_db):
    words = Display(gain_db=gain_db, over_range_db=over_range_db).remarks
    assert ("Display gain" in words) == (gain_db != 0)
    assert ("Gain over range" in words) == (over_range_db != 0)
    assert ("too little" in words) == (gain_db < 0 or over_range_db == 20)
    assert ("too much" in words) == (gain_db > 0 or over_range_db == 60)
