"""Write a file whole or not at all, so that a fault leaves what was there before."""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path

from rig.errors import StorageError

INTO_OUT = "give --out a folder that may be written to and has room"
"""The remedy where a command named the folder and we the file."""


def write_whole(
    path: str | os.PathLike[str],
    content: str | bytes | Iterable[str],
    *,
    what: str,
    remedy: str = "give a path in a folder that is there, may be written to and has room",
) -> None:
    """Write a file; one that is there is replaced, and stays as it was where that fails.

    Parameters
    ----------
    path : path
        A link is followed. What is no file, such as a device, is written to as it is.
    content : str, bytes or iterable of str
        Text becomes UTF-8; a long one may come piece by piece. A file name in it need not be
        text; what of it is not is shown as a question mark.
    what : str
        What it is, for the complaint, such as ``"picture"``.
    remedy : str
        What the complaint ends in.

    Raises
    ------
    StorageError
    """
    pieces: Iterable[str | bytes] = [content] if isinstance(content, str | bytes) else content
    raw = (p if isinstance(p, bytes) else p.encode("utf-8", "replace") for p in pieces)
    target = Path(os.path.realpath(path))
    try:
        if target.exists() and not target.is_file():
            with target.open("wb") as file:
                file.writelines(raw)
        else:
            _replace(target, raw)
    except OSError as problem:
        raise StorageError(
            f"{os.fspath(path)}: the {what} cannot be written ({problem.strerror}); {remedy}"
        ) from problem


def _replace(target: Path, pieces: Iterable[bytes]) -> None:
    # Beside the target, as only within one disk is a change of names a single step; by
    # the process, so that two of them do not write into each other's.
    part = target.with_name(f".echobench-{os.getpid()}.part")
    try:
        part.unlink(missing_ok=True)
        with part.open("xb") as file:
            file.writelines(pieces)
        part.replace(target)
    finally:
        part.unlink(missing_ok=True)


def already_there(path: str | os.PathLike[str], *, remedy: str) -> StorageError:
    """Return the complaint about a file that is never overwritten."""
    return StorageError(f"{os.fspath(path)}: is already there and is not overwritten; {remedy}")
