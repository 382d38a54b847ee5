"""Recordings: SigMF datasets, written so that a kill loses at most the last ping.

A recording is two files (SigMF 1.2, an open standard). ``NAME.sigmf-data`` holds
the raw samples, interleaved little-endian float32. ``NAME.sigmf-meta`` is JSON: the
plan, the stream, and one capture segment for each ping; recordings/README.md lists
the keys.

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
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import TracebackType
from typing import Any, NoReturn, Self

import numpy as np

from rig.bench.capture import INVENTED_FRONT_ENDS, CaptureBlock, CaptureFlag, StreamInfo
from rig.bench.plan import Plan, plan_from_table
from rig.errors import PlanError, RecordingError, StorageError

META_SUFFIX = ".sigmf-meta"
DATA_SUFFIX = ".sigmf-data"

_SIGMF_VERSION = "1.2.0"
_NAMESPACE_VERSION = "1.0.0"
_DATATYPE = "rf32_le"
_SAMPLE = np.dtype("<f4")

_CAPTURES = '"captures": ['
_TAIL = b"\n]\n}\n"
_SLOT_BYTES = 320
"""Blanks kept in each segment for what is found later: the keys with two longest
floats take 180, which leaves a sentence for the reason."""


class Recorder:
    """Write a recording, ping by ping.

    Parameters
    ----------
    name : str or path
        The recording's name; the two suffixes are put behind it.
    plan : Plan
    info : StreamInfo

    Attributes
    ----------
    meta_path, data_path : Path
        The two files. The first is valid SigMF from here on, at first without a ping.

    Raises
    ------
    StorageError
        Where a file of that name is already there, or none can be made.
    """

    def __init__(self, name: str | os.PathLike[str], plan: Plan, info: StreamInfo) -> None:
        self.meta_path, self.data_path = _paths_of(name)
        self._channels = info.channels
        self._sample_rate_hz = info.sample_rate_hz
        self._frames = 0
        self._slot_at: dict[int, int] = {}
        head = json.dumps(_global_table(plan, info), indent=2, allow_nan=False)
        opening = f'{{\n"global": {head},\n"annotations": [],\n{_CAPTURES}'.encode()
        self._meta_end = len(opening)
        for path in (self.meta_path, self.data_path):
            if path.exists():
                _refuse_to_overwrite(path)
        self._data = _create(self.data_path)
        try:
            self._meta = _create(self.meta_path)
        except StorageError:
            _discard(self._data)
            raise
        try:
            _write_at(self._meta, 0, opening + _TAIL)
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
        line = json.dumps(segment, allow_nan=False)[:-1]
        comma = "," if self._frames else ""
        entry = f"{comma}\n{line}\n".encode()
        raw = np.ascontiguousarray(block.samples.T, dtype=_SAMPLE).tobytes()
        try:
            _write_at(self._data, self._frames * channels * _SAMPLE.itemsize, raw)
            _write_at(self._meta, self._meta_end, entry + b" " * _SLOT_BYTES + b"}" + _TAIL)
        except StorageError:
            # The reader copes where even this fails, so the first error is the news.
            with contextlib.suppress(OSError):
                self._take_back()
            raise
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
            Where no ping of that index was written.
        """
        if index not in self._slot_at:
            raise ValueError(f"index: found {index}; give that of a ping that was written")
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
        _write_at(self._meta, self._slot_at[index], slot)

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
        self._data.truncate(self._frames * self._channels * _SAMPLE.itemsize)
        _write_at(self._meta, self._meta_end, _TAIL)
        self._meta.truncate(self._meta_end + len(_TAIL))

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        problem: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedPing:
    """Where one ping stands in a recording, and what was known when it came in.

    Attributes
    ----------
    first_frame, frames : int
        Its place in the data file; a frame holds one sample of each channel.
    index, start_sample, mark_s, pulse_index, flags, confirms_only
        As in :class:`rig.bench.capture.CaptureBlock`.
    """

    first_frame: int
    frames: int
    index: int
    start_sample: int
    mark_s: float
    pulse_index: int
    flags: CaptureFlag
    confirms_only: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Recording:
    """A recording, checked; its samples stay in their file until asked for.

    Attributes
    ----------
    data_path : Path
    plan : Plan
        With which it was made.
    info : StreamInfo
        Of the stream that was recorded.
    pings : tuple of RecordedPing
        The whole ones, at least one.
    lost_at_end : str
        What was cut off at its end, in words; empty if nothing was.
    began : datetime or None
        When its first ping came in, by the computer's clock; None where it is not said.
    """

    data_path: Path
    plan: Plan
    info: StreamInfo
    pings: tuple[RecordedPing, ...]
    lost_at_end: str = ""
    began: datetime | None = None

    def blocks(self) -> Iterator[CaptureBlock]:
        """Yield each ping's block as it was written, bit for bit.

        Raises
        ------
        RecordingError
            Where the data file has changed since it was opened.
        """
        frame_bytes = self.info.channels * _SAMPLE.itemsize
        try:
            with self.data_path.open("rb") as file:
                for ping in self.pings:
                    file.seek(ping.first_frame * frame_bytes)
                    raw = file.read(ping.frames * frame_bytes)
                    if len(raw) < ping.frames * frame_bytes:
                        raise RecordingError(
                            f"{self.data_path}: ends within ping {ping.index} and did not when it "
                            "was opened; leave the file alone while it is read"
                        )
                    frames = np.frombuffer(raw, dtype=_SAMPLE).reshape(
                        ping.frames, self.info.channels
                    )
                    yield CaptureBlock(
                        index=ping.index,
                        # Rows in one piece, as a front end makes them.
                        samples=np.ascontiguousarray(
                            frames.reshape(ping.frames, self.info.channels).T
                        ),
                        start_sample=ping.start_sample,
                        mark_s=ping.mark_s,
                        pulse_index=ping.pulse_index,
                        flags=ping.flags,
                        confirms_only=ping.confirms_only,
                    )
        except OSError as problem:
            raise RecordingError(
                f"{self.data_path}: cannot be read ({problem.strerror}); check the disk"
            ) from problem


