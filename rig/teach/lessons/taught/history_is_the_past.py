"""History is the past: what was taken away, and what has left the beam, is still drawn."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from rig.errors import LessonError, NotHeardError
from rig.run.results import PingResult
from rig.teach.lessons.air_bench import ONE_BY_ONE, PLAN
from rig.teach.lessons.bench_in_use import (
    BenchInUse,
    degrees,
    for_any_bench,
    metres,
    two_digits,
)
from rig.teach.lessons.by_hand import by_tape
from rig.teach.lessons.crossing import cone_of
from rig.teach.lessons.lesson import Finding, Given, Lesson, Part, Question, Step, StepHeard, curve
from rig.teach.lessons.levels import beside_db, u_level_db

_PINGS, _PASS_PINGS = 56, 71
_TAKEN_AFTER, _AXIS_AFTER = 25.5, 25
"""Pings, of each."""

_WITHIN_M = 0.08


# Taken away


def _whisked_away(bench: BenchInUse, closest_m: float, taken_s: float) -> dict[str, Any]:
    """Return a scene whose ball is gone from one instant on.

    It creeps sideways through the side of a box that swallows all sound; what is outside is
    not heard.
    """
    crept_m, half_m = 0.001, 2.0
    ball = {
        "radius_m": 0.03,
        "position_m": [closest_m, 0.002 - crept_m, 0.0],
        "velocity_m_s": [0.0, crept_m / taken_s, 0.0],
    }
    box = {
        "size_m": [4.0, half_m + 0.002, 4.0],
        "pair_m": [0.5, half_m, 2.0],
        "order": 1,
    }
    return bench.scene(ball, walls=box)


def _level_at(result: PingResult, range_m: float) -> float:
    """Return the strongest echo that a ping heard near a range; NaN where it heard none."""
    near = [e.strength_db for e in result.echoes if abs(e.range_m - range_m) <= _WITHIN_M]
    return max(near, default=math.nan)


def _taken_away(heard: tuple[StepHeard, ...], givens: Mapping[str, Given]) -> Finding:
    (step,) = heard
    closest, taken = givens["closest_m"], givens["taken_s"]
    good = [r for r in step.run.results if not r.lost]
    marked = [math.isfinite(_level_at(r, closest.value)) for r in good]
    if not any(marked):
        raise NotHeardError(
            f"step {step.step.name}: found no echo within {_WITHIN_M:g} m of "
            f"{closest.value:.3g} m; hang the ball there, and bring it nearer or send louder if it "
            "is too weak"
        )
    last = max(i for i, there in enumerate(marked) if there)
    if last == len(good) - 1:
        raise NotHeardError(
            f"step {step.step.name}: found the ball still there at the last ping; take it away "
            "while the pings still go on, or give more of them"
        )
    now_s, shown_s, gone_s = good[-1].sent_s, good[last].sent_s, good[last + 1].sent_s
    # It was taken away at any instant between two pings.
    age_s = now_s - (shown_s + gone_s) / 2
    u_age_s = (gone_s - shown_s) / math.sqrt(12)
    expected_s = now_s - taken.value
    levels_db = np.array([_level_at(r, closest.value) for r in good])
    ages_s = np.array([now_s - r.sent_s for r in good])
    there = np.isfinite(levels_db)
    levels_db = levels_db - float(np.median(levels_db[there]))
    return Finding(
        measured=age_s,
        u_measured=u_age_s,
        expected=expected_s,
        u_expected=taken.u_value,
        verdict=f"The strip shows no ball. The history shows {sum(marked)} marks of it, the newest "
        f"{now_s - shown_s:.2f} s old: the ball was there then, and is not there now.",
        x_label="strength of the mark, against the middle of all / dB",
        y_label="how old it is / s",
        curves=(
            curve("taken away, by the watch", [-3.0, 3.0], [expected_s, expected_s]),
            curve("now: the strip", [-3.0, 3.0], [0.0, 0.0]),
            curve("the ball's marks", levels_db[there], ages_s[there], measured=True),
        ),
        numbers=(
            ("what", "sent at / s", "age / s"),
            ("newest ping, on the strip", f"{now_s:.3f}", "0"),
            ("first ping without the ball", f"{gone_s:.3f}", f"{now_s - gone_s:.3f}"),
            ("last ping with the ball", f"{shown_s:.3f}", f"{now_s - shown_s:.3f}"),
            ("taken away, by the watch", f"{taken.value:.3f}", f"{expected_s:.3f}"),
        ),
    )


def _taken_away_on(bench: BenchInUse) -> Part:
    (closest_m,) = bench.places_m(1.2)
    interval_s = bench.plan.interval_samples / bench.plan.timing.sample_rate_hz
    # Where the interval is odd, the watch is read between two pings all the same.
    taken_s = float(f"{_TAKEN_AFTER * interval_s:.2f}")
    taken_s = taken_s if _after(taken_s, interval_s) else _TAKEN_AFTER * interval_s
    last_s = (_PINGS - 1) * interval_s
    return Part(
        name="taken-away",
        question=Question(
            text=f"A ball hangs in the beam. {taken_s:.3g} seconds after the first ping it is "
            f"taken away. The bench goes on, sends its last ping at {last_s:.3g} seconds, and "
            "stops. How many seconds old is the end of the ball's streak on the history?",
            unit="s",
        ),
        givens=(
            by_tape("closest_m", "the ball", closest_m, 0.005),
            Given(
                name="taken_s",
                text="when the ball was taken away, by a watch started at the first ping, in "
                "seconds",
                value=taken_s,
                u_value=0.2,
            ),
        ),
        steps=(
            Step(
                name="taken",
                set_up=f"Hang a ball {metres(closest_m)} away. Start a watch with the first ping. "
                f"Take the ball out of the beam after about {two_digits(taken_s)} seconds, "
                "quickly, and read the watch.",
                scene=_whisked_away(bench, closest_m, taken_s),
                pings=_PINGS,
                changes=ONE_BY_ONE,
            ),
        ),
        find=_taken_away,
        because="Each line of the history is one ping. The newest lies next to the strip, the "
        "older ones have sunk away beneath it, and nothing changes in a line once it is drawn. It "
        "tells what was heard then. What is there now, the newest ping alone can tell: the strip.",
        talk=(
            "The streak is still on the screen. Point at the ball: where is it?",
            "A history is ten minutes long. What may have happened to the fish at its far end?",
        ),
    )


def _after(time_s: float, interval_s: float) -> bool:
    """Whether a time lies well between two pings, and not at one."""
    return 0.2 < (time_s / interval_s) % 1 < 0.8


# Left the beam

_FIT_DB = 10.0
"""The strength over time is fitted so far down from its height, as a curve of 4th degree."""


def _half_power_s(heard: StepHeard, closest_m: float) -> tuple[float, float, float]:
    """Return when the target left the cone, its standard uncertainty, and the height in dB.

    What the way out and back takes off towards the edge, 40 log R, is put back first.
    """
    echoes = []
    for r in heard.run.results:
        near = [e for e in r.echoes if 0.85 * closest_m <= e.range_m <= 1.3 * closest_m]
        if near:
            echoes.append((r.sent_s, max(near, key=lambda e: e.strength_db)))
    complaint = NotHeardError(
        f"step {heard.step.name}: found {len(echoes)} marks of a ball near {closest_m:.3g} m, and "
        "no rise and fall among them; draw it through the axis there, straight and evenly, from "
        "outside the cone on one side to outside on the other"
    )
    if len(echoes) < 12:
        raise complaint
    half_s = heard.plan.pulse.duration_s / 2
    time_s = np.array([sent + half_s + e.delay_s / 2 for sent, e in echoes])
    level_db = np.array([e.strength_db + 40 * math.log10(e.range_m) for _, e in echoes])
    u_db = np.array([u_level_db(e) for _, e in echoes])
    kept = level_db > level_db.max() - _FIT_DB
    middle_s, reach_s = float(time_s[kept].mean()), float(np.ptp(time_s[kept])) / 2
    if np.count_nonzero(kept) < 8:
        raise complaint
    place = (time_s[kept] - middle_s) / reach_s
    powers, covariance = np.polyfit(place, level_db[kept], 4, w=1 / u_db[kept], cov="unscaled")
    fine = np.linspace(-1.0, 1.0, 4001)
    fitted_db = np.polyval(powers, fine)
    top = int(fitted_db.argmax())
    below = np.flatnonzero(fitted_db[top:] < fitted_db[top] - 10 * math.log10(2))
    if below.size == 0 or top == 0:
        raise complaint
    edge = top + int(below[0])
    slope = (fitted_db[edge] - fitted_db[edge - 1]) / (fine[edge] - fine[edge - 1])
    # Noise moves the edge by what it does to the fall from the top to there.
    fall = np.vander(fine[[edge]], 5)[0] - np.vander(fine[[top]], 5)[0]
    u_s = reach_s * math.sqrt(float(fall @ covariance @ fall)) / abs(float(slope))
    return middle_s + reach_s * float(fine[edge]), u_s, float(fitted_db[top])


def _left_beam(heard: tuple[StepHeard, ...], givens: Mapping[str, Given]) -> Finding:
    (step,) = heard
    closest, speed, middle = givens["closest_m"], givens["speed_m_s"], givens["middle_s"]
    if min(closest.value, speed.value) <= 0:
        raise LessonError("closest_m, speed_m_s: found one not above 0; give both above 0")
    half_rad, u_half_rad = cone_of(step.receiver)
    edge_m = closest.value * math.tan(half_rad)
    u_edge_m = math.hypot(
        closest.u_value * math.tan(half_rad), closest.value * u_half_rad / math.cos(half_rad) ** 2
    )
    due_s = middle.value + edge_m / speed.value
    u_due_s = math.hypot(
        middle.u_value, u_edge_m / speed.value, edge_m / speed.value**2 * speed.u_value
    )
    left_s, u_left_s, top_db = _half_power_s(step, closest.value)
    good = [r for r in step.run.results if not r.lost]
    now_s = good[-1].sent_s
    if left_s >= now_s:
        raise NotHeardError(
            f"step {step.step.name}: found the ball still in the cone at the last ping; draw it "
            "on, or give more pings"
        )
    age_s, expected_s = now_s - left_s, now_s - due_s
    marks = []
    for r in good:
        near = [e for e in r.echoes if 0.85 * closest.value <= e.range_m <= 1.3 * closest.value]
        if near:
            echo = max(near, key=lambda e: e.strength_db)
            marks.append((now_s - r.sent_s, echo.strength_db + 40 * math.log10(echo.range_m)))
    ages_s, levels_db = np.array(marks).T
    strip = "is not on the strip" if ages_s.min() > 0 else "is weak on the strip, from outside it,"
    drawn_s = np.linspace(0.0, now_s, 300)
    aside_rad = np.arctan(speed.value * (now_s - drawn_s - middle.value) / closest.value)
    pattern_db = beside_db(step.receiver, aside_rad, closest.value)
    seen = pattern_db > -30
    return Finding(
        measured=age_s,
        u_measured=u_left_s,
        expected=expected_s,
        u_expected=u_due_s,
        verdict=f"The ball left the cone {age_s:.2f} s before the last ping. It {strip} and is "
        f"still on the history: {len(marks)} marks, from {ages_s.max():.2f} s to "
        f"{ages_s.min():.2f} s old.",
        x_label="strength of the mark, against its height / dB",
        y_label="how old it is / s",
        curves=(
            curve("by speed and cone", pattern_db[seen], drawn_s[seen]),
            curve("leaves the cone", [-30.0, 2.0], [expected_s, expected_s]),
            curve("now: the strip", [-30.0, 2.0], [0.0, 0.0]),
            curve("the ball's marks", levels_db - top_db, ages_s, measured=True),
        ),
        numbers=(
            ("what", "at / s", "age / s"),
            ("newest ping, on the strip", f"{now_s:.3f}", "0"),
            ("left the cone, by its marks", f"{left_s:.3f}", f"{age_s:.3f}"),
            ("left the cone, by speed and cone", f"{due_s:.3f}", f"{expected_s:.3f}"),
            ("was on the axis", f"{middle.value:.3f}", f"{now_s - middle.value:.3f}"),
        ),
    )


def _left_beam_on(bench: BenchInUse) -> Part:
    (closest_m,) = bench.places_m(1.2, needs=1.25)
    speed_m_s = bench.crossing_m_s(bench.width_m(closest_m), hits=23.5)
    middle_s, last_s = _AXIS_AFTER * bench.interval_s, (_PASS_PINGS - 1) * bench.interval_s
    half_rad = bench.half_rad
    edge_s = closest_m * math.tan(half_rad) / speed_m_s
    return Part(
        name="left-the-beam",
        question=Question(
            text=f"A ball crosses the axis {metres(closest_m)} away, {middle_s:.3g} seconds after "
            f"the first ping, at {speed_m_s:g} m/s. The cone reaches {degrees(half_rad)} to each "
            f"side (its tangent is {math.tan(half_rad):.2f}). The last ping goes out at "
            f"{last_s:.3g} seconds. How many seconds before that did the ball leave the cone?",
            unit="s",
        ),
        givens=(
            Given(
                name="closest_m",
                text="where the ball crosses the axis, from midway between source and receiver, in "
                "metres",
                value=closest_m,
                u_value=0.01,
            ),
            Given(
                name="speed_m_s",
                text="the ball's speed, by tape and watch, in metres per second",
                value=speed_m_s,
                u_value=0.04 * speed_m_s,
            ),
            Given(
                name="middle_s",
                text="when it crossed the axis, by a watch started at the first ping, in seconds",
                value=middle_s,
                u_value=0.1,
            ),
        ),
        steps=(
            Step(
                name="pass",
                set_up=f"Draw a ball across the axis {metres(closest_m)} away, straight and "
                f"evenly, at about {speed_m_s:g} m/s, along the line from source to receiver, and "
                "on until well outside the cone. Start a watch with the first ping, and read it "
                "when the ball is on the axis.",
                scene=bench.scene(
                    bench.passing_ball(closest_m, speed_m_s, middle_pings=_AXIS_AFTER)
                ),
                pings=_PASS_PINGS,
                changes=ONE_BY_ONE,
            ),
        ),
        find=_left_beam,
        because="On its way from the axis to the cone's edge the ball goes R·tan θ, with the "
        f"distance R and the cone's half angle θ: at {speed_m_s:g} m/s that takes "
        f"{two_digits(edge_s)} s. From then on nothing comes back, or next to nothing. The history "
        "goes on showing the pass, and sinks with it. A boat has gone on meanwhile, too: what is "
        "on its history lies behind it, not below it.",
        talk=(
            "A boat at 2 m/s shows a fish 10 s old on its history. How far behind the boat was it?",
            "What would you have to look at to know that the ball is back?",
        ),
    )


LESSON = Lesson(
    name="history-is-the-past",
    title="History is the past",
    minutes=20,
    about="What the history still shows and the strip does not: how old a mark is, and what that "
    "says of now.",
    plan=PLAN,
    parts=for_any_bench(PLAN, _taken_away_on, _left_beam_on),
    misreading="“The history is what is there now.” Only its newest line is; the rest is past, and "
    "what drew it may be gone.",
)
