"""All echoes' delays and strengths, fitted together to the envelopes that they are in.

The model of an envelope is a sum of copies of the compressed pulse, each at its own delay and
with its own complex strength. For given delays the strengths are a linear least-squares fit;
the delays are searched by Gauss and Newton. What the echoes make of each other is read off the
compressed shape at the differences of their delays, so that a fit never runs over the profile:
it needs the envelope, its slope and its bend at the echoes alone.

References
----------
G. H. Golub and V. Pereyra, "The differentiation of pseudo-inverses and nonlinear least
squares problems whose variables separate", *SIAM J. Numer. Anal.* 10, 1973,
pp. 413–432 (the strengths are solved for, the delays alone are searched; from memory).
"""

from __future__ import annotations

import functools

import numpy as np
from numpy.typing import NDArray

from dsp.ping.search.noise_left import NoiseLeft
from dsp.ping.search.rows import alike, within
from dsp.ping.search.taken import Taken

NEAREST_LOBES = 0.5
"""Two that come nearer to each other than this are taken for one."""

MOST_TOGETHER = 32
"""So many echoes in a row are solved for together: for more, the time would grow with the
cube of their number."""

MOST_STEPS = 4
STILL = 1 / 7
"""The fit goes on until no echo moves by more than this share of its standard uncertainty. Even
where as much again were left, it would add but 1 % to that, which is stated with two digits
(JCGM 101:2008, 7.2.6). But no longer than :data:`MOST_STEPS`, which brings the last step that is
allowed down to 1/4 · 2⁻³ = 0.03 of a lobe: of two echoes 0.6 to 3 lobes apart, 0 to 15 dB unlike,
and of four in a row 0.9 to 1.4 lobes apart, as many are told with four steps as with eight, and as
well (measured; :mod:`tests.benchmarks.bench_search`, pairs)."""

NEARLY_STILL = 1.0
"""A first step of less than a standard uncertainty is most likely followed by one of less than
:data:`STILL`: the steps of an echo near its place are each a tenth of the one before (measured)."""

_DAMPING = 1e-3  # of an echo's own curvature: keeps two that stand in one place apart
RIDGE = 1e-6  # and their strengths finite


def fit(
    taken: Taken, noise: NoiseLeft, going: NDArray[np.intp], most_steps: NDArray[np.intp]
) -> None:
    """Fit delays and strengths of all echoes of a profile together, and take them away.

    Parameters
    ----------
    going, most_steps : ndarray of int, shape (profiles,)
        Which profiles, and how often at the most; once more where that is likely to settle it.
    """
    # Each step may go half as far as the one before: where sounds are no copies of the
    # pulse, echoes that explain them would else chase each other.
    farthest = taken.planned.lobe_bins / 4
    steps = 0
    while going.size:
        _step(taken, noise, going, farthest)
        _merge(taken)
        taken.take_away(going)
        steps += 1
        moved = taken.moved[going]
        onward = (moved > STILL) & ((steps < most_steps) | (moved < NEARLY_STILL) & (steps == 1))
        going, most_steps = going[onward], most_steps[onward]
        farthest /= 2


def in_u(
    taken: Taken,
    noise: NoiseLeft,
    bins: NDArray[np.float64],
    gain: NDArray[np.complex128],
    echoes: NDArray[np.intp] | slice = slice(None),
) -> NDArray[np.float64]:
    """Return how far so many bins are for some echoes, in their standard uncertainties."""
    u_bins = taken.planned.u_at_one_bins * noise.at(taken, echoes)
    return np.asarray(np.abs(bins * gain) / u_bins)


def _step(taken: Taken, noise: NoiseLeft, going: NDArray[np.intp], farthest: float) -> None:
    """Take one step of Gauss and Newton.

    The strengths are solved for, then the delays, by what is left at each echo and how
    it slopes. In blocks of echoes in a row: what is between blocks is left to the next
    step.
    """
    planned = taken.planned
    lobe = planned.lobe_bins
    gains, after = taken.gain.copy(), taken.position.copy()
    for index in alike(taken.start, going):
        order = taken.position[index].argsort(axis=1)
        index = index[:, :1] + order
        position = taken.position[index]
        # An echo that would leave its own lobe stays in it.
        found = taken.found[index]
        low = np.maximum(found - lobe / 2, 0) - position
        high = np.minimum(found + lobe / 2, planned.bins - 1) - position
        low, high = np.maximum(low, -farthest), np.minimum(high, farthest)
        step, gain = _stepped(taken, index, position, low, high)
        gains[index], after[index] = gain, position + step
        taken.moved[taken.profile[index[:, 0]]] = in_u(taken, noise, step, gain, index).max(axis=1)
    taken.gain, taken.position = gains, after
    taken.strength = np.abs(gains)


