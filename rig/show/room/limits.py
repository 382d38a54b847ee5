"""How many, how large and how often: what one page, or one who is no page, may ask for."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable

MOST_PAGES = 60
"""Two classes."""

MOST_JOINED = 4 * MOST_PAGES
"""Browsers that joined, gone or not: each may close its page and come back."""

MOST_WAITING = 100
"""Connections that are no joined page's. The oldest goes when another comes, so that who holds
many open keeps nobody out; a system that lets a program have but 256 has room for the rest."""

IDLE_S = 15.0
"""After which a connection that asks for nothing, or half, is closed."""

BODY_BYTES = 2048
HEADER_BYTES = 8192
MESSAGE_BYTES = 2048
"""Of what a page sends: a code, or an answer."""

REQUESTS = (40.0, 300.0)
"""From one address, a second, and at once: a whole class may stand behind one."""

WRONG_CODES = (0.2, 12.0)
"""From one address, a second, and at once."""

WRONG_CODES_IN_ALL = (20.0, 60.0)
"""So many a second take a year and more to come across one of the codes."""

MESSAGES = (40.0, 120.0)
"""Of a page, a second and at once; what is beyond closes it."""

ANSWERS = (2.0, 10.0)
"""Of a page, a second and at once; what is beyond is not taken, and said so."""

SLOW_S = 20.0
"""In which a page must have read what it was sent."""

_MOST_ADDRESSES = 1024


class Bucket:
    """So many a second, and so many at once.

    Parameters
    ----------
    limit : tuple of float
        Both numbers.
    clock_s : callable
    """

    __slots__ = ("_clock_s", "_left", "_most", "_rate", "_then_s")

    def __init__(self, limit: tuple[float, float], clock_s: Callable[[], float]) -> None:
        self._rate, self._most = limit
        self._left, self._clock_s, self._then_s = self._most, clock_s, clock_s()

    def _fill(self) -> None:
        now_s = self._clock_s()
        self._left = min(self._left + (now_s - self._then_s) * self._rate, self._most)
        self._then_s = now_s

    @property
    def empty(self) -> bool:
        """Whether nothing can be taken now."""
        self._fill()
        return self._left < 1

    def take(self) -> bool:
        """Take one, if there is one; say whether."""
        if self.empty:
            return False
        self._left -= 1
        return True


class Buckets:
    """A bucket for each address; the one that was asked least lately is forgotten first."""

    def __init__(self, limit: tuple[float, float], clock_s: Callable[[], float]) -> None:
        self._limit, self._clock_s = limit, clock_s
        self._of: OrderedDict[str, Bucket] = OrderedDict()

    def __getitem__(self, address: str) -> Bucket:
        """Return an address' own."""
        found = self._of.get(address)
        if found is None:
            found = self._of[address] = Bucket(self._limit, self._clock_s)
            if len(self._of) > _MOST_ADDRESSES:
                self._of.popitem(last=False)
        self._of.move_to_end(address)
        return found
