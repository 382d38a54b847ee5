"""The code by which a page joins, and who has joined."""

from __future__ import annotations

import hmac
import secrets
import time
from collections.abc import Callable

from rig.show.room import limits

LETTERS = "ABCDEFGHJKMNPQRTUVWXYZ2346789"
"""Those that nobody takes for another from the last row: without I, L, O, S and 0, 1, 5."""

LENGTH = 6


def new_code() -> str:
    """Return a code that nobody can guess: one of 29 to the sixth, some 595 million."""
    return "".join(secrets.choice(LETTERS) for _ in range(LENGTH))


def read_code(text: str) -> str:
    """Return a code as it was typed, without what does not count: case, blanks, hyphens.

    Examples
    --------
    >>> read_code(" abc-2 34 ")
    'ABC234'
    """
    return "".join(letter for letter in text.upper() if letter.isalnum())


class Joining:
    """Lets in who knows the code.

    Parameters
    ----------
    code : str
    clock_s : callable
    here : callable
        Says whether a visitor's page is open now; who is here is never forgotten for another.

    Attributes
    ----------
    joined : int
        How often somebody was let in: one browser may be so more than once.
    """

    def __init__(
        self,
        code: str,
        clock_s: Callable[[], float] = time.monotonic,
        *,
        here: Callable[[str], bool] = lambda _visitor: False,
    ) -> None:
        self._here = here
        self._joins = limits.Buckets(limits.JOINS, clock_s)
        self._code = code.encode()
        self._wrong = limits.Buckets(limits.WRONG_CODES, clock_s)
        self._wrong_in_all = limits.Bucket(limits.WRONG_CODES_IN_ALL, clock_s)
        # From the word that a browser keeps to the word by which it is known in the room.
        self._visitors: dict[str, str] = {}
        self.joined = 0

    def join(self, typed: str, address: str) -> str | None:
        """Return the word that a browser is to keep, or None where the code is another.

        Who has tried too often is not told whether this one would have been right.
        """
        own = self._wrong[address]
        if own.empty or self._wrong_in_all.empty:
            return None
        if not hmac.compare_digest(read_code(typed).encode(), self._code):
            own.take()
            self._wrong_in_all.take()
            return None
        if not self._joins[address].take() or not self._has_room():
            return None
        kept = secrets.token_urlsafe(24)
        self._visitors[kept] = secrets.token_hex(8)
        self.joined += 1
        return kept

    def _has_room(self) -> bool:
        """Forget the first of those who have gone, where there are too many; say if that does."""
        if len(self._visitors) < limits.MOST_JOINED:
            return True
        gone = next((kept for kept, name in self._visitors.items() if not self._here(name)), None)
        if gone is not None:
            del self._visitors[gone]
        return gone is not None

    def tried_too_often(self, address: str) -> bool:
        """Whether nothing from there is looked at for now."""
        return self._wrong[address].empty or self._wrong_in_all.empty or self._joins[address].empty

    def visitor(self, kept: str | None) -> str | None:
        """Return by which word a browser is known in the room; None where it has not joined."""
        return None if kept is None else self._visitors.get(kept)
