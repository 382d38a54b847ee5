"""Topics about what a mark can tell: how many, how large, and whether there is anything."""

from __future__ import annotations

import math

import numpy as np

from dsp.physics.beams import half_power_half_angle_rad
from rig.run.run import Run
from rig.teach.exercises.bench import (
    CENTRE_HZ,
    DISC_RADIUS_M,
    SOUND_SPEED_M_S,
    Act,
    air_plan,
    air_scene,
    ball,
    echo_level_db,
    noise_for_db,
    radius_for_m,
    sum_of,
)
from rig.teach.exercises.bystanders import bystanders
from rig.teach.exercises.question import Difficulty, Draft, Topic

_PINGS = 60
_TWO, _THREE = "two, at the least", "three, at the least"
_UNCOUNTED = "one or more: it cannot be told"
_EARLIER, _LATER, _UNTOLD = "the earlier one", "the later one", "it cannot be told"
_NOWHERE = "at none of them"

_HALF_POWER_DB = 10 * math.log10(2)


def _how_many(rng: np.random.Generator, difficulty: Difficulty, kind: int) -> Draft:
    bandwidth_hz = float(rng.choice([4000.0, 8000.0]))
    parts_m = 1.44 * SOUND_SPEED_M_S / (2 * bandwidth_hz)  # width of a mark at half power
    range_m = float(rng.uniform(0.9, 1.8))
    level_db = echo_level_db(range_m, float(rng.uniform(0.03, 0.05)))
    noise_db = noise_for_db(level_db, difficulty.snr_db)
    others = bystanders(
        rng, difficulty, level_db=level_db, away_from_m=(range_m - 0.35, range_m + 0.35)
    )
    plan = air_plan(bandwidth_hz=bandwidth_hz)

    def act(*places_m: float, level_db: float) -> tuple[Act, ...]:
        things = [ball(r, radius_for_m(level_db, r)) for r in places_m]
        return (Act(scene=air_scene(*things, *others.targets, noise_db=noise_db), pings=_PINGS),)

    other: tuple[Act, ...] = ()
    if kind == 2:
        apart_m = float(rng.uniform(0.001, 0.004))
        pair = (range_m - apart_m / 2, range_m + apart_m / 2)
        # Two so close add up nearly in step; each of them is weaker than the one.
        each_db = level_db - 20 * math.log10(_sum_of_two(apart_m, bandwidth_hz))
        one, two = act(range_m, level_db=level_db), act(*pair, level_db=each_db)
        answer = _UNCOUNTED
        acts, other = (one, two) if rng.random() < 0.5 else (two, one)
        said = "One thing" if acts is one else f"Two things, {1e3 * apart_m:.0f} mm apart in range,"
        truth = f"{said} hung at {range_m:.2f} m."
    else:
        gap_m = parts_m * (1.9 + 1.2 * difficulty.contrast * float(rng.uniform(0.6, 1.0)))
        count = kind + 2
        places = [range_m + gap_m * (i - (count - 1) / 2) for i in range(count)]
        answer, acts = (_TWO, _THREE)[kind], act(*places, level_db=level_db)
        truth = (
            f"{('Two', 'Three')[kind]} things hung {1e3 * gap_m:.0f} mm apart in range, about "
            f"{range_m:.2f} m away."
        )
    closest_mm = 1e3 * SOUND_SPEED_M_S / (2 * bandwidth_hz)
    asked_m = round(range_m, 1)
    return Draft(
        text=(
            f"How many things, side by side or one behind the other, made what stands within "
            f"30 cm of {asked_m:.1f} m?"
        ),
        choices=(_TWO, _THREE, _UNCOUNTED),
        answer=answer,
        reason=(
            f"This pulse sweeps {bandwidth_hz / 1e3:g} kHz and parts things that are some "
            f"{closest_mm:.0f} mm apart in range, c/(2B), and a little more for low side lobes. "
            "Each peak of its own is one thing at the least; things closer than that make one peak "
            "together, so that a single peak may be one thing or several."
        ),
        truth=(truth, *others.truth),
        plan=plan,
        acts=acts,
        decide=lambda heard: _count_near(heard, asked_m, parts_m),
        other=other,
    )


