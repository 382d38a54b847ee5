"""The ways that the bodies of a scene have come, ping after ping."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from rig.tank.truth import TrueBody, Truth

_NOWHERE = (np.nan, np.nan, np.nan)

MOST_POINTS = 120
"""Of a way that is drawn; of more pings it takes some."""


class Ways:
    """Keeps where bodies were, so that each ping is asked for once.

    Parameters
    ----------
    truth : Truth
    """

    def __init__(self, truth: Truth) -> None:
        self._truth = truth
        self._places_m: dict[int, NDArray[np.float64]] = {}

    def of(
        self, bodies: Sequence[TrueBody], pings: Sequence[int]
    ) -> dict[int, NDArray[np.float64]]:
        """Return the way of each body that has moved.

        Parameters
        ----------
        bodies : sequence of TrueBody
            As they are at the last of `pings`.
        pings : sequence of int
            Those that are shown, oldest first.

        Returns
        -------
        dict
            By a body's number: where its middle was, shape (pings, 3); NaN while it was
            outside of the walls. It goes back as far as there were as many bodies as now:
            one taken out gives its number to the next.
        """
        step = -(-len(pings) // MOST_POINTS)
        shown = list(pings[:: -step or None])[::-1] if step else []
        places_m = {}
        for ping in reversed(shown):
            there = self._places_m.get(ping)
            if there is None:
                now = self._truth.bodies_at(ping)
                there = np.array([b.centre_m if b.inside else _NOWHERE for b in now])
            if len(there) != len(bodies):
                break
            places_m[ping] = there
        self._places_m = places_m
        if len(places_m) < 2:
            return {}
        ways_m = np.stack([places_m[ping] for ping in sorted(places_m)])
        return {
            body.number: ways_m[:, i]
            for i, body in enumerate(bodies)
            if (np.diff(ways_m[:, i], axis=0) != 0).any()
        }