def read_recording(path: str | os.PathLike[str]) -> Recording:
    """Open a recording and check it, all but its samples.

    Parameters
    ----------
    path : str or path
        ``NAME.sigmf-meta``, ``NAME.sigmf-data`` or ``NAME``.

    Raises
    ------
    RecordingError
        Where it is not a recording of this bench, or holds no whole ping. One
        that was cut off is read as far as it goes; see `Recording.lost_at_end`.
    """
    meta_path, data_path = _paths_of(path)
    given = Path(path)
    if not meta_path.exists() and given.is_dir():
        raise RecordingError(
            f"{given}: is a folder; give the path of a NAME{META_SUFFIX}, or of a WAV or FLAC "
            "file together with --plan"
        )
    if not meta_path.exists() and given != meta_path and given.is_file():
        raise RecordingError(
            f"{given}: is not a recording; give the path of a NAME{META_SUFFIX}, "
            "or of a WAV or FLAC file together with --plan"
        )
    table, torn = _read_meta(meta_path)
    plan, info = _read_global(table["global"], meta_path)
    pings = tuple(
        _read_segment(segment, number, meta_path)
        for number, segment in enumerate(table["captures"])
    )
    try:
        data_bytes = data_path.stat().st_size
    except OSError as problem:
        raise RecordingError(
            f"{data_path}: cannot be read ({problem.strerror}); it belongs beside {meta_path.name}"
        ) from problem
    frames_there, part_of_frame = divmod(data_bytes, info.channels * _SAMPLE.itemsize)
    whole = pings
    while whole and whole[-1].first_frame + whole[-1].frames > frames_there:
        whole = whole[:-1]
    if not whole:
        raise RecordingError(
            f"{data_path}: holds no whole ping ({data_bytes} bytes); "
            "give a recording that ran for at least one ping"
        )
    missing = len(pings) - len(whole)
    surplus = missing == 0 and (frames_there > _end_of(pings) or part_of_frame > 0)
    return Recording(
        data_path=data_path,
        plan=plan,
        info=info,
        pings=whole,
        lost_at_end=_loss_in_words(
            len(whole), missing=missing, cut_off=torn or surplus, data_name=data_path.name
        ),
        began=_when(table["captures"][0].get("core:datetime")),
    )


