"""What faces that ring make of one body's echo, or of two: the pulse through a resonance or two.

A mass on a spring, as a disc of piezo ceramic is near one of its modes, passes
1 / (1 + iQ (f/f₀ − f₀/f)) (a driven oscillator's velocity, textbook). A sender or a receiver that
rings is one such face, both of a kind are two alike. What is heard about an echo is fitted by one
body or two before them, by least squares, in numbers whose noise is 1 and independent.

References
----------
G. H. Golub and V. Pereyra, *SIAM J. Numer. Anal.* 10, 1973, p. 413 (cited from memory): the
strengths, which are linear, drop out of a fit.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.ping.products import product
from dsp.ping.search.search_plan import SearchPlan
from dsp.ping.search.single_bodies import evened_at

AHEAD_LOBES, RING_LOBES = 2.0, 8.0
RUNG_LOBES = np.arange(-AHEAD_LOBES, RING_LOBES + 0.25, 0.5)
"""So far from an echo's top its ringing is read; half a lobe is less than 1/B. Two faces that ring
at a chirp's centre with a Q of 5 are 40 dB down by then (computed)."""

QUALITIES = (0.7, 1.2, 2.2, 3.9, 7.0)
STARTS_A_WIDTH = 1.5
"""Fits begin at these, and at so many resonances for each width f₀/Q of the band."""

QUALITY, FARTHEST_LOBES = (0.3, 20.0), 12.0
"""Bounds of a fit."""

AGAIN_LOBES = 48.0
"""Frequencies are so close that what they sum up comes again so much later: clear of all that is
read, however it is shifted."""

_LEAST_WEIGHT, _INSIDE = 1e-4, 1e-2
"""Of the strongest: what of a spectrum counts, and where in it resonances are looked for."""

_SHIFTS_LOBES = np.arange(-2.5, 6.01, 0.125)
_FIRST = np.abs(_SHIFTS_LOBES) <= 1.0
_NEAR_LOBES = np.arange(-1.0, 1.0, 1 / 64)
_ROUNDS, _TRIES, _BEST = 12, 6, 3
_STEP, _ENOUGH = 1e-3, 1e-3


@dataclass(frozen=True, slots=True, kw_only=True)
class Faces:
    """Faces that ring: the logarithms of their Q and of their frequency in Hz, and how many."""

    log_quality: float
    log_hz: float
    alike: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """The energy that a fit leaves of each sound, the faces, and where bodies stand from a top.

    These are the first sound's, the strongest first; what rings has its top behind the body.
    """

    left_each: tuple[float, ...]
    faces: Faces
    at_lobes: tuple[float, ...]

    @property
    def left(self) -> float:
        """Of all sounds together."""
        return sum(self.left_each)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Band:
    """Over a pulse's band: frequencies, what they turn by a lobe, and how they are read."""

    hz: NDArray[np.float64]
    turned: NDArray[np.complex128]
    weights: NDArray[np.float64]
    read: NDArray[np.complex128]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Starts:
    """Where fits begin: faces, how late they make a top, and what is read of them, shifted.

    Templates have an energy of 1, shape (starts, shifts, told); `overlap` is of each that is
    shifted little with each.
    """

    faces: tuple[Faces, ...]
    late_lobes: NDArray[np.float64]
    templates: NDArray[np.complex128]
    overlap: NDArray[np.complex128]


@functools.lru_cache(maxsize=32)
def evened_over_ringing(planned: SearchPlan) -> NDArray[np.complex128]:
    """Return what makes of values at :data:`RUNG_LOBES` some in which noise is alike."""
    return evened_at(planned, RUNG_LOBES)


def one_body(planned: SearchPlan, own: NDArray[np.complex128], *, most: float) -> Fit | None:
    """Return how one body before faces that ring fits an echo; None where none comes near.

    Parameters
    ----------
    own : ndarray of complex128, shape (told,)
        What is heard about it, by :func:`evened_over_ringing`.
    most : float
        No fit begins where more energy than this is left.
    """
    starts = _starts(planned)
    told = np.abs(_alike(starts.templates, own)) ** 2
    left = float(np.vdot(own, own).real) - told
    fits = []
    for alike in (1, 2):
        its = np.array([i for i, faces in enumerate(starts.faces) if faces.alike == alike])
        row, shift = np.unravel_index(left[its].argmin(), left[its].shape)
        start = its[row]
        if left[start, shift] < most:
            at = float(_SHIFTS_LOBES[shift] - starts.late_lobes[start])
            fits.append(_refined(planned, [own], starts.faces[start], [(at,)]))
    return min(fits, key=lambda fit: fit.left, default=None)


