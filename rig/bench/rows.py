"""Objects taken apart into columns of numbers, and put together again as they were.

Many take little room so, and little time to send from one process to another.
"""

from __future__ import annotations

import dataclasses
import itertools
import operator
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Protocol, TypeVar, overload

import numpy as np
from numpy.typing import NDArray

TOGETHER = 256
"""So many are put into rows at a time: fewer, and the rows' own frames take more room."""

T = TypeVar("T")


class Rows(Protocol):
    """Values of one kind, one below the other."""

    def values(self) -> Iterator[Any]:
        """Give one after the other, as it was."""


def in_rows(values: Sequence[Any], *, dropped: Collection[str] = ()) -> Rows:
    """Put values into as few arrays as they allow; fields that are dropped come back as None."""
    return _Packing(dropped=dropped, columns={}).rows(values)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Packing:
    """How values are put into rows.

    Attributes
    ----------
    dropped : collection of str
        Fields that are left out.
    columns : dict
        Those that are made so far, by their bytes: what two fields both have is kept once.
    """

    dropped: Collection[str]
    columns: dict[tuple[str, bytes], NDArray[Any]]

    def rows(self, values: Sequence[Any]) -> Rows:
        if values and values[-1] is values[0] and len(set(map(id, values))) == 1:
            return _Alike(values[0], len(values))
        kinds = set(map(type, values))
        if len(kinds) == 1:
            (kind,) = kinds
            if kind in (bool, int, float):
                return self.numbers(values)
            if kind is tuple:
                return _Several(values, self)
            if kind is np.ndarray:
                return _Arrays(values, self)
        kinds.discard(type(None))
        if len(kinds) == 1 and dataclasses.is_dataclass(kind := kinds.pop()):
            return _Objects(kind, values, self)
        return _AsTheyAre(values)

    def numbers(self, values: Sequence[Any]) -> Rows:
        """Put numbers into as few bytes as hold them."""
        column = np.array(values)
        if column.dtype == np.int64:
            smaller = (column.astype(kind) for kind in (np.int8, np.int16, np.int32))
            column = next((few for few in smaller if (few == column).all()), column)
        return _Numbers(self.column(column))

    def column(self, values: NDArray[Any]) -> NDArray[Any]:
        """Return the very column that stands there already, if one is alike."""
        return self.columns.setdefault((values.dtype.str, values.tobytes()), values)

    def sizes(self, values: Sequence[Any]) -> Rows:
        """Return how many each has."""
        return self.numbers([len(value) for value in values])


def field_of(rows: Rows, name: str) -> Rows:
    """Return a field of each of some objects that are there."""
    if isinstance(rows, _Objects):
        return rows.fields[name]
    return _AsTheyAre([getattr(value, name) for value in rows.values() if value is not None])


class _Alike:
    """One value, over and over."""

    __slots__ = ("_count", "_value")

    def __init__(self, value: Any, count: int) -> None:
        self._value, self._count = value, count

    def values(self) -> Iterator[Any]:
        return itertools.repeat(self._value, self._count)


class _Numbers:
    __slots__ = ("_numbers",)

    def __init__(self, numbers: NDArray[Any]) -> None:
        self._numbers = numbers

    def values(self) -> Iterator[Any]:
        return iter(self._numbers.tolist())


class _AsTheyAre:
    __slots__ = ("_values",)

    def __init__(self, values: Sequence[Any]) -> None:
        self._values = tuple(values)

    def values(self) -> Iterator[Any]:
        return iter(self._values)


class _Arrays:
    """Arrays of one axis, end to end."""

    __slots__ = ("_all", "_sizes")

    def __init__(self, values: Sequence[NDArray[Any]], packing: _Packing) -> None:
        self._sizes = packing.sizes(values)
        every = np.concatenate(values)
        first = every[:1].copy()  # a view would keep them all
        one, last = first.tobytes(), every[-1:].tobytes()
        alike = one and one == last and every.tobytes() == every.size * one
        self._all = np.broadcast_to(first, every.shape) if alike else packing.column(every)

    def values(self) -> Iterator[Any]:
        self._all.setflags(write=False)  # so that each may be kept as it is
        ends = itertools.accumulate(self._sizes.values(), initial=0)
        return (self._all[first:last] for first, last in itertools.pairwise(ends))


class _Several:
    """Tuples of values of one kind."""

    __slots__ = ("_all", "_sizes")

    def __init__(self, values: Sequence[tuple[Any, ...]], packing: _Packing) -> None:
        self._sizes = packing.sizes(values)
        self._all = packing.rows([one for value in values for one in value])

    def values(self) -> Iterator[Any]:
        rows = self._all.values()
        return (tuple(itertools.islice(rows, size)) for size in self._sizes.values())


class _Objects:
    """Objects of one dataclass, or none: a column for each field."""

    __slots__ = ("_dropped", "_kind", "_there", "fields")

    def __init__(self, kind: type[Any], values: Sequence[Any], packing: _Packing) -> None:
        there = [value for value in values if value is not None]
        names = [field.name for field in dataclasses.fields(kind)]
        self._kind = kind
        self._there = packing.column(np.array([value is not None for value in values]))
        self._dropped = dict.fromkeys(name for name in names if name in packing.dropped)
        kept = [name for name in names if name not in packing.dropped]
        # The second of two is none of those that are kept, but makes one field a tuple as well.
        rows = map(operator.attrgetter(*kept, "__class__"), there)
        self.fields = {
            name: packing.rows(column)
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


class ManyInRows(Sequence[T]):
    """Many values of one kind, each built anew whenever it is asked for.

    Parameters
    ----------
    values : iterable
        Taken as they come; none is kept as it is.
    """

    def __init__(self, values: Iterable[T]) -> None:
        self._parts: list[Rows] = []
        self._count = 0
        self._built: tuple[int, list[T]] = (-1, [])
        left = iter(values)
        while some := list(itertools.islice(left, TOGETHER)):
            self._parts.append(in_rows(some))
            self._count += len(some)

    def __len__(self) -> int:
        return self._count

    @overload
    def __getitem__(self, at: int) -> T: ...
    @overload
    def __getitem__(self, at: slice) -> Sequence[T]: ...
    def __getitem__(self, at: int | slice) -> T | Sequence[T]:
        if isinstance(at, slice):
            return ManyInRows(self[one] for one in range(*at.indices(self._count)))
        part, within = divmod(range(self._count)[at], TOGETHER)
        if self._built[0] != part:
            self._built = part, list(self._parts[part].values())
        return self._built[1][within]

    def __iter__(self) -> Iterator[T]:
        for part in self._parts:
            yield from part.values()
