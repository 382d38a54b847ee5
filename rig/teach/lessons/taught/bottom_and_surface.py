"""Bottom and surface: hard and soft ground, the second bottom, clutter, heavy removal."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from dsp.ping.pulse.bounds import false_alarm_threshold
from dsp.ping.pulse.profiles import still_background, without_background
from dsp.ping.ranging import path_from_range_m
from rig.errors import LessonError, NotHeardError, PlanError
from rig.teach.lessons.bench_in_use import (
    BenchInUse,
    centimetres,
    easy,
    easy_below,
    for_any_bench,
    metres,
)
from rig.teach.lessons.lesson import Finding, Given, Lesson, Part, Question, Step, StepHeard, curve
from rig.teach.lessons.levels import NEPER_DB, u_level_db
from rig.teach.lessons.lobes import envelope_at
from rig.teach.lessons.picking import echo_near
from rig.teach.lessons.scatter import FEWEST, scatter_of

_BEHIND_M = 0.03

_GROUNDS = {
    True: (("a wooden board", 0.9), ("a thick felt mat", 0.3)),
    False: (("slate", 0.7), ("mud", 0.2)),
}
"""A hard ground and a soft one, each with the share of the pressure that it sends back, in air
and in water: round figures, invented."""

_PLAN: Mapping[str, Any] = {
    "pulse": {"kind": "chirp", "start_hz": 80e3, "stop_hz": 160e3, "duration_s": 0.0002},
    "timing": {"sample_rate_hz": 500000, "ping_interval_s": 0.014},
    "receiver": {"range_start_m": 0.1, "range_stop_m": 1.2, "weighting": "hann"},
    "medium": {"kind": "fresh-water", "temperature_c": 20.0},
    "geometry": {"baseline_m": 0.04, "time_zero": "direct"},
    "transducer": {"shape": "piston", "radius_m": 0.008},
}

_RAW = {"receiver": {"stack": 1}}


def _scene(bench: BenchInUse, **tables: Any) -> dict[str, Any]:
    quiet = {"noise": {"level_db": -65.0}, "direct": {"level_db": -40.0}}
    return bench.scene(**{**quiet, **tables})


def _bottom_m(bench: BenchInUse) -> float:
    """Return where the ground lies, so that its second mark is heard as well."""
    stop_m = bench.far_m - _BEHIND_M
    if stop_m < 2 * bench.near_m:
        raise PlanError(
            f"receiver.range_stop_m: found {bench.plan.receiver.range_stop_m:g}; with this pulse "
            f"the ground has to be {bench.near_m:.2f} m away, and shows a second time at twice "
            f"that: give at least {2.3 * bench.near_m:.2g}, or a shorter pulse"
        )
    return max(easy_below(stop_m / 2, (1.0, 1.2, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0)), bench.near_m)


def _ball_m(bench: BenchInUse) -> float:
    """Return where a ball hangs still, not far below the surface."""
    return float(f"{max(0.2, 1.2 * bench.near_m):.2f}")


def _bottom_given(bottom_m: float) -> Given:
    return Given(
        name="bottom_m",
        text="the bottom, from midway between source and receiver, by ruler, in metres",
        value=bottom_m,
        u_value=0.002,
    )


def _ball_given(ball_m: float) -> Given:
    return Given(
        name="ball_m",
        text="the still ball, from midway between source and receiver, by ruler, in metres",
        value=ball_m,
        u_value=0.002,
    )


# Hard and soft


def _hard_and_soft(heard: tuple[StepHeard, ...], givens: Mapping[str, Given]) -> Finding:
    bottom, hard, soft = (givens[n] for n in ("bottom_m", "hard_share", "soft_share"))
    for share in (hard, soft):
        if not 0 < share.value <= 1:
            raise LessonError(f"{share.name}: found {share.value:g}; give more than 0, at most 1")
    echoes = [echo_near(h, bottom.value, within_m=0.1 * bottom.value) for h in heard]
    # Wherever the second ground lies a little deeper, that is put back.
    spread_db = [20 * math.log10(e.range_m) for e in echoes]
    levels_db = [e.strength_db + s for e, s in zip(echoes, spread_db, strict=True)]
    weaker_db = [level - levels_db[0] for level in levels_db]
    u_db = math.hypot(*(u_level_db(e) for e in echoes))
    expected_db = 20 * math.log10(soft.value / hard.value)
    u_expected_db = NEPER_DB * math.hypot(soft.u_value / soft.value, hard.u_value / hard.value)
    drawn = np.linspace(0.05, 1.0, 100)
    return Finding(
        measured=weaker_db[1],
        u_measured=u_db,
        expected=expected_db,
        u_expected=u_expected_db,
        verdict=f"At the same distance the soft ground's echo was {-weaker_db[1]:.1f} dB weaker: "
        f"{100 * 10 ** (weaker_db[1] / 20):.0f} % of the hard one's amplitude.",
        x_label="share of the sound pressure that comes back",
        y_label="against the hard ground / dB",
        curves=(
            curve("20 log of the shares", drawn, 20 * np.log10(drawn / hard.value)),
            curve(
                "hard and soft ground",
                [hard.value, soft.value],
                weaker_db,
                [0.0, u_db],
                measured=True,
            ),
        ),
        numbers=(
            ("ground", "share", "range / m", "against the hard / dB", "expected / dB"),
            *(
                (h.step.name, f"{g.value:g}", f"{e.range_m:.4f}", _signed(w), _signed(d))
                for h, g, e, w, d in zip(
                    heard, (hard, soft), echoes, weaker_db, (0.0, expected_db), strict=True
                )
            ),
        ),
    )


def _signed(value: float) -> str:
    return f"{value:.1f}".replace("-", "\N{MINUS SIGN}")


def _hard_and_soft_on(bench: BenchInUse) -> Part:
    bottom_m = _bottom_m(bench)
    (hard, hard_share), (soft, soft_share) = _GROUNDS[bench.in_air]
    away = f"{metres(bottom_m)} {'away' if bench.in_air else 'below'}"
    return Part(
        name="hard-and-soft",
        question=Question(
            text=f"{hard.capitalize()} sends back {hard_share} of the sound pressure that meets "
            f"it, {soft} {soft_share}. Both lie at the same distance. At how many decibels is the "
            "soft one's echo, against the hard one's? (Minus for weaker; half the pressure is "
            "−6 dB.)",
            unit="dB",
        ),
        givens=(
            _bottom_given(bottom_m),
            Given(
                name="hard_share",
                text="share of the pressure that the hard ground sends back, from a table of "
                "impedances: (Z₂ − Z₁)/(Z₂ + Z₁)",
                value=hard_share,
                u_value=0.05,
            ),
            Given(
                name="soft_share",
                text="the same of the soft ground",
                value=soft_share,
                u_value=0.02,
            ),
        ),
        steps=tuple(
            Step(
                name=name,
                set_up=do,
                scene=_scene(
                    bench, bottom={"range_m": bottom_m, "reflection": share, "tail_m": 0.0}
                ),
            )
            for name, do, share in (
                ("hard", f"Let the pair look square at {hard}, {away}.", hard_share),
                (
                    "soft",
                    f"Lay {soft} over it, smooth, its face {away} again.",
                    soft_share,
                ),
            )
        ),
        find=_hard_and_soft,
        because="How much a boundary sends back depends on how much harder or easier to move the "
        "second matter is: its density times its sound speed, called impedance. The rest goes in. "
        "So hard ground is stronger at the same distance. Real soft ground also sends back a long "
        "weak tail, from below its top; and a smooth bed that is not square to the beam may be "
        "weaker than rough mud.",
        talk=(
            "The mark of the bottom is weak. Name three reasons other than mud.",
            "Why must both lie at the same depth for this to be fair?",
        ),
    )


# The second bottom


def _second(heard: tuple[StepHeard, ...], givens: Mapping[str, Given]) -> Finding:
    (step,) = heard
    bottom, behind = givens["bottom_m"], givens["behind_m"]
    due_m = [n * bottom.value + (n - 1) * behind.value for n in (1, 2)]
    echoes = [echo_near(step, due, within_m=0.12 * bottom.value) for due in due_m]
    ranges_m = [e.range_m for e in echoes]
    order = np.array([1.0, 2.0])
    drawn = np.linspace(0.8, 2.2, 30)
    return Finding(
        measured=ranges_m[1],
        u_measured=echoes[1].u_range_m,
        expected=due_m[1],
        u_expected=math.hypot(2 * bottom.u_value, behind.u_value),
        verdict=f"The bottom shows at {ranges_m[0]:.3f} m, and again at {ranges_m[1]:.3f} m, "
        f"{echoes[0].strength_db - echoes[1].strength_db:.1f} dB weaker. Nothing is down there.",
        x_label="how often the sound met the bottom",
        y_label="shown at / m",
        curves=(
            curve(
                "down and up so often",
                drawn,
                drawn * bottom.value + (drawn - 1) * behind.value,
            ),
            curve("the bottom itself", drawn, np.full(30, bottom.value)),
            curve("marks", order, ranges_m, [e.u_range_m for e in echoes], measured=True),
        ),
        numbers=(
            ("bottom", "shown at / m", "expected / m", "strength / dB"),
            *(
                (name, f"{r:.4f}", f"{due:.4f}", _signed(e.strength_db))
                for name, r, due, e in zip(
                    ("first", "second"), ranges_m, due_m, echoes, strict=True
                )
            ),
        ),
    )


def _second_on(bench: BenchInUse) -> Part:
    bottom_m = _bottom_m(bench)
    _, share = _GROUNDS[bench.in_air][0]
    if bench.in_air:
        places = (
            f"A wall is {metres(bottom_m)} before the pair, and a board stands "
            f"{centimetres(_BEHIND_M)} behind it. Far beyond the wall a second one shows."
        )
        set_up = (
            f"Let the pair look square at a wall, {metres(bottom_m)} away; stand a smooth board "
            f"{centimetres(_BEHIND_M)} behind the pair, square to it."
        )
    else:
        places = (
            f"The bottom is {metres(bottom_m)} below the pair, and the pair hangs "
            f"{centimetres(_BEHIND_M)} below the surface. Far below the bottom a second one shows."
        )
        set_up = (
            f"Let the pair look straight down on a hard bottom {metres(bottom_m)} below it, "
            f"{centimetres(_BEHIND_M)} below a smooth surface."
        )
    return Part(
        name="second-bottom",
        question=Question(text=f"{places} At how many metres?", unit="m"),
        givens=(
            _bottom_given(bottom_m),
            Given(
                name="behind_m",
                text="how deep the pair hangs below the surface (in air: before the board), by "
                "ruler, in metres",
                value=_BEHIND_M,
                u_value=0.001,
            ),
        ),
        steps=(
            Step(
                name="still-surface",
                set_up=set_up,
                scene=_scene(
                    bench,
                    bottom={"range_m": bottom_m, "reflection": share},
                    surface={"behind_m": _BEHIND_M},
                ),
            ),
        ),
        find=_second,
        because="The bottom's echo goes on past the pair to the surface, which sends nearly all of "
        "it down again; the bottom sends it up a second time. Down, up, down, up is twice the way, "
        "and the screen makes twice the distance of it (and the pair's own depth once more). It is "
        "weaker: twice the way costs 6 dB, and each bounce its share. In air a wall and a board "
        "do what bottom and surface do.",
        talk=(
            "Over which ground is a second bottom likelier, rock or mud? What does that tell?",
            "How could you make the second one go while the first stays?",
        ),
    )


# Clutter under the surface

_STACKED = (1, 2, 4, 8, 16)


def _clutter(heard: tuple[StepHeard, ...], givens: Mapping[str, Given]) -> Finding:
    (step,) = heard
    ball_m = givens["ball_m"].value
    start_m = step.plan.receiver.range_start_m
    noises = [scatter_of(step, start_m=start_m, stop_m=1.5 * ball_m, stacked=n) for n in _STACKED]
    sunk_db = [n.level_db - noises[0].level_db for n in noises]
    u_db = [0.0] + [math.hypot(n.u_level_db, noises[0].u_level_db) for n in noises[1:]]
    near_m = ball_m + np.linspace(-0.01, 0.01, 81)
    paths_m = path_from_range_m(near_m, step.plan.geometry.baseline_m)
    levels_db = [
        20 * math.log10(max(float(amplitude), 1e-10))
        for amplitude in np.abs(envelope_at(step, paths_m / step.receiver.sound_speed_m_s))
    ]
    above_db = max(levels_db) - noises[0].level_db
    drawn = np.linspace(1, 1.1 * _STACKED[-1], 60)
    return Finding(
        measured=sunk_db[-1],
        u_measured=u_db[-1],
        expected=-10 * math.log10(_STACKED[-1]),
        verdict=f"{_STACKED[-1]} pings added up, the clutter sank by {-sunk_db[-1]:.1f} dB. The "
        f"ball's echo stands {above_db:.1f} dB above the clutter of a single ping, and "
        f"{above_db - sunk_db[-1]:.1f} dB above that of {_STACKED[-1]}.",
        x_label="pings added up",
        y_label="clutter against that of one ping / dB",
        curves=(
            curve("−10 log N", drawn, -10 * np.log10(drawn)),
            curve("clutter below the surface", _STACKED, sunk_db, u_db, measured=True),
        ),
        numbers=(
            ("pings", "clutter / dB", "−10 log N / dB"),
            *(
                (f"{n}", _signed(s), _signed(0.0 if n == 1 else -10 * math.log10(n)))
                for n, s in zip(_STACKED, sunk_db, strict=True)
            ),
        ),
    )


def _clutter_on(bench: BenchInUse) -> Part:
    ball_m = _ball_m(bench)
    # As loud against the clutter as a ball of 1 mm at 0.2 m, but no smaller than it can be hung.
    small_m = round(max(0.001, 0.001 * (ball_m / 0.2) ** 2), 3)
    stir = (
        "hang strips of foil near the pair, and let a fan move them"
        if bench.in_air
        else "stir up ripples and small bubbles near the pair"
    )
    glitter = "Strips of foil that flutter" if bench.in_air else "Ripples and bubbles"
    return Part(
        name="surface-clutter",
        question=Question(
            text=f"{glitter} near the pair glitter, at each ping in another way: this is "
            "clutter. A small ball that hangs still drowns in it. The bench adds up "
            f"{_STACKED[-1]} pings. At how many decibels is the clutter then, against that of one "
            "ping? (Minus for weaker; a tenth of the power is −10 dB.)",
            unit="dB",
        ),
        givens=(_ball_given(ball_m),),
        steps=(
            Step(
                name="ripples",
                set_up=f"Hang a small ball still, {metres(ball_m)} from the pair, and {stir}.",
                scene=_scene(
                    bench,
                    clutter={"level_db": -44.0, "reach_m": ball_m},
                    target=[
                        {
                            "body": "sphere",
                            "radius_m": small_m,
                            "position_m": [ball_m, 0.0, 0.0],
                        }
                    ],
                ),
                pings=64,
                changes=_RAW,
            ),
        ),
        find=_clutter,
        because="Clutter is true echoes, of things that nobody asked for, and comes strongest from "
        "near by. More loudness does not help, it grows along. But it is new at each ping, and "
        "what hangs still is not: added up, clutter falls like noise, by 10 log N decibels.",
        talk=(
            "Would a stronger transmitter bring the ball out?",
            "And if the ball drifts along with the ripples?",
        ),
    )


# Heavy removal

_RAISED_RATE = 1e-12
_NEAR_SHARE = 0.15
"""A mark so near to the ball's place, as a share of its range, is the ball's."""


def _marked(heard: StepHeard, ball_m: float, *, removed: bool) -> int:
    """Count the pings in which the ball is marked, once what stood still is taken away or not."""
    receiver = heard.receiver
    good = [r for r in heard.run.results if r.alone is not None]
    background = still_background([r.alone for r in good if r.alone is not None])
    hits = 0
    for r in good:
        if r.alone is None or r.time_zero is None:
            continue
        profile = without_background(r.alone, background) if removed else r.alone
        # A threshold for next to no false alarm, so that a mark is the ball.
        echoes, _ = receiver.search.echoes(profile, r.time_zero, false_alarm_rate=_RAISED_RATE)
        hits += any(abs(e.range_m - ball_m) <= _NEAR_SHARE * ball_m for e in echoes)
    return hits


def _above_threshold_db(heard: StepHeard, ball_m: float) -> float:
    """Return how far the ball stands above the plan's threshold in a single ping, at the best."""
    near = (e for r in heard.run.results for e in r.echoes)
    best_db = max(
        (e.snr_db for e in near if abs(e.range_m - ball_m) <= _NEAR_SHARE * ball_m),
        default=math.nan,
    )
    return best_db - 20 * math.log10(false_alarm_threshold(heard.plan.receiver.false_alarm_rate))