def two_bodies(planned: SearchPlan, own: NDArray[np.complex128], *, most: float) -> Fit | None:
    """Return how two bodies before faces that ring fit an echo, as :func:`one_body` does."""
    starts = _starts(planned)
    told = _alike(starts.templates, own)
    one, other = told[:, _FIRST, np.newaxis], told[:, np.newaxis]
    apart = 1 - np.abs(starts.overlap) ** 2
    crossed = (one.conj() * starts.overlap * other).real
    both = (np.abs(one) ** 2 + np.abs(other) ** 2 - 2 * crossed) / np.maximum(apart, 1e-9)
    left = float(np.vdot(own, own).real) - np.where(apart > 0.05, both, 0.0)
    left = left.reshape(len(left), -1)
    fits = []
    for start in left.min(axis=1).argsort(kind="stable")[:_BEST]:
        pair = int(left[start].argmin())
        if left[start, pair] < most:
            first, second = divmod(pair, _SHIFTS_LOBES.size)
            at = np.array([_SHIFTS_LOBES[_FIRST][first], _SHIFTS_LOBES[second]])
            at -= starts.late_lobes[start]
            fits.append(_refined(planned, [own], starts.faces[start], [tuple(at.tolist())]))
    return min(fits, key=lambda fit: fit.left, default=None)


def left_by_each(
    planned: SearchPlan, sounds: Sequence[NDArray[np.complex128]], fit: Fit, at_lobes: float
) -> tuple[float, ...]:
    """Return the energy left of each of several echoes by one body each before the same faces.

    Begun with what fits the first of them, and with the others `at_lobes` from their tops.
    """
    at = [fit.at_lobes[:1], *((at_lobes,) for _ in sounds[1:])]
    return _refined(planned, sounds, fit.faces, at).left_each


def left_by_body(
    planned: SearchPlan, own: NDArray[np.complex128], fit: Fit | None = None
) -> tuple[float, float]:
    """Return the energy that one body leaves of an echo, and where it stands, in lobes.

    Before faces as they were fitted to another; without them it sends a copy of the pulse.
    """
    if fit is None:
        at, copies, energy = _clean_copies(planned)
    else:
        at = _NEAR_LOBES + fit.at_lobes[0]
        copies, energy = _sent(_band(planned), at, _passed(_band(planned).hz, fit.faces))
    told = np.abs(copies.conj() @ own) ** 2 / energy
    top = int(told.argmax())
    most = float(told[top])
    if 0 < top < told.size - 1:
        before, after = float(told[top - 1]), float(told[top + 1])
        # A parabola through three has its top a little higher.
        most += (after - before) ** 2 / (8 * max(2 * most - before - after, 1e-12 * most))
    return max(0.0, float(np.vdot(own, own).real) - most), float(at[top])


@functools.lru_cache(maxsize=32)
def _clean_copies(
    planned: SearchPlan,
) -> tuple[NDArray[np.float64], NDArray[np.complex128], NDArray[np.float64]]:
    """Return copies of the pulse as they are read about a top: where each stands, and energies."""
    return _NEAR_LOBES, *_sent(_band(planned), _NEAR_LOBES, np.ones(_band(planned).hz.size))


def _sent(
    band: _Band, at_lobes: NDArray[np.float64], passed: NDArray[np.number]
) -> tuple[NDArray[np.complex128], NDArray[np.float64]]:
    """Return what bodies send, each alone, shape (places, told), and with how much energy."""
    copies = (passed * np.exp(np.outer(at_lobes, band.turned))) @ band.read
    return copies, np.sum(np.abs(copies) ** 2, axis=1)


def _alike(
    templates: NDArray[np.complex128], own: NDArray[np.complex128]
) -> NDArray[np.complex128]:
    rows = templates.reshape(-1, templates.shape[2])
    told = product(rows, own.conj()[:, np.newaxis]).conj()
    return np.asarray(told.reshape(templates.shape[:2]))


@functools.lru_cache(maxsize=32)
def _band(planned: SearchPlan) -> _Band:
    shape = planned.shape
    strong = np.abs(shape.weights) > _LEAST_WEIGHT * np.abs(shape.weights).max()
    # Every so many are enough where what they sum up comes again that much later.
    step = int(1 / (AGAIN_LOBES * shape.width_s * float(shape.offset_hz[1])))
    kept = strong.nonzero()[0][:: max(1, step)]
    turns = (shape.offset_hz[kept] * shape.bin_s - planned.table.turns) * planned.lobe_bins
    copies = np.exp(2j * np.pi * np.outer(RUNG_LOBES, turns)) * shape.weights[kept]
    return _Band(
        hz=np.maximum(shape.carrier_hz + shape.offset_hz[kept], 1.0),
        turned=-2j * np.pi * turns,
        weights=shape.weights[kept],
        read=np.ascontiguousarray((evened_over_ringing(planned) @ copies).T),
    )


