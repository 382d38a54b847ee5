"""Write a recording, so that a kill loses at most the last ping.

How the meta file grows, and why so:

- A ping's samples are written first, then its segment: a segment never names
  samples that are not there.
- A segment is appended by one write over the closing brackets, which carries the
  brackets along. The work does not grow with the recording, as rewriting the whole
  file and renaming it would, and the file is valid JSON before and after.
- What is found out later about a ping goes into blanks that its segment holds from
  the start. That write moves nothing and needs no space on the disk; were it torn,
  the ping's first line, which holds all that a replay needs, still stands.
- Space for both files may run out at any byte. Then the part is taken back, and the
  recording stands as it was before that ping.
"""

from __future__ import annotations

import contextlib
import dataclasses
import io
import json
import os
import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Protocol

import numpy as np

from rig.bench.capture import CaptureBlock, StreamInfo
from rig.bench.closing import Closing
from rig.bench.given_files import checksum_of
from rig.bench.plan import Plan
from rig.errors import StorageError
from rig.files.sigmf import (
    CAPTURES,
    CHECKSUM,
    DATATYPE,
    NAMESPACE_VERSION,
    PLAN,
    SAMPLE,
    SIGMF_VERSION,
    STREAM,
    TAIL,
    paths_of,
)
from rig.files.whole import already_there

_SLOT_BYTES = 320
"""Blanks kept in each segment for what is found later: the keys with two longest
floats take 180, which leaves a sentence for the reason."""
_OTHER_NAME = "give --record another name, or move the old recording away"


class Scenes(Protocol):
    """What really stood there, scene after scene, where a made-up one is sounded."""

    def tables(self, *, after: int, up_to: int) -> list[dict[str, Any]]:
        """Return those that begin to hold after one ping and up to another."""


class Recorder(Closing):
    """Write a recording, ping by ping.

    Parameters
    ----------
    name : str or path
        The recording's name; the two suffixes are put behind it.
    plan : Plan
    info : StreamInfo
    scenes : Scenes, optional
        Kept whole beside the pings, so that a replay can show what really stood there.

    Attributes
    ----------
    meta_path, data_path : Path
        The two files. The first is valid SigMF from here on, at first without a ping.

    Raises
    ------
    StorageError
        Where a file of that name is already there, or none can be made.
    """

    def __init__(
        self,
        name: str | os.PathLike[str],
        plan: Plan,
        info: StreamInfo,
        *,
        scenes: Scenes | None = None,
    ) -> None:
        self.meta_path, self.data_path = paths_of(name)
        self._channels = info.channels
        self._sample_rate_hz = info.sample_rate_hz
        self._scenes, self._scenes_up_to = scenes, -1
        self._frames = 0
        self._slot_at: dict[int, int] = {}
        head = json.dumps(_global_table(plan, info), indent=2, allow_nan=False)
        opening = f'{{\n"global": {head},\n"annotations": [],\n{CAPTURES}'.encode()
        self._meta_end = len(opening)
        for path in (self.meta_path, self.data_path):
            if os.path.exists(path):
                raise already_there(path, remedy=_OTHER_NAME)
        self._data = _create(self.data_path)
        try:
            self._meta = _create(self.meta_path)
        except StorageError:
            _discard(self._data)
            raise
        try:
            _write_at(self._meta, 0, opening + TAIL)
        except StorageError:
            _discard(self._data)
            _discard(self._meta)
            raise

    def write(self, block: CaptureBlock) -> None:
        """Append one ping: its samples, then its segment.

        Raises
        ------
        StorageError
            Where the disk is full or gone. The recording then stands as it did
            before this ping, and stays open.
        ValueError
            Where the block has another number of channels than the stream.
        """
        channels, frames = block.samples.shape
        if channels != self._channels:
            raise ValueError(
                f"block: found {channels} channels; give {self._channels}, as the stream has"
            )
        # A block comes as soon as its last sample is in, near enough for a calendar;
        # the pings' own clock is echobench:start_sample.
        began = datetime.now(UTC) - timedelta(seconds=frames / self._sample_rate_hz)
        segment = {
            "core:sample_start": self._frames,
            "core:datetime": began.isoformat(timespec="microseconds").replace("+00:00", "Z"),
            "echobench:index": block.index,
            "echobench:samples": frames,
            "echobench:start_sample": block.start_sample,
            "echobench:mark_s": float(block.mark_s),
            "echobench:pulse_index": block.pulse_index,
            "echobench:flags": [flag.name for flag in block.flags],
            "echobench:confirms_only": block.confirms_only,
        }
        if block.sign_place is not None:
            segment["echobench:sign_place"] = block.sign_place
        if self._scenes is not None:
            held = self._scenes.tables(after=self._scenes_up_to, up_to=block.index)
            if held:
                segment["echobench:scenes"] = held
        line = json.dumps(segment, allow_nan=False)[:-1]
        comma = "," if self._frames else ""
        entry = f"{comma}\n{line}\n".encode()
        raw = np.ascontiguousarray(block.samples.T, dtype=SAMPLE).tobytes()
        try:
            _write_at(self._data, self._frames * channels * SAMPLE.itemsize, raw)
            _write_at(self._meta, self._meta_end, entry + b" " * _SLOT_BYTES + b"}" + TAIL)
        except StorageError:
            # The reader copes where even this fails, so the first error is the news.
            with contextlib.suppress(OSError):
                self._take_back()
            raise
        self._scenes_up_to = block.index
        self._slot_at[block.index] = self._meta_end + len(entry)
        self._meta_end += len(entry) + _SLOT_BYTES + 1
        self._frames += frames

    def note(
        self, index: int, *, time_zero_s: float | None, method: str, lost: bool, reason: str
    ) -> None:
        """Put down what was found of a ping once it was processed.

        Parameters
        ----------
        index : int
            The ping's, already written.
        time_zero_s : float or None
            From the block's first sample to the pulse's leaving; None if not found.
        method : str
            How it was found, such as ``"direct"``.
        lost : bool
        reason : str
            Why the ping is lost. Cut where it is longer than a long sentence.

        Raises
        ------
        StorageError
        ValueError
            Where no ping of that index was written, or it has its note.
        """
        slot_at = self._slot_at.get(index)
        if slot_at is None:
            raise ValueError(
                f"index: found {index}; give that of a ping that was written and has no note yet"
            )
        found = {
            "echobench:lost": bool(lost),
            "echobench:time_zero_s": None if time_zero_s is None else float(time_zero_s),
            "echobench:time_zero_method": method,
            "echobench:reason": reason,
        }
        text = json.dumps(found, allow_nan=False)
        while (excess := len(text) - _SLOT_BYTES) > 0 and found["echobench:reason"]:
            kept = max(0, len(reason) - excess - len("..."))
            reason = reason[:kept]
            found["echobench:reason"] = f"{reason}..." if reason else ""
            text = json.dumps(found, allow_nan=False)
        # The braces go, a comma and a blank come: the segment is already open.
        slot = f", {text[1:-1]}".encode().ljust(_SLOT_BYTES)
        _write_at(self._meta, slot_at, slot)
        del self._slot_at[index]  # thousands would be kept for nothing

    def close(self) -> None:
        """End the recording. May be called twice.

        Raises
        ------
        StorageError
        """
        if self._meta.closed:
            return
        try:
            # An interrupt may have come between the two files' writes.
            self._take_back()
        except OSError as problem:
            raise _storage_error(self.meta_path, problem) from problem
        finally:
            self._data.close()
            self._meta.close()

    def _take_back(self) -> None:
        """Cut both files to the whole pings that have been counted."""
        self._data.truncate(self._frames * self._channels * SAMPLE.itemsize)
        _write_at(self._meta, self._meta_end, TAIL)
        self._meta.truncate(self._meta_end + len(TAIL))


