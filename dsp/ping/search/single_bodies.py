"""What one body may send back, however it moves and whatever its law of frequency.

An echo that is none of these is more than one: :mod:`dsp.ping.search.more_than_one` says so. So may
one body send back what the pulse is by the time that it is heard: that is read off another sound.
"""

from __future__ import annotations

import functools
import math

import numpy as np
from numpy.typing import NDArray

from dsp.ping.noise.noise import noise_about
from dsp.ping.products import product
from dsp.ping.pulse.echo_shape import EchoShape
from dsp.ping.search.search_plan import SearchPlan

COMPARED_LOBES = np.linspace(-1.0, 1.0, 9)
"""So far from its top an echo is compared with a copy."""

MOST_DILATION = 0.02
"""A body that moves stretches its echo by twice its speed over that of sound: by so much at 3 m/s
in air."""

LAWS = (-2.0, -1.0, 0.0, 0.5, 1.0, 2.0)
"""Powers of the frequency by which bodies send back more: a large ball or a small plate edge on by
none, a long cylinder by the half, a plate by the first, a ball small against the wave by the
second (textbook laws of target strength); and less, by air and the edge of a beam."""

TOLD_SHARE = 0.1
"""Ways in which noise may look about a top count where it has more power in them than this share
of the most, by which an error of the noise's colour is held. Over two lobes these are four of a
chirp's, and hold 0.94 of what there is to tell of two within a lobe (the median; a fifth: 1.00)."""

TOP_LOBES = 0.1
"""So near to the top of what one body sends back a copy is fitted to it: about twice what noise
moves it by at 20 dB 2E/N0, a chirp's by 0.55 / (10 B) or 0.04 of a lobe."""

_TAPS = 13
HEARD_LOBES = np.linspace(-4.0, 4.0, 33)
"""So far from its top another sound is read. About each of :data:`COMPARED_LOBES` every second of
:data:`_TAPS` counts: half a lobe is less than 1/B, so that these hold all of it, and three lobes
to each side hold what a law of frequency draws on."""

_SHIFTS_LOBES = np.linspace(-0.5, 0.5, 33)
"""What a law makes of a coloured pulse has its top elsewhere. A 64th of a lobe beside it, a copy
leaves 0.03 of its amplitude."""


@functools.lru_cache(maxsize=32)
def evened(planned: SearchPlan) -> NDArray[np.complex128]:
    """Return what makes of values about a top some in which noise is alike, each by itself.

    A matched filter's output within a lobe holds all that tells of bodies there. Times values at
    :data:`COMPARED_LOBES`; shape (told, places about the top).
    """
    return evened_at(planned, COMPARED_LOBES)