@functools.lru_cache(maxsize=8)
def _starts(planned: SearchPlan) -> _Starts:
    band = _band(planned)
    inside = band.hz[np.abs(band.weights) > _INSIDE * np.abs(band.weights).max()]
    low, high = math.log(inside[0]), math.log(inside[-1])
    faces = tuple(
        Faces(log_quality=math.log(quality), log_hz=float(log_hz), alike=alike)
        for alike in (1, 2)
        for quality in QUALITIES
        for log_hz in np.linspace(low, high, 3 + math.ceil((high - low) * quality * STARTS_A_WIDTH))
    )
    passed = np.array([_passed(band.hz, each) for each in faces])
    # All that is read of them, however late and shifted, stands at sixteenths of a lobe.
    lag = np.arange(-16 * 2 * RING_LOBES, 16 * 3 * RING_LOBES) / 16
    heard = (passed * band.weights) @ np.exp(-np.outer(band.turned, lag))
    near = (lag >= 0) & (lag < RING_LOBES)
    late = lag[near][np.abs(heard[:, near]).argmax(axis=1)]
    place = RUNG_LOBES - _SHIFTS_LOBES[:, np.newaxis] + late[:, np.newaxis, np.newaxis]
    place = np.rint(16 * (place - lag[0])).astype(np.intp)
    read = np.take_along_axis(heard, place.reshape(len(faces), -1), axis=1)
    templates = read.reshape(place.shape) @ evened_over_ringing(planned).T
    templates /= np.linalg.norm(templates, axis=2, keepdims=True)
    overlap = templates[:, _FIRST].conj() @ templates.swapaxes(1, 2)
    return _Starts(faces=faces, late_lobes=late, templates=templates, overlap=overlap)


def _passed(hz: NDArray[np.float64], faces: Faces) -> NDArray[np.complex128]:
    at = np.array([[faces.log_quality, faces.log_hz]])
    return np.asarray(_responses(hz, at, faces.alike)[0])


def _responses(
    hz: NDArray[np.float64], at: NDArray[np.float64], alike: int
) -> NDArray[np.complex128]:
    quality, over = np.exp(at[:, :1]), hz / np.exp(at[:, 1:2])
    return np.asarray((1 + 1j * quality * (over - 1 / over)) ** -alike)


def _refined(
    planned: SearchPlan,
    sounds: Sequence[NDArray[np.complex128]],
    faces: Faces,
    at_lobes: Sequence[tuple[float, ...]],
) -> Fit:
    """Fit bodies in some sounds before the same faces by least squares, damped (Levenberg).

    The first sound's bodies are told.
    """
    band = _band(planned)
    at = np.array([faces.log_quality, faces.log_hz, *(lag for own in at_lobes for lag in own)])
    size, bodies = at.size, len(at_lobes[0])
    low, high = np.full(size, -FARTHEST_LOBES), np.full(size, FARTHEST_LOBES)
    low[0], high[0] = np.log(QUALITY)
    low[1], high[1] = math.log(band.hz[0]), math.log(band.hz[-1])

    def left(
        at: NDArray[np.float64],
    ) -> tuple[NDArray[np.complexfloating], NDArray[np.complexfloating]]:
        """Return what bodies at some places leave, and how strong the first sound's are."""
        passed = _responses(band.hz, at, faces.alike)
        rest, first, strengths = [], 2, []
        for own, its in zip(sounds, at_lobes, strict=True):
            shifts = at[:, first : first + len(its)].T[..., np.newaxis]
            heard = np.stack([(passed * np.exp(s * band.turned)) @ band.read for s in shifts], -1)
            back = heard.conj().swapaxes(1, 2)
            both = back @ heard
            both += 1e-9 * np.trace(both, axis1=1, axis2=2).real[:, None, None] * np.eye(len(its))
            strength = np.linalg.solve(both, back @ own[:, np.newaxis])
            rest.append(own - (heard @ strength)[..., 0])
            strengths.append(strength[0, :, 0])
            first += len(its)
        return np.concatenate(rest, axis=1), np.asarray(strengths[0])

    steps = _STEP * np.concatenate([np.zeros((1, size)), np.eye(size), -np.eye(size)])
    damping, (rest, strength) = 1e-3, left(at[np.newaxis])
    for _ in range(_ROUNDS):
        around, strength = left(at + steps)
        rest, fell = around[0], 0.0
        least = float(np.vdot(rest, rest).real)
        slopes = (around[1 : size + 1] - around[size + 1 :]) / (2 * _STEP)
        slopes = np.concatenate([slopes.real, slopes.imag], axis=1)
        bend, pull = slopes @ slopes.T, slopes @ np.concatenate([rest.real, rest.imag])
        for _ in range(_TRIES):
            stiff = bend + np.diag(damping * np.diag(bend) + 1e-9)
            tried = np.minimum(np.maximum(at - np.linalg.solve(stiff, pull), low), high)
            (after,), _ = left(tried[np.newaxis])
            fell = least - float(np.vdot(after, after).real)
            if fell > 0:
                at, rest, damping = tried, after, max(damping / 10, 1e-9)
                break
            damping *= 10
        if fell < _ENOUGH * least:
            break
    order = np.abs(strength).argsort(kind="stable")[::-1]
    each = np.split(rest.reshape(-1), len(sounds))
    return Fit(
        left_each=tuple(float(np.vdot(its, its).real) for its in each),
        faces=Faces(log_quality=float(at[0]), log_hz=float(at[1]), alike=faces.alike),
        at_lobes=tuple(at[2 : 2 + bodies][order].tolist()),
    )
