"""Where pings that are sent one by one are first heard, and whether another must tell."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.ping.first_sound.train_start import Train, begun_alone, train_begun
from dsp.ping.first_sound.trains import comes_again
from dsp.ping.pulse.echo_shape import EchoShape

MOST_PINGS = 8
"""Of so many the first sound stands in most, the last among them: what the last alone has ahead
of it is then passed over. A file is asked of as many."""

AROUND_STRONGEST_S = 0.1
"""How long before a ping's strongest sound its first may arrive, 34 m of path in air. All that was
heard need not be searched for weak arrivals."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstHeard:
    """What the pings so far tell of where the first sound stands.

    Attributes
    ----------
    train : Train or None
        None where no sound is heard, or none comes again.
    delay_s : float
        Of its first sound, from a ping's leaving.
    is_sure : bool
        Whether no other ping need be asked.
    """

    train: Train | None
    delay_s: float = math.nan
    is_sure: bool = False


class OneByOne:
    """Pings that are asked one by one.

    Of two or more it is the first sound that comes again in most, which a knock or a word does
    not. What the last has ahead of it and the others have not may cover an earlier one, and what
    came first in two of them may be that one, covered in the others: the next will show.

    Parameters
    ----------
    shape, drift_bins, way_s
        As for :func:`dsp.ping.first_sound.train_start.train_begun`.
    """

    def __init__(self, shape: EchoShape, *, drift_bins: float, way_s: float = math.inf) -> None:
        self._shape, self._drift_bins, self._way_s = shape, drift_bins, way_s
        # Newest first: a ping, and when the first of all that it alone has comes.
        self._pings: list[NDArray[np.complexfloating]] = []
        self._soonest_s: list[float] = []

    @property
    def heard(self) -> int:
        """In how many pings there was a sound."""
        return len(self._pings)

    def hear(self, ping: NDArray[np.complexfloating]) -> FirstHeard:
        """Take one more ping, its envelope from its leaving on, and tell what all say together."""
        shape, way_s, drift_bins = self._shape, self._way_s, self._drift_bins
        strongest = int(np.abs(ping).argmax())
        around = math.ceil(AROUND_STRONGEST_S / shape.bin_s)
        begin = max(0, strongest - around)
        newest, *earlier = (each[begin : strongest + around] for each in (ping, *self._pings))
        begin_s = begin * shape.bin_s
        alone = begun_alone(newest, shape, way_s=way_s)
        if alone is None:
            return FirstHeard(train=None)
        soonest_s = (alone.ahead or alone.first).delay_s
        self._pings.insert(0, ping)
        self._soonest_s.insert(0, begin_s + soonest_s)
        if not earlier:
            return FirstHeard(train=alone, delay_s=begin_s + alone.first.delay_s)
        train = train_begun(newest, earlier, shape, drift_bins=drift_bins, way_s=way_s)
        if train is None:
            return FirstHeard(train=None)
        before_s = train.first.delay_s - shape.width_s / 2
        is_sure = train.ahead is None
        if is_sure and soonest_s < before_s:
            again = comes_again(
                newest,
                earlier,
                np.array([soonest_s / shape.bin_s]),
                lobe_bins=max(1.0, shape.width_s / shape.bin_s),
                drift_bins=drift_bins,
            )
            # What comes again was weighed with the rest.
            if not again[0]:
                is_sure = self.heard >= MOST_PINGS and not self._came_twice(begin_s + before_s)
        elif is_sure:
            is_sure = not self._came_twice(begin_s + before_s)
        return FirstHeard(train=train, delay_s=begin_s + train.first.delay_s, is_sure=is_sure)

    def _came_twice(self, before_s: float) -> bool:
        """Say whether two pings have the same sound first of all, and ahead of an instant."""
        drift_s = self._drift_bins * self._shape.bin_s
        ahead = [(k, each_s) for k, each_s in enumerate(self._soonest_s) if each_s < before_s]
        return any(
            abs(one_s - other_s) < self._shape.width_s / 2 + (k - i) * drift_s
            for (i, one_s), (k, other_s) in itertools.combinations(ahead, 2)
        )
