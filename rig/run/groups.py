"""Pings that are worked on together, where they are at hand anyway."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TypeVar

from rig.run.receiver import Receiver

MOST_PINGS = 128
"""More together gain nothing: what a call costs is then little beside its work."""

MOST_SAMPLES = 1 << 21
"""Nor are so many samples worked on together, whose spectra would take twenty megabytes."""

T = TypeVar("T")


def pings_at_a_time(receiver: Receiver) -> int:
    """Return how many of a stream's pings are worked on together."""
    samples = receiver.plan.interval_samples * receiver.info.channels
    return max(1, min(MOST_PINGS, MOST_SAMPLES // samples))


def groups(items: Iterable[T], size: int) -> Iterator[list[T]]:
    """Yield so many items at a time, and at last as many as are left.

    Where the next cannot be had, those before it are handed on first.
    """
    group: list[T] = []
    try:
        for item in items:
            group.append(item)
            if len(group) == size:
                yield group
                group = []
    except Exception:
        if group:
            yield group
        raise
    if group:
        yield group
