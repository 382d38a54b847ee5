"""The scenes that ship, each with a plan that suits it. All of them are invented."""

from __future__ import annotations

import tomllib
from importlib import resources
from importlib.resources.abc import Traversable

from rig.bench.plan import Plan, plan_from_table
from rig.errors import SceneError
from rig.tank.scene import Scene, scene_from_table

DEMONSTRATION = "cistern"
"""What is shown where no scene is named: an arch, streaks, and half an arch."""

_PLAN_ENDING = "-plan"


def built_in_scenes() -> tuple[str, ...]:
    """Return the names of the scenes that ship, in alphabetical order.

    Examples
    --------
    >>> built_in_scenes()
    ('bench', 'cistern', 'sides', 'trough')
    """
    stems = [entry.name.removesuffix(".toml") for entry in _folder().iterdir()]
    return tuple(sorted(s.removesuffix(_PLAN_ENDING) for s in stems if s.endswith(_PLAN_ENDING)))


def built_in(name: str) -> tuple[Scene, Plan]:
    """Return a scene that ships, and its plan.

    Raises
    ------
    SceneError
        Where there is none of that name; the message lists those there are.
    """
    names = built_in_scenes()
    if name not in names:
        listed = ", ".join(f'"{each}"' for each in names)
        raise SceneError(f"scene {name!r}: not found; give one of {listed}, or a scene file")
    scene = scene_from_table(_table(f"{name}.toml"), source=f"{name}.toml")
    plan_file = f"{name}{_PLAN_ENDING}.toml"
    return scene, plan_from_table(_table(plan_file), source=plan_file)


def scene_for(plan: Plan) -> Scene:
    """Return the scene that ships for the plan's medium: where none is named."""
    return built_in(_name_for(plan.medium.kind))[0]


def plan_for(scene: Scene) -> Plan:
    """Return the plan that ships for the scene's medium: where none is named."""
    return built_in(_name_for(scene.medium.kind))[1]


def _name_for(medium_kind: str) -> str:
    return "bench" if medium_kind == "air" else "trough"


def _folder() -> Traversable:
    return resources.files("rig.tank") / "scenes"


def _table(file: str) -> dict[str, object]:
    return tomllib.loads((_folder() / file).read_text(encoding="utf-8"))
