"""How loud is big: what a body's shape, its size and its distance do to its echo."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from dsp.physics import targets
from dsp.uncertainty import stated
from rig.errors import LessonError, NotHeardError
from rig.measure.beam.setting import setting_of
from rig.teach.lessons.air_bench import PLAN
from rig.teach.lessons.bench_in_use import (
    BenchInUse,
    centimetres,
    for_any_bench,
    metres,
    millimetres,
    two_digits,
)
from rig.teach.lessons.lesson import Finding, Given, Lesson, Part, Question, Step, StepHeard, curve
from rig.teach.lessons.levels import CREEPING_DB, NEPER_DB, ahead_db, u_level_db
from rig.teach.lessons.picking import echo_near

_SURE = 4.0  # standard deviations
_FEWEST_PINGS = 8

_ABSORPTION_SHARE = 0.1
"""ISO 9613-1 holds its absorption right to a tenth (from memory)."""


def _tape(name: str, words: str, range_m: float) -> Given:
    return Given(
        name=name,
        text=f"from midway between source and receiver to {words}, by tape, in m",
        value=range_m,
        u_value=0.003,
    )


def _length(name: str, words: str, length_m: float, u_m: float = 0.0005) -> Given:
    return Given(name=name, text=f"{words}, in m", value=length_m, u_value=u_m)


def _require_lengths(givens: Mapping[str, Given]) -> None:
    for given in givens.values():
        if given.value <= 0:
            raise LessonError(f"{given.name}: found {given.value:g}; give a number above 0")


# Plate, ball, cylinder, bubbles

_NET_BALLS = 30

_FEWEST_WAVES = 0.8
"""Radius of a hard ball, in waves, from which its echo counts as half its radius: five waves
around it."""


def _shapes(heard: tuple[StepHeard, ...], givens: Mapping[str, Given]) -> Finding:
    _require_lengths(givens)
    ball_heard, rod_heard, plate_heard, net_heard = heard
    at, ball, net = givens["at_m"], givens["ball_m"], givens["net_m"]
    receiver = heard[0].receiver
    wavelength_m = setting_of(receiver).wavelength_m
    ball_db = 20 * math.log10(ball.value / 2)
    plate_m, rod_m, long_m = (givens[n] for n in ("plate_m", "rod_m", "rod_long_m"))
    expected_db = (
        ball_db,
        float(targets.cylinder_target_strength_db(rod_m.value, long_m.value, wavelength_m)),
        float(targets.plate_target_strength_db(plate_m.value**2, wavelength_m)),
        # Their echoes meet by chance, now adding and now cancelling: powers add. They hang a
        # little behind the front of the net.
        10 * math.log10(givens["net_balls"].value)
        + 20 * math.log10(givens["net_ball_m"].value / 2)
        + float(np.diff(ahead_db(receiver, [at.value, at.value + net.value]))[0]),
    )
    share_u = {n: g.u_value / g.value for n, g in givens.items()}
    by_hand_db = (
        math.hypot(NEPER_DB * share_u["ball_m"], CREEPING_DB),
        math.hypot(NEPER_DB / 2 * share_u["rod_m"], NEPER_DB * share_u["rod_long_m"]),
        2 * NEPER_DB * share_u["plate_m"],
        math.hypot(
            NEPER_DB / 2 * share_u["net_balls"],
            NEPER_DB * share_u["net_ball_m"],
            # Anywhere within the net is as likely.
            2 * NEPER_DB * net.value / at.value / math.sqrt(3),
        ),
    )
    own, rod, plate = (
        echo_near(h, at.value, within_m=0.1 * at.value)
        for h in (ball_heard, rod_heard, plate_heard)
    )
    net_db, u_net_db = _gathered_db(net_heard, ball_heard, at.value, behind_m=2 * net.value)
    # All by the ball's echo, whose strength is known by its size.
    found_db = (
        ball_db,
        ball_db + rod.strength_db - own.strength_db,
        ball_db + plate.strength_db - own.strength_db,
        ball_db + net_db,
    )
    u_own_db = u_level_db(own)
    u_db = (
        u_own_db,
        math.hypot(u_level_db(rod), u_own_db),
        math.hypot(u_level_db(plate), u_own_db),
        u_net_db,
    )
    louder_db = [found - ball_db for found in found_db]
    theory_db = [expected - ball_db for expected in expected_db]
    names = ("ball", "rod", "plate", "net of balls")
    ends_db = np.array([min(theory_db) - 3, max(theory_db) + 3])
    return Finding(
        measured=louder_db[2],
        u_measured=u_db[2],
        expected=theory_db[2],
        u_expected=math.hypot(by_hand_db[0], by_hand_db[2]),
        verdict=f"As wide as the ball, the plate is {louder_db[2]:.1f} dB louder: it sends back "
        f"{10 ** (louder_db[2] / 10):.0f} times the power. The rod is {louder_db[1]:.1f} dB and "
        f"the net {louder_db[3]:.1f} dB louder than the ball.",
        x_label="louder than the ball, by handbook / dB",
        y_label="louder than the ball, measured / dB",
        curves=(
            curve("as the handbook says", ends_db, ends_db),
            *(
                curve(name, [theory], [louder], [u], measured=True)
                for name, theory, louder, u in zip(names, theory_db, louder_db, u_db, strict=True)
            ),
        ),
        numbers=(
            ("body", "handbook", "strength by it / dB re 1 m²", "measured / dB re 1 m²"),
            *(
                (
                    name,
                    words,
                    stated(expected, u_hand),
                    "taken as known" if name == "ball" else stated(found, u),
                )
                for name, words, expected, u_hand, found, u in zip(
                    names,
                    (
                        "radius² / 4",
                        "radius × length² / (2 × wave)",
                        "(area / wave)²",
                        "number × radius² / 4",
                    ),
                    expected_db,
                    by_hand_db,
                    found_db,
                    u_db,
                    strict=True,
                )
            ),
        ),
    )


def _gathered_db(
    heard: StepHeard, known: StepHeard, range_m: float, *, behind_m: float
) -> tuple[float, float]:
    """All that came back from one place, ping by ping, over what came from a known body there.

    The parts of a cloud lie at different ranges, so that no single peak holds them all.

    Returns
    -------
    level_db, u_db : float
        The uncertainty is that of the mean of echoes that flicker from ping to ping.
    """
    energies = _energies(heard, range_m, behind_m)
    usual = float(np.mean(_energies(known, range_m, behind_m)))
    mean = float(np.mean(energies))
    u_mean = float(np.std(energies, ddof=1)) / math.sqrt(energies.size)
    # Of noise alone, once in some ten thousand benches.
    if usual <= 0 or mean < _SURE * u_mean:
        raise NotHeardError(
            f"step {heard.step.name}: found no more than noise {range_m:.3g} m away; hang the net "
            "nearer, or send louder"
        )
    return 10 * math.log10(mean / usual), NEPER_DB / 2 * u_mean / mean


def _energies(heard: StepHeard, range_m: float, behind_m: float) -> NDArray[np.float64]:
    """Energy from a range on, less the noise's, in each good ping; in any one unit."""
    profiles = [r.alone for r in heard.run.results if r.alone is not None]
    if len(profiles) < _FEWEST_PINGS:
        raise NotHeardError(
            f"step {heard.step.name}: found {len(profiles)} good pings; send at least "
            f"{_FEWEST_PINGS}, so that it shows how its echo flickers"
        )
    half_m = heard.plan.geometry.baseline_m / 2
    speed, width_s = heard.receiver.sound_speed_m_s, heard.receiver.shape.width_s
    found = []
    for profile in profiles:
        power = np.abs(profile.envelope).astype(np.float64) ** 2
        start_s = 2 * math.hypot(range_m, half_m) / speed - 1.5 * width_s
        stop_s = start_s + 3 * width_s + 2 * behind_m / speed
        inside = (profile.delay_s >= start_s) & (profile.delay_s < stop_s)
        # Of noise alone, the median is ln 2 of the mean.
        noise = float(np.median(power)) / math.log(2)
        found.append(float(np.sum(power[inside] - noise)))
    return np.array(found)


