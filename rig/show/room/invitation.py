"""How a class finds the room: the address and the code, in words and as a QR picture."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from rig.show.room.address import own_address

if TYPE_CHECKING:
    from rig.show.room.room import Room

_BLOCKS = {(False, False): "█", (False, True): "▀", (True, False): "▄", (True, True): " "}
"""From whether the upper and the lower module is dark; paper is what is lit."""

_PAPER_ON_INK = "\x1b[97;40m"
_PLAIN = "\x1b[0m"


def code_text(code: str) -> str:
    """Return a code as it is read aloud.

    Examples
    --------
    >>> code_text("ABC234")
    'ABC 234'
    """
    return f"{code[: len(code) // 2]} {code[len(code) // 2 :]}"


def qr_modules(words: str) -> NDArray[np.bool_]:
    """Return the dark modules of a QR picture, without the white around it.

    Parameters
    ----------
    words : str

    Returns
    -------
    ndarray of bool, shape (modules, modules)
    """
    import segno

    made = segno.make(words, error="m", micro=False)
    return np.array(made.matrix, dtype=bool)


def room_lines(room: Room) -> list[str]:
    """Say in words how the room is joined, and by whom it can be."""
    lines = [f"The room: {room.url} code {code_text(room.code)}"]
    if room.alone:
        own = own_address()
        such = "ADDRESS" if own is None else own
        lines.append(
            "Only this computer can open it; for the class, name this computer's own address: "
            f"--room {such}"
        )
    return lines


def qr_lines(link: str) -> list[str]:
    """Return a QR picture for a terminal of any colours, two modules to a letter."""
    modules = np.pad(qr_modules(link), 2)
    if len(modules) % 2:
        modules = np.pad(modules, ((0, 1), (0, 0)))
    return [
        _PAPER_ON_INK
        + "".join(_BLOCKS[pair] for pair in zip(upper.tolist(), lower.tolist(), strict=True))
        + _PLAIN
        for upper, lower in zip(modules[::2], modules[1::2], strict=True)
    ]
