"""The table of faults names tests that are there."""

from __future__ import annotations

import ast
from functools import cache
from pathlib import Path

import pytest
from fault_rows import QUESTIONS, ROWS

ROOT = Path(__file__).parents[2]


@cache
def names_in(file: str) -> frozenset[str]:
    tree = ast.parse((ROOT / file).read_text(encoding="utf-8"))
    return frozenset(node.name for node in tree.body if isinstance(node, ast.FunctionDef))


@pytest.mark.parametrize("fault", ROWS)
def test_each_test_that_a_row_names_is_there(fault: str) -> None:
    row = ROWS[fault]
    assert row.survived
    for question in QUESTIONS:
        for test in getattr(row, question):
            file, _, name = test.partition("::")
            assert name in names_in(file), test