def _stepped(
    taken: Taken,
    index: NDArray[np.intp],
    position: NDArray[np.float64],
    low: NDArray[np.float64],
    high: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.complex128]]:
    """Return how far echoes of profiles with as many move in a step, and their gains then.

    Parameters
    ----------
    index : ndarray of int, shape (profiles, echoes)
        Each profile's nearest first.
    position : ndarray of float64, shape (profiles, echoes)
    low, high : ndarray of float64, shape (profiles, echoes)
        How far each may move.
    """
    profiles, echoes = index.shape
    value, slope, bow = taken.read(taken.profile[index], position)
    gain = taken.gain[index]
    blocks = -(-echoes // MOST_TOGETHER)
    size = -(-echoes // blocks)
    # Those that fill up the last block stand alone, far away, with nothing left of them.
    spare = blocks * size - echoes
    if spare:
        far = np.broadcast_to(-1e9 * np.arange(1, spare + 1), (profiles, spare))
        position = np.concatenate([position, far], axis=1)
        nothing = np.zeros((profiles, spare))
        value, slope, bow, gain = (
            np.concatenate([each, nothing], axis=1) for each in (value, slope, bow, gain)
        )
        low, high = (np.concatenate([each, nothing], axis=1) for each in (low, high))
    column = (profiles * blocks, size, 1)
    position, gain, slope = position.reshape(column), gain.reshape(column), slope.reshape(column)
    table, alone = taken.planned.table, _alone(size)
    centre = 1j * table.centre_rad
    copies = table.lags(position - position.swapaxes(1, 2))
    copy, copy_slope, copy_bend = copies
    answers = np.concatenate([value.reshape(column), copy_slope], axis=2)
    solved = np.linalg.solve(copy + RIDGE * alone, answers)
    more, by_slope = solved[..., :1], solved[..., 1:]
    gain = gain + more
    turned_back = gain.conj()
    sloping, bowing = copies[1:] @ more
    slope = slope - sloping
    pull = (turned_back * slope).real
    # Where what is left is hollow at an echo, its top is sharper than a copy's.
    hollow = bowing - bow.reshape(column) + 2 * centre * slope
    sharper = np.maximum((turned_back * hollow).real, 0.0)
    # A copy at the opposite lag is the conjugate: its slope there has changed its sign as well.
    bend = copy_bend - copy_slope @ by_slope
    curvature = (-turned_back * bend * gain.swapaxes(1, 2)).real
    damping = _DAMPING * table.curvature * (gain * turned_back).real + 1e-30
    step = np.linalg.solve(curvature + (damping + sharper) * alone, pull)
    step = within(step, low.reshape(column), high.reshape(column))
    # To first order in the step, but for the carrier's turn, which may be of radians.
    turn = centre * step
    gain = (gain - gain * turn + by_slope @ (gain * step)) * np.exp(turn)
    return (
        step.reshape(profiles, -1)[:, :echoes],
        gain.reshape(profiles, -1)[:, :echoes],
    )


@functools.lru_cache(maxsize=MOST_TOGETHER)
def _alone(size: int) -> NDArray[np.float64]:
    """Return the identity matrix, which is each echo alone."""
    alone = np.eye(size)
    alone.setflags(write=False)
    return alone


def _merge(taken: Taken) -> None:
    """Drop an echo that has come so near to one found before it that they are one."""
    near = NEAREST_LOBES * taken.planned.lobe_bins
    order = np.lexsort((taken.position, taken.profile))
    position = taken.position[order]
    of_one = taken.profile[1:] == taken.profile[:-1]
    close = (of_one & (position[1:] - position[:-1] < near)).nonzero()[0]
    if close.size:
        kept = np.ones(order.size, dtype=bool)
        kept[np.maximum(order[close], order[close + 1])] = False
        taken.keep(kept)