def _hard_ball_m(bench: BenchInUse, wanted_m: float) -> float:
    """Return a radius in whole millimetres, not too small for the wave."""
    return max(wanted_m, math.ceil(1e3 * _FEWEST_WAVES * bench.wave_m) / 1e3)


def _shapes_on(bench: BenchInUse) -> Part:
    (at_m,) = bench.places_m(2.0)
    # A plate's echo is as the handbook says from well beyond its area over the wave on.
    fits_m = math.sqrt(0.131 * bench.wave_m * at_m) / 2
    ball_m = _hard_ball_m(bench, min(0.04, math.floor(1e3 * fits_m) / 1e3))
    side_m, rod_m, net_ball_m = 2 * ball_m, ball_m / 2, ball_m / 4
    long_m = round(1.25 * ball_m, 3)

    def body(kind: str, **more: float) -> dict[str, object]:
        return bench.scene({"body": kind, "position_m": [at_m, 0.0, 0.0], **more})

    return Part(
        name="plate-ball-rod-net",
        question=Question(
            text=f"A ball {centimetres(side_m)} wide hangs {metres(at_m)} away; then a flat plate, "
            f"{centimetres(side_m)} square, takes its place. A ball's amplitude counts as half its "
            f"radius, a plate's as its area over the wave, which is {centimetres(bench.wave_m)} "
            "long. By how many decibels is the plate the louder one? (Ten times the amplitude is "
            "20 dB.)",
            unit="dB",
        ),
        givens=(
            _tape("at_m", "the front of each body", at_m),
            _length("ball_m", "radius of the ball, half of what a calliper shows", ball_m, 0.0002),
            _length("rod_m", "radius of the round rod", rod_m, 0.0002),
            _length("rod_long_m", "length of the rod", long_m),
            _length("plate_m", "side of the square plate", side_m),
            Given(
                name="net_balls",
                text="number of small balls in the net",
                value=float(_NET_BALLS),
                u_value=0.0,
            ),
            _length("net_ball_m", "radius of a small ball", net_ball_m, 0.0001),
            _length("net_m", "radius of the filled net", ball_m, 0.005),
        ),
        steps=(
            Step(
                name="ball",
                set_up=f"Hang a hard ball of {millimetres(ball_m)} radius straight ahead, its "
                f"front {metres(at_m)} away.",
                scene=body("sphere", radius_m=ball_m),
                pings=16,
            ),
            Step(
                name="rod",
                set_up=f"In its place, an upright round rod, {millimetres(rod_m)} in radius and "
                f"{millimetres(long_m)} long.",
                scene=body("cylinder", radius_m=rod_m, length_m=long_m),
                pings=16,
            ),
            Step(
                name="plate",
                set_up=f"In its place, a flat plate, {millimetres(side_m)} square; turn it until "
                "its echo is strongest.",
                scene=body("plate", width_m=side_m, height_m=side_m),
                pings=16,
            ),
            Step(
                name="net",
                set_up=f"In its place, a net with {_NET_BALLS} hard balls of "
                f"{millimetres(net_ball_m)} radius, its front {metres(at_m)} away, "
                "for a cloud of bubbles. Let it swing: its echo has to change from ping to ping.",
                scene=body(
                    "bubbles",
                    radius_m=ball_m,
                    count=_NET_BALLS,
                    bubble_radius_m=net_ball_m,
                ),
                pings=40,
            ),
        ),
        find=_shapes,
        because="A plate sends all that meets it straight back, as a mirror does; the ball sends "
        "it to all sides. So shape counts more than size, and a plate that is turned a little "
        "sends its echo elsewhere. Of many small things the powers add up, and the echo flickers. "
        "A bubble in water does more still: its air lets it ring, and near its own tone (3.3 kHz "
        "for one of 1 mm radius) it is far louder than a stone of its size.",
        talk=(
            "A fish's air bladder is the loudest part of it. Why?",
            "A mark is twice as strong as another. Name three reasons besides “twice as big”.",
        ),
    )


