"""A screen for the tests of real windows."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from virtual_screen import Screen, virtual_screen


@pytest.fixture(scope="module")
def display(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Screen]:
    with virtual_screen(tmp_path_factory.mktemp("screen")) as screen:
        yield screen
