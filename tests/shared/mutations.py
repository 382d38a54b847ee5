"""Files as a hand, a program or a bad disk may leave them: mutations of good ones, drawn.

Nothing here knows what the command refuses; a value is hostile because programs have
stumbled over its like.
"""

from __future__ import annotations

import copy
import json
import math
import re
from typing import Any

from hypothesis import strategies as st

_CHECKSUM = re.compile(rb',\s*"(echobench:)?checksum": "[0-9a-f]{64}"')


def without_checksum(raw: bytes) -> bytes:
    """Return a file as a program that writes no checksum would have written it.

    By its checksum any change is found out; without, each has to be by what it says.
    """
    left, taken_out = _CHECKSUM.subn(b"", raw)
    assert taken_out == 1
    return left


HOSTILE: list[Any] = [
    None,
    True,
    False,
    0,
    -1,
    2,
    3,
    0.5,
    -0.0,
    65_536,
    2**31,
    2**53,
    2**53 + 1,
    2**63,
    10**30,
    10**400,
    -(10**400),
    5e-324,
    1e-9,
    1e9,
    1.7e308,
    -1.7e308,
    math.nan,
    math.inf,
    -math.inf,
    "",
    "0",
    "48000",
    "true",
    "two\nlines",
    "\x1b[31mred\x07",
    "\ud800",
    "\u202edesrever",
    "<script>alert(1)</script>",
    "$\\frac{",
    "=1+1",
    "x" * 5000,
    [],
    [[[]]],
    [1, 2, 3],
    [None],
    {},
    {"x": 1},
    {"two\nlines": 1},
]

Place = tuple[Any, ...]


def _at(tree: Any, place: Place) -> Any:
    for key in place:
        tree = tree[key]
    return tree


@st.composite
def _places(draw: st.DrawFn, tree: Any) -> Place:
    """Walk down from the root; each step is as likely to be any, however much lies below."""
    place: Place = ()
    while True:
        here = _at(tree, place)
        keys = list(here) if isinstance(here, dict) else list(range(len(here)))
        place = (*place, draw(st.sampled_from(keys)))
        below = _at(tree, place)
        if not isinstance(below, dict | list) or not below or draw(st.integers(0, 4)) == 0:
            return place


@st.composite
def trees(draw: st.DrawFn, good: dict[str, Any] | list[Any]) -> Any:
    """Draw a tree of tables and lists that differs from a good one in one to three places."""
    tree = copy.deepcopy(good)
    for _ in range(draw(st.integers(1, 3))):
        if not tree:
            break
        place = draw(_places(tree))
        holder, key = _at(tree, place[:-1]), place[-1]
        value = holder[key]
        what = draw(st.sampled_from(["hostile", "hostile", "near", "gone", "again", "renamed"]))
        is_number = isinstance(value, int | float) and not isinstance(value, bool)
        if what == "near" and is_number and abs(value) < 1e300:
            near = [-value, value + 1, value - 1, value * 2, value * 1000, value / 1000, value * 0]
            holder[key] = draw(st.sampled_from(near))
        elif what == "gone":
            del holder[key]
        elif what == "again" and isinstance(holder, list):
            holder.insert(draw(st.integers(0, len(holder))), copy.deepcopy(value))
        elif what == "renamed" and isinstance(holder, dict):
            del holder[key]
            holder[draw(st.sampled_from([f"{key}x", f"{key}\n", "", "\x1b[2J", key[:-1]]))] = value
        else:
            holder[key] = copy.deepcopy(draw(st.sampled_from(HOSTILE)))
    return tree


_TEXTS = [
    "",
    "\n",
    "\x00",
    "[" * 5000,
    '{"a":' * 5000,
    "9" * 5000,
    "0x" + "f" * 9000,
    "1e999",
    "-",
    ".",
    '"',
    "'''",
    "\\",
    "\\ud800",
    "a" + ".a" * 400,
    "a" + ".a" * 9000,
    "nan",
    "inf",
    "-Infinity",
    "1979-05-27",
    "\u2028",
    "\ufeff",
    "=",
    "#",
    "]",
    "}",
]


