"""Read a recording, as far as it goes: one that was cut off gives its whole pings."""

from __future__ import annotations

import bisect
import itertools
import math
import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from rig.bench.capture import CaptureBlock, CaptureFlag, StreamInfo
from rig.bench.front_end_names import INVENTED_FRONT_ENDS
from rig.bench.given_files import (
    FARTHEST,
    FIRST_YEAR,
    LAST_YEAR,
    checksum_of,
    json_at,
    json_of,
    pieces_of,
    read_bytes,
)
from rig.bench.plan import Plan, plan_from_table
from rig.bench.rows import ManyInRows
from rig.bench.tables import build, checked, shown
from rig.errors import PlanError, RecordingError
from rig.files.sigmf import (
    CAPTURES,
    CHECKSUM,
    DATATYPE,
    META_SUFFIX,
    PLAN,
    SAMPLE,
    STREAM,
    TAIL,
    paths_of,
)

_MOST_META_BYTES = 1 << 30
"""A ping takes some 700: those of three days at four a second."""

_MOST_PART_BYTES = 1 << 20
_BEGIN, _NEXT = f"{CAPTURES}\n{{".encode(), b",\n{"
_ENDS = (TAIL.decode(), _NEXT.decode())
"""What stands behind a whole segment, or a part of it where it is torn."""