def evened_at(planned: SearchPlan, lobes: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Return the same of values at other places, in lobes from a top; shape (told, places)."""
    lag_s, bin_s = lobes * planned.lobe_bins * planned.shape.bin_s, planned.shape.bin_s
    power, ways = noise_about(planned.shape, lag_s, planned.table.turns / bin_s)
    told = power > TOLD_SHARE * power[-1]
    return np.asarray((ways[:, told] / np.sqrt(power[told])).conj().T)


@functools.lru_cache(maxsize=32)
def single_bodies(planned: SearchPlan) -> NDArray[np.complex128]:
    """Return echoes as one body may send them back, each of an energy of 1.

    By each of :data:`LAWS`, and at each speed: what comes or goes turns its echo's phase, evenly
    over so short a time. Shape (bodies, told), as of :func:`explained_by`.
    """
    shape, turns = planned.shape, planned.table.turns
    offset = COMPARED_LOBES * planned.lobe_bins
    copies = np.exp(2j * np.pi * np.outer(offset * shape.bin_s, shape.offset_hz))
    laws = np.array([copies @ (shape.weights * share) for share in _shares(shape)])
    laws *= np.exp(-2j * np.pi * turns * offset)
    return _moved(laws, planned)


def sent_back(
    sounds: NDArray[np.complex128], planned: SearchPlan
) -> tuple[NDArray[np.complex128], NDArray[np.bool_]]:
    """Return what bodies send back of a pulse heard as each of some sounds is.

    Parameters
    ----------
    sounds : ndarray of complex128, shape (sounds, 33)
        Read at :data:`HEARD_LOBES`.

    Returns
    -------
    bodies : ndarray of complex128, shape (sounds, bodies, told)
        By each of :data:`LAWS`, at some shifts and each speed, as of :func:`explained_by`.
    on_top : ndarray of bool, shape (sounds, bodies)
        Which of them have their top where a copy would be fitted.
    """
    places = np.arange(COMPARED_LOBES.size)[:, np.newaxis] + 2 * np.arange(_TAPS)
    filters = _filters(planned.shape, planned.table.turns, planned.lobe_bins)
    still = (sounds[:, places] @ filters).swapaxes(1, 2)
    height = np.abs(still[:, :, COMPARED_LOBES.size // 2])
    top = height.reshape(len(sounds), len(LAWS), -1).argmax(axis=2)
    off_top = np.abs(_SHIFTS_LOBES - _SHIFTS_LOBES[top][..., np.newaxis])
    on_top = (off_top < TOP_LOBES).reshape(len(sounds), -1)
    return _moved(still, planned), on_top.repeat(len(_moving(planned)), axis=1)


def explained_by(
    bodies: NDArray[np.complex128],
    own: NDArray[np.complex128],
    may_be: NDArray[np.bool_] | None = None,
) -> NDArray[np.float64]:
    """Return how much of each echo's energy one body sends back, however it moves.

    Parameters
    ----------
    bodies : ndarray of complex128, shape (bodies, told)
        Of :func:`single_bodies` or :func:`sent_back`.
    own : ndarray of complex128, shape (echoes, told)
        The echoes about their tops, by :func:`evened`.
    may_be : ndarray of bool, shape (echoes, bodies), optional
        Which bodies each may be; any where it is not said.

    Returns
    -------
    ndarray of float64, shape (echoes,)
        By the body that explains most; 0 where there are none.
    """
    alike = product(own.conj(), bodies.T)
    power = alike.real**2 + alike.imag**2
    return np.asarray(power.max(axis=1, initial=0.0, where=True if may_be is None else may_be))


def _moved(bodies: NDArray[np.complex128], planned: SearchPlan) -> NDArray[np.complex128]:
    """Return bodies that stand still at each speed that they may have, each of an energy of 1.

    Shape (..., bodies times speeds, told), from (..., bodies, places about the top).
    """
    even = evened(planned)
    ways = (even * _moving(planned)[:, np.newaxis]).reshape(-1, COMPARED_LOBES.size)
    moved = product(bodies, ways.T).reshape(*bodies.shape[:-2], -1, len(even))
    parts = moved.view(np.float64)
    moved /= np.sqrt(np.einsum("...i,...i->...", parts, parts))[..., np.newaxis]
    return moved


@functools.lru_cache(maxsize=32)
def _filters(shape: EchoShape, turns: float, lobe_bins: float) -> NDArray[np.complex128]:
    """Return what taps make of a sound each of :data:`LAWS`, shifted, shape (taps, filters).

    By least squares over the band, of what the taps can tell apart to a millionth.
    """
    turns_each = shape.offset_hz * shape.bin_s - turns
    root = np.sqrt(shape.weights)[:, np.newaxis]
    taps_lobes = np.linspace(-3.0, 3.0, _TAPS)
    taps = root * np.exp(2j * np.pi * np.outer(turns_each, taps_lobes * lobe_bins))
    shifts = root * np.exp(2j * np.pi * np.outer(turns_each, _SHIFTS_LOBES * lobe_bins))
    across, size, along = np.linalg.svd(taps, full_matrices=False)
    told = size > 1e-6 * size[0]
    inverse = along[told].conj().T / size[told]
    back = across[:, told].conj().T
    return np.hstack([inverse @ ((back * share) @ shifts) for share in _shares(shape)])


def _shares(shape: EchoShape) -> list[NDArray[np.float64]]:
    """Return over the band what a body sends back by each of :data:`LAWS`."""
    frequency_hz = np.abs(shape.carrier_hz + shape.offset_hz)
    share = np.maximum(frequency_hz / frequency_hz.mean(), 1e-3)
    return [share**law for law in LAWS]


@functools.lru_cache(maxsize=32)
def _moving(planned: SearchPlan) -> NDArray[np.complex128]:
    """Return what each speed that a body may have turns an echo by, shape (speeds, places)."""
    shape, offset = planned.shape, COMPARED_LOBES * planned.lobe_bins
    turn = abs(planned.table.turns + shape.carrier_hz * shape.bin_s)
    most_rad = 2 * math.pi * MOST_DILATION * turn
    return np.asarray(np.exp(1j * np.outer(np.linspace(-1, 1, 9) * most_rad, offset)))
