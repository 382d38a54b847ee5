"""The plans to start from: one for each kind of bench, commented, to be written and changed."""

from __future__ import annotations

import contextlib
import os
from importlib import resources

from rig.errors import PlanError, StorageError

START_PLANS = {
    "air": "loudspeaker and microphone in air",
    "tank": "water tank",
    "board": "serial board",
}
"""Their names, and what bench each is for."""


def start_plan(name: str) -> str:
    """Return the TOML text of a plan to start from.

    Parameters
    ----------
    name : str
        One of :data:`START_PLANS`.

    Raises
    ------
    PlanError
        Where there is none of that name; the message lists those there are.

    Examples
    --------
    >>> print(start_plan("board").splitlines()[0])
    # A serial board with its 40 kHz pair, in air. hardware_notes/board.md says how to build it.
    """
    if name not in START_PLANS:
        listed = ", ".join(START_PLANS)
        raise PlanError(f"plan to start from: found {name!r}; give one of {listed}")
    return (resources.files("rig.bench") / "plans" / f"{name}.toml").read_text(encoding="utf-8")


def write_start_plan(name: str, path: str | os.PathLike[str]) -> None:
    """Write a plan to start from into a file that is not there yet.

    Raises
    ------
    PlanError
        Where there is none of that name.
    StorageError
        Where there is a file of that name already, or none can be made.
    """
    text = start_plan(name).encode()
    made = False
    try:
        with open(path, "xb") as file:
            made = True
            file.write(text)
    except FileExistsError as problem:
        raise StorageError(
            f"{os.fspath(path)}: is already there and is not overwritten; "
            "give another name, or move it away"
        ) from problem
    except OSError as problem:
        if made:  # half a plan is none
            with contextlib.suppress(OSError):
                os.unlink(path)
        raise StorageError(
            f"{os.fspath(path)}: cannot be written ({problem.strerror}); "
            "give a name in a folder that is there and has room"
        ) from problem
