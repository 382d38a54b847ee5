"""Pings that carry signs, added up by how late their echoes are."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.ping.pulse.profiles import EchoProfile
from dsp.ping.signs.signs import MOST_LATE, late_signs

LEAST_TOLD = 0.2
"""A sum is solved where each way of being late keeps so much of the pings' weight for itself."""


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
        self._beside: SignedSum | None = None

    def add(self, profile: EchoProfile, place: int) -> None:
        """Take the next ping's own profile, turned back by its own sign."""
        if profile.beside is not None:
            if self._beside is None:
                self._beside = SignedSum()
            self._beside.add(profile.beside, place)
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
        beside = None if self._beside is None else self._beside.solved()
        left = np.maximum(self._energy - explained, 0.0) / (self._pings - ways)
        profiles = tuple(
            EchoProfile(
                envelope=envelope,
                ahead=ahead,
                bin_s=first.bin_s,
                pings=self._pings,
                shape=first.shape,
                pulse_index=first.pulse_index,
                beside=None if beside is None else beside.profiles[by],
            )
            for by, (envelope, ahead) in enumerate(zip(envelopes, solve @ self._ahead, strict=True))
        )
        return SolvedSum(profiles=profiles, u_amplitude=np.sqrt(np.outer(np.diag(solve), left)))