# 40 log R

_PLACES = ("near", "middle", "far")


def _spreading(heard: tuple[StepHeard, ...], givens: Mapping[str, Given]) -> Finding:
    _require_lengths(givens)
    tapes = [givens[f"{name}_m"] for name in _PLACES]
    ranges_m = np.array([tape.value for tape in tapes])
    echoes = [
        echo_near(h, tape.value, within_m=0.1 * tape.value)
        for h, tape in zip(heard, tapes + tapes, strict=True)
    ]
    receiver = heard[0].receiver
    ways_m = np.linspace(0.8 * ranges_m[0], 1.2 * ranges_m[-1], 80)

    def ball_db(range_m: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(ahead_db(receiver, ranges_m[:1]) - ahead_db(receiver, range_m))

    def wall_db(range_m: NDArray[np.float64]) -> NDArray[np.float64]:
        """Spread once over the whole way, as from a source behind the mirror."""
        half_m = receiver.plan.geometry.baseline_m / 2
        nearest_m = math.hypot(ranges_m[0], half_m)
        return np.asarray(ball_db(range_m) - 20 * np.log10(np.hypot(range_m, half_m) / nearest_m))

    ball, wall = echoes[:3], echoes[3:]
    ball_weaker = [ball[0].strength_db - e.strength_db for e in ball]
    wall_weaker = [wall[0].strength_db - e.strength_db for e in wall]
    u_ball = [0.0, *(math.hypot(u_level_db(e), u_level_db(ball[0])) for e in ball[1:])]
    u_wall = [0.0, *(math.hypot(u_level_db(e), u_level_db(wall[0])) for e in wall[1:])]
    expected, walls = ball_db(ranges_m), wall_db(ranges_m)
    # What absorption takes beyond spreading, and the tapes at both ends.
    spread_db = 40 * math.log10(ranges_m[-1] / ranges_m[0])
    by_tape = [2 * NEPER_DB * t.u_value / t.value for t in (tapes[0], tapes[-1])]
    by_air = _ABSORPTION_SHARE * abs(float(expected[-1]) - spread_db)
    return Finding(
        measured=ball_weaker[-1],
        u_measured=u_ball[-1],
        expected=float(expected[-1]),
        u_expected=math.hypot(*by_tape, by_air),
        verdict=f"At {ranges_m[-1] / ranges_m[0]:.2f} times the distance the ball's echo is "
        f"{ball_weaker[-1]:.1f} dB weaker and the wall's {wall_weaker[-1]:.1f} dB. The sound "
        "spreads on its way to the ball, and its echo spreads again on the way back.",
        x_label="distance / m",
        y_label="weaker than at the nearest place / dB",
        curves=(
            curve("spreading both ways, and absorption", ways_m, ball_db(ways_m)),
            curve("a mirror: spreading once", ways_m, wall_db(ways_m)),
            curve("ball", ranges_m, ball_weaker, u_ball, measured=True),
            curve("wall", ranges_m, wall_weaker, u_wall, measured=True),
        ),
        numbers=(
            ("distance / m", "ball, theory / dB", "ball / dB", "wall, theory / dB", "wall / dB"),
            *(
                (
                    f"{r:.3f}",
                    f"{e:.2f}",
                    stated(b, ub),
                    f"{w:.2f}",
                    stated(m, um),
                )
                for r, e, b, ub, w, m, um in zip(
                    ranges_m, expected, ball_weaker, u_ball, walls, wall_weaker, u_wall, strict=True
                )
            ),
        ),
    )


def _spreading_on(bench: BenchInUse) -> Part:
    at_m = dict(zip(_PLACES, bench.scaled_m(0.7, 1.0, 1.4), strict=True))
    ball_m = _hard_ball_m(bench, 0.04)
    times = two_digits(at_m["far"] / at_m["near"])
    return Part(
        name="forty-log-range",
        question=Question(
            text=f"A ball hangs {metres(at_m['near'])} away; then it is moved to "
            f"{metres(at_m['far'])}, {times} times as far. By how many decibels does its echo "
            "become weaker? (6 dB is a quarter of the power, 12 dB a sixteenth.)",
            unit="dB",
        ),
        givens=tuple(
            _tape(f"{name}_m", f"the front of the body at the {words} place", at_m[name])
            for name, words in zip(_PLACES, ("nearest", "second", "farthest"), strict=True)
        ),
        steps=(
            *(
                Step(
                    name=f"ball-{name}",
                    set_up=f"Hang the ball straight ahead, its front {metres(range_m)} away.",
                    scene=bench.scene({"position_m": [range_m, 0.0, 0.0], "radius_m": ball_m}),
                    pings=12,
                )
                for name, range_m in at_m.items()
            ),
            *(
                Step(
                    name=f"wall-{name}",
                    set_up="Take the ball away. Turn the bench square to a large flat wall, "
                    f"{metres(range_m)} away.",
                    scene=bench.scene(bottom={"range_m": range_m, "kind": "hard"}),
                    pings=12,
                )
                for name, range_m in at_m.items()
            ),
        ),
        find=_spreading,
        because="At twice the distance the sound is spread over four times the area, so a quarter "
        "of the power meets the ball: 6 dB less. What the ball sends back spreads in the same way: "
        "6 dB again. That is 40 times the logarithm of the distance, and the medium swallows a "
        "little besides. A large wall is a mirror: it turns the sound round, and it goes on "
        "spreading as from one source twice as far away: 6 dB in all, 20 times the logarithm.",
        talk=(
            "How much louder must a bench send to hear the same ball at ten times the distance?",
            "Why does a bottom show so far down where nothing else is heard?",
        ),
    )


# Gain over range


def _gain(heard: tuple[StepHeard, ...], givens: Mapping[str, Given]) -> Finding:
    _require_lengths(givens)
    small, large = givens["small_m"], givens["large_m"]
    tapes = (givens["near_m"], givens["far_m"])
    near, far = (
        echo_near(h, tape.value, within_m=0.1 * tape.value)
        for h, tape in zip(heard, tapes, strict=True)
    )
    receiver = heard[0].receiver
    ranges_m = np.array([near.range_m, far.range_m])
    # By the echoes' own ranges, as an instrument has to.
    heard_db = np.array([near.strength_db, far.strength_db]) - near.strength_db
    gained_db = heard_db - (ahead_db(receiver, ranges_m) - ahead_db(receiver, ranges_m[:1]))
    u_db = math.hypot(
        u_level_db(near),
        u_level_db(far),
        *(2 * NEPER_DB * e.u_range_m / e.range_m for e in (near, far)),
    )
    spread_db = 40 * math.log10(ranges_m[1] / ranges_m[0])
    by_air_db = _ABSORPTION_SHARE * abs(float(gained_db[1] - heard_db[1]) - spread_db)
    expected_db = 20 * math.log10(large.value / small.value)
    by_size = (NEPER_DB * ball.u_value / ball.value for ball in (small, large))
    ways_m = np.linspace(0.8 * ranges_m[0], 1.2 * ranges_m[1], 60)
    falling_db = ahead_db(receiver, ways_m) - ahead_db(receiver, ranges_m[:1])
    return Finding(
        measured=float(gained_db[1]),
        u_measured=math.hypot(u_db, by_air_db),
        expected=expected_db,
        u_expected=math.hypot(*by_size, math.sqrt(2) * CREEPING_DB),
        verdict=f"As heard, the far ball is {abs(heard_db[1]):.1f} dB "
        f"{'weaker' if heard_db[1] < 0 else 'stronger'} than the near one. With a gain that makes "
        f"up for the distance it is {abs(gained_db[1]):.1f} dB "
        f"{'stronger' if gained_db[1] > 0 else 'weaker'}: as its size says.",
        x_label="distance / m",
        y_label="against the near ball as heard / dB",
        curves=(
            curve("the large ball as heard", ways_m, falling_db + expected_db),
            curve(
                "the large ball with gain",
                ways_m,
                np.full(ways_m.size, expected_db),
            ),
            curve("balls as heard", ranges_m, heard_db, [0.0, u_db], measured=True),
            curve("balls with gain over range", ranges_m, gained_db, [0.0, u_db], measured=True),
        ),
        numbers=(
            ("ball", "radius / mm", "range / m", "as heard / dB", "gain / dB", "with gain / dB"),
            *(
                (
                    name,
                    f"{1e3 * ball.value:.1f}",
                    f"{range_m:.3f}",
                    f"{raw:.2f}",
                    f"{lifted - raw:.2f}",
                    f"{lifted:.2f}",
                )
                for name, ball, range_m, raw, lifted in zip(
                    ("small, near", "large, far"),
                    (small, large),
                    ranges_m,
                    heard_db,
                    gained_db,
                    strict=True,
                )
            ),
        ),
    )


def _gain_on(bench: BenchInUse) -> Part:
    near_m, far_m = bench.scaled_m(0.7, 1.4)
    small_m = _hard_ball_m(bench, 0.02)
    large_m = 2 * small_m
    return Part(
        name="gain-over-range",
        question=Question(
            text=f"A ball {centimetres(2 * small_m)} wide hangs {metres(near_m)} away and one of "
            f"{centimetres(2 * large_m)} hangs {metres(far_m)} away. As heard, the near one is the "
            "stronger. Now the gain grows with the range, by as much as an echo loses on its way. "
            "By how many decibels is the far ball the stronger one then?",
            unit="dB",
        ),
        givens=(
            _tape("near_m", "the front of the small ball", near_m),
            _tape("far_m", "the front of the large ball", far_m),
            _length("small_m", "radius of the small ball", small_m, 0.0001),
            _length("large_m", "radius of the large ball", large_m, 0.0001),
        ),
        steps=(
            Step(
                name="small-near",
                set_up=f"Hang a hard ball of {millimetres(small_m)} radius straight ahead, its "
                f"front {metres(near_m)} away.",
                scene=bench.scene({"position_m": [near_m, 0.0, 0.0], "radius_m": small_m}),
                pings=16,
            ),
            Step(
                name="large-far",
                set_up=f"Take it away; hang one of {millimetres(large_m)} radius, its front "
                f"{metres(far_m)} away.",
                scene=bench.scene({"position_m": [far_m, 0.0, 0.0], "radius_m": large_m}),
                pings=16,
            ),
        ),
        find=_gain,
        because="As heard, distance hides size: a near pebble is louder than a far rock. A gain "
        "that grows with the time since the ping, by 40 times the logarithm of the range and what "
        "the water or air swallows, gives the same body the same mark at any range. It lifts the "
        "noise as well, so that far out the picture turns grey: gain finds nothing that was not "
        "heard.",
        talk=(
            "The gain is right for a ball. What does it do to a wall or a sea bed?",
            "Someone turns all the gain up to see deeper. What will the screen show?",
        ),
    )


LESSON = Lesson(
    name="how-loud-is-big",
    title="How loud is big",
    minutes=40,
    about="Why a strong mark need not be a large thing, what distance takes off, and what a gain "
    "that grows with range gives back.",
    plan=PLAN,
    parts=for_any_bench(PLAN, _shapes_on, _spreading_on, _gain_on),
    misreading="“Strong is big.” Strength is shape, size, matter, place in the cone and distance, "
    "all in one number.",
)
