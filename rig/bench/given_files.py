"""The one way in for a file that others may have written.

Its bytes become text, TOML or JSON here, or a complaint of one line; never more bytes than
such a file can need, whatever a name leads to. What the values may be, each dataclass says
for itself: :mod:`rig.bench.tables` holds them to it.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import tomllib
from collections.abc import Iterator
from typing import Any, NoReturn

MOST_BYTES = 1 << 24
"""No plan, scene, calibration, key or table of a bench comes near; a device that never
ends, or a file of nothing but holes, is left at once."""

_PIECE_BYTES = 1 << 16

FARTHEST = 2**53
"""Whole numbers beyond are no longer exact as floats, and no count or place of a bench."""

FIRST_YEAR, LAST_YEAR = 1970, 2999
"""Of the dates that a computer's clock may have written."""

_MOST_TOML_BYTES = 1 << 20
_LONGEST_TOML_LINE = 1000
"""A key of many parts takes Python's reader the square of their number: a line of a megabyte
an hour."""


def pieces_of(
    path: str | os.PathLike[str],
    *,
    error: type[Exception],
    remedy: str,
    most_bytes: int = MOST_BYTES,
) -> Iterator[bytes]:
    """Read a whole file piece by piece; as :func:`read_bytes`."""
    try:
        with open(path, "rb", opener=_without_waiting) as file:
            length = 0
            # In pieces: what is asked for at once is set aside at once, for a short file too.
            while length <= most_bytes and (piece := file.read(_PIECE_BYTES)):
                length += len(piece)
                yield piece
    except OSError as problem:
        raise error(f"{path}: cannot be read ({problem.strerror}); {remedy}") from problem
    except ValueError as problem:  # a zero byte in the name
        raise error(f"{path!r}: is no file name; {remedy}") from problem
    if length > most_bytes:
        raise error(f"{path}: holds more than {most_bytes} bytes; {remedy}")


def read_bytes(
    path: str | os.PathLike[str],
    *,
    error: type[Exception],
    remedy: str,
    most_bytes: int = MOST_BYTES,
) -> bytes:
    """Read a whole file, of `most_bytes` at the most.

    A pipe is read to its end; one that nobody writes to is empty, and not waited for.

    Raises
    ------
    error
        Where it cannot be read or is larger; the message names it and ends in `remedy`.
    """
    return b"".join(pieces_of(path, error=error, remedy=remedy, most_bytes=most_bytes))


def _without_waiting(path: str, flags: int) -> int:
    opened = os.open(path, flags | getattr(os, "O_NONBLOCK", 0))
    if hasattr(os, "set_blocking"):
        os.set_blocking(opened, True)
    return opened


def read_text(
    path: str | os.PathLike[str],
    *,
    error: type[Exception],
    remedy: str,
    most_bytes: int = MOST_BYTES,
) -> str:
    """Read a file of text in UTF-8, with or without a mark of the byte order.

    Raises
    ------
    error
    """
    raw = read_bytes(path, error=error, remedy=remedy, most_bytes=most_bytes)
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as problem:
        raise error(
            f"{path}: is not text in UTF-8 (from byte {problem.start} on); {remedy}, saved as UTF-8"
        ) from problem


def load_toml(path: str | os.PathLike[str], *, error: type[Exception]) -> dict[str, Any]:
    """Read a TOML file.

    Raises
    ------
    error
        Where the file cannot be read or is not TOML; the message names it.
    """
    text = read_text(
        path, error=error, remedy="give the path of a TOML file", most_bytes=_MOST_TOML_BYTES
    )
    for number, line in enumerate(text.split("\n"), 1):
        if len(line) > _LONGEST_TOML_LINE:
            raise error(
                f"{path}: line {number} has {len(line)} characters; each line is `key = value`, "
                f"of {_LONGEST_TOML_LINE} at the most"
            )
    try:
        return tomllib.loads(text)
    except RecursionError as problem:
        raise error(
            f"{path}: is not TOML (nested too deeply); each line is `key = value`"
        ) from problem
    except ValueError as problem:  # too many digits for Python are one that is no TOML error
        comma = _decimal_comma(text)
        if comma is not None:
            number, written = comma
            raise error(
                f"{path}: line {number}: found {written}; write a decimal point: "
                f"{written.replace(',', '.')}"
            ) from problem
        raise error(f"{path}: is not TOML ({problem}); each line is `key = value`") from problem


def _decimal_comma(text: str) -> tuple[int, str] | None:
    """Return the first line whose value is a number with a decimal comma, and that number."""
    for number, line in enumerate(text.split("\n"), 1):
        found = re.match(r"\s*[\w.]+\s*=\s*([-+]?\d+,\d+)\s*(#|$)", line)
        if found:
            return number, found.group(1)
    return None


def json_of(text: str) -> Any:
    """Make of JSON what it says.

    Raises
    ------
    ValueError
        Where it is not JSON; NaN and Infinity are not (RFC 8259, section 6), nor is what is
        nested or has digits beyond Python's limits.
    """
    try:
        return _JSON.decode(text)
    except RecursionError as problem:
        raise ValueError("nested too deeply") from problem


def json_at(text: str, start: int) -> tuple[Any, int]:
    """Make of the JSON that begins at a place what it says; return that and where it ends.

    Raises
    ------
    ValueError
        As :func:`json_of`.
    """
    try:
        return _JSON.raw_decode(text, start)
    except RecursionError as problem:
        raise ValueError("nested too deeply") from problem


def checksum_of(table: Any) -> str:
    """Return what JSON says, whatever its layout, in 64 hexadecimal digits.

    What the bench wrote of itself is told by it from what a hand or a failing disk changed since.

    References
    ----------
    SHA-256: FIPS 180-4, sect. 6.2.
    """
    plain = json.dumps(table, sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(plain.encode()).hexdigest()


def _refuse(constant: str) -> NoReturn:
    raise ValueError(f"{constant} is no number")


_JSON = json.JSONDecoder(parse_constant=_refuse)
