"""All topics, in the order in which they are listed."""

from __future__ import annotations

from rig.teach.exercises import bottom, moving, now_or_past, what_a_mark_tells
from rig.teach.exercises.question import Topic

TOPICS: dict[str, Topic] = {
    topic.name: topic
    for topic in (*moving.TOPICS, *now_or_past.TOPICS, *what_a_mark_tells.TOPICS, *bottom.TOPICS)
}
