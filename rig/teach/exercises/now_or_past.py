"""Topics about now and then: what is there, and how far the nearest of it is."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from rig.run.run import Run
from rig.teach.exercises.bench import (
    INTERVAL_S,
    Act,
    Tables,
    air_plan,
    air_scene,
    ball,
    echo_level_db,
    noise_for_db,
    radius_for_m,
)
from rig.teach.exercises.bystanders import bystanders
from rig.teach.exercises.question import Difficulty, Draft, Topic

_PINGS = 60
_WITHIN_M = 0.08
_BOTH, _NEITHER = "both", "neither"


def _now_or_past(rng: np.random.Generator, difficulty: Difficulty, kind: int) -> Draft:
    near_m = round(float(rng.uniform(0.7, 1.4)), 1)
    far_m = round(near_m + float(rng.uniform(0.5, 1.0)), 1)
    only_near, only_far = f"only the one at {near_m:.1f} m", f"only the one at {far_m:.1f} m"
    answer = (only_near, only_far, _BOTH, _NEITHER)[kind]
    stays = (kind in (0, 2), kind in (1, 2))
    level_db = echo_level_db(far_m, float(rng.uniform(0.04, 0.06)))
    things = [
        ball(r, radius_for_m(level_db + float(rng.uniform(0.0, 3.0)), r)) for r in (near_m, far_m)
    ]
    ages = [
        None if stay else round(30 * difficulty.contrast * float(rng.uniform(0.5, 1.2)))
        for stay in stays
    ]
    others = bystanders(rng, difficulty, level_db=level_db, away_from_m=(near_m, far_m))
    noise_db = noise_for_db(level_db, difficulty.snr_db)
    truth = tuple(
        f"The thing at {r:.1f} m {_fate(age)}."
        for r, age in zip((near_m, far_m), ages, strict=True)
    )
    return Draft(
        text=(
            f"The history has a mark at {near_m:.1f} m and one at {far_m:.1f} m. Which of the two "
            "things is in the beam now?"
        ),
        choices=(only_near, only_far, _BOTH, _NEITHER),
        answer=answer,
        reason=(
            "Now is the strength strip, and the top line of the history. What is there now stands "
            "out of the strip and its mark reaches the top. A mark that ends below the top is the "
            "past: its thing has left, though it is still on the picture."
        ),
        truth=truth + others.truth,
        plan=air_plan(),
        acts=_acts(things, ages, others.targets, noise_db=noise_db),
        decide=lambda heard: _there_now(heard, (near_m, far_m), (only_near, only_far)),
    )


def _fate(age: int | None) -> str:
    if age is None:
        return "is still there"
    return f"was taken away {age * INTERVAL_S:.1f} s before the newest ping"


def _acts(
    things: Sequence[Tables],
    ages: Sequence[int | None],
    others: Sequence[Tables],
    *,
    noise_db: float,
) -> tuple[Act, ...]:
    """Return the acts in which each thing is there until so many pings before the end."""
    leaves = [_PINGS if age is None else _PINGS - age for age in ages]
    ends = sorted({*leaves, _PINGS})
    acts, begin = [], 0
    for end in ends:
        there = [thing for thing, left in zip(things, leaves, strict=True) if left >= end]
        acts.append(Act(scene=air_scene(*there, *others, noise_db=noise_db), pings=end - begin))
        begin = end
    return tuple(acts)


def _there_now(heard: Run, ranges_m: tuple[float, float], only: tuple[str, str]) -> str | None:
    """Say which of two things the newest pings hear, of two that the first pings heard."""
    there = []
    for range_m in ranges_m:
        heard_at = [
            any(abs(e.range_m - range_m) < _WITHIN_M for e in result.echoes)
            for result in heard.results
        ]
        # Seen as a streak before, and of now no doubt.
        if sum(heard_at[:15]) < 13:
            return None
        if all(heard_at[-4:]):
            there.append(True)
        elif not any(heard_at[-4:]):
            there.append(False)
        else:
            return None
    if all(there):
        return _BOTH
    if not any(there):
        return _NEITHER
    return only[0] if there[0] else only[1]


def _how_far(rng: np.random.Generator, difficulty: Difficulty, kind: int) -> Draft:
    present_m = round(float(rng.uniform(0.9, 1.3)), 1)
    farther_m = round(present_m + float(rng.uniform(0.4, 0.7)), 1)
    doubled_m = round(2 * present_m, 1)
    # What has left was nearer, or was not: it must not be told by its place alone.
    if kind == 0:
        past_m = round(present_m - float(rng.uniform(0.25, 0.4)), 1)
    else:
        past_m = round(farther_m + float(rng.uniform(0.25, 0.4)), 1)
    if abs(past_m - doubled_m) < 0.15 or abs(farther_m - doubled_m) < 0.15:
        doubled_m = round(present_m / 2, 1)
    numbers_m = sorted({present_m, farther_m, past_m, doubled_m})
    level_db = echo_level_db(farther_m, float(rng.uniform(0.04, 0.06)))
    things = [
        ball(r, radius_for_m(level_db + float(rng.uniform(0.0, 3.0)), r))
        for r in (present_m, farther_m, past_m)
    ]
    age = round(30 * difficulty.contrast * float(rng.uniform(0.6, 1.2)))
    noise_db = noise_for_db(level_db, difficulty.snr_db)
    return Draft(
        text="How far away is the nearest thing that is in the beam now?",
        choices=tuple(f"{m:.1f} m" for m in numbers_m),
        answer=f"{present_m:.1f} m",
        reason=(
            "Take the nearest peak that stands out of the strength strip, which is now, and go "
            "down to the range axis. The range is one way: the time of flight above it is out and "
            "back, and must not be read as a range nor halved again. A mark that ends below the "
            "top of the history has left."
        ),
        truth=(
            f"A thing at {present_m:.1f} m and one at {farther_m:.1f} m are there; one at "
            f"{past_m:.1f} m {_fate(age)}.",
        ),
        plan=air_plan(),
        acts=_acts(things, [None, None, age], (), noise_db=noise_db),
        decide=lambda heard: _nearest_now(heard, numbers_m),
    )


def _nearest_now(heard: Run, numbers_m: Sequence[float]) -> str | None:
    """Say which number is the range of the nearest echo of all the newest pings."""
    found = set()
    for result in heard.results[-4:]:
        if not result.echoes:
            return None
        found.add(min(numbers_m, key=lambda m: abs(m - result.echoes[0].range_m)))
        if min(abs(m - result.echoes[0].range_m) for m in numbers_m) > 0.03:
            return None
    return f"{found.pop():.1f} m" if len(found) == 1 else None


TOPICS = (
    Topic(name="now-or-past", title="What is there now", answers=4, draft=_now_or_past),
    Topic(name="how-far", title="How far, off the axis of ranges", answers=2, draft=_how_far),
)
