"""Tables of a file into frozen dataclasses, checked key by key.

A dataclass states each key once: its type, its default, and with
:func:`number`, :func:`whole` or :func:`choice` the range that is allowed.
Every complaint names the file, the key, what was found and what is allowed. TOML and JSON
are held to the same; a key that may be null has a type such as ``float | None``.
"""

from __future__ import annotations

import dataclasses
import difflib
import functools
import math
import reprlib
import types
import typing
from collections.abc import Mapping
from typing import Any, TypeVar

T = TypeVar("T")

_REQUIRED: Any = dataclasses.MISSING

_LONGEST_SHOWN = 60
_SHORT = reprlib.Repr()
_SHORT.maxstring = _SHORT.maxother = _SHORT.maxlong = _LONGEST_SHOWN
_SHORT.maxlevel, _SHORT.maxlist, _SHORT.maxdict = 2, 8, 4


def number(
    default: float | None = _REQUIRED, *, low: float = -math.inf, high: float = math.inf
) -> Any:
    """Declare a key that takes a finite number from `low` to `high`, both allowed."""
    return dataclasses.field(default=default, metadata={"low": low, "high": high})


def whole(default: int | None = _REQUIRED, *, low: int, high: int) -> Any:
    """Declare a key that takes a whole number from `low` to `high`, both allowed."""
    return dataclasses.field(default=default, metadata={"low": low, "high": high})


def choice(*names: str, default: str = _REQUIRED) -> Any:
    """Declare a key that takes one of `names`."""
    return dataclasses.field(default=default, metadata={"choices": names})


def build(cls: type[T], table: Mapping[str, Any], *, where: str = "") -> T:
    """Make a `cls` out of a table.

    Parameters
    ----------
    cls : dataclass type
        States the keys.
    table : mapping
        What the file holds.
    where : str
        Dotted path of the table in its file, such as ``"pulse"``.

    Raises
    ------
    ValueError
        On an unknown or missing key, a wrong type, or a value out of range.
    """
    if not isinstance(table, Mapping):
        raise ValueError(f"{where}: found {shown(table)}; this is a table, written [{where}]")
    fields = {f.name: f for f in dataclasses.fields(cls) if f.init}  # type: ignore[arg-type]
    hints = _hints(cls)  # type: ignore[arg-type]
    prefix = f"{where}." if where else ""
    for key in table:
        if key not in fields:
            near = difflib.get_close_matches(key[:_LONGEST_SHOWN], fields, n=1)
            hint = f"did you mean {near[0]!r}? " if near else ""
            name = key if _is_plain(key) else shown(key)
            raise ValueError(
                f"{prefix}{name}: unknown key; {hint}allowed here: {', '.join(fields)}"
            )
    values = {}
    for name, field in fields.items():
        if name in table:
            values[name] = checked(
                table[name], hints[name], field.metadata, where=f"{prefix}{name}"
            )
        elif _must_be_given(field):
            allowed = _allowed(hints[name], field.metadata)
            raise ValueError(f"{prefix}{name}: missing; give {allowed}")
    try:
        return cls(**values)
    except ValueError as problem:
        raise ValueError(f"{prefix}{problem}") from problem


@functools.cache
def _hints(cls: type[Any]) -> dict[str, Any]:
    return typing.get_type_hints(cls)


def shown(found: Any) -> str:
    """Return what was found as a complaint shows it: short, and in one line."""
    if isinstance(found, int) and abs(found) > 10**_LONGEST_SHOWN:
        return f"a whole number of {int(found.bit_length() * math.log10(2)) + 1} digits or so"
    return _SHORT.repr(found)


def checked(found: Any, hint: Any, metadata: Mapping[str, Any], *, where: str) -> Any:
    """Return a value that is of the type and in the range that a key takes.

    Parameters
    ----------
    found : object
        As it stands in the file.
    hint : type
        Of the key, as its dataclass states it.
    metadata : mapping
        As :func:`number`, :func:`whole` and :func:`choice` make it.
    where : str
        Dotted path of the key.

    Raises
    ------
    ValueError
    """
    if hint in (bool, int, float, str):
        return _scalar(found, hint, metadata, where=where)
    if found is None and types.NoneType in typing.get_args(hint):
        return None
    origin, arguments = typing.get_origin(hint), typing.get_args(hint)
    if _is_table(hint):
        return build(_class_for(found, hint, where=where), found, where=where)
    if origin is tuple and arguments[-1] is Ellipsis and _is_table(arguments[0]):
        if not isinstance(found, list):
            raise ValueError(
                f"{where}: found {shown(found)}; this is a list of tables, written [[{where}]]"
            )
        return tuple(
            checked(table, arguments[0], metadata, where=f"{where}[{i}]")
            for i, table in enumerate(found)
        )
    if origin is tuple:
        if not isinstance(found, list) or (
            arguments[-1] is not Ellipsis and len(found) != len(arguments)
        ):
            count = "" if arguments[-1] is Ellipsis else f"{len(arguments)} "
            kinds = "texts" if arguments[0] is str else "numbers"
            raise ValueError(f"{where}: found {shown(found)}; give a list of {count}{kinds}")
        return tuple(
            checked(item, arguments[0], metadata, where=f"{where}[{i}]")
            for i, item in enumerate(found)
        )
    return _scalar(found, _classes(hint)[0], metadata, where=where)


