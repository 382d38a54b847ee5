"""What share of intervals is due to hold, against values that are known without drawing."""

import math

import pytest
from due_shares import due_in_2u

from dsp.uncertainty import Budget

# Of 4000 draws; four standard deviations.
DRAWN = 4 * math.sqrt(0.045 * 0.955 / 4000)


def budget(**u: float) -> Budget:
    names = tuple(name.replace("_", " ") for name in u)
    return Budget(value=1.0, names=names, u=tuple(u.values()))


def test_a_normal_error_is_within_two_deviations_as_often_as_the_table_says() -> None:
    # JCGM 100:2008, table G.1: 95.45 %.
    assert due_in_2u(budget(delay=3.0, motion=4.0)) == pytest.approx(0.9545, abs=DRAWN)


@pytest.mark.parametrize("name", ["clock", "more_than_one_echo"])
def test_a_bounded_error_is_always_within(name: str) -> None:
    # √3 is less than 2.
    assert due_in_2u(budget(**{name: 1.0})) == 1.0


def test_both_at_once_are_between() -> None:
    # A uniform and a normal error of the same u: ∫ φ(z) P(|z + √3 x| ≤ 2√2) over x in ±1, by
    # Φ's own integral, z Φ(z) + φ(z).
    def whole(z: float) -> float:
        return z * (1 + math.erf(z / math.sqrt(2))) / 2 + math.exp(-z * z / 2) / math.sqrt(
            2 * math.pi
        )

    high, low, a = math.sqrt(8), -math.sqrt(8), math.sqrt(3)
    within = (whole(high + a) - whole(high - a) - whole(low + a) + whole(low - a)) / (2 * a)
    assert due_in_2u(budget(delay=1.0, clock=1.0)) == pytest.approx(within, abs=DRAWN)
