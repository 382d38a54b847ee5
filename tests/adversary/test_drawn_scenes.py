"""A few scenes of each class; ``python -m tests.adversary`` draws all.

A fixed seed, so that a change of the program fails here and not chance; the long form draws
another each time. What stays open, a click just beside a loud sound, is in the long form's table
and in the README, not here.
"""

import pytest
from misleading_scenes import CLASSES, drawn
from scene_judge import Tally, judge
from scipy.special import pdtrc

EACH, SEED = 2, 20
RARELY = 1e-3


@pytest.fixture(scope="module")
def tallies() -> dict[str, Tally]:
    told = {name: Tally() for name in CLASSES}
    for name, number, scene in drawn(SEED, EACH):
        judge(told[name], name, number, scene)
    return told


def most(mean: float) -> int:
    """How many rare things may happen: more than so many do but once in a thousand."""
    return next(n for n in range(1000) if pdtrc(n, mean) < RARELY)


def test_what_is_told_is_covered_as_often_as_it_says(tallies: dict[str, Tally]) -> None:
    errors = [error for tally in tallies.values() for error in tally.errors_u]
    # k = 2 holds 95.4 % of a normal spread, and k = 3 all but 0.27 %.
    beyond = sum(abs(error) > 2 for error in errors)
    assert beyond <= most(0.046 * len(errors))
    assert sum(abs(error) > 3 for error in errors) <= most(0.0027 * len(errors))


def test_nothing_is_told_where_nothing_is(tallies: dict[str, Tally]) -> None:
    # The plan asks for 1e-6 a cell; 2.8 m of range are some 130 cells of c/2B.
    pings = sum(tally.pings for tally in tallies.values())
    false = sum(tally.false for tally in tallies.values())
    assert false <= most(1e-6 * 130 * pings), [w for t in tallies.values() for w in t.worst]


def test_no_way_is_told_that_nothing_went(tallies: dict[str, Tally]) -> None:
    told = sum(tally.ways_right + tally.ways_wrong for tally in tallies.values())
    wrong = sum(tally.ways_wrong for tally in tallies.values())
    # Range and speed, each beyond k = 3 in 0.27 %.
    assert wrong <= most(2 * 0.0027 * told), [w for t in tallies.values() for w in t.worst]


@pytest.mark.parametrize("name", CLASSES)
def test_honesty_is_not_bought_with_losing_everything(tallies: dict[str, Tally], name: str) -> None:
    # "weak direct" may lose what nothing can tell; of all the others half is told at the least.
    tally = tallies[name]
    assert len(tally.errors_u) >= (1 if name == "weak direct" else tally.asked / 2)
