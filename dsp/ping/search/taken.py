"""The echoes taken so far from some profiles, and what is left of their envelopes.

An echo is a place, in bins, and a complex gain: its copy of the compressed pulse, read off one
table at any part of a bin, is taken away from the envelope. The echoes of all profiles stand in
one column (:mod:`dsp.ping.search.rows`).
"""

from __future__ import annotations

import math
from copy import copy

import numpy as np
from numpy.typing import NDArray

from dsp.ping.products import pieces, product
from dsp.ping.pulse.lobe_table import POWERS, powers_of
from dsp.ping.search.rows import alike, starts_of
from dsp.ping.search.search_plan import SearchPlan

MISFIT_OVER_RMS = math.sqrt(math.log(1e5))
"""A misfit is so many times the root mean square of what is left of an echo's side lobes, over
its ceiling. That scatters as noise does, whose power passes ln 1/p of its mean in a share p of
places: the mean is a median over ln 2, or what a tenth pass over ln 10, and one place in 1e5 is
chosen to pass the misfit, so that of the two dozen lobes beside an echo one stands out in some
4000 echoes. With one in 8000, as three times would be, what moves or is coloured was listed again
beside itself (``python -m tests.adversary --class moving --class "coloured pulse"``)."""


class Taken:
    """Echoes taken away so far from some profiles, and what is left of their envelopes.

    The echoes of all profiles stand in one column, in the order of their profiles, and each
    profile's in the order in which they were found. No profile knows of another: what is
    done for those that still have something to do leaves the others as they are.

    Parameters
    ----------
    envelopes : ndarray of complex64, shape (profiles, bins)
    planned : SearchPlan

    Attributes
    ----------
    profiles : int
    left_padded : ndarray of complex64, shape (profiles, bins and a margin at each end)
        What is left, turned back by the middle of the band, between zeros.
    power : ndarray of float32, shape (profiles, bins)
        Of what is left, as of the last :meth:`measure`.
    profile : ndarray of int, shape (echoes,)
        Whose each echo is.
    start : ndarray of int, shape (profiles + 1,)
        Where each profile's echoes begin.
    position, found : ndarray of float64, shape (echoes,)
        Where each stands, in bins, and where it was found.
    gain : ndarray of complex128, shape (echoes,)
    strength : ndarray of float64, shape (echoes,)
        Magnitude of the gain.
    misfit, most_misfit : ndarray of float64, shape (echoes,)
        Share of its side lobes that may be there still, and what a trial told it to be at most.
    moved : ndarray of float64, shape (profiles,)
        By how much of its standard uncertainty an echo moved in the last step of a fit, at the
        most; infinite where echoes came or went since.
    dropped_profile, dropped, dropped_below : ndarray, shape (dropped,)
        Whose those were that were dropped, where they were found, and, on power, below which
        threshold of noise they were: 0 of those that were found to be part of another.
    """

    def __init__(self, envelopes: NDArray[np.complexfloating], planned: SearchPlan) -> None:
        self.planned = planned
        self.profiles, bins = envelopes.shape
        self._padded = np.zeros((self.profiles, bins + 2 * planned.margin), dtype=np.complex64)
        inside = slice(planned.margin, -planned.margin)
        np.multiply(envelopes, planned.turn, out=self._padded[:, inside], casting="same_kind")
        self.left_padded = self._padded.copy()
        self._left = self.left_padded[:, inside]
        self.profile: NDArray[np.intp] = np.empty(0, dtype=np.intp)
        self.start: NDArray[np.intp] = np.zeros(self.profiles + 1, dtype=np.intp)
        self.position: NDArray[np.float64] = np.empty(0)
        self.found: NDArray[np.float64] = np.empty(0)
        self.gain: NDArray[np.complex128] = np.empty(0, dtype=np.complex128)
        self.strength: NDArray[np.float64] = np.empty(0)
        self.misfit: NDArray[np.float64] = np.empty(0)
        self.most_misfit: NDArray[np.float64] = np.empty(0)
        self.moved: NDArray[np.float64] = np.zeros(self.profiles)
        self.dropped_profile: NDArray[np.intp] = np.empty(0, dtype=np.intp)
        self.dropped: NDArray[np.float64] = np.empty(0)
        self.dropped_below: NDArray[np.float64] = np.empty(0)
        self.power = np.empty((self.profiles, bins), dtype=np.float32)
        self.measure(np.arange(self.profiles))

    def add(self, profile: NDArray[np.intp], where: NDArray[np.float64]) -> None:
        """Add echoes of some profiles after those that these have already."""
        unknown = np.zeros(where.size)
        self.profile = np.concatenate([self.profile, profile])
        self.position = np.concatenate([self.position, where])
        self.found = np.concatenate([self.found, where])
        self.gain = np.concatenate([self.gain, unknown])
        self.strength = np.concatenate([self.strength, unknown])
        self.misfit = np.concatenate([self.misfit, unknown])
        self.most_misfit = np.concatenate([self.most_misfit, unknown + np.inf])
        self.moved[profile] = np.inf
        self._pick(self.profile.argsort(kind="stable"))

    def keep(self, kept: NDArray[np.bool_], *, below: NDArray[np.float64] | float = 0.0) -> None:
        """Drop all other echoes; `below` is on power, the threshold that each was not above."""
        if np.count_nonzero(kept) == kept.size:
            return
        dropped_of = np.concatenate([self.dropped_profile, self.profile[~kept]])
        order = dropped_of.argsort(kind="stable")
        self.dropped_profile = dropped_of[order]
        self.dropped = np.concatenate([self.dropped, self.found[~kept]])[order]
        below = np.broadcast_to(below, kept.shape)[~kept]
        self.dropped_below = np.concatenate([self.dropped_below, below])[order]
        self.moved[self.profile[~kept]] = np.inf
        self._pick(kept.nonzero()[0])

    def _pick(self, echoes: NDArray[np.intp]) -> None:
        """Take these echoes alone, in this order."""
        self.profile = self.profile[echoes]
        self.misfit, self.most_misfit = self.misfit[echoes], self.most_misfit[echoes]
        self.position, self.found = self.position[echoes], self.found[echoes]
        self.gain, self.strength = self.gain[echoes], self.strength[echoes]
        self.start = starts_of(self.profile, self.profiles)

    def trial(self, going: NDArray[np.intp]) -> Taken:
        """Return what was taken from some profiles, to be gone on with apart."""
        trial, its = copy(self), self.of(going)
        trial.profiles = going.size
        trial._padded, trial.left_padded = self._padded[going], self.left_padded[going]
        trial._left = trial.left_padded[:, self.planned.margin : -self.planned.margin]
        trial.power, trial.moved = self.power[going], self.moved[going]
        lost = np.isin(self.dropped_profile, going)
        trial.dropped, trial.dropped_below = self.dropped[lost], self.dropped_below[lost]
        trial.dropped_profile = np.searchsorted(going, self.dropped_profile[lost])
        trial._pick(its.nonzero()[0])
        trial.profile = np.searchsorted(going, trial.profile)
        trial.start = starts_of(trial.profile, trial.profiles)
        return trial

    def places(self) -> NDArray[np.intp]:
        """Return the bin that each echo is in."""
        return np.rint(self.position).astype(np.intp)

    def some(self, going: NDArray[np.intp]) -> NDArray[np.intp] | slice:
        """Return what takes these profiles out of all, without a copy where it is all of them."""
        return slice(None) if going.size == self.profiles else going

    def of(self, going: NDArray[np.intp]) -> NDArray[np.bool_]:
        """Say which echoes are of these profiles."""
        these = np.zeros(self.profiles, dtype=bool)
        these[going] = True
        return np.asarray(these[self.profile])

    def measure(self, going: NDArray[np.intp]) -> None:
        """Set the power of what is left of some profiles."""
        some = self.some(going)
        parts = np.square(self._left[some].view(np.float32))
        self.power[some] = parts[:, ::2] + parts[:, 1::2]

    def heard(self, echo: NDArray[np.intp]) -> NDArray[np.float64]:
        """Return how loud the envelope is, all echoes in it, within a lobe of some echoes."""
        reach = math.ceil(self.planned.lobe_bins)
        bins = self.places()[echo][..., np.newaxis] + np.arange(-reach, reach + 1)
        about = self._padded[self.profile[echo][..., np.newaxis], bins + self.planned.margin]
        return np.asarray(np.abs(about).max(axis=-1), dtype=np.float64)

    def let_go(self, *, of_heard: bool) -> None:
        """Let go of what is left, and of what :meth:`heard` tells unless it is asked again.

        What echoes hide is told without.
        """
        self.left_padded, self.power = self.left_padded[:, :0], self.power[:, :0]
        self._left = self.left_padded
        if of_heard:
            self._padded = self.left_padded

    def read(
        self, profile: NDArray[np.intp], position: NDArray[np.float64]
    ) -> tuple[NDArray[np.complex128], NDArray[np.complex128], NDArray[np.complex128]]:
        """Return what is left at some places between bins, its slope and its bend, a bin."""
        place = np.rint(position)
        window = self.around(profile, place.astype(np.intp))
        terms = product(window, self.planned.reader).reshape(*place.shape, 3, POWERS)
        read = np.add.reduce(terms * powers_of(position - place)[..., np.newaxis, :], axis=-1)
        return read[..., 0], read[..., 1], read[..., 2]

    def values(
        self, profile: NDArray[np.intp], position: NDArray[np.float64]
    ) -> NDArray[np.complex128]:
        """Return what is left at some places between bins."""
        place = np.rint(position)
        terms = self.around(profile, place.astype(np.intp)) @ self.planned.reader[:, :POWERS]
        return np.asarray(np.add.reduce(terms * powers_of(position - place), axis=-1))

    def around(self, profile: NDArray[np.intp], place: NDArray[np.intp]) -> NDArray[np.complex64]:
        """Return what is left in the bins that some bins are read off, shape (..., taps)."""
        first = profile * self.left_padded.shape[1] + place
        window = self.left_padded.reshape(-1).take(first[..., np.newaxis] + self.planned.taps)
        return np.asarray(window)

    def take_away(self, going: NDArray[np.intp]) -> None:
        """Subtract the copies of all echoes of some profiles from their envelopes."""
        table, margin = self.planned.table, self.planned.margin
        first_bin, bins = margin - table.reach_bins, 2 * table.reach_bins + 1
        some = self.some(going)
        self.left_padded[some] = self._padded[some]
        for index in alike(self.start, going):
            place = np.rint(self.position[index])
            terms = self.gain[index][..., np.newaxis] * powers_of(place - self.position[index])
            terms = terms.astype(np.complex64)
            profiles, starts = self.profile[index[:, 0]].tolist(), place.astype(int) + first_bin
            for these in pieces(index.shape[1], table.copies):
                for row, there, copies in zip(
                    profiles, starts[:, these].tolist(), terms[:, these] @ table.copies, strict=True
                ):
                    left = self.left_padded[row]
                    for start, one in zip(there, copies, strict=True):
                        part = left[start : start + bins]
                        part -= one
        self.left_padded[some, :margin] = 0
        self.left_padded[some, -margin:] = 0
