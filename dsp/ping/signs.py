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

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.ping.profiles import EchoProfile

SIGNS = (1, 1, -1, 1, -1, 1, 1, 1, 1, -1, -1, -1, 1, -1, -1)
"""One turn of the sequence. It begins where the first pings tell most: of its fifteen places
those from which five pings tell four ways to be late apart."""

PLACE_TOLD = 4
"""So many signs in a row stand at no other place of the sequence."""

MOST_LATE = 3
"""Echoes are told from those of so many pings before: of what comes back from up to four times
as far as the sound goes between two pings. Each more takes more pings to tell."""

LEAST_TOLD = 0.2
"""A sum is solved where each way of being late keeps so much of the pings' weight for itself."""


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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SolvedSum:
    """Pings added up, by how late their echoes are.

    Attributes
    ----------
    profiles : tuple of EchoProfile, 1 + MOST_LATE of them
        Of the pings' own echoes, of those of the ping before, and so on.
    u_amplitude : ndarray of float64, shape (1 + MOST_LATE, bins)
        Standard deviation of each bin, by how well the single pings agree with the sums. It is
        as large as what stands there where something moved.
    """

    profiles: tuple[EchoProfile, ...]
    u_amplitude: NDArray[np.float64]

    def surely(self, chance: float) -> float:
        """Return how many times its standard deviation a bin exceeds by chance so seldom.

        The ratio's square is distributed as F(2, 2 m), where m pings are left over by the ways:
        beyond x with (1 + x/m)⁻ᵐ.

        Examples
        --------
        >>> empty = EchoProfile(envelope=np.zeros(1), bin_s=1e-4, pings=20)
        >>> solved = SolvedSum(profiles=(empty,) * 4, u_amplitude=np.zeros((4, 1)))
        >>> round(solved.surely(1e-4), 2)
        3.53
        """
        left = self.profiles[0].pings - len(self.profiles)
        return math.sqrt(left * (chance ** (-1 / left) - 1))


class SignedSum:
    """Pings' profiles added up, by how late their echoes are: kept up ping by ping.

    Each bin holds still echoes of several pings, each with its own signs; four numbers are
    fitted to it by least squares, so that none is left in another's.
    """

    def __init__(self) -> None:
        self._first: EchoProfile | None = None
        self._sums = np.empty((0, 0), dtype=np.complex128)
        self._ahead = np.empty((0, 0), dtype=np.complex128)
        self._energy = np.empty(0)
        self._gram = np.zeros((MOST_LATE + 1, MOST_LATE + 1))
        self._pings = 0

    def add(self, profile: EchoProfile, place: int) -> None:
        """Take the next ping's own profile, turned back by its own sign."""
        signs = late_signs(place)
        envelope = profile.envelope.astype(np.complex128)
        sums, ahead = np.outer(signs, envelope), np.outer(signs, profile.ahead)
        energy = np.abs(envelope) ** 2
        if self._first is None:
            self._first = profile
            self._sums, self._ahead, self._energy = sums, ahead, energy
        else:
            bins = min(self._energy.size, energy.size)
            lead = min(self._ahead.shape[1], ahead.shape[1])
            self._sums = self._sums[:, :bins] + sums[:, :bins]
            self._energy = self._energy[:bins] + energy[:bins]
            self._ahead = (
                self._ahead[:, self._ahead.shape[1] - lead :] + ahead[:, ahead.shape[1] - lead :]
            )
        self._gram += np.outer(signs, signs)
        self._pings += 1

    def solved(self) -> SolvedSum | None:
        """Return the sums by how late they are; None where too few pings tell them apart."""
        first, ways = self._first, len(self._gram)
        if first is None or self._pings <= ways:
            return None
        if np.linalg.eigvalsh(self._gram)[0] < LEAST_TOLD * self._pings:
            return None
        solve = np.linalg.inv(self._gram)
        envelopes = solve @ self._sums
        explained = np.sum((envelopes.conj() * self._sums).real, axis=0)
        left = np.maximum(self._energy - explained, 0.0) / (self._pings - ways)
        profiles = tuple(
            EchoProfile(
                envelope=envelope,
                ahead=ahead,
                bin_s=first.bin_s,
                pings=self._pings,
                shape=first.shape,
                pulse_index=first.pulse_index,
            )
            for envelope, ahead in zip(envelopes, solve @ self._ahead, strict=True)
        )
        return SolvedSum(profiles=profiles, u_amplitude=np.sqrt(np.outer(np.diag(solve), left)))
