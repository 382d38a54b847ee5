"""Which lessons there are: those that ship, and any that a teacher has in a file."""

from __future__ import annotations

import difflib
import importlib
import importlib.util
import os
from importlib import resources
from pathlib import Path
from types import ModuleType

from rig.errors import LessonError
from rig.teach.lessons.lesson import Lesson

_IN_ORDER = (
    "time-is-distance",
    "widening-cone",
    "arch-or-streak",
    "centre-or-edge",
    "two-receivers",
    "how-loud-is-big",
    "two-close-together",
    "bottom-and-surface",
    "finding-it-in-noise",
    "two-benches",
    "history-is-the-past",
)
"""In which order they build on each other; what is not named follows by name."""

_TEMPLATE = "rig/teach/lessons/template.py"


def lesson_names() -> tuple[str, ...]:
    """Return the names of the lessons that ship, in the order in which to teach them."""
    files = [entry.name for entry in resources.files("rig.teach.lessons.taught").iterdir()]
    stems = [file.removesuffix(".py") for file in files if file.endswith(".py")]
    names = {stem.replace("_", "-") for stem in stems if not stem.startswith("_")}
    first = tuple(name for name in _IN_ORDER if name in names)
    return first + tuple(sorted(names.difference(first)))


def lessons() -> tuple[Lesson, ...]:
    """Return the lessons that ship, in the order in which to teach them."""
    return tuple(lesson_named(name) for name in lesson_names())


def lesson_named(name: str) -> Lesson:
    """Return a lesson that ships, or one from a teacher's own file.

    Parameters
    ----------
    name : str
        A name of :func:`lesson_names`, or the path of a Python file, which is run.

    Raises
    ------
    LessonError
        Where there is none of that name, or the file holds no lesson.
    """
    if name.endswith(".py"):
        return _checked(_module_in(name), name)
    names = lesson_names()
    if name not in names:
        near = difflib.get_close_matches(name, names, n=1)
        hint = f"did you mean {near[0]!r}? " if near else ""
        raise LessonError(
            f"lesson: found {name!r}; {hint}give one of {', '.join(names)}, "
            "or a file of your own that ends in .py"
        )
    module = importlib.import_module(f"rig.teach.lessons.taught.{name.replace('-', '_')}")
    return _checked(module, module.__name__)


def _module_in(path: str) -> ModuleType:
    if not os.path.isfile(path):
        raise LessonError(
            f"{path}: no such file; give a lesson's name, or a file made from {_TEMPLATE}"
        )
    spec = importlib.util.spec_from_file_location(f"own_lesson_{Path(path).stem}", path)
    if spec is None or spec.loader is None:
        raise LessonError(f"{path}: is no Python file; give one made from {_TEMPLATE}")
    module = importlib.util.module_from_spec(spec)
    try:
        spec.loader.exec_module(module)
    except Exception as problem:  # whatever a teacher's own file may raise
        words = " ".join(str(problem).split())
        raise LessonError(
            f"{path}: cannot be run ({type(problem).__name__}: {words}); "
            f"compare it with {_TEMPLATE}"
        ) from problem
    return module


def _checked(module: ModuleType, source: str) -> Lesson:
    """Return a module's lesson, after a look at what its author may have got wrong."""
    lesson = getattr(module, "LESSON", None)
    if not isinstance(lesson, Lesson):
        raise LessonError(
            f"{source}: found no lesson in it; give it a constant LESSON = Lesson(…), "
            f"as {_TEMPLATE} has"
        )
    if not lesson.parts:
        raise LessonError(f"{source}: parts: found none; give the lesson at least one")
    _require_unique(f"{source}: parts", [part.name for part in lesson.parts])
    for part in lesson.parts:
        where = f"{source}: part {part.name!r}"
        if not part.steps:
            raise LessonError(f"{where}: steps: found none; give the part at least one")
        _require_unique(f"{where}: steps", [step.name for step in part.steps])
        _require_unique(f"{where}: givens", [given.name for given in part.givens])
        for step in part.steps:
            if step.pings < 1:
                raise LessonError(
                    f"{where}: step {step.name!r}: pings: found {step.pings}; give at least 1"
                )
    return lesson


def _require_unique(where: str, names: list[str]) -> None:
    for name in names:
        if not name or name.strip("abcdefghijklmnopqrstuvwxyz0123456789-_"):
            raise LessonError(
                f"{where}: found the name {name!r}; give small letters, digits, - and _, "
                "since files are named after it"
            )
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise LessonError(f"{where}: found {twice[0]!r} twice; give each a name of its own")