def _removal(heard: tuple[StepHeard, ...], givens: Mapping[str, Given]) -> Finding:
    ball_m = givens["ball_m"].value
    pings = []
    for h in heard:
        good = [r for r in h.run.results if r.alone is not None]
        if len(good) < 2 * FEWEST:
            raise NotHeardError(
                f"step {h.step.name}: found {len(good)} good pings; give at least {2 * FEWEST}"
            )
        pings.append(len(good))
    plain = [_marked(h, ball_m, removed=False) for h in heard]
    after = [_marked(h, ball_m, removed=True) for h in heard]
    for h, n, most in zip(heard, plain, pings, strict=True):
        if n < 0.8 * most:
            raise NotHeardError(
                f"step {h.step.name}: found the ball in {n} of {most} pings before anything is "
                "taken away; hang it nearer or send louder"
            )
    above = [_above_threshold_db(h, ball_m) for h in heard]
    share = [100 * n / most for n, most in zip(after, pings, strict=True)]
    # From n of N the chance is (n + 1)/(N + 2), with the spread of a beta distribution (Laplace).
    chance = [(n + 1) / (most + 2) for n, most in zip(after, pings, strict=True)]
    u_share = [
        100 * math.sqrt(c * (1 - c) / (most + 3)) for c, most in zip(chance, pings, strict=True)
    ]
    return Finding(
        measured=share[0],
        u_measured=u_share[0],
        expected=0.0,
        verdict=f"Before, both balls were marked. With the still background taken away the "
        f"hanging ball was marked in {after[0]} of {pings[0]} pings, the moving one in {after[1]} "
        f"of {pings[1]}. The hanging one is still there. A threshold raised by {above[0]:.0f} dB "
        "would hide it as well.",
        x_label="0: hangs still, 1: moves",
        y_label="pings with a mark, after removal / %",
        curves=(
            curve("what moves stays", [-0.2, 1.2], [100.0, 100.0]),
            curve("what rests goes", [-0.2, 1.2], [0.0, 0.0]),
            curve("the ball", [0.0, 1.0], share, u_share, measured=True),
        ),
        numbers=(
            ("ball", "pings", "marked before", "marked after removal", "above the threshold / dB"),
            *(
                (h.step.name, f"{most}", f"{b}", f"{a}", f"{over:.1f}")
                for h, most, b, a, over in zip(heard, pings, plain, after, above, strict=True)
            ),
        ),
    )


