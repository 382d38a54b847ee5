"""The samples of a sound file, WAV or FLAC, stretch by stretch."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rig.bench.capture import are_samples
from rig.errors import RecordingError

FULL_SCALE = {
    "PCM_U8": 127 / 128, "PCM_S8": 127 / 128, "PCM_16": 1 - 2**-15, "PCM_24": 1 - 2**-23,
    "ULAW": 8031 / 8192, "ALAW": 4032 / 4096,
}  # fmt: skip
"""The highest value of each converter width, and of both laws of ITU-T G.711 (tables 1 and 2,
from memory); 1 for the others, once they are float32."""

STEP = {"PCM_U8": 2**-7, "PCM_S8": 2**-7, "PCM_16": 2**-15, "PCM_24": 2**-23}
"""From one value of a converter of that width to the next."""

MOST_AT_ONCE = 1 << 18
"""Samples read or searched at a time; bounds the memory it takes."""


def loudest(file: Any, path: Path, channel: int) -> float:
    """Read the whole file, so that damage shows on opening; return a channel's peak."""
    peaks = (float(np.abs(samples[channel]).max()) for samples in _in_parts(file, path))
    return max(peaks, default=0.0)


def _in_parts(file: Any, path: Path) -> Iterator[NDArray[np.float32]]:
    """Yield the whole file, shape (channels, frames) each."""
    for start in range(0, file.frames, MOST_AT_ONCE):
        yield read_samples(file, path, start, min(MOST_AT_ONCE, file.frames - start))


def refuse_twins(file: Any, path: Path, channel: int, other: int) -> None:
    """Refuse one microphone's sound that was saved twice."""
    for samples in _in_parts(file, path):
        if not np.array_equal(samples[channel], samples[other]):
            return
    raise RecordingError(
        f"{path}: channels {channel + 1} and {other + 1} hold the same samples, which two "
        "microphones never do; give a recording of both, or leave second_channel out"
    )


@contextlib.contextmanager
def opened(path: Path) -> Iterator[Any]:
    """Open a sound file for as long as it is read.

    Raises
    ------
    RecordingError
        Where there is none, it is none, or the library that reads it is not there.
    """
    try:
        import soundfile
    except OSError as problem:
        raise RecordingError(
            f"{path}: needs the libsndfile library ({problem}); install it (Debian: libsndfile1)"
        ) from problem
    if not os.path.isfile(path):
        raise RecordingError(f"{path}: no such file; give the path of a WAV or FLAC file")
    try:
        file = soundfile.SoundFile(path)
    except (soundfile.SoundFileError, OSError) as problem:
        raise RecordingError(
            f"{path}: cannot be read as a sound file; give a whole WAV or FLAC file"
        ) from problem
    with file:
        yield file


def read_samples(file: Any, path: Path, start: int, frames: int) -> NDArray[np.float32]:
    """Read a stretch, shape (channels, frames); zero where the file is not there yet or ended."""
    import soundfile

    samples = np.zeros((file.channels, frames), dtype=np.float32)
    first, last = max(start, 0), min(start + frames, file.frames)
    if first >= last:
        return samples
    try:
        if file.tell() != first:
            file.seek(first)
        found = file.read(last - first, dtype="float32", always_2d=True)
    except soundfile.SoundFileError as problem:
        raise _damaged(path, first, file.samplerate) from problem
    if len(found) < last - first or not are_samples(found):
        raise _damaged(path, first, file.samplerate)
    samples[:, first - start : last - start] = found.T
    return samples


def _damaged(path: Path, frame: int, sample_rate_hz: int) -> RecordingError:
    return RecordingError(
        f"{path}: is damaged or cut off at or after {frame / sample_rate_hz:.3f} s; "
        "give a whole WAV or FLAC file"
    )


def loss_in_words(path: Path) -> str:
    """Compare a WAV file's length with what its header says (RIFF: bytes 4 to 7)."""
    with path.open("rb") as file:
        head = file.read(8)
    claimed = int.from_bytes(head[4:], "little") + 8
    there = path.stat().st_size
    # A program that writes to a pipe leaves 0 or all ones there.
    if head[:4] != b"RIFF" or not there < claimed < 0xFFFFFFF0:
        return ""
    return f"{path.name} is cut short: {there} of {claimed} bytes are there; its whole pings stand"
