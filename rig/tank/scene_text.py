"""A scene as the text of its file."""

from __future__ import annotations

import dataclasses
from typing import Any

from rig.tank.scene import Scene


def scene_text(scene: Scene, *, words: str) -> str:
    """Return what a scene's file holds; :func:`rig.tank.scene.read_scene` makes it again.

    Parameters
    ----------
    scene : Scene
    words : str
        A line of comment on top: where it comes from.
    """
    lines = [f"# {words}"]
    for key, table in scene.as_table().items():
        made = getattr(scene, key)
        if isinstance(made, tuple):
            for each, its in zip(made, table, strict=True):
                lines += ["", f"[[{key}]]", *_lines(its, each)]
        else:
            lines += ["", f"[{key}]", *_lines(table, made)]
    return "\n".join(lines) + "\n"


def _lines(table: dict[str, Any], made: Any) -> list[str]:
    """Return the keys that are not what they are without being named, the kind of body first."""
    defaults = {f.name: f.default for f in dataclasses.fields(made)}
    named = {k: v for k, v in table.items() if k == "body" or getattr(made, k) != defaults[k]}
    ranked = sorted(named.items(), key=lambda item: item[0] != "body")
    return [f"{key} = {_value(value)}" for key, value in ranked]


def _value(value: Any) -> str:
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, list):
        return f"[{', '.join(_value(each) for each in value)}]"
    if isinstance(value, dict):
        return f"{{{', '.join(f'{key} = {_value(each)}' for key, each in value.items())}}}"
    # A number's shortest text that is read back as the same.
    return repr(value)
