"""Two parts: a wall whose echo comes after the next ping, and the ping that it is of."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from dsp.ping.ranging import path_from_range_m, range_from_path_m
from rig.errors import NotHeardError, PlanError
from rig.teach.lessons.bench_in_use import BenchInUse, metres, milliseconds
from rig.teach.lessons.by_hand import by_tape
from rig.teach.lessons.lesson import Finding, Given, Part, Question, Step, StepHeard, curve
from rig.teach.lessons.picking import echo_near
from rig.teach.lessons.plate import plate_at, speed_words

# The longest range


def _longest_range(heard: tuple[StepHeard, ...], givens: Mapping[str, Given]) -> Finding:
    tape = givens["wall_m"]
    receiver = heard[0].receiver
    speed, baseline_m = receiver.sound_speed_m_s, receiver.plan.geometry.baseline_m
    path_m = float(path_from_range_m(tape.value, baseline_m))

    def shown_m(interval_s: float) -> float:
        """Return where the wall shows, counted from the last ping before its echo."""
        return float(range_from_path_m(path_m % (speed * interval_s), baseline_m))

    interval_s = [h.plan.interval_samples / h.plan.timing.sample_rate_hz for h in heard]
    due_m = [shown_m(s) for s in interval_s]
    echoes = [
        echo_near(h, due, within_m=0.05 * tape.value) for h, due in zip(heard, due_m, strict=True)
    ]
    found_m, u_m = [e.range_m for e in echoes], [e.u_range_m for e in echoes]
    drawn_s = np.linspace(0.9 * min(interval_s), 1.05 * max(interval_s), 400)
    drawn_m = np.array([shown_m(s) for s in drawn_s])
    # A leap from one ping to the next is no line.
    drawn_m[1:][np.abs(np.diff(drawn_m)) > 0.5 * tape.value] = np.nan
    rows = [
        (h.step.name, f"{1e3 * s:g}", f"{speed * s / 2:.3f}", f"{due:.3f}", f"{found:.3f}")
        for h, s, due, found in zip(heard, interval_s, due_m, found_m, strict=True)
    ]
    moved_m = found_m[2] - found_m[1]
    side = "farther" if moved_m > 0 else "nearer"
    return Finding(
        measured=found_m[1],
        u_measured=u_m[1],
        expected=due_m[1],
        # The whole way was travelled at a sound speed that is not quite known.
        u_expected=math.hypot(tape.u_value, tape.value * receiver.u_sound_speed_m_s / speed),
        verdict=f"At {1e3 * interval_s[1]:g} ms a wall {tape.value:.2f} m away showed at "
        f"{found_m[1]:.2f} m. At {1e3 * interval_s[2]:g} ms it moved {abs(moved_m):.2f} m {side}; "
        "nobody touched it. What moves with the interval is an echo of the ping before.",
        x_label="from ping to ping / ms",
        y_label="range shown / m",
        curves=(
            curve("where the wall shows", 1e3 * drawn_s, drawn_m),
            curve("longest range, c · interval / 2", 1e3 * drawn_s, speed * drawn_s / 2),
            curve("the echo", [1e3 * s for s in interval_s], found_m, u_m, measured=True),
        ),
        numbers=(
            ("step", "interval / ms", "longest range / m", "expected at / m", "shown at / m"),
            *rows,
        ),
    )


_WALL_TIMES = {True: 1.163, False: 1.06}
"""How many short intervals the wall's echo needs, in air and in water."""

_NOT_SO_OFTEN = {True: 1 + 1 / 15, False: 1.02}
"""How many times the short interval the third one is."""

_OFTEN_S = {True: 0.030, False: 0.012}
"""So short an interval is, unless the pulse is too long for it."""


def _often_s(bench: BenchInUse) -> float:
    """Return an interval that is too short for a wall which a class has at hand."""
    pulse_s = bench.plan.pulse.duration_s
    if pulse_s < 0.4 * _OFTEN_S[bench.in_air]:
        return _OFTEN_S[bench.in_air]
    return max(_OFTEN_S[bench.in_air], math.ceil(1e3 * (pulse_s + 0.018)) / 1e3)


