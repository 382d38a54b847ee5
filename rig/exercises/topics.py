"""All topics, in the order in which a mixed sheet goes round them."""

from __future__ import annotations

from rig.exercises import bottom, moving, standing
from rig.exercises.question import Topic

TOPICS: dict[str, Topic] = {
    topic.name: topic for topic in (*moving.TOPICS, *standing.TOPICS, *bottom.TOPICS)
}