def _sum_of_two(apart_m: float, bandwidth_hz: float) -> float:
    """Return how much stronger two alike, so far apart in range, are than one of them."""
    share = np.linspace(-0.5, 0.5, 33)
    frequency_hz = CENTRE_HZ + bandwidth_hz * share
    beat = np.cos(2 * np.pi * apart_m * frequency_hz / SOUND_SPEED_M_S)
    return 2 * float(np.average(beat, weights=np.cos(np.pi * share) ** 2))


def _count_near(heard: Run, range_m: float, parts_m: float) -> str | None:
    """Say how many peaks the sum of all pings has near a range, if they stand well apart."""
    near = [e for e in sum_of(heard) if abs(e.range_m - range_m) < 0.35]
    if not near or len(near) > 3 or any(e.snr_db < 30 for e in near):
        return None
    levels = [e.strength_db for e in near]
    gaps = np.diff([e.range_m for e in near])
    if max(levels) - min(levels) > 8 or (gaps.size and gaps.min() < 1.7 * parts_m):
        return None
    return (_UNCOUNTED, _TWO, _THREE)[len(near) - 1]


def _small_or_large(rng: np.random.Generator, difficulty: Difficulty, kind: int) -> Draft:
    range_m = round(float(rng.uniform(0.9, 1.6)), 1)
    edge_rad = half_power_half_angle_rad("piston", DISC_RADIUS_M, SOUND_SPEED_M_S / CENTRE_HZ)
    weaker_db = echo_level_db(range_m, float(rng.uniform(0.025, 0.035)))
    stronger_db = weaker_db + 6.0 + 7.0 * difficulty.contrast * float(rng.uniform(0.7, 1.0))
    levels_db = {0: (stronger_db, weaker_db), 1: (weaker_db, stronger_db)}.get(kind)
    if levels_db is None:
        levels_db = (weaker_db, weaker_db + float(rng.uniform(-0.5, 0.5)))
    noise_db = noise_for_db(weaker_db, difficulty.snr_db)

    def acts(*angles_rad: float) -> tuple[tuple[Act, ...], list[float]]:
        sizes = [
            radius_for_m(level, range_m, angle_rad=angle)
            for level, angle in zip(levels_db, angles_rad, strict=True)
        ]
        made = tuple(
            Act(
                scene=air_scene(
                    ball(range_m, size, angle_rad=angle),
                    noise_db=noise_db,
                ),
                pings=_PINGS // 2,
            )
            for size, angle in zip(sizes, angles_rad, strict=True)
        )
        return made, sizes

    other: tuple[Act, ...] = ()
    if kind == 2:
        # One on the axis, and a larger one so near to the edge that it looks the same.
        angles = [0.0, 0.95 * edge_rad * float(rng.uniform(0.95, 1.0))]
        if rng.random() < 0.5:
            angles.reverse()
        played, sizes = acts(*angles)
        other, _ = acts(*reversed(angles))
        read = (
            "The two marks differ by less than the 3 dB that a thing loses from the axis to the "
            "cone's edge. A small thing on the axis and a larger one at the edge then leave the "
            "same mark, and one receiver cannot tell them apart."
        )
    else:
        angles = [float(rng.uniform(0.0, 0.8)) * edge_rad for _ in range(2)]
        played, sizes = acts(*angles)
        read = (
            "From the axis to the cone's edge a thing loses 3 dB at the most. The two marks differ "
            "by far more than that, so that the stronger is the larger, wherever they hung."
        )
    return Draft(
        text=(
            f"At {range_m:.1f} m a hard ball hung first; then it was taken away and another was "
            "hung at the same range. Both were somewhere inside the cone of half power; nobody saw "
            "where. Which ball is the larger?"
        ),
        choices=(_EARLIER, _LATER, _UNTOLD),
        answer=(_EARLIER, _LATER, _UNTOLD)[kind],
        reason=read,
        truth=tuple(
            f"The {name} ball is {200 * size:.1f} cm across and hung {math.degrees(angle):.0f}° "
            "from the axis."
            for name, size, angle in zip(("earlier", "later"), sizes, angles, strict=True)
        ),
        plan=air_plan(),
        acts=played,
        decide=lambda heard: _larger(heard, range_m),
        other=other,
    )


