"""The stream as it was heard, and the cutting of blocks out of it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rig.bench.capture import CaptureFlag

_FULL_SCALE = 1 - 2**-15
"""The largest positive sample of a 16-bit converter, the coarsest in use."""

_OUTPUT_FLAGS = (CaptureFlag.OUTPUT_UNDERFLOW | CaptureFlag.OUTPUT_OVERFLOW).value


class HeardStream:
    """A stretch of a stream that grows at its end and is forgotten at its start.

    Parameters
    ----------
    channels : int
    """

    def __init__(self, channels: int) -> None:
        self._start = 0
        self._end = 0
        self._samples = np.zeros((0, channels), dtype=np.float32)
        self._flag_bits = np.zeros(0, dtype=np.uint8)
        self._fresh: list[tuple[NDArray[np.float32], NDArray[np.uint8]]] = []

    @property
    def end(self) -> int:
        """One past the last sample that was heard."""
        return self._end

    def append(
        self, position: int, samples: NDArray[np.float32], flag_bits: NDArray[np.uint8]
    ) -> None:
        """Add the next samples, shape (frames, channels), and their flags.

        Raises
        ------
        ValueError
            Where they do not start at :attr:`end`, unless nothing is held.
        """
        if self._start == self._end:
            self._start = self._end = position
        if position != self._end:
            raise ValueError(f"position: found {position}; the next sample is {self._end}")
        self._fresh.append((samples, flag_bits))
        self._end += len(samples)

    def forget_before(self, position: int) -> None:
        """Let go of what was heard before `position`."""
        self._join()
        gone = min(max(0, position - self._start), len(self._samples))
        self._samples = self._samples[gone:].copy()
        self._flag_bits = self._flag_bits[gone:].copy()
        self._start += gone

    def cut(
        self, start: int, stop: int, *, delay: int, output_lag: int
    ) -> tuple[NDArray[np.float32], CaptureFlag]:
        """Cut out one block.

        Parameters
        ----------
        start, stop : int
            First sample, and one past the last. What has not come is silence,
            flagged as missing.
        delay : int
            Samples from a ping's leaving in the stream's count to its mark in it.
        output_lag : int
            Samples between the buffer that is being filled and the one that sounds.

        Returns
        -------
        samples : ndarray of float32, shape (channels, stop − start)
        flags : CaptureFlag
            Of the buffers that the block's samples came with, and of the output
            that it was there to hear: a gap in the output that is reported with
            output sample p was made between p − `output_lag` and the buffer's
            end, and heard `delay` later.
        """
        self._join()
        samples = np.zeros((stop - start, self._samples.shape[1]), dtype=np.float32)
        first, last = (min(max(p, self._start), self._end) for p in (start, stop))
        samples[first - start : last - start] = self._samples[
            first - self._start : last - self._start
        ]
        bits = self._bits(start, stop) & ~_OUTPUT_FLAGS
        bits |= self._bits(start - delay, stop - delay + output_lag) & _OUTPUT_FLAGS
        if (first, last) != (start, stop):
            bits |= CaptureFlag.MISSING.value
        # A sample that is not a number counts as clipped, too.
        if not (np.abs(samples) < _FULL_SCALE).all():
            bits |= CaptureFlag.CLIPPED.value
        return samples.T, CaptureFlag(bits)

    def _join(self) -> None:
        """Join what was added, once for a block and not once for each buffer."""
        if self._fresh:
            fresh_samples, fresh_bits = zip(*self._fresh, strict=True)
            self._samples = np.concatenate([self._samples, *fresh_samples])
            self._flag_bits = np.concatenate([self._flag_bits, *fresh_bits])
            self._fresh.clear()

    def _bits(self, start: int, stop: int) -> int:
        held = slice(max(0, start - self._start), max(0, stop - self._start))
        return int(np.bitwise_or.reduce(self._flag_bits[held], initial=0))
