"""Blocks cut anew once samples were lost or added, so that each holds a whole ping again."""

from __future__ import annotations

import dataclasses

import numpy as np

from rig.bench.capture import CaptureBlock


class Cutter:
    """Cuts a stream's blocks so many samples sooner than they came.

    Attributes
    ----------
    sooner : int
        Samples, from 0 to less than a block.
    """

    def __init__(self) -> None:
        self.sooner = 0
        self._before: CaptureBlock | None = None
        self._latest: CaptureBlock | None = None

    def take(self, block: CaptureBlock) -> CaptureBlock:
        """Take the next block as it came, and return it as it is cut now."""
        self._before, self._latest = self._latest, block
        if self.sooner == 0:
            return block
        return self.across(self.sooner) or block

    def across(self, sooner: int) -> CaptureBlock | None:
        """Return the latest block cut sooner; None where the one before it is not at hand."""
        before, latest = self._before, self._latest
        if before is None or latest is None:
            return None
        length = latest.samples.shape[1]
        if before.samples.shape != latest.samples.shape:
            return None
        if latest.start_sample - before.start_sample != length:
            return None
        samples = np.concatenate(
            [before.samples[:, length - sooner :], latest.samples[:, : length - sooner]], axis=1
        )
        # Cut by more than half, it is the ping before that is whole in it.
        whole = before if 2 * sooner > length else latest
        return dataclasses.replace(
            latest,
            samples=samples,
            pulse_index=whole.pulse_index,
            sign_place=whole.sign_place,
            start_sample=latest.start_sample - sooner,
            flags=before.flags | latest.flags,
        )
