"""The ways a sound may have come by: what each does to a frequency, and how that changes.

Bounces, filters of one corner, a mouth seen from the side, and a bounce through a low-pass.
"""

from __future__ import annotations

import dataclasses
import functools
import math

import numpy as np
from numpy.typing import NDArray

from dsp.ping.first_sound.likeness import Law, Way
from dsp.ping.pulse.echo_shape import EchoShape

CORNERS = (0.1, 8.0)
"""Of the band's centre: what lies farther leaves a pulse as it is, or next to nothing of it."""

SHARPNESS, HIGHEST = (0.5, 4.0), 4.0
"""Quality of a resonance, and by what factor one lifts or sinks."""

FARTHEST_LOBES = 1.5
"""Of a second path: farther behind it is another sound."""

_PER_CORNER, _PER_SHARPNESS, _PER_LIFT = (
    math.log(high / low) for low, high in (CORNERS, SHARPNESS, (1 / HIGHEST, HIGHEST))
)


@functools.lru_cache(maxsize=32)
def bounce_way(shape: EchoShape, *, louder: bool, dulled: bool = False) -> Way:
    """Return the way by which a sound comes with one more behind it, weaker or louder than it.

    The louder of the two is what is placed. Both may come through a low-pass.
    """
    # In terms of the turns of the band's centre.
    farthest = FARTHEST_LOBES * shape.width_s * shape.centre_hz * (1 if louder else -1)
    return Way(
        law=_DULLED_BOUNCE if dulled else _BOUNCE,
        apart=(farthest,),
        parameters=4 if dulled else 2,
        starts=_starts(4, 2, 8, 8) if dulled else _starts(8, 8),
        behind_lobes=FARTHEST_LOBES if louder else 0.0,
    )


def _bounced(
    over: NDArray[np.float64], at: NDArray[np.float64], farthest: NDArray[np.float64]
) -> NDArray[np.complex128]:
    return np.asarray(1 + (2 * at[:, :1] - 1) * np.exp(2j * np.pi * farthest * at[:, 1:2] * over))


def _bounced_sloped(
    over: NDArray[np.float64], at: NDArray[np.float64], farthest: NDArray[np.float64]
) -> NDArray[np.complex128]:
    turns = 2j * np.pi * farthest * over
    turned = np.exp(turns * at[:, 1:2])
    behind = (2 * at[:, :1] - 1) * turned
    return np.stack([1 + behind, 2 * turned, turns * behind], axis=1)


def _dulled_bounced(
    over: NDArray[np.float64], at: NDArray[np.float64], farthest: NDArray[np.float64]
) -> NDArray[np.complex128]:
    return np.asarray(_filtered(over, at, _LOW_PASS) * _bounced(over, at[:, 2:], farthest))


def _dulled_bounced_sloped(
    over: NDArray[np.float64], at: NDArray[np.float64], farthest: NDArray[np.float64]
) -> NDArray[np.complex128]:
    dulled = _filtered_sloped(over, at, _LOW_PASS)[:, :3]
    bounced = _bounced_sloped(over, at[:, 2:], farthest)
    return np.concatenate([dulled * bounced[:, :1], dulled[:, :1] * bounced[:, 1:]], axis=1)


def _filtered(
    over: NDArray[np.float64], at: NDArray[np.float64], filters: NDArray[np.float64]
) -> NDArray[np.complex128]:
    """Return what filters do that are told apart as by :func:`_filter`."""
    _, _, above, below = _filter_parts(over, at, filters)
    return np.asarray(above / below)


def _filtered_sloped(
    over: NDArray[np.float64], at: NDArray[np.float64], filters: NDArray[np.float64]
) -> NDArray[np.complex128]:
    turned, width, above, below = _filter_parts(over, at, filters)
    first, second, third, fourth, sharp, rises, _ = filters.T[..., np.newaxis]
    response, lift = above / below, HIGHEST ** (2 * at[:, 2:3] - 1)
    lifted = rises * lift * width
    # Where all turns by one part more, both grow by so much; a corner turns all back.
    below_grows = first + 2 * second * turned
    below_grows += turned**2 * (3 * third + 4 * fourth * turned)
    below_grows = turned * below_grows + sharp * width
    above_grows = lifted + 2 * rises * turned**2
    by_corner = _PER_CORNER * (response * below_grows - above_grows) / below
    by_sharpness = _PER_SHARPNESS * (response * sharp * width - lifted) / below
    return np.stack([response, by_corner, by_sharpness, _PER_LIFT * lifted / below], axis=1)


