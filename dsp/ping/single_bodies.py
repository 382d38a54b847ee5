"""What one body may send back, however it moves and whatever its law of frequency.

An echo that is none of these is more than one: :mod:`dsp.ping.more_than_one` says so.
"""

from __future__ import annotations

import functools
import math

import numpy as np
from numpy.typing import NDArray

from dsp.ping.search_plan import SearchPlan

COMPARED_LOBES = np.linspace(-1.0, 1.0, 9)
"""So far from its top an echo is compared with a copy."""

MOST_DILATION = 0.02
"""A body that moves stretches its echo by twice its speed over that of sound: by so much at 3 m/s
in air."""

LAWS = (-2.0, -1.0, 0.0, 0.5, 1.0, 2.0)
"""Powers of the frequency by which bodies send back more: a large ball or a small plate edge on by
none, a long cylinder by the half, a plate by the first, a ball small against the wave by the
second (textbook laws of target strength); and less, by air and the edge of a beam."""


@functools.lru_cache(maxsize=32)
def single_bodies(planned: SearchPlan) -> NDArray[np.complex128]:
    """Return echoes as one body may send them back, each of an energy of 1.

    By each of :data:`LAWS`, and at each speed: what comes or goes turns its echo's phase, evenly
    over so short a time. Shape (bodies, places about the top).
    """
    shape, turns = planned.shape, planned.table.turns
    offset = COMPARED_LOBES * planned.lobe_bins
    frequency_hz = np.abs(shape.carrier_hz + shape.offset_hz)
    share = np.maximum(frequency_hz / frequency_hz.mean(), 1e-3)
    copies = np.exp(2j * np.pi * np.outer(offset * shape.bin_s, shape.offset_hz))
    laws = np.array([copies @ (shape.weights * share**law) for law in LAWS])
    most_rad = 2 * math.pi * MOST_DILATION * abs(turns + shape.carrier_hz * shape.bin_s)
    moving = np.exp(1j * np.outer(np.linspace(-1, 1, 9) * most_rad, offset))
    bodies = laws[:, np.newaxis] * moving * np.exp(-2j * np.pi * turns * offset)
    bodies = bodies.reshape(-1, offset.size)
    return np.asarray(bodies / np.linalg.norm(bodies, axis=1, keepdims=True))