def _wall_m(bench: BenchInUse) -> float:
    """Return how far that wall is."""
    return round(_WALL_TIMES[bench.in_air] * _often_s(bench) * bench.speed_m_s / 2, 1)


def longest_range_on(bench: BenchInUse) -> Part:
    """Return the part in which the wall shows where it is not."""
    pulse_s, often_s, wall_m = bench.plan.pulse.duration_s, _often_s(bench), _wall_m(bench)
    not_so_s = round(_NOT_SO_OFTEN[bench.in_air] * often_s, 5)
    shown_m = wall_m - often_s * bench.speed_m_s / 2
    stop_m, start_m = round(1.6 * shown_m, 1), round(min(0.2, 0.4 * shown_m), 2)
    reach_m = round(1.1 * wall_m, 1)
    seldom_s = math.ceil(1e2 * bench.room_s(pulse_s, reach_m)) / 1e2

    def step(name: str, set_up: str, interval_s: float, near_m: float, far_m: float) -> Step:
        return Step(
            name=name,
            set_up=set_up,
            scene=plate_at(bench, wall_m, size_m=0.8),
            changes={
                "timing": {"ping_interval_s": interval_s, "signed_pings": False},
                "receiver": {"range_start_m": near_m, "range_stop_m": far_m},
            },
            pings=16,
        )

    return Part(
        name="longest-range",
        question=Question(
            text=f"A wall is {metres(wall_m)} away, and a ping goes out every "
            f"{milliseconds(often_s)}. At how many metres does the wall show on the screen? "
            f"{speed_words(bench)}",
            unit="m",
        ),
        givens=(by_tape("wall_m", "the wall", wall_m, 0.005),),
        steps=(
            step(
                "seldom",
                f"Let the bench look at a bare wall {metres(wall_m)} away.",
                seldom_s,
                # A board holds the samples of some metres: it begins shortly before the wall.
                round(0.85 * wall_m, 1) if bench.bursts_only else start_m,
                reach_m,
            ),
            step(
                "often",
                f"Touch nothing. Pings now come every {milliseconds(often_s)}.",
                often_s,
                start_m,
                stop_m,
            ),
            step(
                "not-so-often",
                f"Touch nothing. Now every {milliseconds(not_so_s)}.",
                not_so_s,
                start_m,
                stop_m,
            ),
        ),
        find=_longest_range,
        because="The wall's echo needs "
        f"{milliseconds(2 * wall_m / bench.speed_m_s)}. If the next ping has left before that, a "
        "receiver counts from the newer one: the wall shows nearer by half of what sound travels "
        "in an interval. Such an echo gives itself away: a thing stays where it is when the "
        "interval is changed, and this does not.",
        talk=(
            "How would a screen look on which the bottom comes twice, once in the wrong place?",
            "What does a longer interval cost whoever wants to see something move?",
        ),
    )


# Which ping it was


