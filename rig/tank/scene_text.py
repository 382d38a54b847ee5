"""A scene as the text of its file."""

from __future__ import annotations

from typing import Any

from rig.bench.toml_text import lines_of
from rig.tank.scene import Scene, scene_from_table

_DIGITS = 5
"""Behind the point, of what hands made: a hundredth of a millimetre."""


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
                lines += ["", f"[[{key}]]", *lines_of(its, each)]
        else:
            lines += ["", f"[{key}]", *lines_of(table, made)]
    return "\n".join(lines) + "\n"


def rounded(scene: Scene) -> Scene:
    """Return a scene that hands made, with numbers such as a hand writes."""
    return scene_from_table(_rounded(scene.as_table()), source="the scene by hand")


def _rounded(value: Any) -> Any:
    if isinstance(value, float):
        return round(value, _DIGITS) + 0.0  # and no minus before a zero
    if isinstance(value, list | tuple):
        return [_rounded(each) for each in value]
    if isinstance(value, dict):
        return {key: _rounded(each) for key, each in value.items()}
    return value
