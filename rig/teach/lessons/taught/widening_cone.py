"""The widening cone: how wide the beam is, further away and at other frequencies."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from dsp.physics.beams import footprint_diameter_m, half_power_half_angle_rad
from dsp.uncertainty import stated
from rig.teach.lessons.air_bench import ONE_BY_ONE, PLAN
from rig.teach.lessons.bench_in_use import (
    BenchInUse,
    for_any_bench,
    khz,
    metres,
)
from rig.teach.lessons.by_hand import speed_by_watch
from rig.teach.lessons.crossing import cone_of, crossing_of
from rig.teach.lessons.lesson import Finding, Given, Lesson, Part, Question, Step, StepHeard, curve

_U_TAPE_M = 0.003


def _distance(name: str, which: str, range_m: float) -> Given:
    return Given(
        name=name,
        text=f"from midway between source and receiver straight ahead to the thread, {which}, "
        "by tape, in m",
        value=range_m,
        u_value=_U_TAPE_M,
    )


# Footprint against range

_PLACES = ("near", "middle", "far")
_WHICH = ("nearest place", "second place", "farthest place")


def _footprint(heard: tuple[StepHeard, ...], givens: Mapping[str, Given]) -> Finding:
    speed = givens["speed_m_s"]
    tapes = [givens[f"{h.step.name}_m"] for h in heard]
    found = [crossing_of(h, tape, speed) for h, tape in zip(heard, tapes, strict=True)]
    half_rad, u_half_rad = cone_of(heard[-1].receiver)
    expected_m = [float(footprint_diameter_m(t.value, half_rad)) for t in tapes]
    ratio = found[-1].chord_m / found[0].chord_m
    tape_m = np.linspace(0.0, 1.15 * tapes[-1].value, 50)
    return Finding(
        measured=found[-1].chord_m,
        u_measured=found[-1].u_chord_m,
        expected=expected_m[-1],
        u_expected=expected_m[-1]
        * math.hypot(tapes[-1].u_value / tapes[-1].value, 2 * u_half_rad / math.sin(2 * half_rad)),
        verdict=f"The cone is {found[0].chord_m:.2f} m wide at {tapes[0].value:.2f} m and "
        f"{found[-1].chord_m:.2f} m wide at {tapes[-1].value:.2f} m: {ratio:.2f} times as wide, "
        f"{tapes[-1].value / tapes[0].value:.2f} times as far away. Its angle is the same.",
        x_label="distance from the transducers / m",
        y_label="width of the cone / m",
        curves=(
            curve(
                f"a cone of {math.degrees(2 * half_rad):.1f}° from edge to edge",
                tape_m,
                footprint_diameter_m(tape_m, half_rad),
            ),
            curve(
                "ball drawn across",
                [t.value for t in tapes],
                [c.chord_m for c in found],
                [c.u_chord_m for c in found],
                measured=True,
            ),
        ),
        numbers=(
            ("step", "distance / m", "width by theory / m", "width / m", "edge from the axis / °"),
            *(
                (
                    h.step.name,
                    f"{t.value:.3f}",
                    f"{e:.3f}",
                    stated(c.chord_m, c.u_chord_m),
                    f"{math.degrees(c.half_angle_rad):.2f}",
                )
                for h, t, e, c in zip(heard, tapes, expected_m, found, strict=True)
            ),
        ),
    )


def _footprint_on(bench: BenchInUse) -> Part:
    at_m = dict(zip(_PLACES, bench.places_m(0.6, 1.0, 1.5, needs=1.1), strict=True))
    speed_m_s = bench.crossing_m_s(bench.width_m(at_m["near"]), hits=9.8)

    def step(name: str, set_up: str) -> Step:
        return Step(
            name=name,
            set_up=set_up,
            scene=bench.scene(bench.passing_ball(at_m[name], speed_m_s, middle_pings=20)),
            pings=40,
            changes=ONE_BY_ONE,
        )

    return Part(
        name="footprint",
        question=Question(
            text="Sound leaves the transducers in a cone. Its edge is where an echo has half the "
            f"power that it has on the axis. {metres(at_m['near'])} away this cone is "
            f"{metres(bench.width_m(at_m['near']))} wide. How many metres wide is it "
            f"{metres(at_m['far'])} away?",
            unit="m",
        ),
        givens=(
            *(
                _distance(f"{name}_m", which, at_m[name])
                for name, which in zip(_PLACES, _WHICH, strict=True)
            ),
            speed_by_watch("speed_m_s", "", speed_m_s),
        ),
        steps=(
            step(
                "near",
                "Lay source and receiver side by side. Draw a ball on a thread past them, "
                f"{metres(at_m['near'])} away, along the line from one to the other, from outside "
                f"the cone to outside it; evenly, at about {speed_m_s:g} m/s, so that ten pings "
                "or so meet it inside.",
            ),
            step("middle", f"The same at {metres(at_m['middle'])}, at the same speed."),
            step("far", f"The same at {metres(at_m['far'])}, at the same speed."),
        ),
        find=_footprint,
        because="A cone is an angle, so its width grows in step with the distance: twice the "
        "distance times the tangent of the angle from the axis to the edge. The patch that the "
        "cone covers at a distance is called the footprint. What lies in it side by side is one "
        "mark on the screen.",
        talk=(
            "A screen shows two marks one above the other. Must the two things be one above the "
            "other?",
            "How wide is this cone 10 m away? What could hide in it unseen?",
        ),
    )


# Hits against range

_BALLS = 4
_AXIS_AFTER = (22.2, 27.8, 25.0, 26.4)  # pings, each ball: none in front of another


def _hits(heard: tuple[StepHeard, ...], givens: Mapping[str, Given]) -> Finding:
    (at_once,) = heard
    speed = givens["speed_m_s"]
    tapes = [givens[f"ball_{i}_m"] for i in range(1, 1 + _BALLS)]
    # The balls' arches must not run into each other.
    found = [crossing_of(at_once, tape, speed, within=0.08) for tape in tapes]
    half_rad, u_half_rad = cone_of(at_once.receiver)
    spacing_m = speed.value * at_once.plan.timing.ping_interval_s
    expected = [float(footprint_diameter_m(t.value, half_rad)) / spacing_m for t in tapes]
    tape_m = np.linspace(0.0, 1.15 * tapes[-1].value, 50)
    share = math.hypot(
        tapes[-1].u_value / tapes[-1].value,
        speed.u_value / speed.value,
        2 * u_half_rad / math.sin(2 * half_rad),
    )
    return Finding(
        measured=float(found[-1].hits),
        u_measured=found[-1].u_hits,
        expected=expected[-1],
        u_expected=expected[-1] * share,
        verdict=f"The nearest ball gave {found[0].hits} hits and the farthest {found[-1].hits}. "
        "All went at the same speed: only the cone was wider.",
        x_label="distance from the transducers / m",
        y_label="hits inside the cone",
        curves=(
            curve(
                f"width of the cone, one ping each {1e3 * spacing_m:.0f} mm",
                tape_m,
                footprint_diameter_m(tape_m, half_rad) / spacing_m,
            ),
            curve(
                "balls",
                [t.value for t in tapes],
                [c.hits for c in found],
                [c.u_hits for c in found],
                measured=True,
            ),
        ),
        numbers=(
            ("ball", "distance / m", "hits by theory", "hits"),
            *(
                (str(i), f"{t.value:.3f}", f"{e:.1f}", str(c.hits))
                for i, (t, e, c) in enumerate(zip(tapes, expected, found, strict=True), 1)
            ),
        ),
    )


def _hits_on(bench: BenchInUse) -> Part:
    at_m = bench.places_m(0.5, 0.8, 1.1, 1.4, needs=1.16)
    width_m = bench.width_m(at_m[0])
    speed_m_s = bench.crossing_m_s(width_m, hits=8.2)
    hits = width_m / speed_m_s / bench.interval_s
    *but_last, last = (metres(each).removesuffix(" m") for each in at_m)
    places = f"{', '.join(but_last)} and {last} m"
    return Part(
        name="hits",
        question=Question(
            text=f"Four balls hang {places} away and pass through the cone at the same "
            "speed. A ping that meets a ball inside the cone is a hit, and a mark on the screen. "
            f"The nearest ball gives {hits:.0f} hits. How many does the farthest give?",
            unit="hits",
        ),
        givens=(
            *(_distance(f"ball_{i}_m", f"ball {i}", range_m) for i, range_m in enumerate(at_m, 1)),
            speed_by_watch("speed_m_s", "", speed_m_s),
        ),
        steps=(
            Step(
                name="strewn",
                set_up=f"Hang four balls of one size from a bar, {places} away, each a "
                "little to the side of the one before so that none hides another. Draw the bar "
                f"past the pair at an even speed, about {speed_m_s:g} m/s.",
                scene=bench.scene(
                    *(
                        bench.passing_ball(range_m, speed_m_s, middle_pings=after)
                        for range_m, after in zip(at_m, _AXIS_AFTER, strict=True)
                    )
                ),
                pings=52,
                changes=ONE_BY_ONE,
            ),
        ),
        find=_hits,
        because="The cone is wider further out, so a ball there is inside it for longer, and more "
        "pings meet it. A screen fills up with longer marks further down, though no more things "
        "are there and none is larger. A thing that is strewn as evenly deep down as above is met "
        "more often, too: more of them are in the cone at once.",
        talk=(
            "Someone says: the fish are larger further down, their marks are longer. What do you "
            "answer?",
            "How could marks from different distances be counted fairly?",
        ),
    )


# The same disc at three frequencies

_SHARES = {"low": 0.5, "middle": 0.75, "high": 1.0}
"""Of the plan's highest frequency."""

