"""What a reading exercise is made of."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from rig.bench.plan import Plan
from rig.run.run import Run
from rig.teach.exercises.bench import Act


@dataclass(frozen=True, slots=True, kw_only=True)
class Difficulty:
    """How hard a picture is to read.

    Attributes
    ----------
    name : str
    snr_db : float
        2E/N0 of what is asked about, where it is strongest.
    bystanders : int
        Things in the picture that are not asked about, at the most.
    contrast : float
        How far apart the answers lie: 1 is far; smaller is nearer to the limit.
    """

    name: str
    snr_db: float
    bystanders: int
    contrast: float


DIFFICULTIES = {
    d.name: d
    for d in (
        Difficulty(name="easy", snr_db=38.0, bystanders=0, contrast=1.0),
        Difficulty(name="middle", snr_db=31.0, bystanders=1, contrast=0.7),
        Difficulty(name="hard", snr_db=25.0, bystanders=2, contrast=0.45),
    )
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Draft:
    """A question whose scene is drawn, but not yet sounded.

    Attributes
    ----------
    text : str
        The question, in a pupil's words.
    choices : tuple of str
    answer : str
        What the scene holds: one of `choices`.
    reason : str
        How it is read off the picture, and why.
    truth : tuple of str
        The scene in words, for the key.
    plan : Plan
    acts : tuple of Act
    decide : callable
        From what was heard to the answer that the measuring code gives, with a margin; None
        where it gives none. It knows the question but not the scene.
    other : tuple of Act
        Where it cannot be told: a scene of another truth, which must leave the same marks.
    """

    text: str
    choices: tuple[str, ...]
    answer: str
    reason: str
    truth: tuple[str, ...]
    plan: Plan
    acts: tuple[Act, ...]
    decide: Callable[[Run], str | None]
    other: tuple[Act, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Topic:
    """One thing to be read off a picture.

    Attributes
    ----------
    name : str
        As typed on the command line: "pass-or-stay".
    title : str
    answers : int
        How many kinds of answer there are; which is right is drawn evenly.
    draft : callable
        From a random stream, a difficulty and the kind of answer, from 0, to a draft. Each
        call draws another scene.
    """

    name: str
    title: str
    answers: int
    draft: Callable[[np.random.Generator, Difficulty, int], Draft]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Question:
    """A question that is fit to be asked.

    Attributes
    ----------
    number : int
        From 1.
    topic : Topic
    draft : Draft
    heard : Run
    redrawn : int
        Scenes that were drawn before and not used, since the measuring code did not decide
        them as they are.
    """

    number: int
    topic: Topic
    draft: Draft
    heard: Run
    redrawn: int
