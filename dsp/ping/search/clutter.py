"""What stands beside a first sound, too weak or too dense to be told from it, and pulls it.

The quiet ahead of a first sound tells nothing of clutter that is heard with it. What is left beside
its copy does: what is more than noise there is clutter. It moves the sound's top as noise that is
as strong would, anew in each ping, and all ranges of that ping with it.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.ping.noise.noise import noise_about
from dsp.ping.pulse.echo_shape import EchoShape
from dsp.ping.pulse.lobe_table import lobe_table, powers_of
from dsp.ping.search.rows import pairs
from dsp.ping.search.taken import Taken

BESIDE_LOBES = 2.0
"""So far to each side of a sound it is looked for clutter: there noise has four or five ways to
look in which no copy is seen. Farther off clutter may be other than at the top: a demonstration's
falls by 3 dB a lobe, and begins 1.3 lobes ahead."""

TOLD_SHARE = 0.1
"""Ways in which noise has less power than this share of the most tell nothing."""

ECHO_TAKES = 1.5
"""An echo's strength, phase and place are three real numbers of what was beside a sound."""

TELLS_LESS = 1.5
"""Of a mean power that k complex numbers tell, the mean inverse, by which errors go, is k/(k − 1)
of its own inverse (the gamma distribution's). Where clutter begins with a sound, none is ahead of
it, half as many tell, and it is k/(k − 2). Nothing says which: k/(k − 1.5) is taken."""

