"""The results of a long run: the latest whole, the older ones in rows.

A ping that has left the history keeps its echoes and its hits. As objects they take 3 kB and
are gone through by each round of the garbage collector; as rows of numbers, 0.6 kB and none.
"""

from __future__ import annotations

import dataclasses
import functools
import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, Protocol, overload

import numpy as np
from numpy.typing import NDArray

from rig.run.results import PingResult

TOGETHER = 64
"""So many older pings are put into rows at a time."""

DROPPED = ("profile", "alone", "threshold_db", "budget")
"""What an older ping has no more, be it its own or its echoes'."""


class KeptResults(Sequence[PingResult]):
    """The results of all pings so far, in order.

    Parameters
    ----------
    whole : int
        So many of the latest, and up to :data:`TOGETHER` more, are kept as they are; older
        ones without profiles, thresholds and budgets, and built anew whenever they are asked
        for. Of an echo's budget its sum stays, which is `u_range_m`.
    """

    def __init__(self, whole: int) -> None:
        self._whole = whole
        self._packed: list[_Packed] = []
        self._latest: list[PingResult] = []
        self._unpacked: tuple[int, list[PingResult]] = (-1, [])

    def append(self, result: PingResult) -> None:
        """Keep the next ping's result."""
        self._latest.append(result)
        if len(self._latest) >= self._whole + TOGETHER:
            self._packed.append(_Packed.of(self._latest[:TOGETHER]))
            del self._latest[:TOGETHER]

    def forget_older(self) -> None:
        """Keep no more than the latest `whole`."""
        self._packed.clear()
        self._unpacked = (-1, [])
        del self._latest[: -self._whole]

    def __len__(self) -> int:
        return TOGETHER * len(self._packed) + len(self._latest)

    @overload
    def __getitem__(self, at: int) -> PingResult: ...
    @overload
    def __getitem__(self, at: slice) -> list[PingResult]: ...
    def __getitem__(self, at: int | slice) -> PingResult | list[PingResult]:
        if isinstance(at, slice):
            return [self[one] for one in range(*at.indices(len(self)))]
        place = at + len(self) if at < 0 else at
        if not 0 <= place < len(self):
            raise IndexError(f"ping {at}: found {len(self)} pings")
        part, within = divmod(place, TOGETHER)
        if part >= len(self._packed):
            return self._latest[place - TOGETHER * len(self._packed)]
        if self._unpacked[0] != part:
            self._unpacked = part, self._packed[part].unpacked()
        return self._unpacked[1][within]

    def __iter__(self) -> Iterator[PingResult]:
        for part in self._packed:
            yield from part.unpacked()
        yield from self._latest

    @property
    def latest(self) -> Sequence[PingResult]:
        """Those that are kept as they are."""
        return self._latest

    def older(self, *names: str) -> Iterator[Any]:
        """Give a field of each one before the latest, and build nothing else anew.

        Of several names each is a field of what the one before it names, where that is there.
        """
        for part in self._packed:
            yield from functools.reduce(_field, names, part.rows).values()

    def each(self, name: str) -> Iterator[Any]:
        """Give a field of each result."""
        return itertools.chain(self.older(name), (getattr(r, name) for r in self._latest))

    def __reversed__(self) -> Iterator[PingResult]:
        yield from reversed(self._latest)
        for part in reversed(self._packed):
            yield from reversed(part.unpacked())


@dataclass(frozen=True, slots=True, kw_only=True)
class _Packed:
    """Results in rows.

    Attributes
    ----------
    rows : _Rows
    echoes_alike : list of bool
        Where what was heard are the ping's very echoes, and is kept once.
    """

    rows: _Rows
    echoes_alike: list[bool]

    @classmethod
    def of(cls, results: Sequence[PingResult]) -> _Packed:
        alike = [r.heard is not None and r.heard.echoes is r.echoes for r in results]
        return cls(
            rows=_in_rows(
                [_without_twin(r) if a else r for r, a in zip(results, alike, strict=True)]
            ),
            echoes_alike=alike,
        )

    def unpacked(self) -> list[PingResult]:
        """Build the results anew."""
        return [
            _with_twin(result) if alike else result
            for result, alike in zip(self.rows.values(), self.echoes_alike, strict=True)
        ]


def _without_twin(result: PingResult) -> PingResult:
    heard = result.heard
    return result if heard is None else replace(result, heard=replace(heard, echoes=()))


def _with_twin(result: PingResult) -> PingResult:
    heard = result.heard
    return result if heard is None else replace(result, heard=replace(heard, echoes=result.echoes))


class _Rows(Protocol):
    """Values of one kind, one below the other."""

    def values(self) -> Iterator[Any]:
        """Give one after the other, as it was."""


def _in_rows(values: Sequence[Any]) -> _Rows:
    """Put values into as few arrays as they allow."""
    kinds = {type(value) for value in values}
    if len(kinds) == 1:
        (kind,) = kinds
        if kind in (bool, int, float):
            return _Numbers(values)
        if kind is tuple:
            return _Several(values)
        if kind is np.ndarray:
            return _Arrays(values)
    kinds.discard(type(None))
    if len(kinds) == 1 and dataclasses.is_dataclass(kind := kinds.pop()):
        return _Objects(kind, values)
    return _AsTheyAre(values)


def _field(rows: _Rows, name: str) -> _Rows:
    """Return a field of each of some objects that are there."""
    if isinstance(rows, _Objects):
        return rows.fields[name]
    return _AsTheyAre([getattr(value, name) for value in rows.values() if value is not None])


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
        self._ends = np.cumsum([value.size for value in values])
        self._all = np.concatenate(values)

    def values(self) -> Iterator[Any]:
        first = 0
        for last in self._ends.tolist():
            yield self._all[first:last]
            first = last


class _Several:
    """Tuples of values of one kind."""

    def __init__(self, values: Sequence[tuple[Any, ...]]) -> None:
        self._sizes = np.array([len(value) for value in values])
        self._all = _in_rows([one for value in values for one in value])

    def values(self) -> Iterator[Any]:
        rows = self._all.values()
        return (tuple(itertools.islice(rows, size)) for size in self._sizes.tolist())


class _Objects:
    """Objects of one dataclass, or none: a column for each field."""

    def __init__(self, kind: type[Any], values: Sequence[Any]) -> None:
        there = [value for value in values if value is not None]
        names = [field.name for field in dataclasses.fields(kind)]
        self._kind = kind
        self._there = np.array([value is not None for value in values])
        self._dropped = dict.fromkeys(name for name in names if name in DROPPED)
        self.fields = {
            name: _in_rows([getattr(value, name) for value in there])
            for name in names
            if name not in DROPPED
        }

    def values(self) -> Iterator[Any]:
        columns = [column.values() for column in self.fields.values()]
        rows = zip(*columns, strict=True)
        for there in self._there.tolist():
            if there:
                fields = dict(zip(self.fields, next(rows), strict=True))
                yield self._kind(**fields, **self._dropped)
            else:
                yield None
