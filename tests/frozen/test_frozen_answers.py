"""The answers of the commands stay what they were when they were frozen.

They hold no truth of their own: what is right is for the other tests to say. They tell
a change that was meant from one that was not. `freeze.py --compare` runs more cases,
and compares to the last digit; here another machine must pass.

Another machine rounds otherwise. Envelopes are complex64, good to 2⁻²⁴ = 6e-8 of the
strongest sound in the block. What that sound leaves behind lies 60 dB below it, and is so
known to 6e-8/1e-3 = 6e-5 in each sample; noise, bounds and uncertainties are told from
it. One machine, with NumPy's AVX-512 switched off and then its AVX2 as well, gave on these
cases and on all lessons: words and counts the same; ranges, speeds and lessons' numbers
within 0.0014 of their uncertainty; levels within 0.002 dB; uncertainties within 3e-4; of
what has no uncertainty, `SENSITIVE` within 2e-4 and the rest within 6e-8, or 2e-11 s near
zero. A relative 1e-9 fails there. Since the search fits all echoes together, and takes
one step more or less by a rounding, a time may differ by more: with OpenBLAS's kernels for an
older processor 88 of 89 passed, and the spread of a loopback's marks differed by 1.7 ns.
"""

import math

import pytest
from cases import CASES
from freeze import Bench, Difference, differences, stored

pytestmark = pytest.mark.usefixtures("undrawn_pictures")

SHARE = 0.2
"""Of what a search may differ by: 0.01 of an uncertainty, 0.01 dB, 0.12 % of an uncertainty."""

REL, NEAR_ZERO = 1e-5, 1e-9
"""Of what has no uncertainty: a thousandth of a millimetre in a way of 0.1 m, and 1 ns."""

SENSITIVE = ("chi_square", "value", "angle_deg")
"""A sum over residues, a spread of marks by a hundredth of a millimetre, and angles that
pass through zero."""
SENSITIVE_REL = 1e-3


def same_on_any_machine(key: str, old: float, new: float) -> bool:
    if isinstance(old, int):  # a count
        return old == new
    rel = SENSITIVE_REL if key.endswith(SENSITIVE) else REL
    return math.isclose(old, new, rel_tol=rel, abs_tol=NEAR_ZERO)


def changed(old: object, new: object) -> list[Difference]:
    found = differences(old, new, same=same_on_any_machine)
    return [d for d in found if d.share > SHARE]


@pytest.fixture(scope="module")
def frozen() -> dict[str, object]:
    return stored()


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    return Bench(tmp_path_factory.mktemp("frozen"))


@pytest.mark.parametrize("name", [name for name, case in CASES.items() if case.cheap])
def test_a_command_answers_as_it_did(name: str, bench: Bench, frozen: dict[str, object]) -> None:
    found = changed(frozen[name], bench.answer(name))
    assert not found, "\n".join(f"{d.key}: was {d.old!r}, is {d.new!r}" for d in found)


def test_every_case_is_frozen_and_nothing_else(frozen: dict[str, object]) -> None:
    assert frozen.keys() == CASES.keys()


ECHO = {"range_m": 1.2, "u_range_m": 1e-3, "path_m": 2.4, "delay_s": 0.007, "strength_db": -40.0}


@pytest.mark.parametrize(
    ("other", "keys"),
    [
        ({"range_m": 1.2 + 5e-6}, []),  # 0.005 of its uncertainty
        ({"range_m": 1.2 + 2e-5}, ["range_m"]),  # 0.02
        ({"strength_db": -40.02}, ["strength_db"]),
        ({"u_range_m": 1.01e-3}, ["u_range_m"]),
        ({"delay_s": 0.007001}, ["delay_s"]),  # 0.17 mm of range, 0.17 of its uncertainty
        ({"strength_db": None}, ["strength_db"]),
        ({"new": 1}, ["new"]),
    ],
    ids=str,
)
def test_a_change_beyond_rounding_is_told(other: dict[str, object], keys: list[str]) -> None:
    assert [d.key for d in changed(ECHO, ECHO | other)] == keys


def test_an_echo_more_or_a_count_that_differs_is_told() -> None:
    one = {"echoes": [ECHO], "hits": 12, "kind": "pass"}
    assert [d.new for d in changed(one, one | {"echoes": [ECHO, ECHO]})] == [
        "2 at 1.2000, 1.2000 m"
    ]
    assert [d.key for d in changed(one, one | {"hits": 13, "kind": "half"})] == ["hits", "kind"]
