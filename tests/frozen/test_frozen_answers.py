"""The answers of the commands stay what they were when they were frozen.

They hold no truth of their own: what is right is for the other tests to say. They tell
a change that was meant from one that was not. `freeze.py --compare` runs more cases,
and compares to the last digit.
"""

import math
from pathlib import Path

import pytest
from cases import CASES
from freeze import Bench, differences, stored

REL = 1e-9


def same_on_any_machine(old: float, new: float) -> bool:
    return math.isclose(old, new, rel_tol=REL)


@pytest.fixture(scope="module")
def frozen() -> dict[str, object]:
    return stored()


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    return Bench(tmp_path_factory.mktemp("frozen"))


@pytest.mark.parametrize("name", [name for name, case in CASES.items() if case.cheap])
def test_a_command_answers_as_it_did(name: str, bench: Bench, frozen: dict[str, object]) -> None:
    found = list(differences(frozen[name], bench.answer(name), same=same_on_any_machine))
    assert not found, "\n".join(f"{d.key}: was {d.old!r}, is {d.new!r}" for d in found)


def test_every_case_is_frozen_and_nothing_else(frozen: dict[str, object]) -> None:
    assert frozen.keys() == CASES.keys()
