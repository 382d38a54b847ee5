"""The profiles of a recording of any length, kept to be gone over again: on disk, not in memory."""

from __future__ import annotations

import math
import tempfile
from collections.abc import Iterable, Iterator

import numpy as np
from numpy.typing import NDArray

from dsp.ping.pulse.peaks import KERNEL_HALF
from dsp.ping.ranging import path_from_range_m
from rig.bench.closing import Closing
from rig.errors import StorageError
from rig.run.receiver import Receiver
from rig.run.results import PingResult

_BACKGROUND_PINGS = 600
"""A median of so many pings is as good as of all, and a long recording has more."""


class KeptProfiles(Closing):
    """Each ping's own profile, up to a range, in an unnamed file.

    Parameters
    ----------
    receiver : Receiver
        Of the pings.
    to_m : float
        What lies beyond is not kept.

    Raises
    ------
    StorageError
        Where there is no room for the file; so does :meth:`take`.
    """

    def __init__(self, receiver: Receiver, to_m: float) -> None:
        path_m = float(path_from_range_m(to_m, receiver.plan.geometry.baseline_m))
        self.bins = math.ceil(path_m / receiver.sound_speed_m_s / receiver.shape.bin_s)
        self.bins += KERNEL_HALF + 1
        self.pings = 0
        self.left_out = 0
        try:
            self._file = tempfile.TemporaryFile()  # noqa: SIM115 (closed with this)
        except OSError as problem:
            raise _no_room(problem) from problem

    def close(self) -> None:
        """Let the file go."""
        self._file.close()

    def take(self, result: PingResult) -> None:
        """Keep the next ping's profile; of a lost one, silence."""
        row = np.zeros(self.bins, dtype=np.complex64)
        if result.alone is None:
            self.left_out += 1
        else:
            heard = result.alone.envelope[: self.bins]
            row[: heard.size] = heard
        try:
            self._file.write(row.tobytes())
        except OSError as problem:
            raise _no_room(problem) from problem
        self.pings += 1

    def taking(self, results: Iterable[PingResult]) -> Iterator[PingResult]:
        """Keep each ping's profile as it goes by."""
        for result in results:
            self.take(result)
            yield result

    def rows(self, first: int = 0, last: int | None = None) -> NDArray[np.complex64]:
        """Return the profiles from ping `first` up to before `last`, shape (pings, bins)."""
        last = self.pings if last is None else min(last, self.pings)
        self._file.flush()
        self._file.seek(first * self.bins * 8)
        data = self._file.read((last - first) * self.bins * 8)
        self._file.seek(0, 2)
        return np.frombuffer(data, dtype=np.complex64).reshape(-1, self.bins)

    def still(self) -> NDArray[np.complex64]:
        """Return what stood still: the median of each bin over pings spread over all."""
        which = np.unique(np.linspace(0, self.pings - 1, _BACKGROUND_PINGS).astype(int))
        some = np.concatenate([self.rows(i, i + 1) for i in which])
        some = some[np.abs(some).any(axis=1)]
        if not some.size:
            return np.zeros(self.bins, dtype=np.complex64)
        median = np.median(some.real, axis=0) + 1j * np.median(some.imag, axis=0)
        return np.asarray(median, dtype=np.complex64)


def _no_room(problem: OSError) -> StorageError:
    return StorageError(
        f"focus: profiles cannot be kept in {tempfile.gettempdir()} ({problem.strerror}); make "
        "room there, or name another folder with TMPDIR"
    )