RISK = 1e-5
"""Another sound beside a first one counts as clutter where a crest of clutter that is as strong as
what is left reaches it more often. It is a crest that was sought, and took its share of that
clutter with it: at 1e-3 one in ten of dense clutter's passes for a sound of its own, and 2u of the
first one hold 0.90 (``tests/benchmarks/drawn_marks.py --clutter``). A bounce in quiet is a hundred
times as strong."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ClutterLook:
    """What a look for clutter beside a sound of one shape needs, made once.

    Attributes
    ----------
    half : int
        Bins to each side of a sound's own that are looked at.
    ways : ndarray of complex64, shape (2 half + 1, told)
        Times what is left there, turned back by the band's middle: numbers in which noise is alike,
        each by itself, of its own mean power, and in which a copy is not seen, nor a shifted one.
    copies : ndarray of complex128, shape (2 reach + 1, told, POWERS)
        What a copy of 1 is in them, from `reach` bins ahead to as many behind, a lobe farther off
        than is looked at, as polynomials in the part of a bin.
    moves : float
        By how much more clutter moves a top than noise that is as strong in them, in variance.
    """

    half: int
    ways: NDArray[np.complex64]
    copies: NDArray[np.complex128]
    moves: float

    def beyond(self, energy: float, noise: float, echoes: int) -> float:
        """Return the power of noise that would move a top as the clutter beside it does.

        Parameters
        ----------
        energy : float
            Of what is left beside it, by :attr:`ways`.
        noise : float
            Mean power that is known to be there, and is not counted again.
        echoes : int
            How many were taken away there.

        Notes
        -----
        What is beyond noise is raised for what few numbers tell, and not noise, which many do.
        Of errors at any level of even clutter 0.93 to 0.97 are then within 2u (computed).
        """
        told = max(self.ways.shape[1] - ECHO_TAKES * echoes, 2 * TELLS_LESS)
        beyond: float = self.moves * max(energy - told * noise, 0.0) / (told - TELLS_LESS)
        return beyond


@functools.lru_cache(maxsize=32)
def clutter_look(shape: EchoShape) -> ClutterLook:
    """Return what a look for clutter beside a sound needs.

    Clutter is countless echoes: it has the pulse's spectrum once more than noise has.
    """
    table = lobe_table(shape)
    lobe_bins = max(1.0, shape.width_s / shape.bin_s)
    half = min(math.ceil(BESIDE_LOBES * lobe_bins), table.reach_bins)
    lag: NDArray[np.intp] = np.arange(-half, half + 1)
    lag_s = np.asarray(lag * shape.bin_s, dtype=np.float64)
    power, noise_ways = noise_about(shape, lag_s, table.turns / shape.bin_s)
    told = power > TOLD_SHARE * power[-1]
    even = (noise_ways[:, told] / np.sqrt(power[told])).conj().T
    copy = table.at_lag[lag + table.reach_bins + 1, :2, 0]
    others = np.linalg.svd(even @ copy)[0][:, 2:]
    ways = others.conj().T @ even
    reach = min(half + math.ceil(lobe_bins), table.reach_bins)
    off = np.arange(-reach, reach + 1)
    of_lag = np.clip(lag - off[:, np.newaxis] + table.reach_bins + 1, 0, len(table.at_lag) - 1)
    copies = np.tensordot(table.at_lag[of_lag, 0], ways, (1, 1)).swapaxes(1, 2)
    spectrum = shape.weights**2 / np.sum(shape.weights**2)
    away = shape.offset_hz - shape.weights @ shape.offset_hz
    turns = shape.offset_hz * shape.bin_s - table.turns
    seen = (ways @ np.exp(2j * np.pi * np.outer(lag, turns))) * np.sqrt(spectrum)
    over_noise = (spectrum @ away**2) / (shape.noise_weights @ away**2)
    return ClutterLook(
        half=half,
        ways=ways.T.astype(np.complex64),
        copies=copies,
        moves=float(over_noise * len(ways) / np.sum(_energy(seen))),
    )


def clutter_beside(
    taken: Taken,
    stands: NDArray[np.bool_],
    quiet: NDArray[np.float64],
    known: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.bool_]]:
    """Return how strong noise would move echoes as the clutter beside them does.

    Parameters
    ----------
    stands : ndarray of bool, shape (echoes,)
        Which stand out of the noise and of what stronger ones left. Others are no echoes.
    quiet, known : ndarray of float64, shape (echoes,)
        Mean power of the quiet ahead of each, and of all that is known to be at each.

    Returns
    -------
    power : ndarray of float64, shape (echoes,)
        Beyond what is known.
    of_found : ndarray of float64, shape (echoes,)
        What of it is by others that were taken away and count as clutter.
    clutter : ndarray of bool, shape (echoes, echoes)
        Beside each, which others are counted in it.
    """
    planned, place = taken.planned, taken.places()
    look = clutter_look(planned.shape)
    first = taken.profile * taken.left_padded.shape[1] + place + (planned.margin - look.half)
    bins = first[:, np.newaxis] + np.arange(2 * look.half + 1)
    left = (taken.left_padded.reshape(-1).take(bins) @ look.ways).astype(np.complex128)
    clutter = np.zeros((place.size, place.size), dtype=bool)
    echo, other, _ = pairs(taken.profile, taken.start)
    off = place[other] - place[echo]
    reach = len(look.copies) // 2
    beside = ((np.abs(off) <= reach) & (echo != other)).nonzero()[0]
    echo, other, off = echo[beside], other[beside], off[beside]
    counts = np.bincount(echo[np.abs(off) <= look.half], minlength=place.size)
    power = _beyond(look, left, known, counts)
    if not echo.size:
        return power, np.zeros(place.size), clutter
    told = np.maximum(look.ways.shape[1] - ECHO_TAKES * counts, 1.0)
    level = np.maximum(_energy(left) / told, quiet)
    # A crest's power over a mean of so many is F distributed.
    crest = level * told * (RISK ** (-1 / told) - 1)
    some = ~stands[other] | (taken.strength[other] ** 2 < crest[echo])
    echo, other, off = echo[some], other[some], off[some]
    clutter[echo, other] = True
    terms = taken.gain[other, np.newaxis] * powers_of(place[other] - taken.position[other])
    np.add.at(left, echo, np.einsum("ctp,cp->ct", look.copies[off + reach], terms))
    counts -= np.bincount(echo[np.abs(off) <= look.half], minlength=place.size)
    whole = _beyond(look, left, known, counts)
    return whole, np.maximum(whole - power, 0.0), clutter


def _beyond(
    look: ClutterLook,
    numbers: NDArray[np.complex128],
    noise: NDArray[np.float64],
    echoes: NDArray[np.intp],
) -> NDArray[np.float64]:
    """Do :meth:`ClutterLook.beyond` for each row of numbers."""
    each = zip(_energy(numbers).tolist(), noise.tolist(), echoes.tolist(), strict=True)
    return np.array([look.beyond(*one) for one in each])


def _energy(numbers: NDArray[np.complexfloating]) -> NDArray[np.float64]:
    """Return the energy of each row."""
    return np.asarray(np.sum(numbers.real**2 + numbers.imag**2, axis=1), dtype=np.float64)
