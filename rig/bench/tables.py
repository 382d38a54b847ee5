"""TOML tables into frozen dataclasses, checked key by key.

A dataclass states each key once: its type, its default, and with
:func:`number`, :func:`whole` or :func:`choice` the range that is allowed.
Every complaint names the file, the key, what was found and what is allowed.
"""

from __future__ import annotations

import dataclasses
import difflib
import math
import os
import re
import tomllib
import types
import typing
from collections.abc import Mapping
from typing import Any, TypeVar

T = TypeVar("T")

_REQUIRED: Any = dataclasses.MISSING


def number(default: float = _REQUIRED, *, low: float = -math.inf, high: float = math.inf) -> Any:
    """Declare a key that takes a finite number from `low` to `high`, both allowed."""
    return dataclasses.field(default=default, metadata={"low": low, "high": high})


def whole(default: int = _REQUIRED, *, low: int, high: int) -> Any:
    """Declare a key that takes a whole number from `low` to `high`, both allowed."""
    return dataclasses.field(default=default, metadata={"low": low, "high": high})


def choice(*names: str, default: str = _REQUIRED) -> Any:
    """Declare a key that takes one of `names`."""
    return dataclasses.field(default=default, metadata={"choices": names})


def load_toml(path: str | os.PathLike[str], *, error: type[Exception]) -> dict[str, Any]:
    """Read a TOML file.

    Raises
    ------
    error
        Where the file cannot be read or is not TOML; the message names it.
    """
    try:
        with open(path, "rb") as file:
            return tomllib.load(file)
    except OSError as problem:
        raise error(
            f"{path}: cannot be read ({problem.strerror}); give the path of a TOML file"
        ) from problem
    except UnicodeDecodeError as problem:
        raise error(
            f"{path}: is not text in UTF-8 (from byte {problem.start} on); give a TOML file, "
            "saved as UTF-8"
        ) from problem
    except tomllib.TOMLDecodeError as problem:
        comma = _decimal_comma(path)
        if comma is not None:
            line, written = comma
            raise error(
                f"{path}: line {line}: found {written}; write a decimal point: "
                f"{written.replace(',', '.')}"
            ) from problem
        raise error(f"{path}: is not TOML ({problem}); each line is `key = value`") from problem


def _decimal_comma(path: str | os.PathLike[str]) -> tuple[int, str] | None:
    """Return the first line whose value is a number with a decimal comma, and that number."""
    with open(path, encoding="utf-8") as file:
        for number, line in enumerate(file, 1):
            found = re.match(r"\s*[\w.]+\s*=\s*([-+]?\d+,\d+)\s*(#|$)", line)
            if found:
                return number, found.group(1)
    return None


def build(cls: type[T], table: Mapping[str, Any], *, where: str = "") -> T:
    """Make a `cls` out of a TOML table.

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
        raise ValueError(f"{where}: found {table!r}; this is a table, written [{where}]")
    fields = {f.name: f for f in dataclasses.fields(cls) if f.init}  # type: ignore[arg-type]
    hints = typing.get_type_hints(cls)
    prefix = f"{where}." if where else ""
    for key in table:
        if key not in fields:
            near = difflib.get_close_matches(key, fields, n=1)
            hint = f"did you mean {near[0]!r}? " if near else ""
            raise ValueError(f"{prefix}{key}: unknown key; {hint}allowed here: {', '.join(fields)}")
    values = {}
    for name, field in fields.items():
        if name in table:
            values[name] = _value(table[name], hints[name], field.metadata, where=f"{prefix}{name}")
        elif _must_be_given(field):
            allowed = _allowed(hints[name], field.metadata)
            raise ValueError(f"{prefix}{name}: missing; give {allowed}")
    try:
        return cls(**values)
    except ValueError as problem:
        raise ValueError(f"{prefix}{problem}") from problem


def _value(found: Any, hint: Any, metadata: Mapping[str, Any], *, where: str) -> Any:
    origin, arguments = typing.get_origin(hint), typing.get_args(hint)
    if _is_table(hint):
        return build(_class_for(found, hint, where=where), found, where=where)
    if origin is tuple and arguments[-1] is Ellipsis and _is_table(arguments[0]):
        if not isinstance(found, list):
            raise ValueError(
                f"{where}: found {found!r}; this is a list of tables, written [[{where}]]"
            )
        return tuple(
            _value(table, arguments[0], metadata, where=f"{where}[{i}]")
            for i, table in enumerate(found)
        )
    if origin is tuple:
        if not isinstance(found, list) or (
            arguments[-1] is not Ellipsis and len(found) != len(arguments)
        ):
            count = "" if arguments[-1] is Ellipsis else f"{len(arguments)} "
            raise ValueError(f"{where}: found {found!r}; give a list of {count}numbers")
        return tuple(
            _value(item, arguments[0], metadata, where=f"{where}[{i}]")
            for i, item in enumerate(found)
        )
    return _scalar(found, hint, metadata, where=where)


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
        raise ValueError(f"{where}.{key}: found {name!r}; give one of {names}")
    return named[name]


def _scalar(found: Any, hint: Any, metadata: Mapping[str, Any], *, where: str) -> Any:
    is_number = isinstance(found, (int, float)) and not isinstance(found, bool)
    fits = {
        float: is_number and math.isfinite(found),
        int: is_number and isinstance(found, int),
        str: isinstance(found, str),
        bool: isinstance(found, bool),
    }[hint]
    if fits and "low" in metadata:
        fits = metadata["low"] <= found <= metadata["high"]
    if fits and "choices" in metadata:
        fits = found in metadata["choices"]
    if not fits:
        raise ValueError(f"{where}: found {found!r}; give {_allowed(hint, metadata)}")
    return float(found) if hint is float else found


def _allowed(hint: Any, metadata: Mapping[str, Any]) -> str:
    if "choices" in metadata:
        return "one of " + ", ".join(f'"{name}"' for name in metadata["choices"])
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