def _which_ping(heard: tuple[StepHeard, ...], givens: Mapping[str, Given]) -> Finding:
    tape = givens["wall_m"]
    alike, signed = heard
    receiver = signed.receiver
    speed, baseline_m = receiver.sound_speed_m_s, receiver.plan.geometry.baseline_m
    interval_s = signed.plan.interval_samples / signed.plan.timing.sample_rate_hz
    path_m = float(path_from_range_m(tape.value, baseline_m))
    due_m = float(range_from_path_m(path_m % (speed * interval_s), baseline_m))
    seems = echo_near(alike, due_m, within_m=0.05 * tape.value)
    late = [
        one
        for one in signed.run.measurement.late
        if one.pings_before == 1 and abs(one.seems_m - seems.range_m) < 0.05 * tape.value
    ]
    if not late:
        raise NotHeardError(
            f"step {signed.step.name}: found no echo of the ping before at {due_m:.2f} m; let "
            "nothing move, and send louder"
        )
    wall = max(late, key=lambda one: one.echo.strength_db)
    named = [
        (result.index, one.echo)
        for result in signed.run.results
        for one in result.late
        if one.pings_before == 1 and abs(one.seems_m - wall.seems_m) < 0.05 * tape.value
    ]
    pings = [r.index for r in signed.run.results]
    shown = [
        (result.index, echo.range_m)
        for result in alike.run.results
        for echo in result.echoes
        if abs(echo.range_m - seems.range_m) < 0.05 * tape.value
    ]
    own = sum(abs(e.range_m - seems.range_m) < 0.05 * tape.value for e in signed.run.echoes)
    near = "is no longer shown" if not own else "is shown still"
    ends = [min(pings), max(pings)]
    return Finding(
        measured=wall.echo.range_m,
        u_measured=wall.echo.u_range_m,
        expected=tape.value,
        u_expected=tape.u_value,
        verdict=f"By pings that are all alike a wall {tape.value:.2f} m away was shown at "
        f"{seems.range_m:.2f} m. By pings with signs the mark at {wall.seems_m:.2f} m {near} as "
        f"something near: it is named as an echo of the ping before, from "
        f"{wall.echo.range_m:.2f} m. That took {named[0][0] + 1 if named else len(pings)} pings.",
        x_label="number of the ping",
        y_label="range / m",
        curves=(
            curve("longest range, c · interval / 2", ends, [speed * interval_s / 2] * 2),
            curve("the wall, by tape", ends, [tape.value] * 2),
            curve(
                "shown, pings all alike", *np.reshape(shown, (-1, 2)).T, measured=True
            ),
            curve(
                "named, pings with signs",
                [n for n, _ in named],
                [echo.range_m for _, echo in named],
                [echo.u_range_m for _, echo in named],
                measured=True,
            ),
        ),
        numbers=(
            ("step", "mark at / m", "said to come from / m", "± (k = 2) / m"),
            (alike.step.name, f"{seems.range_m:.3f}", f"{seems.range_m:.3f}",
             f"{2 * seems.u_range_m:.3f}"),
            (signed.step.name, f"{wall.seems_m:.3f}", f"{wall.echo.range_m:.3f}",
             f"{2 * wall.echo.u_range_m:.3f}"),
        ),
    )  # fmt: skip


def which_ping_on(bench: BenchInUse) -> Part:
    """Return the part in which signs tell which ping it was."""
    if bench.bursts_only or bench.plan.pulses_per_cycle > 1:
        raise PlanError(
            f'pulse.kind: found "{bench.plan.pulse.kind}", whose pings carry no sign; give '
            '"chirp", "tone" or "barker13"'
        )
    often_s, wall_m = _often_s(bench), _wall_m(bench)
    shown_m = wall_m - often_s * bench.speed_m_s / 2

    def step(name: str, set_up: str, *, signed: bool) -> Step:
        return Step(
            name=name,
            set_up=set_up,
            scene=plate_at(bench, wall_m, size_m=0.8),
            changes={
                "timing": {"ping_interval_s": often_s, "signed_pings": signed},
                "receiver": {
                    "range_start_m": round(min(0.2, 0.4 * shown_m), 2),
                    "range_stop_m": round(1.6 * shown_m, 1),
                },
            },
            pings=16,
        )

    return Part(
        name="which-ping",
        question=Question(
            text=f"A ping goes out every {milliseconds(often_s)}, and a mark shows at "
            f"{metres(round(shown_m, 2))}, where nothing is. Now each ping goes out upright or "
            "upside down, in an order that the bench knows. From how many metres does it say that "
            f"the mark comes? {speed_words(bench)}",
            unit="m",
        ),
        givens=(by_tape("wall_m", "the wall", wall_m, 0.005),),
        steps=(
            step(
                "alike",
                f"Let the bench look at a bare wall {metres(wall_m)} away.",
                signed=False,
            ),
            step(
                "signed",
                "Touch nothing. Pings now go out upright or upside down, in a fixed order.",
                signed=True,
            ),
        ),
        find=_which_ping,
        because="An echo comes back as its ping was sent: upright or upside down. The bench turns "
        "each ping's sound back by that ping's own sign, and so its own echoes stand upright every "
        "time. One that is late has the sign of the ping before: it stands upside down wherever "
        "those two differ. The order is such that every distance between two pings makes a "
        "pattern of its own, so that an echo two pings late is told from one that is one late.",
        talk=(
            "Would it do to send every other ping upside down? What of an echo two pings late?",
            "Why does the bench need some pings before it says of which ping a mark is?",
        ),
    )
