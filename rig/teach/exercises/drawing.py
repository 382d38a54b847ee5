"""Questions out of a seed: scenes are drawn until the measuring code decides them as they are."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Sequence

import numpy as np

from rig.errors import LessonError
from rig.run.run import Run
from rig.teach.exercises.bench import heard, sum_of
from rig.teach.exercises.question import DIFFICULTIES, Difficulty, Draft, Question, Topic
from rig.teach.exercises.topics import TOPICS

MOST_DRAWS = 40
"""So many scenes are drawn for one question at the most."""

MOST_QUESTIONS = 200

_SURE = 3.0  # standard deviations within which two marks are alike
_NEARLY = 0.15
"""Two scenes whose numbers differ by no more of them look like one to a pupil."""

_LEVEL_STEP_DB = 0.2  # what a shade of the picture, or a line's width on its strip, tells
_RANGE_STEP_M = 0.004  # a dot of the picture


def questions(
    *, seed: int, count: int, topics: Sequence[str] = (), difficulty: str = "middle"
) -> Iterator[Question]:
    """Draw questions that the project's own measuring code answers as their scenes do.

    Parameters
    ----------
    seed : int
        The same seed gives the same questions, and more of them begin with the same ones.
    count : int
    topics : sequence of str
        Names of topics; empty for all.
    difficulty : str

    Returns
    -------
    iterator of Question
        Each is drawn as it is asked for.

    Raises
    ------
    LessonError
        On an unknown topic or difficulty, on too many questions, or where no scene of a
        question can be decided.
    """
    chosen = _topics_named(topics)
    if difficulty not in DIFFICULTIES:
        raise LessonError(
            f"--difficulty: {difficulty!r} not found; give one of {', '.join(DIFFICULTIES)}"
        )
    if not 1 <= count <= MOST_QUESTIONS:
        raise LessonError(f"--count: found {count}; give 1 to {MOST_QUESTIONS}")
    dealt = dealt_kinds(chosen, np.random.default_rng(np.random.SeedSequence((seed, 0))))
    asked: list[Draft] = []

    def drawn(number: int, topic: Topic, kind: int) -> Question:
        made = question(topic, kind, DIFFICULTIES[difficulty], number=number, seed=seed, but=asked)
        asked.append(made.draft)
        return made

    # What was wished for is checked by now, before anyone makes a folder for it.
    return (
        drawn(number, topic, kind)
        for number, (topic, kind) in zip(range(1, count + 1), dealt, strict=False)
    )


def question(
    topic: Topic,
    kind: int,
    difficulty: Difficulty,
    *,
    number: int,
    seed: int,
    but: Sequence[Draft] = (),
) -> Question:
    """Draw one question whose scene is decided; its answer is of a given kind.

    The kind stays while scenes are drawn anew: else answers that are hard to decide would
    come up less often. A scene all but like one of `but`, which were asked before, is drawn anew
    too, as long as there are others.

    Raises
    ------
    LessonError
        Where none of many scenes is decided.
    """
    rng = np.random.default_rng(np.random.SeedSequence((seed, number)))
    for redrawn in range(MOST_DRAWS):
        draft = topic.draft(rng, difficulty, kind)
        if redrawn < MOST_DRAWS // 2 and any(all_but_alike(draft, other) for other in but):
            continue
        noise_seed = int(rng.integers(2**31))
        found = heard(draft.plan, draft.acts, seed=noise_seed)
        whole = not any(ping.lost for ping in found.results)
        decided = whole and draft.decide(found) == draft.answer
        if decided and _stands(draft, found, noise_seed):
            return Question(number=number, topic=topic, draft=draft, heard=found, redrawn=redrawn)
    raise LessonError(
        f"question {number} on {topic.name}: none of {MOST_DRAWS} scenes could be decided; "
        "give another --seed"
    )


def _topics_named(names: Sequence[str]) -> tuple[Topic, ...]:
    for name in names:
        if name not in TOPICS:
            raise LessonError(f"--topic: {name!r} not found; give one of {', '.join(TOPICS)}")
    # Each once, however often it was named.
    return tuple(TOPICS[name] for name in dict.fromkeys(names)) or tuple(TOPICS.values())


def dealt_kinds(topics: Sequence[Topic], rng: np.random.Generator) -> Iterator[tuple[Topic, int]]:
    """Go round the topics in an order drawn for each round, with an answer drawn for each."""
    while True:
        for place in rng.permutation(len(topics)):
            topic = topics[int(place)]
            yield topic, int(rng.integers(topic.answers))


def all_but_alike(one: Draft, other: Draft) -> bool:
    """Say whether two questions ask the same of scenes whose numbers are nearly the same."""
    if (one.text, one.answer) != (other.text, other.answer):
        return False
    pairs = zip(_numbers(one), _numbers(other), strict=False)
    return all(abs(a - b) <= _NEARLY * max(abs(a), abs(b)) for a, b in pairs)


def _numbers(draft: Draft) -> list[float]:
    return [float(number) for number in re.findall(r"\d+(?:\.\d+)?", " ".join(draft.truth))]


def _stands(draft: Draft, found: Run, noise_seed: int) -> bool:
    """Say whether what cannot be told cannot: whether another truth leaves the same marks."""
    if not draft.other:
        return True
    # Other noise: what is alike only in one run's noise is not alike.
    other = heard(draft.plan, draft.other, seed=noise_seed + 1)
    if draft.decide(other) != draft.answer:
        return False
    first = 0
    for act in draft.acts:
        if not same_marks(found, other, slice(first, first + act.pings)):
            return False
        first += act.pings
    return True


def same_marks(one: Run, other: Run, pings: slice) -> bool:
    """Say whether two runs' pings, added up, show the same echoes within their uncertainty."""
    ours, theirs = sum_of(one, pings), sum_of(other, pings)
    if len(ours) != len(theirs):
        return False
    for a, b in zip(ours, theirs, strict=True):
        apart_m, apart_db = abs(a.range_m - b.range_m), abs(a.strength_db - b.strength_db)
        u_m = math.hypot(a.bound_m, b.bound_m)
        # An amplitude is known to 1/√(2E/N0) of itself.
        u_db = 8.686 * math.hypot(10 ** (-a.snr_db / 20), 10 ** (-b.snr_db / 20))
        if apart_m > max(_SURE * u_m, _RANGE_STEP_M) or apart_db > max(
            _SURE * u_db, _LEVEL_STEP_DB
        ):
            return False
    return True