_HALF_SWEEP = 0.09375
"""How far each sweeps to both sides, as a share of the highest."""


_U_BAND = 0.005
"""What the formula for one frequency leaves unsure of a band's cone, as a share. A Gaussian lobe,
averaged over an even band of the share w about its middle, is wider at half power by
(2 ln 2 − 1) w²/24: 0.2 % for the lowest sweep. A ball's and a medium's own slope over the band do
about as much again."""


def _frequency(heard: tuple[StepHeard, ...], givens: Mapping[str, Given]) -> Finding:
    found = [crossing_of(h, givens["closest_m"], givens["speed_m_s"]) for h in heard]
    expected_rad = [cone_of(h.receiver)[0] for h in heard]
    by_noise = [c.u_by_noise_rad / c.half_angle_rad for c in found]
    # A wrong speed or distance widens all cones by nearly the same share: in the ratio of two
    # only the difference of their shares is left.
    shares = [math.sin(2 * c.half_angle_rad) / 2 / c.half_angle_rad for c in found]
    speed = givens["speed_m_s"]
    left = abs(shares[0] - shares[-1]) * speed.u_value / speed.value
    ratio = found[0].half_angle_rad / found[-1].half_angle_rad
    centre_hz = [h.receiver.shape.centre_hz for h in heard]
    face, speed_m_s = heard[0].plan.transducer, heard[0].receiver.sound_speed_m_s
    sweep_hz = np.linspace(0.85 * centre_hz[0], 1.1 * centre_hz[-1], 60)
    theory_rad = [
        half_power_half_angle_rad(face.shape, face.size_m, speed_m_s / f) for f in sweep_hz.tolist()
    ]
    return Finding(
        measured=ratio,
        u_measured=ratio * math.hypot(by_noise[0], by_noise[-1], left),
        expected=expected_rad[0] / expected_rad[-1],
        u_expected=_U_BAND * expected_rad[0] / expected_rad[-1],
        verdict=f"At {centre_hz[0] / 1e3:.1f} kHz the edge lies "
        f"{math.degrees(found[0].half_angle_rad):.1f}° from the axis, at "
        f"{centre_hz[-1] / 1e3:.1f} kHz {math.degrees(found[-1].half_angle_rad):.1f}°. The disc "
        "was the same: the higher frequency has the narrower cone.",
        x_label="frequency / kHz",
        y_label="cone, times as wide as at the highest",
        curves=(
            curve("formula for a disc", sweep_hz / 1e3, np.array(theory_rad) / expected_rad[-1]),
            curve(
                "ball drawn across",
                np.array(centre_hz) / 1e3,
                [c.half_angle_rad / found[-1].half_angle_rad for c in found],
                [c.u_by_noise_rad / found[-1].half_angle_rad for c in found],
                measured=True,
            ),
        ),
        numbers=(
            ("step", "frequency / kHz", "wave / mm", "edge by theory / °", "edge / °"),
            *(
                (
                    h.step.name,
                    f"{f / 1e3:.2f}",
                    f"{1e3 * speed_m_s / f:.1f}",
                    f"{math.degrees(e):.2f}",
                    stated(math.degrees(c.half_angle_rad), math.degrees(c.beam.u_half_power_rad)),
                )
                for h, f, e, c in zip(heard, centre_hz, expected_rad, found, strict=True)
            ),
        ),
    )


