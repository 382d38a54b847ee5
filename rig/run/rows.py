"""Objects taken apart into columns of numbers, and put together again as they were.

Many take little room so, and little time to send from one process to another.
"""

from __future__ import annotations

import dataclasses
import itertools
import operator
from collections.abc import Collection, Iterator, Sequence
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray


class Rows(Protocol):
    """Values of one kind, one below the other."""

    def values(self) -> Iterator[Any]:
        """Give one after the other, as it was."""


def in_rows(values: Sequence[Any], *, dropped: Collection[str] = ()) -> Rows:
    """Put values into as few arrays as they allow; fields that are dropped come back as None."""
    if values and values[-1] is values[0] and len(set(map(id, values))) == 1:
        return _Alike(values[0], len(values))
    kinds = set(map(type, values))
    if len(kinds) == 1:
        (kind,) = kinds
        if kind in (bool, int, float):
            return _Numbers(values)
        if kind is tuple:
            return _Several(values, dropped)
        if kind is np.ndarray:
            return _Arrays(values)
    kinds.discard(type(None))
    if len(kinds) == 1 and dataclasses.is_dataclass(kind := kinds.pop()):
        return _Objects(kind, values, dropped)
    return _AsTheyAre(values)


def field_of(rows: Rows, name: str) -> Rows:
    """Return a field of each of some objects that are there."""
    if isinstance(rows, _Objects):
        return rows.fields[name]
    return _AsTheyAre([getattr(value, name) for value in rows.values() if value is not None])


class _Alike:
    """One value, over and over."""

    def __init__(self, value: Any, count: int) -> None:
        self._value, self._count = value, count

    def values(self) -> Iterator[Any]:
        return itertools.repeat(self._value, self._count)


class _Numbers:
    def __init__(self, values: Sequence[Any]) -> None:
        self._numbers = np.array(values)

    def values(self) -> Iterator[Any]:
        return iter(self._numbers.tolist())


class _AsTheyAre:
    def __init__(self, values: Sequence[Any]) -> None:
        self._values = tuple(values)

    def values(self) -> Iterator[Any]:
        return iter(self._values)


class _Arrays:
    """Arrays of one axis, end to end."""

    def __init__(self, values: Sequence[NDArray[Any]]) -> None:
        self._sizes = np.array([value.size for value in values], dtype=np.int32)
        self._all = np.concatenate(values)
        first = self._all[:1].copy()  # a view would keep them all
        one, last = first.tobytes(), self._all[-1:].tobytes()
        if one and one == last and self._all.tobytes() == self._all.size * one:
            self._all = np.broadcast_to(first, self._all.shape)

    def values(self) -> Iterator[Any]:
        self._all.setflags(write=False)  # so that each may be kept as it is
        ends = itertools.accumulate(self._sizes.tolist(), initial=0)
        return (self._all[first:last] for first, last in itertools.pairwise(ends))


class _Several:
    """Tuples of values of one kind."""

    def __init__(self, values: Sequence[tuple[Any, ...]], dropped: Collection[str]) -> None:
        self._sizes = np.array([len(value) for value in values], dtype=np.int32)
        self._all = in_rows([one for value in values for one in value], dropped=dropped)

    def values(self) -> Iterator[Any]:
        rows = self._all.values()
        return (tuple(itertools.islice(rows, size)) for size in self._sizes.tolist())


class _Objects:
    """Objects of one dataclass, or none: a column for each field."""

    def __init__(self, kind: type[Any], values: Sequence[Any], dropped: Collection[str]) -> None:
        there = [value for value in values if value is not None]
        names = [field.name for field in dataclasses.fields(kind)]
        self._kind = kind
        self._there = np.array([value is not None for value in values])
        self._dropped = dict.fromkeys(name for name in names if name in dropped)
        kept = [name for name in names if name not in dropped]
        # The second of two is none of those that are kept, but makes one field a tuple as well.
        rows = map(operator.attrgetter(*kept, "__class__"), there)
        self.fields = {
            name: in_rows(column, dropped=dropped)
            for name, column in zip(kept, zip(*rows, strict=True), strict=False)
        }

    def values(self) -> Iterator[Any]:
        names = (*self.fields, *self._dropped)
        columns = [column.values() for column in self.fields.values()]
        rows = zip(*columns, *map(itertools.repeat, self._dropped.values()), strict=False)
        for there in self._there.tolist():
            if there:
                yield self._kind(**dict(zip(names, next(rows), strict=True)))
            else:
                yield None