def _loss_in_words(kept: int, *, missing: int, cut_off: bool, data_name: str) -> str:
    stand = "1 whole ping stands" if kept == 1 else f"{kept} whole pings stand"
    if missing:
        last = "the last ping is" if missing == 1 else f"the last {missing} pings are"
        return f"{data_name} ends early: {last} lost, {stand}"
    if cut_off:
        return f"the recording was cut off while a ping was being written: {stand}"
    return ""


def _end_of(pings: tuple[RecordedPing, ...]) -> int:
    return pings[-1].first_frame + pings[-1].frames


def _paths_of(name: str | os.PathLike[str]) -> tuple[Path, Path]:
    base = os.fspath(name).removesuffix(META_SUFFIX).removesuffix(DATA_SUFFIX)
    return Path(base + META_SUFFIX), Path(base + DATA_SUFFIX)


def _global_table(plan: Plan, info: StreamInfo) -> dict[str, Any]:
    return {
        "core:version": _SIGMF_VERSION,
        "core:datatype": _DATATYPE,
        "core:sample_rate": info.sample_rate_hz,
        "core:num_channels": info.channels,
        "core:recorder": "echobench",
        "core:hw": info.device,
        "core:description": (
            f"Echo ranging: the raw samples of each ping, {plan.pulse.kind} pulse, "
            f"from front end {info.front_end}"
        ),
        "core:extensions": [{"name": "echobench", "version": _NAMESPACE_VERSION, "optional": True}],
        "echobench:plan": plan.as_table(),
        "echobench:stream": dataclasses.asdict(info),
    }


def _refuse_to_overwrite(path: Path) -> NoReturn:
    raise StorageError(
        f"{path}: is already there and is not overwritten; "
        "give --record another name, or move the old recording away"
    )


def _create(path: Path) -> io.FileIO:
    """Make a file that was not there, unbuffered: each write is one system call."""
    try:
        return io.FileIO(path, "x")
    except FileExistsError:
        _refuse_to_overwrite(path)
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


def _read_meta(path: Path) -> tuple[dict[str, Any], bool]:
    """Return the metadata, and whether its end had to be mended."""
    try:
        raw = path.read_bytes()
    except FileNotFoundError as problem:
        raise RecordingError(
            f"{path}: no such file; give the path of a NAME{META_SUFFIX}"
        ) from problem
    except OSError as problem:
        raise RecordingError(
            f"{path}: cannot be read ({problem.strerror}); give the path of a NAME{META_SUFFIX}"
        ) from problem
    if not raw.strip():
        raise RecordingError(f"{path}: is empty; give a recording made with --record")
    # What is written here is ASCII; anything else lies in a torn end, or elsewhere.
    text = raw.decode("utf-8", errors="replace")
    torn = False
    try:
        table = json.loads(text)
    except ValueError as problem:
        table, torn = _mend(text), True
        if table is None:
            raise RecordingError(
                f"{path}: is not JSON ({problem}); give a recording made with --record"
            ) from problem
    if (
        not isinstance(table, dict)
        or not isinstance(table.get("global"), dict)
        or not isinstance(table.get("captures"), list)
    ):
        raise RecordingError(
            f"{path}: is JSON, but not of a SigMF recording (no global table or captures list); "
            "give a recording made with --record"
        )
    return table, torn