def _global_table(plan: Plan, info: StreamInfo) -> dict[str, Any]:
    once = {PLAN: plan.as_table(), STREAM: dataclasses.asdict(info)}
    return {
        "core:version": SIGMF_VERSION,
        "core:datatype": DATATYPE,
        "core:sample_rate": info.sample_rate_hz,
        "core:num_channels": info.channels,
        "core:recorder": "echobench",
        "core:hw": info.device,
        "core:description": (
            f"Echo ranging: the raw samples of each ping, {plan.pulse.kind} pulse, "
            f"from front end {info.front_end}"
        ),
        "core:extensions": [{"name": "echobench", "version": NAMESPACE_VERSION, "optional": True}],
        **once,
        CHECKSUM: checksum_of(once),
    }


def _create(path: Path) -> io.FileIO:
    """Make a file that was not there, unbuffered: each write is one system call."""
    try:
        return io.FileIO(path, "x")
    except FileExistsError as problem:
        raise already_there(path, remedy=_OTHER_NAME) from problem
    except OSError as problem:
        raise StorageError(
            f"{path}: cannot be made ({problem.strerror}); "
            "give --record a name in a folder that is there and may be written to"
        ) from problem


def _discard(file: io.FileIO) -> None:
    file.close()
    with contextlib.suppress(OSError):
        os.unlink(os.fspath(file.name))


def _write_at(file: io.FileIO, position: int, data: bytes) -> None:
    """Write all of `data`; a nearly full disk takes a part before it complains."""
    try:
        file.seek(position)
        written = file.write(data)
        while written < len(data):
            written += file.write(data[written:])
    except OSError as problem:
        raise _storage_error(Path(os.fspath(file.name)), problem) from problem


def _storage_error(path: Path, problem: OSError) -> StorageError:
    if isinstance(problem, StorageError):
        return problem
    try:
        left = f"{shutil.disk_usage(path.parent).free / 1e6:.1f} MB left on that disk"
    except OSError:
        left = "that disk is gone"
    return StorageError(
        f"{path}: cannot be written ({problem.strerror}; {left}); "
        "make room or record elsewhere; the whole pings before this one stand"
    )
