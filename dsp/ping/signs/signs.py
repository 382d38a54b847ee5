"""Pings that carry a sign of their own, so that an echo tells which of them it is of.

Each ping is sent as it is, or upside down, by a fixed sequence. The receiver turns each ping's
sound back by the ping's own sign: its echoes then stand upright in every ping. An echo that
comes so late that the next ping has been sent keeps the sign of the ping that it is of, and is
turned back by another: it stands upright in some pings and upside down in the others.

The sequence is of maximal length, made by a shift register: multiplied by itself so many places
on it gives the same sequence from another place on, which is as often +1 as −1 but for one. So
echoes of the ping before, of the one before that and so on are all told apart. Of four stages,
it repeats after 15 pings. A longer one would leave less of a late echo in a plain sum, but holds
longer rows of one sign, and takes more pings to tell; what is left in a sum is solved for anyway.

References
----------
F. J. MacWilliams and N. J. A. Sloane, "Pseudo-random sequences and arrays", *Proc. IEEE* 64,
1976, pp. 1715–1729 (properties I, III, VIII and X; the primitive polynomial x⁴ + x + 1).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

SIGNS = (1, 1, -1, 1, -1, 1, 1, 1, 1, -1, -1, -1, 1, -1, -1)
"""One turn of the sequence. It begins where the first pings tell most: of its fifteen places
those from which five pings tell four ways to be late apart."""

PLACE_TOLD = 4
"""So many signs in a row stand at no other place of the sequence."""

MOST_LATE = 3
"""Echoes are told from those of so many pings before: of what comes back from up to four times
as far as the sound goes between two pings. Each more takes more pings to tell."""


def ping_sign(place: int) -> int:
    """Return the sign of a ping; of none before the first, 0.

    Examples
    --------
    >>> [ping_sign(place) for place in (-1, 0, 1, 2, 17)]
    [0, 1, 1, -1, -1]
    """
    return 0 if place < 0 else SIGNS[place % len(SIGNS)]


def late_signs(place: int) -> NDArray[np.int64]:
    """Return which way up echoes stand in a ping that was turned back by its own sign.

    Parameters
    ----------
    place : int
        The ping's, in the sequence.

    Returns
    -------
    ndarray of int64, shape (1 + MOST_LATE,)
        Of its own echoes, of those of the ping before, and so on; 0 where no ping was sent.
    """
    own = ping_sign(place)
    return np.array([own * ping_sign(place - late) for late in range(MOST_LATE + 1)])


def places_with(signs: Sequence[int]) -> list[int]:
    """Return the places of the sequence from which on it has these signs.

    Examples
    --------
    >>> places_with([1, 1, -1]), places_with([1, 1, -1, 1])
    ([0, 7], [0])
    """
    length = len(SIGNS)
    return [
        place
        for place in range(length)
        if all(SIGNS[(place + n) % length] == sign for n, sign in enumerate(signs))
    ]
