"""Libraries of the `reference` extra: in CI they must be there, elsewhere they may be missing."""

from __future__ import annotations

import importlib
import os
from types import ModuleType

import pytest


def _library(name: str) -> ModuleType:
    try:
        return importlib.import_module(name)
    except ImportError as problem:
        remedy = f"{name} is missing ({problem}); pip install echobench[reference]"
        if os.environ.get("CI") == "true":
            pytest.fail(remedy)
        pytest.skip(remedy)


@pytest.fixture(scope="session")
def coolprop() -> ModuleType:
    return _library("CoolProp.CoolProp")


@pytest.fixture(scope="session")
def gsw() -> ModuleType:
    return _library("gsw")
