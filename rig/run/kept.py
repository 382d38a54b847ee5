"""The results of a long run: the latest whole, the older ones in rows.

A ping that has left the history keeps its echoes and its hits. As objects they take 3 kB and
are gone through by each round of the garbage collector; as rows of numbers, 0.6 kB and none.
"""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Generic, TypeVar, overload

import numpy as np
from numpy.typing import NDArray

from rig.run.results import COLUMNS, Echo, Heard, Hits, PingResult, TimeZero

TOGETHER = 64
"""So many older pings are put into rows at a time."""

_PING = ("index", "sent_s", "lost", "reason", "clipped", "latency_s", "moving")
_HITS = ("ping", "sent_s", "u_mark_s", "u_shape_s")
_ZERO = tuple(field.name for field in dataclasses.fields(TimeZero))
_ECHO = tuple(field.name for field in dataclasses.fields(Echo) if field.name != "budget")

T = TypeVar("T")


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

    def __reversed__(self) -> Iterator[PingResult]:
        yield from reversed(self._latest)
        for part in reversed(self._packed):
            yield from reversed(part.unpacked())


class _Table(Generic[T]):
    """Objects of one kind, in one column for each of their fields.

    Numbers of one type take eight bytes each or less; other values stay as they are.
    """

    def __init__(self, objects: Sequence[T], names: Sequence[str]) -> None:
        self._columns = {name: _column([getattr(o, name) for o in objects]) for name in names}

    def rows(self) -> Iterator[dict[str, Any]]:
        """Give the fields of one object after the other."""
        values = [c.tolist() if isinstance(c, np.ndarray) else c for c in self._columns.values()]
        return (dict(zip(self._columns, row, strict=True)) for row in zip(*values, strict=True))


def _column(values: list[Any]) -> NDArray[Any] | list[Any]:
    of = {type(value) for value in values}
    return np.array(values) if len(of) == 1 and of <= {bool, int, float} else values


class _Lists(Generic[T]):
    """Some objects for each of many pings, in one table."""

    def __init__(self, each: Sequence[Sequence[T]], names: Sequence[str]) -> None:
        self._ends = np.cumsum([len(objects) for objects in each])
        self._table = _Table([o for objects in each for o in objects], names)

    def rows(self) -> Iterator[list[dict[str, Any]]]:
        """Give each ping's."""
        rows, first = self._table.rows(), 0
        for last in self._ends.tolist():
            yield list(itertools.islice(rows, last - first))
            first = last


@dataclass(frozen=True, slots=True, kw_only=True)
class _Packed:
    """Results in rows; `own` is what was heard where it is not the echoes."""

    pings: _Table[PingResult]
    zeros: _Lists[TimeZero]
    echoes: _Lists[Echo]
    own: _Lists[Echo]
    own_heard: NDArray[np.bool_]
    hits: _Lists[Hits]
    hit_ends: NDArray[np.int64]
    hit_columns: dict[str, NDArray[Any]]

    @classmethod
    def of(cls, results: Sequence[PingResult]) -> _Packed:
        heard = [r.heard for r in results]
        hits = [h.hits for h in heard if h is not None]
        own_heard = [
            h is not None and h.echoes is not r.echoes for h, r in zip(heard, results, strict=True)
        ]
        return cls(
            pings=_Table(results, _PING),
            zeros=_Lists([() if r.time_zero is None else (r.time_zero,) for r in results], _ZERO),
            echoes=_Lists([r.echoes for r in results], _ECHO),
            own=_Lists(
                [h.echoes if o and h else () for h, o in zip(heard, own_heard, strict=True)], _ECHO
            ),
            own_heard=np.array(own_heard),
            hits=_Lists([() if h is None else (h.hits,) for h in heard], _HITS),
            hit_ends=np.cumsum([h.delay_s.size for h in hits], dtype=np.int64),
            hit_columns={name: np.concatenate([getattr(h, name) for h in hits]) for name in COLUMNS}
            if hits
            else {},
        )

    def unpacked(self) -> list[PingResult]:
        """Build the results anew."""
        hits, results = self._hits(), []
        each = zip(
            self.pings.rows(), self.zeros.rows(), self.echoes.rows(), self.own.rows(),
            self.own_heard.tolist(), self.hits.rows(), strict=True,
        )  # fmt: skip
        for ping, zeros, echo_rows, own_rows, is_own, hit_rows in each:
            echoes, heard = tuple(Echo(**row) for row in echo_rows), None
            if hit_rows:
                own = tuple(Echo(**row) for row in own_rows) if is_own else echoes
                its_hits = Hits(**(hit_rows[0] | next(hits)))
                heard = Heard(echoes=own, threshold_db=None, hits=its_hits)
            zero = TimeZero(**zeros[0]) if zeros else None
            results.append(PingResult(**ping, time_zero=zero, echoes=echoes, heard=heard))
        return results

    def _hits(self) -> Iterator[dict[str, NDArray[Any]]]:
        first = 0
        for last in self.hit_ends.tolist():
            yield {name: column[first:last] for name, column in self.hit_columns.items()}
            first = last