def _filter_parts(
    over: NDArray[np.float64], at: NDArray[np.float64], filters: NDArray[np.float64]
) -> tuple[NDArray[np.complex128], ...]:
    """Return jω over the corner's, that over the sharpness, and what stands over what."""
    first, second, third, fourth, sharp, rises, is_high = filters.T[..., np.newaxis]
    by_centre = np.asarray(np.where(is_high, -1j / over, 1j * over), dtype=np.complex128)
    turned = by_centre / _between(CORNERS, at[:, :1])
    width = turned / _between(SHARPNESS, at[:, 1:2])
    below = 1 + turned * (first + turned * (second + turned * (third + turned * fourth)))
    above = 1 + rises * (HIGHEST ** (2 * at[:, 2:3] - 1) * width + turned**2)
    return turned, width, above, below + sharp * width


def _filter(*powers: float, sharp: bool = False, rises: bool = False) -> tuple[float, ...]:
    """Return what tells a low-pass from others: of 1 over 1 + a₁s + a₂s² and so on, the aₙ.

    Of one that is `sharp` a₁ is one over its sharpness; one that `rises` has above what it has
    below, its a₁ lifted.
    """
    return (*powers, *[0.0] * (4 - len(powers)), float(sharp), float(rises), 0.0)


def _steep(order: int) -> tuple[float, ...]:
    """Return a maximally flat low-pass: poles evenly on a circle."""
    poles = np.exp(1j * np.pi * (2 * np.arange(order) + order + 1) / (2 * order))
    return _filter(*np.poly(poles).real[1:].tolist())


def _from_the_side(
    over: NDArray[np.float64], at: NDArray[np.float64], apart: NDArray[np.float64]
) -> NDArray[np.complex128]:
    return _from_the_side_sloped(over, at, apart)[:, 0]


def _from_the_side_sloped(
    over: NDArray[np.float64], at: NDArray[np.float64], _apart: NDArray[np.float64]
) -> NDArray[np.complex128]:
    square = (over / _between(CORNERS, at[:, :1])) ** 2
    response = np.exp(-square)
    return np.stack([response, 2 * _PER_CORNER * square * response], axis=1) + 0j


def _between(ends: tuple[float, float], at: NDArray[np.float64]) -> NDArray[np.float64]:
    low, high = ends
    return np.asarray(low * (high / low) ** at)


def _starts(*each: int) -> NDArray[np.float64]:
    """Return where parameters are looked for, so many values of each."""
    grid = np.meshgrid(*(np.linspace(0.05, 0.95, steps) for steps in each), indexing="ij")
    return np.stack(grid, axis=-1).reshape(-1, len(each))


def _filter_way(filter_: tuple[float, ...], *each: int) -> Way:
    return Way(
        law=_FILTER,
        apart=filter_,
        parameters=len(each),
        starts=np.pad(_starts(*each), ((0, 0), (0, 3 - len(each)))),
    )


def _turned_over(low: Way) -> Way:
    """Return the high-pass of a low-pass: jω over the corner's gives way to its inverse."""
    return dataclasses.replace(low, apart=(*low.apart[:-1], 1.0))


_BOUNCE = Law(response=_bounced, sloped=_bounced_sloped)
_DULLED_BOUNCE = Law(response=_dulled_bounced, sloped=_dulled_bounced_sloped)
_FILTER = Law(response=_filtered, sloped=_filtered_sloped)
_SIDE = Law(response=_from_the_side, sloped=_from_the_side_sloped)

_SECOND_ORDER = _filter(0.0, 1.0, sharp=True)
_LOW_PASS = np.array([_SECOND_ORDER])
_LOW_PASSES = (
    _filter_way(_SECOND_ORDER, 8, 8),
    *(_filter_way(_steep(order), 16) for order in (1, 3, 4)),
)

FILTERS = (
    Way(law=_SIDE, parameters=1, starts=_starts(10)),
    *_LOW_PASSES,
)
"""Of one corner: what colours the pulse as one of them does is late as one of them is.

They may pass for a bounce and are none, as :data:`RESONANCE` may. Without the second, a sampled
one-pole was told as a bounce, and three bounces as one; without the first, a mouth seen from the
side (``python tests/benchmarks/drawn_marks.py``)."""

RESONANCE = _filter_way(_filter(0.0, 1.0, sharp=True, rises=True), 8, 6, 6)
UNBOUNDED = (RESONANCE, *(_turned_over(way) for way in _LOW_PASSES))
"""What else may pass for a bounce: a resonance, and high-passes, for a louder one of opposite sign.

A resonance has so much to choose that it takes for its own what a low-pass behind it does, and
leaves out the delay: what it explains is not bounded by it, nor by a bounce through a low-pass."""
