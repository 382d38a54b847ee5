"""The ring between a sound callback and whoever reads: samples, and a flag for each."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rig.bench.capture import CaptureFlag


class SampleRing:
    """A ring of samples with one writer and one reader, made whole before it is used.

    :meth:`write` is called by the sound callback: it copies into arrays that are
    there already, takes no lock and never waits. When the reader falls behind,
    the writer laps it; :meth:`read` then hands on silence in the place of what was
    overwritten, flagged as missing, so that no later sample moves.

    Two plain counts keep writer and reader apart. What is about to be overwritten
    is claimed before the copy and counted as written after it, and the reader
    looks at the claim again once it has copied.

    Parameters
    ----------
    capacity : int
        How many samples it holds; more than the largest buffer that is written.
    channels : int
    """

    def __init__(self, capacity: int, channels: int) -> None:
        self._samples = np.zeros((capacity, channels), dtype=np.float32)
        self._flags = np.zeros(capacity, dtype=np.uint8)
        self._capacity = capacity
        self._claimed = 0
        self._written = 0
        self._read = 0

    @property
    def written(self) -> int:
        """How many samples were ever written."""
        return self._written

    def write(self, samples: NDArray[np.float32], flag_bits: int) -> None:
        """Take one buffer.

        Parameters
        ----------
        samples : ndarray of float32, shape (frames, channels)
        flag_bits : int
            The value of the :class:`CaptureFlag` that came with the buffer; it is
            kept beside each of its samples.
        """
        frames = len(samples)
        self._claimed = self._written + frames
        at = self._written % self._capacity
        first = min(frames, self._capacity - at)
        self._samples[at : at + first] = samples[:first]
        self._flags[at : at + first] = flag_bits
        if first < frames:
            self._samples[: frames - first] = samples[first:]
            self._flags[: frames - first] = flag_bits
        self._written += frames

    def read(self) -> tuple[int, NDArray[np.float32], NDArray[np.uint8]]:
        """Copy out all that is new.

        Returns
        -------
        position : int
            Of the first sample, counted from the first that was ever written.
        samples : ndarray of float32, shape (frames, channels)
        flag_bits : ndarray of uint8, shape (frames,)
        """
        begin, end = self._read, self._written
        samples = np.zeros((end - begin, self._samples.shape[1]), dtype=np.float32)
        flag_bits = np.full(end - begin, CaptureFlag.MISSING.value, dtype=np.uint8)
        held = max(begin, end - self._capacity)
        at = held % self._capacity
        first = min(end - held, self._capacity - at)
        for place, here, count in (
            (held - begin, at, first),
            (held - begin + first, 0, end - held - first),
        ):
            samples[place : place + count] = self._samples[here : here + count]
            flag_bits[place : place + count] = self._flags[here : here + count]
        overwritten = max(0, min(end, self._claimed - self._capacity) - begin)
        samples[:overwritten] = 0
        flag_bits[:overwritten] = CaptureFlag.MISSING.value
        self._read = end
        return begin, samples, flag_bits
