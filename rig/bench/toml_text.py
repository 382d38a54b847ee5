"""Plans and scenes as the text of their TOML files."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import Any

from rig.bench.plan import Plan

_FIRST = ("kind", "body")
"""Says what the other keys are; written first, and always."""


def plan_text(plan: Plan, *, words: str) -> str:
    """Return what a plan's file holds; :func:`rig.bench.plan.read_plan` makes it again.

    Parameters
    ----------
    plan : Plan
    words : str
        A line of comment on top: where it comes from.
    """
    lines = [f"# {words}"]
    for key, table in plan.as_table().items():
        named = lines_of(table, getattr(plan, key))
        if named:
            lines += ["", f"[{key}]", *named]
    return "\n".join(lines) + "\n"


def lines_of(table: Mapping[str, Any], made: Any) -> list[str]:
    """Return the keys of a table that are not what they are without being named.

    Parameters
    ----------
    table : mapping
    made : dataclass instance
        That the table is of, with its defaults.
    """
    defaults = {f.name: f.default for f in dataclasses.fields(made)}
    named = {k: v for k, v in table.items() if k in _FIRST or getattr(made, k) != defaults[k]}
    ranked = sorted(named.items(), key=lambda item: item[0] not in _FIRST)
    return [f"{key} = {value_text(value)}" for key, value in ranked]


def value_text(value: Any) -> str:
    """Return a value as TOML has it."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, list | tuple):
        return f"[{', '.join(value_text(each) for each in value)}]"
    if isinstance(value, dict):
        return f"{{{', '.join(f'{key} = {value_text(each)}' for key, each in value.items())}}}"
    # A number's shortest text that is read back as the same.
    return repr(value)
