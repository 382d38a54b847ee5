"""All topics, in the order in which they are listed."""

from __future__ import annotations

from rig.exercises import bottom, marks, moving, present
from rig.exercises.question import Topic

TOPICS: dict[str, Topic] = {
    topic.name: topic for topic in (*moving.TOPICS, *present.TOPICS, *marks.TOPICS, *bottom.TOPICS)
}