_WHICH = f"give the path of a NAME{META_SUFFIX}"
_AS_WRITTEN = "give a recording whose metadata is as it was written"
_COUNT = {"low": 0, "high": FARTHEST}
_PLACE = {"low": -FARTHEST, "high": FARTHEST}


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedPing:
    """Where one ping stands in a recording, and what was known when it came in.

    Attributes
    ----------
    first_frame, frames : int
        Its place in the data file; a frame holds one sample of each channel.
    index, start_sample, mark_s, pulse_index, sign_place, flags, confirms_only
        As in :class:`rig.bench.capture.CaptureBlock`.
    time_zero_s : float
        From its first frame to the pulse's leaving, as it was found when it came in; NaN where
        that is not noted, or the ping was lost.
    """

    first_frame: int
    frames: int
    index: int
    start_sample: int
    mark_s: float
    pulse_index: int
    sign_place: int | None
    flags: CaptureFlag
    confirms_only: bool
    time_zero_s: float


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
    pings : sequence of RecordedPing
        The whole ones, at least one.
    lost_at_end : str
        What was cut off at its end, in words; empty if nothing was.
    began : datetime or None
        When its first ping came in, by the computer's clock; None where it is not said.
    scenes : tuple
        The tables of the made-up scenes that were sounded, as the recorder was given them;
        empty where none is kept.
    """

    data_path: Path
    plan: Plan
    info: StreamInfo
    pings: Sequence[RecordedPing]
    lost_at_end: str = ""
    began: datetime | None = None
    scenes: tuple[Any, ...] = ()

    def blocks(self) -> Iterator[CaptureBlock]:
        """Yield each ping's block as it was written, bit for bit.

        Raises
        ------
        RecordingError
            Where the data file has changed since it was opened.
        """
        frame_bytes = self.info.channels * SAMPLE.itemsize
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
                    frames = np.frombuffer(raw, dtype=SAMPLE).reshape(
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
                        sign_place=ping.sign_place,
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
    meta_path, data_path = paths_of(path)
    given = Path(path)
    if not os.path.exists(meta_path) and os.path.isdir(given):
        raise RecordingError(
            f"{given}: is a folder; give the path of a NAME{META_SUFFIX}, or of a WAV or FLAC "
            "file together with --plan"
        )
    if not os.path.exists(meta_path) and given != meta_path and os.path.isfile(given):
        raise RecordingError(
            f"{given}: is not a recording; give the path of a NAME{META_SUFFIX}, "
            "or of a WAV or FLAC file together with --plan"
        )
    try:
        written = _AsWritten(meta_path)
        return _checked(
            meta_path, data_path, written.stream, written.segments(), torn=lambda: written.torn
        )
    except _OtherwiseWrittenError:
        table, torn = _read_meta(meta_path)
        return _checked(meta_path, data_path, table["global"], table["captures"], torn=lambda: torn)


def _checked(
    meta_path: Path,
    data_path: Path,
    stream: Any,
    segments: Iterable[Any],
    *,
    torn: Callable[[], bool],
) -> Recording:
    """Put a recording together of its global table and its segments, as they come.

    Whether these were torn is asked once all have come.
    """
    plan, info = _read_global(stream, meta_path)
    scenes: list[tuple[int, Any]] = []
    began = None

    def read() -> Iterator[RecordedPing]:
        nonlocal began
        for number, segment in enumerate(segments):
            yield _read_segment(segment, number, meta_path)
            if number == 0:
                began = _when(segment.get("core:datetime"))
            if "echobench:scenes" in segment:
                scenes.append((number, segment["echobench:scenes"]))

    pings = ManyInRows(read())
    try:
        data_bytes = data_path.stat().st_size
    except OSError as problem:
        raise RecordingError(
            f"{data_path}: cannot be read ({problem.strerror}); it belongs beside {meta_path.name}"
        ) from problem
    _check_order(pings, meta_path)
    frames_there, part_of_frame = divmod(data_bytes, info.channels * SAMPLE.itemsize)
    whole = bisect.bisect_right(pings, frames_there, key=_end_of)
    if not whole:
        raise RecordingError(
            f"{data_path}: holds no whole ping ({data_bytes} bytes); "
            "give a recording that ran for at least one ping"
        )
    missing = len(pings) - whole
    surplus = missing == 0 and (frames_there > _end_of(pings[-1]) or part_of_frame > 0)
    return Recording(
        data_path=data_path,
        plan=plan,
        info=info,
        pings=pings[:whole] if missing else pings,
        lost_at_end=_loss_in_words(
            whole, missing=missing, cut_off=torn() or surplus, data_name=data_path.name
        ),
        began=began,
        scenes=tuple(
            scene for number, held in scenes if number < whole for scene in _listed(held, meta_path)
        ),
    )


def _check_order(pings: Iterable[RecordedPing], path: Path) -> None:
    """Make sure that pings follow each other in the file and in time, as they were recorded."""
    for number, (before, ping) in enumerate(itertools.pairwise(pings), 1):
        keys = {
            "core:sample_start": before.first_frame + before.frames <= ping.first_frame,
            "echobench:index": before.index < ping.index,
            "echobench:start_sample": before.start_sample < ping.start_sample,
            "echobench:confirms_only": not before.confirms_only,
        }
        for key, follows in keys.items():
            if not follows:
                raise RecordingError(
                    f"{path}: captures[{number}]: {key} does not follow on that of the ping "
                    f"before; {_AS_WRITTEN}"
                )


def _loss_in_words(kept: int, *, missing: int, cut_off: bool, data_name: str) -> str:
    stand = "1 whole ping stands" if kept == 1 else f"{kept} whole pings stand"
    if missing:
        last = "the last ping is" if missing == 1 else f"the last {missing} pings are"
        return f"{data_name} ends early: {last} lost, {stand}"
    if cut_off:
        return f"the recording was cut off while a ping was being written: {stand}"
    return ""


def _end_of(ping: RecordedPing) -> int:
    return ping.first_frame + ping.frames


class _OtherwiseWrittenError(Exception):
    """Metadata that is not to the byte as the recorder lays it out; it may be good for all that."""


class _AsWritten:
    """Metadata as the recorder lays it out, whole or torn: its global table, then its segments.

    Read at once, those of a day would take more room than all that is found in its pings.

    Raises
    ------
    _OtherwiseWrittenError
        While the segments are read, too.

    Attributes
    ----------
    stream : dict
    torn : bool
        Whether a segment that was read so far, or the end, had to be mended.
    """

    def __init__(self, path: Path) -> None:
        if not os.path.isfile(path):  # a pipe can be read but once
            raise _OtherwiseWrittenError
        pieces = pieces_of(path, error=RecordingError, remedy=_WHICH, most_bytes=_MOST_META_BYTES)
        self._parts = _parts(pieces)
        opening, _, self._first = next(self._parts).partition(_BEGIN)
        self.stream = _part_of_json(opening + CAPTURES.encode() + b"]}").get("global")
        self.torn = False
        if not isinstance(self.stream, dict):
            raise _OtherwiseWrittenError

    def segments(self) -> Iterator[Any]:
        """Yield the segments one by one; of a torn end what is whole."""
        text = b"{" + self._first
        for after in self._parts:
            yield self._whole(text)
            text = b"{" + after
        if text.endswith(TAIL):
            yield self._whole(text.removesuffix(TAIL))
            return
        left = text.decode("utf-8", errors="replace")
        segment, end = _as_far_as_whole(left)
        rest = left[end:]
        self.torn = "".join(rest.split()) != "]}"
        if self.torn and segment and not any(whole.startswith(rest) for whole in _ENDS):
            raise _OtherwiseWrittenError
        if segment:
            yield segment

    def _whole(self, text: bytes) -> Any:
        try:
            return _part_of_json(text)
        except _OtherwiseWrittenError:
            segment, _ = _as_far_as_whole(text.decode("utf-8", errors="replace"))
            if not segment:
                raise
            self.torn = True
            return segment


def _parts(pieces: Iterable[bytes]) -> Iterator[bytes]:
    """Yield what stands between the begins of segments."""
    rest = b""
    for piece in pieces:
        *whole, rest = (rest + piece).split(_NEXT)
        yield from whole
        if len(rest) > _MOST_PART_BYTES:
            raise _OtherwiseWrittenError
    yield rest


def _part_of_json(raw: bytes) -> Any:
    try:
        return json_of(raw.decode("utf-8", errors="replace"))
    except ValueError as problem:
        raise _OtherwiseWrittenError from problem


def _read_meta(path: Path) -> tuple[dict[str, Any], bool]:
    """Return the metadata, and whether its end had to be mended."""
    if not os.path.exists(path):
        raise RecordingError(f"{path}: no such file; {_WHICH}")
    raw = read_bytes(path, error=RecordingError, remedy=_WHICH, most_bytes=_MOST_META_BYTES)
    if not raw.strip():
        raise RecordingError(f"{path}: is empty; give a recording made with --record")
    # What is written here is ASCII; anything else lies in a torn end, or elsewhere.
    text = raw.decode("utf-8", errors="replace")
    torn = False
    try:
        table = json_of(text)
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
    opening, found, rest = text.partition(CAPTURES)
    if not found:
        return None
    try:
        table: dict[str, Any] = json_of(f"{opening}{CAPTURES}]}}")
    except ValueError:
        return None
    start = -1
    while (start := rest.find("\n{", start + 1)) >= 0:
        segment, _ = _as_far_as_whole(rest, start + 1)
        if not segment:
            break
        table["captures"].append(segment)
    return table


def _as_far_as_whole(text: str, start: int = 0) -> tuple[Any, int]:
    """Return the segment that begins at a place, and where it ends; None where it has no end."""
    try:
        return json_at(text, start)
    except ValueError:
        # A torn note: the segment's first line is whole without it.
        first_line = text[start : max(text.find("\n", start), start)]
        try:
            return json_of(first_line + "}"), len(text)
        except ValueError:
            return None, len(text)


def _read_global(table: dict[str, Any], path: Path) -> tuple[Plan, StreamInfo]:
    if PLAN not in table or STREAM not in table:
        raise RecordingError(
            f"{path}: is a SigMF recording, but not one of this bench: it has no {PLAN} "
            f"and {STREAM}, so where its pings start is not known; "
            "give a recording made with --record"
        )
    if table.get("core:datatype") != DATATYPE:
        raise RecordingError(
            f"{path}: core:datatype: found {table.get('core:datatype')!r}; "
            f'only "{DATATYPE}" is read'
        )
    try:
        plan = plan_from_table(table[PLAN], source=PLAN)
        info = _stream_info(table[STREAM])
    except PlanError as problem:
        raise RecordingError(f"{path}: {problem}") from problem
    except ValueError as problem:
        raise RecordingError(f"{path}: {problem}; {_AS_WRITTEN}") from problem
    for key, says, stream in (
        ("core:num_channels", table.get("core:num_channels", 1), info.channels),
        ("core:sample_rate", table.get("core:sample_rate"), info.sample_rate_hz),
    ):
        if isinstance(says, bool) or says != stream:
            raise RecordingError(
                f"{path}: {key}: found {shown(says)}; {STREAM} has {stream:g}, and the two "
                "must agree"
            )
    # A recording that another program wrote has none.
    once = {key: table[key] for key in (PLAN, STREAM)}
    if CHECKSUM in table and table[CHECKSUM] != checksum_of(once):
        raise RecordingError(
            f"{path}: {PLAN} or {STREAM} was changed since it was written; "
            "leave it as it was, and give a plan of your own with --plan FILE"
        )
    return plan, info


def _stream_info(table: Any) -> StreamInfo:
    if isinstance(table, dict):
        # Recordings made before streams said so themselves.
        front_end = table.get("front_end")
        table = {"invented": front_end in list(INVENTED_FRONT_ENDS), **table}
    info = build(StreamInfo, table, where=STREAM)
    used = [c for c in (info.microphone, info.loopback, info.second) if c is not None]
    if info.channels <= max(used):
        raise ValueError(
            f"{STREAM}.channels: found {info.channels}, and channel {max(used)} is used"
        )
    return info


def _read_segment(table: Any, number: int, path: Path) -> RecordedPing:
    def value(key: str, hint: Any, limits: dict[str, int] | None = None) -> Any:
        if key not in table:
            raise ValueError(f"{key}: missing")
        return checked(table[key], hint, limits or {}, where=key)

    try:
        if not isinstance(table, dict):
            raise ValueError(f"found {shown(table)}, which is no table")
        flags = CaptureFlag.NONE
        # Of most nothing is known to be wrong.
        flagged = table.get("echobench:flags") != []
        for name in value("echobench:flags", tuple[str, ...]) if flagged else ():
            if name not in CaptureFlag.__members__:
                raise ValueError(f"echobench:flags: found {shown(name)}")
            flags |= CaptureFlag[name]
        return RecordedPing(
            first_frame=value("core:sample_start", int, _COUNT),
            frames=value("echobench:samples", int, _COUNT),
            index=value("echobench:index", int, _COUNT),
            start_sample=value("echobench:start_sample", int, _PLACE),
            mark_s=value("echobench:mark_s", float),
            pulse_index=value("echobench:pulse_index", int, _COUNT),
            sign_place=(
                value("echobench:sign_place", int, _COUNT)
                if "echobench:sign_place" in table
                else None
            ),
            flags=flags,
            confirms_only=value("echobench:confirms_only", bool),
            time_zero_s=(
                math.nan
                if table.get("echobench:lost", True) or table.get("echobench:time_zero_s") is None
                else value("echobench:time_zero_s", float)
            ),
        )
    except ValueError as problem:
        raise RecordingError(f"{path}: captures[{number}]: {problem}; {_AS_WRITTEN}") from problem


def _listed(scenes: Any, path: Path) -> list[Any]:
    if not isinstance(scenes, list):
        raise RecordingError(
            f"{path}: echobench:scenes: found {scenes!r}, which is no list; "
            "give a recording whose metadata is as it was written"
        )
    return scenes


def _when(text: Any) -> datetime | None:
    try:
        when = datetime.fromisoformat(text)
    except (TypeError, ValueError):
        return None
    is_told = when.tzinfo is not None and FIRST_YEAR <= when.year <= LAST_YEAR
    return when if is_told else None
