"""The bench itself: plans, front ends, recording, the picture and the command.

Data flows one way: plan, front end, capture block, echo profile, echoes, ping
result, picture. ``DEVELOPERS.md`` has the map.

The public names stand here, as ``rig.open_bench``; "Public names" in ``DEVELOPERS.md`` lists
them by subject. Each is loaded when it is first used. What lies deeper may move.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from dsp.lazy_names import lazy_names

if TYPE_CHECKING:
    # For type checkers and editors; a name imported as itself is one that is handed on.
    from rig.bench.plan import Plan as Plan
    from rig.bench.plan import plan_from_table as plan_from_table
    from rig.bench.plan import read_plan as read_plan
    from rig.bench.start_plans import start_plan as start_plan
    from rig.bench.stored_calibration import Calibration as Calibration
    from rig.errors import CalibrationError as CalibrationError
    from rig.errors import DeviceError as DeviceError
    from rig.errors import EchobenchError as EchobenchError
    from rig.errors import LessonError as LessonError
    from rig.errors import NotHeardError as NotHeardError
    from rig.errors import PlanError as PlanError
    from rig.errors import RecordingError as RecordingError
    from rig.errors import SceneError as SceneError
    from rig.errors import StorageError as StorageError
    from rig.files.calibration import read_calibration as read_calibration
    from rig.measure.beam.moved import SteadyPass as SteadyPass
    from rig.measure.beam.moved import Stops as Stops
    from rig.measure.beam.moved import read_stops as read_stops
    from rig.notebook.beam import Beam as Beam
    from rig.notebook.bench import Bench as Bench
    from rig.notebook.bench import open_bench as open_bench
    from rig.notebook.bench import read as read
    from rig.notebook.lesson import Turn as Turn
    from rig.notebook.lesson import take_part as take_part
    from rig.notebook.run import Run as Run
    from rig.notebook.tables import Echoes as Echoes
    from rig.notebook.tables import History as History
    from rig.run.results import Echo as Echo
    from rig.run.results import Side as Side
    from rig.tank.scene import Scene as Scene
    from rig.tank.scene import read_scene as read_scene
    from rig.tank.scene import scene_from_table as scene_from_table
    from rig.teach.lessons.index import lesson_named as lesson_named
    from rig.teach.lessons.index import lesson_names as lesson_names
    from rig.teach.lessons.lesson import Lesson as Lesson

_NAMES = {
    "bench.plan": ("Plan", "plan_from_table", "read_plan"),
    "bench.start_plans": ("start_plan",),
    "bench.stored_calibration": ("Calibration",),
    "files.calibration": ("read_calibration",),
    "tank.scene": ("Scene", "read_scene", "scene_from_table"),
    "run.results": ("Echo", "Side"),
    "measure.beam.moved": ("SteadyPass", "Stops", "read_stops"),
    "teach.lessons.lesson": ("Lesson",),
    "teach.lessons.index": ("lesson_named", "lesson_names"),
    "notebook.bench": ("Bench", "open_bench", "read"),
    "notebook.run": ("Run",),
    "notebook.tables": ("Echoes", "History"),
    "notebook.beam": ("Beam",),
    "notebook.lesson": ("Turn", "take_part"),
    "errors": (
        "CalibrationError",
        "DeviceError",
        "EchobenchError",
        "LessonError",
        "NotHeardError",
        "PlanError",
        "RecordingError",
        "SceneError",
        "StorageError",
    ),
}

_load, __dir__, __all__ = lazy_names(__name__, _NAMES)

if not TYPE_CHECKING:  # to a type checker, a module with this would have any name at all
    __getattr__ = _load
