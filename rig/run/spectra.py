"""The spectrum of each block's channels, taken once for all that ask."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from functools import partial

import numpy as np
from numpy.typing import NDArray

from dsp.ping.pulse.compression import PulseCompressor
from dsp.ping.samples.clearing import Clearing
from dsp.ping.samples.straightening import Straightening
from dsp.ping.samples.uncutting import Uncut, Uncutting
from rig.bench.capture import CaptureBlock

BLOCKS_KEPT = 4
"""A block is held against a few of those before it, and no more."""


class Spectra:
    """Spectra of a stream's latest blocks, uncut, straightened, cleared of hum, rumble and clicks.

    Parameters
    ----------
    compressors : sequence of PulseCompressor
        One for each of the stream's pulses; all have the same forward FFT.
    channels : int
        How many of a block's are asked for.
    """

    def __init__(self, compressors: Sequence[PulseCompressor], *, channels: int = 2) -> None:
        self._compress = compressors[0]
        self._clear = Clearing(*compressors)
        # Each channel has an input of its own, which cuts or bends or does not.
        self._restore: defaultdict[int, Uncutting] = defaultdict(partial(Uncutting, compressors))
        self._straighten: defaultdict[int, Straightening] = defaultdict(
            partial(Straightening, compressors)
        )
        self._channels = channels
        self._kept: dict[tuple[CaptureBlock, int], NDArray[np.complex64]] = {}
        self._rumbled: set[tuple[CaptureBlock, int]] = set()
        self._uncut: dict[tuple[CaptureBlock, int], Uncut] = {}

    def take(self, blocks: Sequence[CaptureBlock], channel: int) -> None:
        """Take the spectra of one channel of some blocks at once: a third of the work.

        They are kept until the next few blocks' are taken.
        """
        wanted = [block for block in blocks if (block, channel) not in self._kept]
        if not wanted:
            return
        each = []
        for block in wanted:
            samples = block.samples[channel]
            uncut = self._restore[channel](samples)
            if uncut is not None:
                self._uncut[block, channel] = uncut
                samples = uncut.samples
            each.append(self._straighten[channel](samples))
        heard = each[0][np.newaxis] if len(each) == 1 else np.array(each)
        spectra = self._compress.spectrum(heard)
        rumbles = self._clear.each(heard, spectra, [block.pulse_index for block in wanted])
        for number, block in enumerate(wanted):
            # Turned back by its own sign, a ping's own echoes stand upright whichever it is.
            if block.sign < 0:
                np.negative(spectra[number], out=spectra[number])
        self._kept.update(((b, channel), s) for b, s in zip(wanted, spectra, strict=True))
        self._rumbled.update((wanted[number], channel) for number in rumbles)
        for oldest in list(self._kept)[: -self._channels * (len(wanted) + BLOCKS_KEPT)]:
            del self._kept[oldest]
            self._rumbled.discard(oldest)
            self._uncut.pop(oldest, None)

    def of(self, block: CaptureBlock, channel: int) -> NDArray[np.complex64]:
        """Return the spectrum of one channel, from 0, of a block."""
        if (block, channel) not in self._kept:
            self.take([block], channel)
        return self._kept[block, channel]

    def uncut(self, block: CaptureBlock, channel: int) -> Uncut | None:
        """Return what was reckoned back of a block's channel; None where nothing was cut off.

        Or where its spectrum was not asked for, or dropped since.
        """
        return self._uncut.get((block, channel))

    def rumbled(self, block: CaptureBlock, channel: int) -> bool:
        """Say whether hum or rumble was taken out of the spectrum of one channel of a block."""
        self.of(block, channel)
        return (block, channel) in self._rumbled

    def filtered(self, compressors: Sequence[PulseCompressor]) -> tuple[PulseCompressor, ...]:
        """Return compressors of blocks that hum or rumble was taken out of."""
        return tuple(compress.of_filtered(self._clear.kept) for compress in compressors)