@st.composite
def texts(draw: st.DrawFn, good: str) -> bytes:
    """Draw a text's bytes that differ from good ones by what was typed over or torn away."""
    text = good
    for _ in range(draw(st.integers(1, 2))):
        begin = draw(st.integers(0, len(text)))
        end = min(len(text), begin + draw(st.sampled_from([0, 0, 1, 2, 10, 100])))
        text = text[:begin] + draw(st.sampled_from(_TEXTS)) + text[end:]
    raw = text.encode("utf-8", "surrogatepass")
    if draw(st.integers(0, 5)) == 0:
        raw = raw[: draw(st.integers(0, len(raw)))]
    return draw(raws(raw)) if draw(st.integers(0, 5)) == 0 else raw


@st.composite
def raws(draw: st.DrawFn, good: bytes, head: int | None = None) -> bytes:
    """Draw bytes that differ from good ones, within the first `head` if that is given.

    Single bytes, fields of two and four in either order, pieces gone and doubled, ends torn.
    """
    raw = bytearray(good)
    length = len(raw) if head is None else min(head, len(raw))
    for _ in range(draw(st.integers(1, 3))):
        at = draw(st.integers(0, max(length - 1, 0)))
        what = draw(st.sampled_from(["byte", "field", "field", "gone", "again", "torn"]))
        if what == "byte":
            raw[at : at + 1] = bytes([draw(st.integers(0, 255))])
        elif what == "field":
            width = draw(st.sampled_from([2, 4]))
            values = [0, 1, 2, 3, 127, 2**15, 2**16 - 1, 2**31 - 1, 2**31, 2**32 - 1]
            value = draw(st.sampled_from(values)) % 256**width
            raw[at : at + width] = value.to_bytes(width, draw(st.sampled_from(["little", "big"])))
        elif what == "gone":
            del raw[at : at + draw(st.integers(1, 16))]
        elif what == "again":
            raw[at:at] = raw[at : at + draw(st.integers(1, 16))]
        elif draw(st.integers(0, 3)) == 0:
            del raw[draw(st.integers(0, len(raw))) :]
    return bytes(raw)


def json_bytes(tree: Any) -> bytes:
    """Write a tree as JSON, with what JSON does not allow: NaN, Infinity, halves of characters."""
    return json.dumps(tree).encode()


def toml_bytes(tree: Any) -> bytes:
    """Write a tree as TOML, all of it inline; what TOML cannot say as text."""
    if not isinstance(tree, dict):
        return _toml(tree).encode("utf-8", "surrogatepass")
    lines = [f"{_toml_key(key)} = {_toml(value)}" for key, value in tree.items()]
    return "\n".join(lines).encode("utf-8", "surrogatepass")


def _toml(value: Any) -> str:
    if value is None:
        return '""'
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return str(value)
    if isinstance(value, str):
        return json.dumps(value)
    if isinstance(value, list):
        return f"[{', '.join(map(_toml, value))}]"
    return "{" + ", ".join(f"{_toml_key(k)} = {_toml(v)}" for k, v in value.items()) + "}"


def _toml_key(key: str) -> str:
    return json.dumps(key)


CELLS = [
    "",
    " ",
    "0",
    "-1",
    "1.5",
    "1e999",
    "nan",
    "inf",
    "9" * 5000,
    "1_0",
    "\u0663",
    "=1+1",
    '"two\nlines"',
    '"',
    "\x00",
    "\x1b[31m",
    "x" * 200_000,
    ",",
    ";",
    "\t",
]


@st.composite
def tables(draw: st.DrawFn, good: str) -> bytes:
    """Draw a table of comma-separated values that differs from a good one in some cells."""
    rows = [line.split(",") for line in good.splitlines()]
    for _ in range(draw(st.integers(1, 3))):
        row = draw(st.sampled_from(rows))
        if row:
            row[draw(st.integers(0, len(row) - 1))] = draw(st.sampled_from(CELLS))
        what = draw(st.integers(0, 5))
        if what == 0:
            rows.insert(draw(st.integers(0, len(rows))), list(row))
        elif what == 1:
            rows.remove(row)
        rows = rows or [[]]
    return "\n".join(",".join(row) for row in rows).encode()