def _larger(heard: Run, range_m: float) -> str | None:
    """Say which of two marks must be the larger thing's, wherever in the cone each was."""
    levels_db = []
    for pings in (slice(0, _PINGS // 2), slice(_PINGS // 2, _PINGS)):
        near = [e for e in sum_of(heard, pings) if abs(e.range_m - range_m) < 0.15]
        if len(near) != 1 or near[0].snr_db < 30:
            return None
        levels_db.append(near[0].strength_db)
    apart_db = levels_db[0] - levels_db[1]
    if abs(apart_db) < _HALF_POWER_DB / 3:
        return _UNTOLD
    # A third of the cone's 3 dB below and twice above: a shade of the picture decides it.
    if abs(apart_db) < 2 * _HALF_POWER_DB:
        return None
    return _EARLIER if apart_db > 0 else _LATER


def _weak_streak(rng: np.random.Generator, difficulty: Difficulty, kind: int) -> Draft:
    first_m = round(float(rng.uniform(0.7, 1.0)), 1)
    steps = rng.uniform(0.5, 0.8, size=2)
    places_m = [
        first_m,
        round(first_m + float(steps[0]), 1),
        round(first_m + float(steps.sum()), 1),
    ]
    # In one ping a thing so weak is not told from noise; in many it is.
    snr_db = 9.5 + 3.5 * difficulty.contrast
    choices = (*(f"at {m:.1f} m" for m in places_m), _NOWHERE)
    level_db = -60.0
    noise_db = noise_for_db(level_db, snr_db)
    things = [ball(m, radius_for_m(level_db, m)) for m in places_m[kind : kind + 1]]
    if things:
        truth = (
            f"A weak thing hung at {places_m[kind]:.1f} m; in a single ping the energy of its echo "
            f"is {snr_db:.0f} dB above half the noise's density (2E/N0)."
        )
        read = (
            "Look along the history at each of the three ranges: noise is somewhere else in every "
            "ping, and what is really there darkens the same range again and again."
        )
    else:
        truth = "Nothing hung there; all is noise."
        read = (
            "At none of the three ranges do the pings agree: the dark specks lie here and there, "
            "which is what noise does."
        )
    pings = 90
    return Draft(
        text=(
            "The newest ping shows little but noise. At which of these ranges is there a thing all "
            "the same, in all pings?"
        ),
        choices=choices,
        answer=choices[kind],
        reason=f"{read} N pings added up raise it by 10 log N dB above the noise.",
        truth=(truth,),
        plan=air_plan(),
        acts=(Act(scene=air_scene(*things, noise_db=noise_db), pings=pings),),
        decide=lambda heard: _agreed(heard, places_m),
    )


def _agreed(heard: Run, places_m: list[float]) -> str | None:
    """Say at which place, if any, all pings added up have an echo, and the halves too."""
    half = len(heard.results) // 2
    sums = [sum_of(heard), sum_of(heard, slice(0, half)), sum_of(heard, slice(half, None))]
    found = []
    for echoes in sums:
        at = [m for m in places_m if any(abs(e.range_m - m) < 0.05 for e in echoes)]
        if len(at) != len(echoes) or len(at) > 1:
            return None
        found.append(at)
    if found[1] != found[0] or found[2] != found[0]:
        return None
    return f"at {found[0][0]:.1f} m" if found[0] else _NOWHERE


TOPICS = (
    Topic(name="how-many", title="How many things", answers=3, draft=_how_many),
    Topic(name="small-or-large", title="Small or large", answers=3, draft=_small_or_large),
    Topic(name="weak-streak", title="A weak streak in noise", answers=4, draft=_weak_streak),
)