def _must_be_given(field: dataclasses.Field[Any]) -> bool:
    return field.default is field.default_factory is dataclasses.MISSING


def _is_table(hint: Any) -> bool:
    return dataclasses.is_dataclass(_classes(hint)[0])


def _classes(hint: Any) -> list[Any]:
    """Return what a key may become; a key that may be left out has None as its default."""
    if typing.get_origin(hint) is types.UnionType:
        return [cls for cls in typing.get_args(hint) if cls is not types.NoneType]
    return [hint]


def _names(classes: list[Any]) -> tuple[str, dict[str, type[Any]]]:
    """Return the key that tells dataclasses apart, such as ``kind``, and each one's name there.

    All of them have that key, and no two the same default.
    """
    for key in (f.name for f in dataclasses.fields(classes[0])):
        named: dict[Any, type[Any]] = {
            f.default: cls for cls in classes for f in dataclasses.fields(cls) if f.name == key
        }
        if len(named) == len(classes):
            return key, named
    raise TypeError(f"{classes}: no key tells these dataclasses apart; give each a kind")


def _class_for(found: Any, hint: Any, *, where: str) -> type[Any]:
    """Of the dataclasses that a key may become, return the one that the table names."""
    classes = _classes(hint)
    if len(classes) == 1:
        only: type[Any] = classes[0]
        return only
    key, named = _names(classes)
    name = found.get(key) if isinstance(found, Mapping) else None
    if not isinstance(name, str) or name not in named:
        names = ", ".join(f'"{name}"' for name in named)
        raise ValueError(f"{where}.{key}: found {shown(name)}; give one of {names}")
    return named[name]


def _scalar(found: Any, hint: Any, metadata: Mapping[str, Any], *, where: str) -> Any:
    fits = _is_of(hint, found)
    if fits and "low" in metadata:
        fits = metadata["low"] <= found <= metadata["high"]
    if fits and "choices" in metadata:
        fits = found in metadata["choices"]
    if not fits:
        raise ValueError(f"{where}: found {shown(found)}; give {_allowed(hint, metadata)}")
    return float(found) if hint is float else found


def _is_of(hint: Any, found: Any) -> bool:
    if hint is str:
        return isinstance(found, str) and _is_text(found)
    if hint is bool or isinstance(found, bool):
        return hint is bool and isinstance(found, bool)
    if hint is int:
        return isinstance(found, int)
    return isinstance(found, (int, float)) and _is_finite(found)


def _is_finite(found: float) -> bool:
    try:
        return math.isfinite(found)
    except OverflowError:  # a whole number too large for a float
        return False


def _is_text(found: str) -> bool:
    """Whether no half of a character stands in it, as JSON can write one."""
    return not any("\ud800" <= letter <= "\udfff" for letter in found)


def _is_plain(key: str) -> bool:
    return len(key) <= _LONGEST_SHOWN and key.isprintable()


def _allowed(hint: Any, metadata: Mapping[str, Any]) -> str:
    if "choices" in metadata:
        return "one of " + ", ".join(f'"{name}"' for name in metadata["choices"])
    hint = _classes(hint)[0] if not _is_table(hint) else hint
    kind = {int: "a whole number", float: "a number", str: "text in quotes", bool: "true or false"}
    if _is_table(hint):
        classes = _classes(hint)
        needed = [f.name for f in dataclasses.fields(classes[0]) if _must_be_given(f)]
        return "a table with " + ", ".join(needed if len(classes) == 1 else [_names(classes)[0]])
    words = kind.get(hint, "a list of numbers")
    low, high = metadata.get("low", -math.inf), metadata.get("high", math.inf)
    if math.isfinite(low) and math.isfinite(high):
        return f"{words} from {low:g} to {high:g}"
    if math.isfinite(low):
        return f"{words} of at least {low:g}"
    if math.isfinite(high):
        return f"{words} of at most {high:g}"
    return words
