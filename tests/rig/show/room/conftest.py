"""A room that is served, and browsers and plain sockets that come to it."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from chromium import Browser, headless_chromium

from rig.show.room.address import Address
from rig.show.room.room import Room


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with headless_chromium() as opened:
        yield opened


@pytest.fixture
def room() -> Iterator[Room]:
    with Room(Address(port=0)) as opened:
        yield opened
