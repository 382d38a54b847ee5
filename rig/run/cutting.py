"""Blocks cut anew once samples were lost or added, so that each holds a whole ping again."""

from __future__ import annotations

import dataclasses
from typing import NamedTuple

import numpy as np

from rig.bench.capture import CaptureBlock


class Cut(NamedTuple):
    """How a stream's blocks are cut.

    Attributes
    ----------
    sooner : int
        So many samples sooner than they came, from 0 to less than a block.
    later_pings : int
        The ping that is then in a block was due so many blocks later; negative for sooner.
    """

    sooner: int = 0
    later_pings: int = 0


class Cutter:
    """Cuts a stream's blocks so that each holds a whole ping.

    Attributes
    ----------
    cut : Cut
    """

    def __init__(self) -> None:
        self.cut = Cut()
        self._before: CaptureBlock | None = None
        self._latest: CaptureBlock | None = None

    def take(self, block: CaptureBlock) -> CaptureBlock:
        """Take the next block as it came, and return it as it is cut now."""
        self._before, self._latest = self._latest, block
        if not any(self.cut):
            return block
        return self.across(self.cut) or block

    def across(self, cut: Cut) -> CaptureBlock | None:
        """Return the latest block as it would be cut; None where that is not at hand."""
        before, latest = self._before, self._latest
        if before is None or latest is None:
            return None
        sooner, length = cut.sooner, latest.samples.shape[1]
        if before.samples.shape != latest.samples.shape:
            return None
        if latest.start_sample - before.start_sample != length:
            return None
        samples = np.concatenate(
            [before.samples[:, length - sooner :], latest.samples[:, : length - sooner]], axis=1
        )
        # Pulses take turns: two at the most.
        pulses, place = (before.pulse_index, latest.pulse_index), latest.sign_place
        return dataclasses.replace(
            latest,
            samples=samples,
            pulse_index=pulses[(cut.later_pings + 1) % 2],
            sign_place=None if place is None else place + cut.later_pings,
            start_sample=latest.start_sample - sooner,
            flags=(before.flags if sooner else latest.flags) | latest.flags,
        )
