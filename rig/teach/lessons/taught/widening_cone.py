"""The widening cone: how wide the beam is, further away and at other frequencies."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from dsp.physics.beams import footprint_diameter_m, half_power_half_angle_rad
from rig.teach.lessons.air_bench import ONE_BY_ONE, PLAN, passing_ball, scene
from rig.teach.lessons.crossing import cone_of, crossing_of
from rig.teach.lessons.lesson import Finding, Given, Lesson, Part, Question, Step, StepHeard, curve

_SPEED_M_S = 0.6
_U_SPEED = 0.01  # of a speed told by tape and watch: 0.02 s in 2 s
_U_TAPE_M = 0.003


def _speed(speed_m_s: float) -> Given:
    return Given(
        name="speed_m_s",
        text="how fast the ball is drawn: metres of thread over seconds by the watch, in m/s",
        value=speed_m_s,
        u_value=_U_SPEED * speed_m_s,
    )


def _distance(name: str, which: str, range_m: float) -> Given:
    return Given(
        name=name,
        text=f"from midway between source and receiver straight ahead to the thread, {which}, "
        "by tape, in m",
        value=range_m,
        u_value=_U_TAPE_M,
    )


# Footprint against range

_AT_M = {"near": 0.6, "middle": 1.0, "far": 1.5}
_WHICH = {"near": "nearest place", "middle": "second place", "far": "farthest place"}


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
                    f"{c.chord_m:.3f} ± {2 * c.u_chord_m:.3f}",
                    f"{math.degrees(c.half_angle_rad):.2f}",
                )
                for h, t, e, c in zip(heard, tapes, expected_m, found, strict=True)
            ),
        ),
    )


def _footprint_step(name: str, set_up: str) -> Step:
    return Step(
        name=name,
        set_up=set_up,
        scene=scene(passing_ball(_AT_M[name], _SPEED_M_S, middle_s=0.72)),
        pings=40,
        changes=ONE_BY_ONE,
    )


_FOOTPRINT = Part(
    name="footprint",
    question=Question(
        text="Sound leaves the transducers in a cone. Its edge is where an echo has half the "
        "power that it has on the axis. 0.6 m away this cone is 0.21 m wide. How many metres "
        "wide is it 1.5 m away?",
        unit="m",
    ),
    givens=(
        *(_distance(f"{name}_m", _WHICH[name], _AT_M[name]) for name in _AT_M),
        _speed(_SPEED_M_S),
    ),
    steps=(
        _footprint_step(
            "near",
            "Lay source and receiver side by side. Draw a ball on a thread past them, 0.6 m away, "
            "along the line from one to the other, from outside the cone to outside it; evenly, "
            "and so slowly that ten pings or more meet it inside.",
        ),
        _footprint_step("middle", "The same at 1 m, at the same speed."),
        _footprint_step("far", "The same at 1.5 m, at the same speed."),
    ),
    find=_footprint,
    because="A cone is an angle, so its width grows in step with the distance: twice the distance "
    "times the tangent of the angle from the axis to the edge. The patch that the cone covers at "
    "a distance is called the footprint. What lies in it side by side is one mark on the screen.",
    talk=(
        "A screen shows two marks one above the other. Must the two things be one above the other?",
        "How wide is this cone 10 m away? What could hide in it unseen?",
    ),
)


# Hits against range

_STREWN_M = (0.5, 0.8, 1.1, 1.4)
_PASS_S = (0.8, 1.0, 0.9, 0.95)  # when each crosses the axis: none in front of another


def _hits(heard: tuple[StepHeard, ...], givens: Mapping[str, Given]) -> Finding:
    (at_once,) = heard
    speed = givens["speed_m_s"]
    tapes = [givens[f"ball_{i}_m"] for i in range(1, 1 + len(_STREWN_M))]
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


_HITS = Part(
    name="hits",
    question=Question(
        text="Four balls hang 0.5, 0.8, 1.1 and 1.4 m away and pass through the cone at the same "
        "speed. A ping that meets a ball inside the cone is a hit, and a mark on the screen. The "
        "nearest ball gives 8 hits. How many does the farthest give?",
        unit="hits",
    ),
    givens=(
        *(_distance(f"ball_{i}_m", f"ball {i}", range_m) for i, range_m in enumerate(_STREWN_M, 1)),
        _speed(_SPEED_M_S),
    ),
    steps=(
        Step(
            name="strewn",
            set_up="Hang four balls of one size from a bar, 0.5, 0.8, 1.1 and 1.4 m away, each a "
            "little to the side of the one before so that none hides another. Draw the bar past "
            "the pair at an even speed.",
            scene=scene(
                *(
                    passing_ball(range_m, _SPEED_M_S, middle_s=middle_s)
                    for range_m, middle_s in zip(_STREWN_M, _PASS_S, strict=True)
                )
            ),
            pings=52,
            changes=ONE_BY_ONE,
        ),
    ),
    find=_hits,
    because="The cone is wider further out, so a ball there is inside it for longer, and more "
    "pings meet it. A screen fills up with longer marks further down, though no more things are "
    "there and none is larger. A thing that is strewn as evenly deep down as above is met more "
    "often, too: more of them are in the cone at once.",
    talk=(
        "Someone says: the fish are larger further down, their marks are longer. What do you "
        "answer?",
        "How could marks from different distances be counted fairly?",
    ),
)


# The same disc at three frequencies

_SWEEPS_HZ = {"low": (6.5e3, 9.5e3), "middle": (10.5e3, 13.5e3), "high": (14.5e3, 17.5e3)}
_HEARD_AS = {"low": "8 kHz", "middle": "12 kHz", "high": "16 kHz"}
_FREQUENCY_M = 0.8


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
                    f"{math.degrees(c.half_angle_rad):.2f} ± "
                    f"{math.degrees(2 * c.beam.u_half_power_rad):.2f}",
                )
                for h, f, e, c in zip(heard, centre_hz, expected_rad, found, strict=True)
            ),
        ),
    )


def _frequency_step(name: str, set_up: str) -> Step:
    start_hz, stop_hz = _SWEEPS_HZ[name]
    pulse = {"kind": "chirp", "start_hz": start_hz, "stop_hz": stop_hz, "duration_s": 0.003}
    return Step(
        name=name,
        set_up=set_up,
        scene=scene(passing_ball(_FREQUENCY_M, _SPEED_M_S, middle_s=0.72)),
        pings=40,
        changes={"pulse": pulse, **ONE_BY_ONE},
    )


_FREQUENCY = Part(
    name="three-frequencies",
    question=Question(
        text="The same disc sends a low sound (8 kHz), then one of twice the frequency (16 kHz). "
        "How many times as wide is the cone of the low sound, in degrees? (1 is as wide, below 1 "
        "is narrower.)",
        unit="times",
    ),
    givens=(
        _distance("closest_m", "the same for all three", _FREQUENCY_M),
        _speed(_SPEED_M_S),
    ),
    steps=(
        _frequency_step(
            "low",
            f"Draw the ball past, 0.8 m away, at an even speed; the bench sends "
            f"{_HEARD_AS['low']}. A board whose transducers ring at one frequency alone cannot do "
            "this part.",
        ),
        _frequency_step("middle", f"The same again; the bench sends {_HEARD_AS['middle']}."),
        _frequency_step("high", f"The same again; the bench sends {_HEARD_AS['high']}."),
    ),
    find=_frequency,
    because="What counts is how many waves fit across the disc. On the axis the sound of all its "
    "parts arrives in step. To the side one edge is further away than the other, and the parts "
    "fall out of step; with shorter waves they do so sooner. For a round disc out and back, half "
    "the power is left where the circumference, in waves, times the sine of the angle is 1.16.",
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
    parts=(_FOOTPRINT, _HITS, _FREQUENCY),
    misreading="“The screen shows what is straight below.” It shows all that is in the cone, by "
    "distance alone; and long marks far away are no larger things.",
)