def _mend(text: str) -> dict[str, Any] | None:
    """Read metadata whose end was torn, up to the last whole segment."""
    opening, found, rest = text.partition(_CAPTURES)
    if not found:
        return None
    try:
        table: dict[str, Any] = json.loads(f"{opening}{_CAPTURES}]}}")
    except ValueError:
        return None
    decoder = json.JSONDecoder()
    start = -1
    while (start := rest.find("\n{", start + 1)) >= 0:
        try:
            segment, _ = decoder.raw_decode(rest, start + 1)
        except ValueError:
            # A torn note: the segment's first line is whole without it.
            first_line = rest[start + 1 : max(rest.find("\n", start + 1), start + 1)]
            try:
                segment = json.loads(first_line + "}")
            except ValueError:
                break
        table["captures"].append(segment)
    return table


def _read_global(table: dict[str, Any], path: Path) -> tuple[Plan, StreamInfo]:
    if "echobench:plan" not in table or "echobench:stream" not in table:
        raise RecordingError(
            f"{path}: is a SigMF recording, but not one of this bench: it has no echobench:plan "
            "and echobench:stream, so where its pings start is not known; "
            "give a recording made with --record"
        )
    if table.get("core:datatype") != _DATATYPE:
        raise RecordingError(
            f"{path}: core:datatype: found {table.get('core:datatype')!r}; "
            f'only "{_DATATYPE}" is read'
        )
    try:
        plan = plan_from_table(table["echobench:plan"], source="echobench:plan")
        info = _stream_info(table["echobench:stream"])
    except PlanError as problem:
        raise RecordingError(f"{path}: {problem}") from problem
    except (TypeError, ValueError) as problem:
        raise RecordingError(
            f"{path}: echobench:stream: cannot be used ({problem}); "
            "give a recording whose metadata is as it was written"
        ) from problem
    if table.get("core:num_channels", 1) != info.channels:
        raise RecordingError(
            f"{path}: core:num_channels: found {table.get('core:num_channels', 1)!r}; "
            f"echobench:stream has {info.channels}, and the two must agree"
        )
    return plan, info


def _stream_info(table: dict[str, Any]) -> StreamInfo:
    # Recordings made before streams said so themselves.
    invented = table.get("front_end") in INVENTED_FRONT_ENDS
    info = StreamInfo(**{"invented": invented, **table})
    used = [info.microphone] if info.loopback is None else [info.microphone, info.loopback]
    for channel in [info.channels, *used]:
        _whole(channel)
    if not (info.sample_rate_hz > 0 and info.channels > max(used)):
        raise ValueError(f"sample_rate_hz {info.sample_rate_hz:g}, channels {info.channels}")
    return info


def _read_segment(table: Any, number: int, path: Path) -> RecordedPing:
    try:
        flags = CaptureFlag.NONE
        for name in table["echobench:flags"]:
            flags |= CaptureFlag[name]
        return RecordedPing(
            first_frame=_whole(table["core:sample_start"]),
            frames=_whole(table["echobench:samples"]),
            index=_whole(table["echobench:index"]),
            start_sample=_whole(table["echobench:start_sample"], low=None),
            mark_s=float(table["echobench:mark_s"]),
            pulse_index=_whole(table["echobench:pulse_index"]),
            flags=flags,
            confirms_only=bool(table["echobench:confirms_only"]),
        )
    except (KeyError, TypeError, ValueError) as problem:
        raise RecordingError(
            f"{path}: captures[{number}]: a key is missing or wrong ({problem}); "
            "give a recording whose metadata is as it was written"
        ) from problem


def _when(text: Any) -> datetime | None:
    try:
        when = datetime.fromisoformat(text)
    except (TypeError, ValueError):
        return None
    return when if when.tzinfo is not None else None


def _whole(found: Any, *, low: int | None = 0) -> int:
    if not isinstance(found, int) or isinstance(found, bool) or (low is not None and found < low):
        raise ValueError(f"found {found!r}, not a whole number" + ("" if low is None else " ≥ 0"))
    return found