_REMOVED_PINGS = 24
_WAVES_A_PING = 0.1
"""How far the moving ball goes from ping to ping, in waves."""


def _removal_on(bench: BenchInUse) -> Part:
    ball_m = _ball_m(bench)
    # So far in all that it leaves nothing behind that stands still, and so near that it is told.
    way_m = min(_REMOVED_PINGS * _WAVES_A_PING * bench.wave_m, _NEAR_SHARE * ball_m)
    speed_m_s = easy(way_m / _REMOVED_PINGS / bench.interval_s)
    way_m = speed_m_s * _REMOVED_PINGS * bench.interval_s
    start_m = ball_m - way_m / 2
    return Part(
        name="heavy-removal",
        question=Question(
            text="A ball hangs still near the pair, and is marked at every ping. Then everything "
            "that stood still is taken away from the picture, to be rid of clutter. In how many "
            "per cent of the pings is the ball still marked?",
            unit="%",
        ),
        givens=(_ball_given(ball_m),),
        steps=tuple(
            Step(
                name=name,
                set_up=do,
                scene=_scene(
                    bench,
                    target=[
                        {
                            "body": "sphere",
                            "radius_m": 0.02,
                            "position_m": [place_m, 0.0, 0.0],
                            "velocity_m_s": [speed, 0.0, 0.0],
                        }
                    ],
                ),
                pings=_REMOVED_PINGS,
                changes=_RAW,
            )
            for name, do, place_m, speed in (
                ("still", f"Hang a ball still, {metres(ball_m)} from the pair.", ball_m, 0.0),
                (
                    "moving",
                    "Draw the ball slowly away from the pair, through the same place, by "
                    f"{centimetres(way_m)} in all.",
                    start_m,
                    speed_m_s,
                ),
            )
        ),
        find=_removal,
        because="Whatever a picture is cleaned of, it is cleaned of fish too. Taking away what "
        "stands still takes away the tank's walls, and the fish that rests. Raising the threshold "
        "takes away the glitter, and the fish that is small. Nothing in the cleaned picture tells "
        "that something was there.",
        talk=(
            "A screen with much cleaning shows empty water under the surface. What do you know?",
            "How would you make sure, on the bench, with two keys of the window?",
        ),
    )


LESSON = Lesson(
    name="bottom-and-surface",
    title="Bottom and surface",
    minutes=40,
    about="What bottom and surface look like, why a bottom shows twice, and what cleaning the "
    "picture hides.",
    plan=_PLAN,
    parts=for_any_bench(_PLAN, _hard_and_soft_on, _second_on, _clutter_on, _removal_on),
    misreading="“The second bottom is a second floor”, and “no mark, nothing there”: a picture "
    "that was cleaned of clutter was cleaned of what rests and of what is weak.",
)