def _frequency_on(bench: BenchInUse) -> Part:
    bench.require_any_pulse("its pair rings at one frequency, and this part sends three")
    rate_hz = bench.plan.timing.sample_rate_hz
    # What is sent has to fit below half the sample rate, with what the sweep spills over.
    highest_hz = min(bench.plan.pulse.highest_hz, 0.45 * rate_hz / (1 + _HALF_SWEEP))
    half_rad = {name: bench.half_rad_at(s * highest_hz) for name, s in _SHARES.items()}
    sent_s = bench.samples_s(48 / highest_hz)
    # The lowest sweep fills a narrow band: its echo is told best once the direct sound is over.
    clear_m = round(1.1 * bench.speed_m_s * sent_s / 2, 2)
    (at_m,) = bench.places_m(max(0.8, clear_m) if bench.in_air else clear_m, needs=1.2)
    width_m = 2 * at_m * math.tan(half_rad["high"])
    speed_m_s = bench.crossing_m_s(width_m, hits=11.4)
    # So many pings that the widest cone is crossed from outside it to outside it.
    wider = math.tan(half_rad["low"]) / math.tan(half_rad["high"])
    spacing_m = speed_m_s * bench.interval_s
    pings = max(40, 2 * math.ceil(0.85 * wider * width_m / spacing_m))
    heard_as = {name: khz(share * highest_hz) for name, share in _SHARES.items()}

    def step(name: str, set_up: str) -> Step:
        centre_hz, half_hz = _SHARES[name] * highest_hz, _HALF_SWEEP * highest_hz
        pulse = {
            "kind": "chirp",
            "start_hz": centre_hz - half_hz,
            "stop_hz": centre_hz + half_hz,
            "duration_s": sent_s,
        }
        return Step(
            name=name,
            set_up=set_up,
            scene=bench.scene(bench.passing_ball(at_m, speed_m_s, middle_pings=pings / 2)),
            pings=pings,
            changes={"pulse": pulse, **ONE_BY_ONE},
        )

    return Part(
        name="three-frequencies",
        question=Question(
            text=f"The same disc sends a low sound ({heard_as['low']}), then one of twice the "
            f"frequency ({heard_as['high']}). How many times as wide is the cone of the low "
            "sound, in degrees? (1 is as wide, below 1 is narrower.)",
            unit="times",
        ),
        givens=(
            _distance("closest_m", "the same for all three", at_m),
            speed_by_watch("speed_m_s", "", speed_m_s),
        ),
        steps=(
            step(
                "low",
                f"Draw the ball past, {metres(at_m)} away, at an even speed, about "
                f"{speed_m_s:g} m/s; the bench sends {heard_as['low']}.",
            ),
            step("middle", f"The same again; the bench sends {heard_as['middle']}."),
            step("high", f"The same again; the bench sends {heard_as['high']}."),
        ),
        find=_frequency,
        because="What counts is how many waves fit across the disc. On the axis the sound of all "
        "its parts arrives in step. To the side one edge is further away than the other, and the "
        "parts fall out of step; with shorter waves they do so sooner. For a round disc out and "
        "back, half the power is left where the circumference, in waves, times the sine of the "
        "angle is 1.16.",
        talk=(
            "Why does an instrument with a narrow cone at a low frequency need a large disc?",
            "What does a wide cone find sooner, and what does a narrow one tell better?",
        ),
    )


LESSON = Lesson(
    name="widening-cone",
    title="The widening cone",
    minutes=40,
    about="How wide a patch one mark stands for, why marks are longer further away, and what the "
    "frequency does to the cone.",
    plan=PLAN,
    parts=for_any_bench(PLAN, _footprint_on, _hits_on, _frequency_on),
    misreading="“The screen shows what is straight below.” It shows all that is in the cone, by "
    "distance alone; and long marks far away are no larger things.",
)
