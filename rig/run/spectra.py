"""The spectrum of each block's channels, taken once for all that ask."""

from __future__ import annotations

import functools

import numpy as np
from numpy.typing import NDArray

from dsp.ping.compression import PulseCompressor
from rig.bench.capture import CaptureBlock

BLOCKS_KEPT = 4
"""A block is held against a few of those before it, and no more."""


class Spectra:
    """Spectra of a stream's latest blocks.

    Parameters
    ----------
    compress : PulseCompressor
        Any of the stream's; all have the same forward FFT.
    """

    def __init__(self, compress: PulseCompressor) -> None:
        self._compress = compress
        self._kept = functools.lru_cache(maxsize=2 * BLOCKS_KEPT)(self._of)

    def of(self, block: CaptureBlock, channel: int) -> NDArray[np.complex64]:
        """Return the spectrum of one channel, from 0, of a block."""
        return self._kept(block, channel)

    def _of(self, block: CaptureBlock, channel: int) -> NDArray[np.complex64]:
        return self._compress.spectrum(block.samples[channel])
