"""The results of a long run: the latest whole, the older ones in rows.

A ping that has left the history keeps its echoes and its hits. As objects they take 3 kB and
are gone through by each round of the garbage collector; as rows of numbers, 0.4 kB and none.
"""

from __future__ import annotations

import functools
import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, overload

from rig.bench.rows import TOGETHER, Rows, field_of, in_rows
from rig.run.results import PingResult

DROPPED = ("profile", "alone", "threshold", "budget")
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
            yield from functools.reduce(field_of, names, part.rows).values()

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
    rows : Rows
    echoes_alike : list of bool
        Where what was heard are the ping's very echoes, all of them.
    """

    rows: Rows
    echoes_alike: list[bool]

    @classmethod
    def of(cls, results: Sequence[PingResult]) -> _Packed:
        alike = [r.heard is not None and r.heard.echoes is r.echoes for r in results]
        return cls(
            rows=in_rows([_without_twins(r) for r in results], dropped=DROPPED),
            echoes_alike=alike,
        )

    def unpacked(self) -> list[PingResult]:
        """Build the results anew."""
        return [
            _with_twins(result, alike)
            for result, alike in zip(self.rows.values(), self.echoes_alike, strict=True)
        ]


def _without_twins(result: PingResult) -> PingResult:
    """Leave out each echo that was heard and is the ping's own: None stands in its place."""
    heard, own = result.heard, result.echoes
    if heard is None or len(heard.echoes) != len(own):
        return result
    left: Any = tuple(None if h is e else h for h, e in zip(heard.echoes, own, strict=True))
    return replace(result, heard=replace(heard, echoes=left))


def _with_twins(result: PingResult, alike: bool) -> PingResult:
    """Put them in again."""
    heard, echoes = result.heard, result.echoes
    if heard is None or len(heard.echoes) != len(echoes):
        return result
    if not alike:
        echoes = tuple(e if h is None else h for h, e in zip(heard.echoes, echoes, strict=True))
    return replace(result, heard=replace(heard, echoes=echoes))
