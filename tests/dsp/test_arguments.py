"""Numbers that a formula was not made for are refused in words that help."""

from __future__ import annotations

import math

import numpy as np
import pytest

from dsp.arguments import require_positive, require_within


def test_both_ends_of_a_range_are_allowed() -> None:
    assert require_within("x", [1.0, 2.0], 1, 2) is None


def test_the_first_value_outside_is_named() -> None:
    with pytest.raises(ValueError, match=r"^x: found 3 m; give 1 to 2 m$"):
        require_within("x", np.array([[1.0, 3.0], [4.0, 1.0]]), 1, 2, "m")


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf, 0.0, -1.0])
def test_nothing_but_a_finite_number_above_zero_is_positive(bad: float) -> None:
    with pytest.raises(ValueError, match=r"^x: found .* s; give a finite number above zero$"):
        require_positive("x", bad, "s")


def test_a_number_that_is_none_lies_in_no_range() -> None:
    with pytest.raises(ValueError, match="found nan"):
        require_within("x", math.nan, -math.inf, math.inf)
