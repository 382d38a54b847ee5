"""A part: the deep arch is the wide arch."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from dsp.physics.beams import footprint_diameter_m
from dsp.uncertainty import stated
from rig.teach.lessons.bench_in_use import BenchInUse, metres
from rig.teach.lessons.by_hand import speed_by_watch
from rig.teach.lessons.crossing import cone_of, crossing_of
from rig.teach.lessons.lesson import Finding, Given, Part, Question, Step, StepHeard, curve

_WIDTHS = ("wider", "as wide", "narrower")


def _deep_arch(heard: tuple[StepHeard, ...], givens: Mapping[str, Given]) -> Finding:
    (both,) = heard
    near, far, speed = givens["near_m"], givens["far_m"], givens["speed_m_s"]
    # The two arches must not run into each other.
    found = [crossing_of(both, tape, speed, within=0.08) for tape in (near, far)]
    ratio, expected = found[1].chord_m / found[0].chord_m, far.value / near.value
    # One bar drew both: a wrong speed makes both as wrong.
    u_ratio = ratio * math.hypot(
        *(2 * c.u_by_noise_rad / math.sin(2 * c.half_angle_rad) for c in found)
    )
    half_rad, _ = cone_of(both.receiver)
    spacing_m = speed.value * both.plan.timing.ping_interval_s
    rise_mm = [1e3 * c.beam.fit.closest_m * (1 / math.cos(c.half_angle_rad) - 1) for c in found]
    tape_m = np.linspace(0.0, 1.15 * far.value, 50)
    told = 0 if ratio > 1 + 2 * u_ratio else 2 if ratio < 1 - 2 * u_ratio else 1
    return Finding(
        measured=ratio,
        u_measured=u_ratio,
        expected=expected,
        u_expected=expected * math.hypot(near.u_value / near.value, far.u_value / far.value),
        choice=_WIDTHS[told],
        verdict=f"{metres(near.value)} away the ball gave {found[0].hits} hits inside the cone, "
        f"{metres(far.value)} away {found[1].hits}: an arch {ratio:.2f} times as wide, "
        f"{expected:.2f} times as far away. It is higher, too: {rise_mm[1]:.0f} mm from its top "
        f"to the cone's edge, and {rise_mm[0]:.0f} mm near by. Balls and speed were the same.",
        x_label="distance from the transducers / m",
        y_label="width, times that of the near arch",
        curves=(
            curve("as wide as the cone is there", tape_m, tape_m / near.value),
            curve(
                "arches",
                [near.value, far.value],
                [1.0, ratio],
                [u_ratio / ratio, u_ratio],
                measured=True,
            ),
        ),
        numbers=(
            ("arch", "distance / m", "hits by theory", "hits", "width / m", "height / mm"),
            *(
                (
                    name,
                    f"{tape.value:.3f}",
                    f"{float(footprint_diameter_m(tape.value, half_rad)) / spacing_m:.1f}",
                    str(c.hits),
                    stated(c.chord_m, c.u_chord_m),
                    f"{rise:.0f}",
                )
                for name, tape, c, rise in zip(
                    ("near", "far"), (near, far), found, rise_mm, strict=True
                )
            ),
        ),
    )


def deep_arch_on(bench: BenchInUse) -> Part:
    """Return the part as a bench can show it."""
    near_m, far_m = bench.places_m(0.7, 1.4, needs=1.16)
    width_m = bench.width_m(near_m)
    speed_m_s = bench.crossing_m_s(width_m, hits=11.4)
    # The far ball goes in well outside the cone, and comes out as far.
    middle = math.ceil(0.9 * bench.width_m(far_m) / speed_m_s / bench.interval_s)
    near_hits = width_m / speed_m_s / bench.interval_s

    def tape(name: str, which: str, range_m: float) -> Given:
        return Given(
            name=name,
            text=f"from midway between source and receiver straight ahead to the {which} ball's "
            "way, by tape, in m",
            value=range_m,
            u_value=0.003,
        )

    return Part(
        name="deep-arch",
        question=Question(
            text=f"Two equal balls hang from one bar, {metres(near_m)} and {metres(far_m)} away, "
            "and go past at the same speed. Each draws an arch; the near one has "
            f"{near_hits:.0f} hits inside the cone. What is the far arch, against the near one? "
            "(Measured besides: how many times as wide it is.)",
            unit="times",
            choices=_WIDTHS,
        ),
        givens=(
            tape("near_m", "near", near_m),
            tape("far_m", "far", far_m),
            speed_by_watch("speed_m_s", "", speed_m_s),
        ),
        steps=(
            Step(
                name="both",
                set_up="Turn the transducers straight ahead. Hang two balls of one size from a "
                f"bar, {metres(near_m)} and {metres(far_m)} away, the far one a little behind the "
                "near one so that neither hides the other. Draw the bar past at an even speed, "
                f"about {speed_m_s:g} m/s, until both are well out of the cone.",
                scene=bench.scene(
                    bench.passing_ball(near_m, speed_m_s, middle_pings=middle - 2.3),
                    bench.passing_ball(far_m, speed_m_s, middle_pings=middle),
                ),
                pings=2 * middle,
                # The side lobes of the near ball must not hide the far one.
                changes={"receiver": {"stack": 1, "weighting": "hann"}},
            ),
        ),
        find=_deep_arch,
        because="A cone is an angle: twice as far away it is twice as wide. At one speed the ball "
        "takes twice as long through it, more pings meet it, and its arch is twice as wide and "
        "twice as high. So the deep arch is the wide arch. Its width tells of distance, speed and "
        "ping rate, and of the ball nothing: that one is further away, and its echo is weaker. A "
        "screen shows an arch as far as it stands above the noise, so that a loud one looks longer "
        "than its cone; here each is measured to half of its own strongest echo's power.",
        talk=(
            "Someone shows you a screen with small arches above and large ones below: “The big "
            "ones are down there.” What do you ask?",
            "How much nearer or faster must a thing go by so that both arches are equally wide?",
        ),
    )
