"""The topic about the bottom."""

from __future__ import annotations

from rig.exercises.question import Topic

TOPICS: tuple[Topic, ...] = ()
